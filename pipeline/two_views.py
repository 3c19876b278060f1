"""Both views of a play, sideline and end zone, as one row: each label from the view that sees it better.

The width and the depth of a defence are the sideline's, wherever it answers: an end-zone picture seldom holds the
deepest man, and a count without him looks sure. What happens at the line is taken from the view that is surer.

Clips are paired by name (the same but for a word that names the view) or by order (first with first, counts being
equal). What belongs together is taken together from one view: rushers with blockers and window, rotation with the
deep men after the snap. Where both views answer and differ, the row says so and is for review.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline import compare
from pipeline.ledger import Row

SIDE_WORDS = ("sideline", "side", "sl", "wide")
END_WORDS = ("endzone", "end", "ez", "tight")
# Labels that are taken together.
GROUPS: tuple[tuple[str, ...], ...] = (
    ("play_kind",),
    ("deep_safeties", "middle_of_field"),
    ("corner_depth_offense_left_yd", "corner_depth_offense_right_yd", "corner_picture"),
    ("box_defenders",),
    ("motion", "motion_response"),
    ("coverage_before", "coverage_before_candidates"),
    ("rushers", "blockers", "spare_rushers", "read_window"),
    ("deep_safeties_after", "rotation", "rotation_from", "disguised"),
    ("coverage_after", "coverage_after_candidates"),
)
AT_THE_LINE = (GROUPS[0], GROUPS[3], GROUPS[6])  # play kind, box, rush: both views show them
LED_BY = {"corner_depth_offense_left_yd": "corner_picture"}  # the label whose confidence decides for a group
DROPBACK_ONLY = frozenset((*GROUPS[6], *GROUPS[7], *GROUPS[8]))
PLACE = ("line_of_scrimmage_yd", "ball_across_yd", "field_level")  # taken from the other view where blank
FAR_YD = 1.5  # corner depths that differ by more disagree
PLAIN_NAME = {"sideline": "from the side", "endzone": "from behind"}


@dataclass(frozen=True)
class Paired:
    """One play in both views: its row of the sideline clip and of the end-zone clip, and their labels by name."""

    side: Row
    end: Row
    side_labels: Mapping[str, Row]
    end_labels: Mapping[str, Row]


def _key(clip: str) -> tuple[str, str] | None:
    """(name without the word of the view, view); None where no word names a view."""
    words = re.split(r"[^a-z0-9]+", compare.stem(clip).lower())
    for view, known in (("sideline", SIDE_WORDS), ("endzone", END_WORDS)):
        hits = [i for i, w in enumerate(words) if w in known]
        if len(hits) == 1:
            return " ".join(words[: hits[0]] + words[hits[0] + 1 :]), view
    return None


def pair(snaps: Sequence[Row], how: str) -> tuple[list[tuple[Row, Row]], list[str]]:
    """Pairs (sideline row, end-zone row) and what could not be paired. how: names, order or none."""
    if how == "none":
        return [], []
    return _by_order(snaps) if how == "order" else _by_name(snaps)


def _by_name(snaps: Sequence[Row]) -> tuple[list[tuple[Row, Row]], list[str]]:
    plays: dict[str, dict[str, list[Row]]] = {}
    for row in snaps:
        key = _key(str(row["clip"]))
        if key is not None and compare.has_snap(row):
            plays.setdefault(key[0], {}).setdefault(key[1], []).append(row)
    pairs, notes = [], []
    for name, views in plays.items():
        side, end = views.get("sideline", []), views.get("endzone", [])
        if not side or not end:
            continue
        if len(side) != len(end):
            notes.append(f"{name}: {len(side)} snap(s) from the side, {len(end)} from behind: not put together")
            continue
        pairs += list(zip(side, end, strict=True))
    return pairs, notes


def _by_order(snaps: Sequence[Row]) -> tuple[list[tuple[Row, Row]], list[str]]:
    played = [r for r in snaps if compare.has_snap(r)]
    side = [r for r in played if r.get("view") == "sideline"]
    end = [r for r in played if r.get("view") == "endzone"]
    if not end or not side:
        return [], []
    if len(side) != len(end):
        return [], [f"{len(side)} snaps from the side, {len(end)} from behind: no views were put together"]
    return list(zip(side, end, strict=True)), []


def _sure(labels: Mapping[str, Row], group: Sequence[str]) -> float:
    """How sure a view is of a group: the confidence of its leading label; 0 where that is blank."""
    row = labels.get(LED_BY.get(group[0], group[0]))
    if row is None or row.get("value") is None or row.get("status") not in ("ok", "unsure"):
        return 0.0
    return float(row.get("confidence") or 0.0)


def merge(pair: Paired) -> tuple[Row, dict[str, Row]]:
    """The row of the play, on the sideline's, and its labels by name; reasons name disagreements."""
    row: Row = dict(pair.side)
    labels: dict[str, Row] = {k: dict(v) for k, v in pair.side_labels.items()}
    snap_id, against = row["snap_id"], []
    for group in GROUPS:
        differ = [name for name in group if _differ(pair.side.get(name), pair.end.get(name), name)]
        against += [
            f"{name} {pair.side[name]} {PLAIN_NAME['sideline']}, {pair.end[name]} {PLAIN_NAME['endzone']}"
            for name in differ if not name.endswith("_candidates")
        ]  # fmt: skip
        side, end = _sure(pair.side_labels, group), _sure(pair.end_labels, group)
        if end > side and (group in AT_THE_LINE or side == 0.0):
            _take(group, pair, row, labels, str(snap_id))
    if row.get("play_kind") != "dropback":
        for name in DROPBACK_ONLY:
            row[name] = None
    for name in PLACE:
        if row.get(name) is None:
            row[name] = pair.end.get(name)
    row["confidence"] = max(float(pair.side.get("confidence") or 0.0), float(pair.end.get("confidence") or 0.0))
    row["other_view_clip"] = pair.end["clip"]
    row["other_view_snap_id"] = pair.end["snap_id"]
    return _reviewed(row, pair, against), labels


def _take(group: Sequence[str], pair: Paired, row: Row, labels: dict[str, Row], snap_id: str) -> None:
    for name in group:
        row[name] = pair.end.get(name)
        if name in pair.end_labels:
            taken = dict(pair.end_labels[name])
            reason = f"{PLAIN_NAME['endzone']}: {taken.get('reason') or ''}".rstrip(": ")
            labels[name] = {**taken, "snap_id": snap_id, "reason": reason}


def _differ(a: object, b: object, name: str) -> bool:
    if a is None or b is None:
        return False
    if name.startswith("corner_depth"):
        return abs(float(str(a)) - float(str(b))) > FAR_YD
    return a != b


def _reviewed(row: Row, pair: Paired, against: Sequence[str]) -> Row:
    """Reasons for review: of the side's, what the other view does not answer; disagreements first."""
    kept = [r for r in str(pair.side.get("review_reasons") or "").split("; ") if r and not r.startswith("not visible")]
    hidden = [k for k in ("deep_safeties", "corner_picture", "rushers", "coverage_after", "deep_safeties_after")
              if row.get(k) is None and pair.side_labels.get(k, {}).get("status") == "not_visible"]  # fmt: skip
    reasons = [*(f"views disagree: {a}" for a in against), *kept]
    if hidden:
        reasons.append("not visible in either view: " + ", ".join(hidden))
    row["review"] = bool(reasons)
    row["review_reasons"] = "; ".join(reasons) or None
    return row
