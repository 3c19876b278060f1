"""Labels against the playbook's truth, from positions instead of film: with perfect and with noisy eyes.

``python -m models.training.evaluate_labels --plays 500 [--seed 900000] [--level professional] [--json FILE]``
prints, per label, the share that is right with a 95 % interval (Wilson 1927), how many were answered, and the
expected calibration error in ten bins.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from models.training.observe import PERFECT, USUAL, Errors, Observed, observe
from models.training.playbook.play import Play, make_play
from pipeline import alignment, labels, tracks
from pipeline.labels.forest import Forest
from pipeline.records import SIDES, Alignment, Labels, Tracks

EXACT = (
    "play_kind", "deep_safeties", "middle_of_field", "corner_picture", "box_defenders", "motion", "motion_response",
    "deep_safeties_after", "rotation", "rotation_from", "disguised", "rushers", "blockers", "spare_rushers",
    "read_window", "coverage_before", "coverage_after",
)  # fmt: skip
CORNERS = ("corner_depth_offense_left_yd", "corner_depth_offense_right_yd")
MAN = ("cover_0", "cover_1", "cover_2_man")


@dataclass
class Tally:
    """Per measure: one entry a play (right or not, or an error) and the confidence that went with it."""

    right: dict[str, list[float]] = field(default_factory=dict)
    sure: dict[str, list[float]] = field(default_factory=dict)
    blank: dict[str, int] = field(default_factory=dict)
    wrong: dict[str, list[tuple[int, Any, Any]]] = field(default_factory=dict)

    def add(self, name: str, right: float, sure: float | None = None) -> None:
        """Take one result in."""
        self.right.setdefault(name, []).append(float(right))
        if sure is not None:
            self.sure.setdefault(name, []).append(float(sure))


def chain(
    observed: Observed, has_snap: bool = True, forests: Mapping[str, Forest] | None = None
) -> tuple[Tracks, Alignment, Labels]:
    """Tracks, alignment and labels of one observation. forests: {} for the rules alone."""
    t = tracks.build(observed.samples)
    a = alignment.align(t, [s.registration for s in observed.samples])
    return t, a, labels.label(t, a, has_snap=has_snap, forests=forests)


def owners(observed: Observed, t: Tracks) -> np.ndarray:
    """(N,) person id a track mostly follows, -1 for a false find."""
    out = np.full(len(t.role), -1)
    for k in range(len(t.role)):
        ids = [int(observed.who[i][t.found[i, k]]) for i in range(len(t.time_s)) if t.found[i, k] >= 0]
        if ids:
            out[k] = max(set(ids), key=ids.count)
    return out


def judge(
    play: Play, observed: Observed, tally: Tally, seed: int, forests: Mapping[str, Forest] | None = None
) -> None:
    """Compare one play's chain with its truth."""
    t, a, got = chain(observed, play.snap_index is not None, forests)
    truth = play.labels
    for name in EXACT:
        want = truth.get(name)
        if want is None or want == "" or name not in got.by_name:
            continue
        label = got.by_name[name]
        if label.value is None:
            tally.blank[name] = tally.blank.get(name, 0) + 1
            continue
        ok = label.value == want
        tally.add(name, ok, label.confidence)
        if not ok:
            tally.wrong.setdefault(name, []).append((seed, want, label.value))
    for name in CORNERS:
        label, want = got.by_name[name], truth.get(name)
        if want is not None and isinstance(label.value, float):
            tally.add("corner_depth_error_yd", abs(label.value - want))
            if abs(label.value - want) > 1.5:
                tally.wrong.setdefault("corner_depth", []).append((seed, want, label.value))
        elif want is not None:
            tally.blank["corner_depth"] = tally.blank.get("corner_depth", 0) + 1
    _coverage(truth, got, tally)
    _people(play, observed, t, a, tally, seed)


def _coverage(truth: dict[str, Any], got: Labels, tally: Tally) -> None:
    shown = truth.get("coverage_before")
    if shown and got.coverage_before:
        ranked = sorted(got.coverage_before, key=lambda c: -got.coverage_before[c])
        tally.add("coverage_shown_first_two", shown in ranked[:2])
    for when, p in (("before", got.coverage_before), ("after", got.coverage_after)):
        want = truth.get("coverage_after")
        if want and p:
            ranked = sorted(p, key=lambda c: -p[c])
            tally.add(f"coverage_{when}_first", ranked[0] == want, p[ranked[0]])
            tally.add(f"coverage_{when}_first_two", want in ranked[:2])
            if want != "other":
                tally.add(f"man_or_zone_{when}", (sum(p[c] for c in MAN) > 0.5) == (want in MAN))


def _people(play: Play, observed: Observed, t: Tracks, a: Alignment, tally: Tally, seed: int) -> None:
    if play.snap_index is None:
        return
    who = owners(observed, t)
    i = int(np.argmin(np.abs(t.time_s)))
    here = np.isfinite(t.xy_yd[i]).all(1)
    camera = observed.samples[i].registration.camera
    moment = int(np.clip(play.snap_index + round(observed.snap_off_s * play.hz), 0, len(play.time_s) - 1))
    by_id = {p.id: (p, play.xy_yd[moment, k]) for k, p in enumerate(play.people)}
    counted: list[int] = []
    for k in np.flatnonzero(here):
        if SIDES[t.side[k]] not in ("offense", "defense"):
            continue
        real = who[k] >= 0 and by_id[who[k]][0].role == "player" and who[k] not in counted
        tally.add("people_precision", real)
        if real:
            person, xy = by_id[who[k]]
            counted.append(int(who[k]))
            ok = SIDES[t.side[k]] == person.side
            tally.add("side_of_the_ball", ok, t.side_confidence[k])
            if not ok:
                tally.wrong.setdefault("side", []).append((seed, person.position, SIDES[t.side[k]]))
            if person.side == "defense":
                tally.add("defender_position_error_yd", float(np.linalg.norm(xy - t.xy_yd[i, k])))
    for person, xy in by_id.values():
        px = camera.ground_to_px(xy) if camera else np.zeros(2)
        if person.role == "player" and 0 < px[0] < 1279 and 0 < px[1] < 719:
            tally.add("people_recall", person.id in counted)
    tally.add("line_of_scrimmage_error_yd", abs(a.line_of_scrimmage_yd - play.line_of_scrimmage_yd))
    tally.add("ball_across_error_yd", abs(a.ball_y_yd - play.ball_y_yd))
    tally.add("direction", a.direction == play.direction, a.confidence)
    if a.direction != play.direction:
        tally.wrong.setdefault("direction", []).append((seed, play.labels.get("play_kind"), 0))


def wilson(right: int, n: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927)."""
    z = 1.96
    p, d = right / n, 1 + z * z / n
    mid, half = (p + z * z / 2 / n) / d, z * np.sqrt(p * (1 - p) / n + z * z / 4 / n / n) / d
    return max(float(mid - half), 0.0), min(float(mid + half), 1.0)


def calibration_error(right: list[float], sure: list[float], bins: int = 10) -> float:
    """Expected calibration error: mean distance of accuracy and confidence over equal-width bins."""
    r, s = np.array(right), np.array(sure)
    which = np.clip((s * bins).astype(int), 0, bins - 1)
    return float(sum(abs(r[which == b].mean() - s[which == b].mean()) * (which == b).mean() for b in np.unique(which)))


def lines(tally: Tally) -> Iterator[str]:
    """The table, one line a measure."""
    for name in sorted(tally.right):
        v = np.array(tally.right[name])
        if name.endswith("_yd"):
            q = np.quantile(v, [0.5, 0.95])
            yield f"{name:32s} mean {v.mean():.2f}  median {q[0]:.2f}  95th {q[1]:.2f}  n {len(v)}"
            continue
        lo, hi = wilson(int(v.sum()), len(v))
        ece = f"  ece {calibration_error(tally.right[name], tally.sure[name]):.3f}" if name in tally.sure else ""
        blank = f"  blank {tally.blank[name]}" if tally.blank.get(name) else ""
        yield f"{name:32s} {100 * v.mean():5.1f} %  ({100 * lo:.1f} to {100 * hi:.1f})  n {len(v)}{ece}{blank}"


def run(
    plays: int, seed: int, level: str, errors: Errors, forests: Mapping[str, Forest] | None = None, **overrides: Any
) -> Tally:
    """Judge ``plays`` plays from seed on."""
    tally = Tally()
    for s in range(seed, seed + plays):
        play = make_play(s, level, **overrides)
        judge(play, observe(play, s, errors), tally, s, forests)
    return tally


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plays", type=int, default=500)
    parser.add_argument("--seed", type=int, default=900_000)
    parser.add_argument("--level", default="professional")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--wrong", type=int, default=0, help="list this many wrong plays a label")
    parser.add_argument("--rules", action="store_true", help="the rules alone, without the learned scores")
    args = parser.parse_args()
    out: dict[str, dict[str, float]] = {}
    for title, errors in (("perfect positions", PERFECT), ("noisy positions", USUAL)):
        tally = run(args.plays, args.seed, args.level, errors, {} if args.rules else None)
        print(f"== {title}: {args.plays} plays from seed {args.seed}, {args.level}")
        print("\n".join(lines(tally)))
        for name, cases in sorted(tally.wrong.items()) if args.wrong else ():
            print(f"   wrong {name} ({len(cases)}): {cases[: args.wrong]}")
        out[title] = {k: float(np.mean(v)) for k, v in tally.right.items()}
    if args.json:
        args.json.write_text(json.dumps(out, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
