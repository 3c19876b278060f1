"""``snapledger explain``: which measured facts led to each label of a snap, and what would have changed it.

From evidence/ and labels.csv alone, no film. Facts come in the order in which a play is read: who stands where, what
is shown, what moved, who came, what it became. Each has its measured value beside the threshold it was held against.
What would have changed a label is tried, not argued: the man nearest to a threshold is put on its other side and the
play is labelled again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline import labels as label_stage
from pipeline.alignment import Roles
from pipeline.errors import InputError, UsageError
from pipeline.labels import scene as scenes
from pipeline.labels.scene import Scene
from pipeline.labels.settings import Settings
from pipeline.ledger import Row, read_csv
from pipeline.records import Alignment, Labels, Tracks

Array = NDArray[np.float64]
OVER_YD = 0.35  # how far past a threshold a man is put to try what would have changed
FOLLOWS = ("middle_of_field", "corner_picture", "coverage_before", "deep_safeties_after", "rotation", "disguised",
           "rushers", "spare_rushers", "read_window", "coverage_after")  # fmt: skip


@dataclass(frozen=True)
class Fact:
    """One measured fact: the label it speaks for, in words, its value and the threshold (NaN where there is none).

    who: the track whose place it is, None where it is nobody's alone; unit: yd, s, share.
    """

    label: str
    words: str
    value: float = float("nan")
    limit: float = float("nan")
    unit: str = "yd"
    who: int | None = None

    @property
    def margin(self) -> float:
        """How far the value is past the threshold; negative: short of it."""
        return self.value - self.limit

    def text(self) -> str:
        """One line."""
        if not np.isfinite(self.value):
            return self.words
        digits = 2 if self.unit == "share" else 0 if self.unit == "men" else 1
        unit = "" if self.unit in ("share", "") else f" {self.unit}"
        shown = f"{self.words}: {self.value:.{digits}f}{unit}"
        if not np.isfinite(self.limit):
            return shown
        side = "past" if self.margin > 0 else "short of"
        return f"{shown}, threshold {self.limit:.{digits}f} ({abs(self.margin):.{digits}f} {side} it)"


@dataclass(frozen=True)
class Reason:
    """One label with its facts and what would have changed it."""

    label: str
    said: str
    facts: tuple[Fact, ...]
    changes: tuple[str, ...] = field(default=())


def _side(across: float) -> str:
    if abs(across) < 1.5:
        return "over the ball"
    return f"{abs(across):.0f} yd to the offence's {'right' if across > 0 else 'left'}"


def _name(view: Scene, i: int) -> str:
    return f"{view.position[i].replace('_', ' ')} {_side(float(view.set_across[i]))}"


def _deep(view: Scene) -> Iterator[Fact]:
    limit = view.settings("deep.depth_yd") * view.depth_scale
    corners = (view.roles.corner_left, view.roles.corner_right)
    men = [int(i) for i in view.dfn if i not in corners and np.isfinite(view.set_depth[i])]
    for i in sorted(men, key=lambda i: -view.set_depth[i])[:3]:
        yield Fact("deep_safeties", f"{_name(view, i)} stands", float(view.set_depth[i]), limit, who=i)
    if view.depth_scale < 1:
        yield Fact("deep_safeties", f"depths shrink near the goal line: times {view.depth_scale:.2f}")


def _corners(view: Scene) -> Iterator[Fact]:
    s, scale = view.settings, view.depth_scale
    for side in ("left", "right"):
        corner = getattr(view.roles, f"corner_{side}")
        if corner is None or not np.isfinite(view.set_depth[corner]):
            continue
        depth = float(view.set_depth[corner])
        press, off = s("corner.press_yd") * scale, s("corner.off_yd") * scale
        nearest = press if abs(depth - press) < abs(depth - off) else off
        kind = "press" if depth < press else "off" if depth > off else "soft"
        words = f"corner on the offence's {side} ({kind}) stands"
        yield Fact("corner_picture", words, depth, nearest, who=corner)


def _motion(view: Scene, facts: Mapping[str, Any]) -> Iterator[Fact]:
    s = view.settings
    if "motion_travel_yd" in facts:
        yield Fact("motion", "most that one man of the offence moved across", float(facts["motion_travel_yd"]),
                   s("motion.across_yd"))  # fmt: skip
    if "motion_best_follow_share" in facts:
        yield Fact("motion_response", "share of his way that one defender went with him",
                   float(facts["motion_best_follow_share"]), s("motion.follow_share"), "share")  # fmt: skip
        n = int(facts.get("motion_defenders_shifted", 0))
        yield Fact("motion_response", f"defenders who shifted more than {s('motion.bump_yd'):.1f} yd", float(n),
                   unit="men")  # fmt: skip


def _kind(facts: Mapping[str, Any]) -> Iterator[Fact]:
    said = {
        "line_push": "linemen moved forward by", "passer_drop": "the passer dropped by",
        "near_back": "linebackers sank by", "back_mesh": "nearest that passer and back came",
    }  # fmt: skip
    measured = facts.get("kind") or {}
    for key, words in said.items():
        value = measured.get(key)
        if value is not None and np.isfinite(value):
            yield Fact("play_kind", words, float(value))


def _deep_after(view: Scene, labels: Labels) -> Iterator[Fact]:
    s = view.settings
    at = s("after.look_s")
    limit = s("after.deep_yd") * view.depth_scale
    depth, across = view.at(at)
    corners = (view.roles.corner_left, view.roles.corner_right)
    men = [int(i) for i in view.dfn if i not in corners and i not in labels.rushers and np.isfinite(depth[i])]
    for i in sorted(men, key=lambda i: -depth[i])[:3]:
        inward = abs(float(view.set_across[i])) - abs(float(across[i]))
        way = f", {inward:.1f} yd nearer the middle" if inward > 1.5 else ""
        words = f"{_name(view, i)} at {at:.1f} s{way}"
        yield Fact("deep_safeties_after", words, float(depth[i]), limit, who=i)
    late, _ = view.at(s("after.until_s"))
    for side, corner in (("left", corners[0]), ("right", corners[1])):
        if corner is not None and np.isfinite(late[corner]):
            words = f"corner on the offence's {side} at {s('after.until_s'):.1f} s"
            yield Fact("coverage_after", words, float(late[corner]), s("after.corner_sunk_yd") * view.depth_scale)


def _rush(view: Scene, labels: Labels) -> Iterator[Fact]:
    look = view.settings("rush.look_s")
    depth, _ = view.at(look)
    chances = {int(k): float(v) for k, v in (labels.evidence.get("rush_chances") or {}).items()}
    for i in sorted(chances, key=lambda i: -chances[i]):
        if i >= len(view.position) or chances[i] < 0.15:
            continue
        place = f" ({depth[i]:+.1f} yd at {look:.1f} s)" if np.isfinite(depth[i]) else ""
        yield Fact("rushers", f"{_name(view, i)}{place}: chance that he rushes", chances[i], 0.5, "share", i)


def _coverage(view: Scene, labels: Labels, when: str) -> Iterator[Fact]:
    """For each fact of the tables, how much it speaks for the likeliest coverage against the second."""
    p = labels.coverage_before if when == "before" else labels.coverage_after
    tables = (labels.evidence.get("coverage_facts") or {}).get(when) or {}
    if len(p) < 2:
        return
    first, second = sorted(p, key=lambda c: -p[c])[:2]
    yield Fact(f"coverage_{when}", f"{first} {p[first]:.2f}, {second} {p[second]:.2f}")
    if when == "after" and labels.evidence.get("man_share") is not None:
        words = "share of receivers with one defender each"
        share = float(labels.evidence["man_share"])
        yield Fact("coverage_after", words, share, view.settings("man.much_above"), "share")
    for table, seen in tables.items():
        if seen is None:
            continue
        dist = np.asarray(seen, float)
        a, b = (float(np.asarray(view.settings.row(f"{table}.{c}")) @ dist) for c in (first, second))
        ratio = (max(a, 1e-4) / max(b, 1e-4)) ** view.settings(f"coverage_weight.{table}")
        for_, against = (first, second) if ratio >= 1 else (second, first)
        times = max(ratio, 1 / ratio)
        if times > 1.25:
            words = f"{table.replace('_', ' ')}: for {for_} against {against}"
            yield Fact(f"coverage_{when}", words, min(times, 99.0), unit="times")


ORDER = (
    "play_kind", "deep_safeties", "middle_of_field", "corner_picture", "box_defenders", "motion", "motion_response",
    "coverage_before", "rushers", "blockers", "read_window", "deep_safeties_after", "rotation", "disguised",
    "coverage_after",
)  # fmt: skip
BEFORE = ORDER[:8]


def facts(view: Scene, labels: Labels) -> list[Fact]:
    """Every fact in the order in which a play is read."""
    e = labels.evidence
    found = [*_kind(e), *_deep(view), *_corners(view), *_motion(view, e), *_coverage(view, labels, "before")]
    value = labels.by_name.get("play_kind")
    if value is not None and value.value == "dropback":
        found += [*_rush(view, labels), *_deep_after(view, labels), *_coverage(view, labels, "after")]
    return sorted(found, key=lambda f: ORDER.index(f.label))


def lines(tracks: Tracks, alignment: Alignment, labels: Labels, settings: Settings, moment: str) -> list[str]:
    """Short lines for the picture of a moment (snap or after): label, then the facts beside it."""
    view = _view(tracks, alignment, labels, settings)
    wanted = BEFORE if moment == "snap" else ORDER[8:]
    every = facts(view, labels)
    out = []
    for name in wanted:
        label = labels.by_name.get(name)
        mine = [f.text() for f in every if f.label == name]
        if label is None or label.value is None or not mine:
            continue
        out.append(f"{name} {_shown(label.value)} ({label.confidence:.2f}): " + "; ".join(mine[:3]))
    return out


def _view(tracks: Tracks, alignment: Alignment, labels: Labels, settings: Settings) -> Scene:
    """The scene the labels were told from: with the corners they found."""
    view = scenes.build(tracks, alignment, settings)
    found, named = labels.evidence.get("corners"), labels.evidence.get("position")
    if found is None or named is None:
        return view
    left, right = found
    return replace(view, roles=replace(view.roles, corner_left=left, corner_right=right), position=tuple(named))


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.1f}" if isinstance(value, float) else str(value)


def _moved(alignment: Alignment, tracks: Tracks, who: int, by_yd: float, after: bool) -> Alignment:
    """The alignment with one man deeper by some yards: before the snap and on, or from the snap on only."""
    depth = alignment.depth_yd.copy()
    part = np.clip(tracks.time_s / 0.75, 0, 1) if after else np.ones(len(tracks.time_s))
    depth[:, who] += by_yd * part
    return replace(alignment, depth_yd=depth)


def changes(tracks: Tracks, alignment: Alignment, settings: Settings, labels: Labels, found: Sequence[Fact]) -> dict[
    str, list[str]
]:
    """By label: the man nearest to its threshold put on the other side of it, and what the labels then are."""
    out: dict[str, list[str]] = {}
    for name in ("deep_safeties", "corner_picture", "deep_safeties_after"):
        mine = [f for f in found if f.label == name and f.who is not None and np.isfinite(f.margin)]
        if not mine:
            continue
        f = min(mine, key=lambda f: abs(f.margin))
        by = -f.margin - np.sign(f.margin or 1.0) * OVER_YD
        moved = _moved(alignment, tracks, int(f.who or 0), by, name.endswith("after"))
        other = label_stage.label(tracks, moved, settings)
        told: list[str] = []
        for key in (name, *FOLLOWS):
            a, b = labels.by_name.get(key), other.by_name.get(key)
            if a is not None and b is not None and a.value != b.value and key not in [t.split(" ")[0] for t in told]:
                told.append(f"{key} {_shown(a.value)} -> {_shown(b.value)}")
        way = "deeper" if by > 0 else "nearer to the line"
        said = "; ".join(told) if told else "no label changes"
        out[name] = [f"{f.words.removesuffix(' stands')} {abs(by):.1f} yd {way}: {said}"]
    rushes = [f for f in found if f.label == "rushers" and f.who is not None]
    if rushes:
        f = min(rushes, key=lambda f: abs(f.margin))
        out["rushers"] = [f"nearest to the other answer: {f.text()}"]
    for when in ("before", "after"):
        p = labels.coverage_before if when == "before" else labels.coverage_after
        if len(p) > 1:
            first, second = sorted(p, key=lambda c: -p[c])[:2]
            odds = max(p[second], 1e-4) / max(p[first], 1e-4)
            out[f"coverage_{when}"] = [f"{second} would be first with facts {1 / odds:.1f} times as much for it"]
    return out


def alignment_of(raw: Mapping[str, Any], shape: tuple[int, int]) -> Alignment:
    """Alignment as written in evidence/."""
    from pipeline.audit.evidence import floats

    e = dict(raw.get("evidence") or {})
    roles = dict(e.get("roles") or {})
    if roles:
        e["roles"] = Roles(tuple(roles.pop("linemen")), **roles)
    nan = float("nan")
    e["yards_to_goal"] = nan if e.get("yards_to_goal") is None else float(e["yards_to_goal"])
    visible = raw.get("visible_depth_yd")
    return Alignment(
        _number(raw["line_of_scrimmage_yd"]), _number(raw["ball_y_yd"]), int(raw["direction"]),
        float(raw["confidence"]), tuple(raw["position"]), floats(raw["depth_yd"], shape),
        floats(raw["across_yd"], shape),
        nan if visible is None else float(visible), e,
    )  # fmt: skip


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)


def explain(run_dir: Path, snap_id: str, label: str | None = None, settings: Settings | None = None) -> list[Reason]:
    """Reasons of the labels of a snap in order. label: only this one.

    Raises UsageError for an unknown snap or label, InputError where evidence is missing or damaged.
    """
    path = run_dir / "labels.csv"
    if not path.is_file():
        raise UsageError("There is no labels.csv.", where=run_dir, hint="Give a run folder of `snapledger chart`.")
    written = {str(r["label"]): r for r in read_csv(path, "labels") if r["snap_id"] == snap_id}
    if not written:
        known = sorted({str(r["snap_id"]) for r in read_csv(path, "labels")})
        raise UsageError(f"There is no labelled snap {snap_id!r} in this run.", where=run_dir,
                         hint=f"For example: {', '.join(known[:3]) or 'none was labelled'}.")  # fmt: skip
    if label is not None and label not in written:
        raise UsageError(f"Unknown label {label!r}.", hint=f"Known: {', '.join(sorted(written))}.")
    from pipeline.audit import evidence as evidences

    found = evidences.load(run_dir, snap_id)
    if found.tracks is None or found.raw_alignment is None:
        raise InputError("This snap has no formation to explain.", where=snap_id,
                         hint="See review_reasons in snaps.csv.")  # fmt: skip
    try:
        alignment = alignment_of(found.raw_alignment, found.tracks.xy_yd.shape[:2])
    except (KeyError, ValueError, TypeError) as e:
        raise InputError(f"The evidence is damaged: {type(e).__name__}: {e}.", where=snap_id) from e
    return reasons(found.tracks, alignment, settings or label_stage.load(), written, label)


def reasons(
    tracks: Tracks, alignment: Alignment, settings: Settings, written: Mapping[str, Row], only: str | None = None
) -> list[Reason]:
    """Reasons in order. written: rows of labels.csv by label; their values are what is explained."""
    labels = label_stage.label(tracks, alignment, settings)
    view = _view(tracks, alignment, labels, settings)
    every = facts(view, labels)
    other = changes(tracks, alignment, settings, labels, every)
    out = []
    names = [n for n in ORDER if n in written] + [n for n in written if n not in ORDER]
    for name in names:
        if only is not None and name != only:
            continue
        row = written[name]
        value = row.get("value")
        now = labels.by_name.get(name)
        said = f"{'blank' if value is None else value} ({row['status']}, {float(row.get('confidence') or 0):.2f})"
        if row.get("reason"):
            said += f": {row['reason']}"
        notes = list(other.get(name, ()))
        if now is not None and value is not None and _text(now.value) != str(value):
            notes.append(f"labelled again with the models here: {_text(now.value)}")
        out.append(Reason(name, said, tuple(f for f in every if f.label == name), tuple(notes)))
    return out


def _text(value: Any) -> str:
    return "true" if value is True else "false" if value is False else str(value)


def as_text(found: Sequence[Reason]) -> list[str]:
    """Lines to print."""
    out: list[str] = []
    for r in found:
        out.append(f"{r.label} = {r.said}")
        out += [f"    {f.text()}" for f in r.facts]
        out += [f"    would change: {c}" for c in r.changes]
    return out
