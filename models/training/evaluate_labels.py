"""Labels against the playbook's truth, from positions instead of film: with perfect and with noisy eyes.

``python -m models.training.evaluate_labels --plays 1000 [--seed 900000] [--level mixed] [--write]``
prints, per label, the share that is right with a 95 % interval (Wilson 1927), how many were answered, the expected
calibration error in ten bins, the figures labels_*, and how far the confidence of whole rows holds; --write keeps
those of perfect positions. ``--knowable 30000`` instead measures how much of the coverage can be known before the
snap at all; ``--collected DIR`` what the confidence of rows is worth on charted film.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from models.training import knowable as knowable_bounds
from models.training.label_data import Case, owners
from models.training.observe import PERFECT, USUAL, Errors, Observed, observe
from models.training.playbook.play import Play, make_play
from pipeline import alignment, compare, evaluate_tables, label_figures, labels, rows, stats, tracks
from pipeline.compare import Pair
from pipeline.field import LEVELS
from pipeline.label_figures import Value
from pipeline.labels import forest, trust
from pipeline.labels.forest import Forest
from pipeline.ledger import write_json
from pipeline.models import models_dir
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


def judge(
    play: Play, observed: Observed, tally: Tally, seed: int, forests: Mapping[str, Forest] | None = None
) -> tuple[Tracks, Alignment, Labels]:
    """Compare one play's chain with its truth; returns what the chain gave."""
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
    return t, a, got


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


def lines(tally: Tally) -> Iterator[str]:
    """The table, one line a measure."""
    for name in sorted(tally.right):
        v = np.array(tally.right[name])
        if name.endswith("_yd"):
            q = np.quantile(v, [0.5, 0.95])
            yield f"{name:32s} mean {v.mean():.2f}  median {q[0]:.2f}  95th {q[1]:.2f}  n {len(v)}"
            continue
        lo, hi = stats.wilson(int(v.sum()), len(v))
        ece = f"  ece {stats.calibration_error(v, np.array(tally.sure[name])):.3f}" if name in tally.sure else ""
        blank = f"  blank {tally.blank[name]}" if tally.blank.get(name) else ""
        yield f"{name:32s} {100 * v.mean():5.1f} %  ({100 * lo:.1f} to {100 * hi:.1f})  n {len(v)}{ece}{blank}"


def pair_of(name: str, truth: Mapping[str, Any], view: str, got: Labels) -> tuple[Pair, dict[tuple[str, str], float]]:
    """A play as ``snapledger evaluate`` pairs it, and the confidences of its labels."""
    row: dict[str, Any] = {"snap_id": name, **rows.label_cells(got), "confidence": labels.reasons(got)[1]}
    if got.by_name["play_kind"].value == "no_snap":
        row["play_kind"] = "no_snap"
    sure = {(name, k): v.confidence for k, v in got.by_name.items()}
    return Pair(name, {**truth, "view": view}, row), sure


def seen_again(cases: Iterable[Case], forests: Mapping[str, Forest] | None, settings: labels.Settings) -> Iterator[
    tuple[Pair, dict[tuple[str, str], float]]
]:
    """Cases of models.training.label_data labelled and paired; plays without a snap left out."""
    for c in cases:
        if c.truth.get("play_kind") in (None, "no_snap"):
            continue
        got = labels.label(c.tracks, c.alignment, settings, forests=forests)
        yield pair_of(f"{c.seed}-{c.errors}", c.truth, c.view, got)


Found = list[tuple[Pair, dict[tuple[str, str], float]]]


def table(found: Iterable[tuple[Pair, dict[tuple[str, str], float]]], rules: Found | None = None) -> tuple[
    list[Value], list[str]
]:
    """The figures labels_*, and lines to print: those beside what the rules alone reach, and per label what its
    confidence is worth."""
    pairs, sure = _joined(found)
    values = label_figures.figures(pairs, sure)
    alone = {v.key: v for v in label_figures.figures(*_joined(rules or []))}
    said = []
    for v in values:
        words, _, target = label_figures.WORDS[v.key]
        beside = f"  rules alone {_shown(alone[v.key])}" if v.key in alone else ""
        said.append(f"{v.key:36s} {_shown(v)}{beside}  n {v.n:5d}  wanted with perfect positions {target:10s} {words}")
    known = ", ".join(KNOWN_BEFORE)
    said += row_lines(pairs)
    share = 100 * knowable(p.truth for p in pairs)
    said.append(f"  knowable before the snap from true {known}: first two {share:.1f} %")
    eces = label_figures.calibration(pairs, sure)
    for name in label_figures.CALIBRATED:
        s = label_figures.scored(name, pairs, sure)
        right, p = s.known
        if len(right):
            said.append(
                f"  {name:22s} answered {len(s.right) / max(s.n, 1):.3f}  right {right.mean():.3f}  "
                f"ece {eces.get(name, float('nan')):.3f}  brier {stats.brier(right, p):.3f}  "
                f"wrong at 90 % {stats.risk_when(right, p):.3f}"
            )
    return values, said


def row_answers(pairs: Iterable[Pair]) -> tuple[np.ndarray, np.ndarray]:
    """Of each row with a snap: whether every label of ``trust.ROW_LABELS`` it shows is right, and its confidence."""
    right, sure = [], []
    for p in pairs:
        if p.pred is None or p.pred.get("confidence") is None or not compare.has_snap(p.truth):
            continue
        shown = {n: p.pred[n] for n in trust.ROW_LABELS if p.pred.get(n) is not None and p.truth.get(n) is not None}
        if shown:
            right.append(all(v == p.truth[n] for n, v in shown.items()))
            sure.append(float(p.pred["confidence"]))
    return np.array(right, float), np.array(sure)


def row_figures(pairs: Iterable[Pair]) -> dict[str, float]:
    """What the confidence of rows is worth: share of rows all right, mean confidence, calibration error in ten bins,
    Brier score, and the share all right among the surer half."""
    right, sure = row_answers(pairs)
    if not len(right):
        return {}
    top = right[np.argsort(-sure)[: max(len(sure) // 2, 1)]]
    return {
        "labels_row_all_right": float(right.mean()), "labels_row_confidence_mean": float(sure.mean()),
        "labels_row_ece": stats.calibration_error(right, sure), "labels_row_brier": stats.brier(right, sure),
        "labels_row_all_right_surer_half": float(top.mean()),
    }  # fmt: skip


def row_lines(pairs: Sequence[Pair]) -> list[str]:
    """The figures of rows, and right against sure in fifths."""
    right, sure = row_answers(pairs)
    said = [f"  {k:36s} {v:.3f}  n {len(right)}" for k, v in row_figures(pairs).items()]
    for low, high in zip((0.0, 0.2, 0.4, 0.6, 0.8), (0.2, 0.4, 0.6, 0.8, 1.01), strict=True):
        inside = (sure >= low) & (sure < high)
        if inside.any():
            said.append(f"    rows {low:.1f} to {min(high, 1):.1f} sure: {sure[inside].mean():.2f} said, "
                        f"{right[inside].mean():.2f} all right, {int(inside.sum())} rows")  # fmt: skip
    return said


def _shown(v: Value) -> str:
    return f"{100 * v.value:5.1f} %" if v.unit == "share" else f"{v.value:7.3f}"


def _joined(found: Iterable[tuple[Pair, dict[tuple[str, str], float]]]) -> tuple[
    list[Pair], dict[tuple[str, str], float]
]:
    pairs: list[Pair] = []
    sure: dict[tuple[str, str], float] = {}
    for pair, confidence in found:
        pairs.append(pair)
        sure |= confidence
    return pairs, sure


KNOWN_BEFORE = ("deep_safeties", "corner_picture", "motion_response")


def knowable(truths: Iterable[Mapping[str, Any]], first: int = 2) -> float:
    """Share of dropbacks whose coverage is among the ``first`` most frequent of plays with the same true deep count,
    corners and answer to motion, itself left out: what the words of the trade allow before the snap, eyes aside."""
    rows_ = [t for t in truths if t.get("coverage_after")]
    seen: dict[tuple[Any, ...], Counter[str]] = {}
    for t in rows_:
        seen.setdefault(tuple(t.get(k) for k in KNOWN_BEFORE), Counter())[t["coverage_after"]] += 1
    hits = 0
    for t in rows_:
        others = seen[tuple(t.get(k) for k in KNOWN_BEFORE)] - Counter([t["coverage_after"]])
        hits += t["coverage_after"] in [name for name, _ in others.most_common(first)]
    return hits / len(rows_) if rows_ else float("nan")


def write_metrics(values: Mapping[str, float]) -> None:
    """Put figures into models/metrics.json; other keys stay."""
    path = models_dir() / "metrics.json"
    kept = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
    write_json(path, {**kept, **{k: round(v, 5) for k, v in values.items()}})


def of_film(folder: Path, run: str, truth: str) -> list[Pair]:
    """Sideline plays of a charted set and their truth. run, truth: folders inside it."""
    found = evaluate_tables.read_tables(folder / truth, []), evaluate_tables.read_tables(folder / run, [])
    return [p for p in evaluate_tables.pair_all(*found, []) if p.truth.get("view") in (None, "sideline")]


def level_of(seed: int, level: str) -> str:
    """The field level of a play: the one asked for, or drawn in the mix of the test set."""
    if level != "mixed":
        return level
    return str(np.random.default_rng([seed, 9]).choice(LEVELS, p=[0.35, 0.3, 0.25, 0.1]))


def run(
    plays: int, seed: int, level: str, errors: Errors, forests: Mapping[str, Forest] | None = None, **overrides: Any
) -> tuple[Tally, Found, Found]:
    """Judge ``plays`` plays from seed on; also as pairs of truth and answer, learned and by the rules alone."""
    tally = Tally()
    found: Found = []
    rules: Found = []
    for s in range(seed, seed + plays):
        play = make_play(s, level_of(s, level), **overrides)
        t, a, got = judge(play, observe(play, s, errors), tally, s, forests)
        if play.snap_index is not None:
            found.append(pair_of(str(s), play.labels, "sideline", got))
            rules.append(pair_of(str(s), play.labels, "sideline", labels.label(t, a, forests={})))
    return tally, found, rules


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plays", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=900_000)
    parser.add_argument("--level", default="mixed", help=f"mixed, or one of {LEVELS}")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--wrong", type=int, default=0, help="list this many wrong plays a label")
    parser.add_argument("--perfect", action="store_true", help="perfect positions alone")
    parser.add_argument("--write", action="store_true", help="put perfect positions' figures into models/metrics.json")
    parser.add_argument("--knowable", type=int, metavar="PLAYS", help="measure what can be known before the snap")
    parser.add_argument("--collected", type=Path, help="a charted set: folders run and truth (or --run, --truth in it)")
    parser.add_argument("--cases", type=Path, help="cases of charted film (film_cases): the half not learned from")
    parser.add_argument("--view", default="sideline")
    parser.add_argument("--forests", type=Path, help="learned scores other than those that ship (fit_labels --out)")
    parser.add_argument("--run", default="run")
    parser.add_argument("--truth", default="truth")
    args = parser.parse_args()
    if args.knowable:
        measured = knowable_bounds.measure(args.knowable)
        print("Coverage played, told from before the snap:", *knowable_bounds.lines(measured), sep="\n")
        if args.write:
            write_metrics(knowable_bounds.keys(measured))
            knowable_bounds.write_card(measured)
        return
    if args.collected:
        pairs = of_film(args.collected, args.run, args.truth)
        print("\n".join(row_lines(pairs)))
        if args.write:
            write_metrics(row_figures(pairs))
        return
    if args.cases:
        from models.training import film_cases

        mine = [c for c in film_cases.halves(args.cases)[1] if c.view == args.view]
        forests = forest.parse(args.forests.read_bytes()) if args.forests else None
        print(f"== {len(mine)} charted plays, {args.view}, not learned from")
        found, rules = (list(seen_again(mine, f, labels.load())) for f in (forests, {}))
        print("\n".join(table(found, rules)[1]))
        return
    out: dict[str, dict[str, float]] = {}
    kinds = (("perfect positions", PERFECT), ("positions as on rendered film", USUAL))
    for title, errors in kinds[: 1 if args.perfect else 2]:
        tally, found, rules = run(args.plays, args.seed, args.level, errors)
        print(f"== {title}: {args.plays} plays from seed {args.seed}, {args.level}")
        values, said = table(found, rules)
        print("\n".join(lines(tally)), "\n".join(said), sep="\n\n", flush=True)
        for name, cases in sorted(tally.wrong.items()) if args.wrong else ():
            print(f"   wrong {name} ({len(cases)}): {cases[: args.wrong]}")
        out[title] = {k: float(np.mean(v)) for k, v in tally.right.items()} | {v.key: v.value for v in values}
        if args.write and errors is PERFECT:
            write_metrics({f"{v.key}_true_positions": v.value for v in values} | {
                f"{k}_true_positions": v for k, v in row_figures(p for p, _ in found).items()})  # fmt: skip
    if args.json:
        args.json.write_text(json.dumps(out, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
