"""How good the labels are by blind answers, and how far two people agree.

A blind answer was given from the film alone, the prediction hidden. Accuracy counts what the analyst could tell;
intervals are Wilson's, agreement is Cohen's kappa (``pipeline.stats``). Nothing is said on fewer than MIN_SNAPS.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from pipeline.audit.events import Event
from pipeline.audit.state import fold
from pipeline.ledger import Row
from pipeline.stats import kappa, wilson

MIN_SNAPS = 5
# Labels asked in a blind sample: what staff read first, each told by eye in seconds.
ASKED = (
    "play_kind", "deep_safeties", "corner_picture", "motion", "deep_safeties_after", "rotation", "rushers",
    "blockers", "coverage_after",
)  # fmt: skip


@dataclass(frozen=True)
class Judged:
    """What one person said of one label of one snap; blind: without having seen the prediction."""

    who: str
    snap_id: str
    label: str
    value: Any
    blind: bool


def blind_answers(events: Iterable[Event]) -> dict[tuple[str, str, str], Any]:
    """The last blind answer by (who, snap_id, label)."""
    return {
        (e.who, e.snap_id, e.subject): e.to.get("value") for e in events if e.kind == "blind_answer"
    }  # fmt: skip


def sample(snap_ids: Sequence[str], events: Sequence[Event], who: str, count: int, seed: int) -> list[str]:
    """A random sample for one person: snaps that he has neither corrected, checked nor noted before; the same seed
    gives the same sample while he goes on with it."""
    seen = {e.snap_id for e in events if e.who == who and e.kind != "blind_answer"}
    pool = [s for s in sorted(snap_ids) if s not in seen]
    return random.Random(seed).sample(pool, min(count, len(pool)))


def accuracy(events: Sequence[Event], predicted: Mapping[str, Row], who: str | None = None) -> list[dict[str, Any]]:
    """By label: answers that could be told, predictions among them, how many were right, 95 % intervals.

    who: one person's answers, None: everybody's. right_of_all counts a blank prediction as wrong.
    """
    counts: dict[str, list[int]] = {}
    for (person, snap_id, label), value in blind_answers(events).items():
        if (who is not None and person != who) or value is None or snap_id not in predicted:
            continue
        c = counts.setdefault(label, [0, 0, 0])
        said = predicted[snap_id].get(label)
        c[0] += 1
        c[1] += said is not None
        c[2] += said is not None and same(said, value)
    out = []
    for label in ASKED:
        if label not in counts:
            continue
        n, answered, right = counts[label]
        out.append({
            "label": label, "n": n, "answered": answered, "right": right, "enough": n >= MIN_SNAPS,
            "of_all": _share(right, n), "of_answered": _share(right, answered),
        })  # fmt: skip
    return out


def _share(hits: int, n: int) -> dict[str, float | None]:
    low, high = wilson(hits, n)
    return {"share": hits / n if n else None, "low": None if math.isnan(low) else low,
            "high": None if math.isnan(high) else high}  # fmt: skip


def same(a: Any, b: Any) -> bool:
    """Whether two values of a label are the same; numbers by value."""
    if isinstance(a, bool) or isinstance(b, bool):
        return a is b
    if isinstance(a, (int, float)) and isinstance(b, (int, float)):
        return math.isclose(float(a), float(b), abs_tol=1e-9)
    return bool(a == b)


def judged(events: Sequence[Event], predicted: Mapping[str, Row]) -> list[Judged]:
    """What each person said: blind answers; else, of a snap he checked, its labels as they stood then."""
    blind = blind_answers(events)
    out = [Judged(who, snap, label, value, True) for (who, snap, label), value in blind.items()]
    by_snap: dict[str, list[Event]] = {}
    for e in events:
        by_snap.setdefault(e.snap_id, []).append(e)
    for snap_id, acts in by_snap.items():
        row = predicted.get(snap_id)
        if row is None:
            continue
        last_check: dict[str, int] = {e.who: i for i, e in enumerate(acts) if e.kind == "checked"}
        for who, i in last_check.items():
            state = fold(snap_id, acts[: i + 1])
            for label in ASKED:
                if (who, snap_id, label) not in blind and not state.geometry:
                    value = state.labels[label].value if label in state.labels else row.get(label)
                    out.append(Judged(who, snap_id, label, value, False))
    return out


def agreement(events: Sequence[Event], predicted: Mapping[str, Row]) -> list[dict[str, Any]]:
    """For each two people and label: snaps both judged, how many alike, kappa; blind on both sides told apart."""
    said: dict[tuple[str, str, str], Judged] = {(j.who, j.snap_id, j.label): j for j in judged(events, predicted)}
    people = sorted({who for who, _, _ in said})
    out: list[dict[str, Any]] = []
    for a, b in combinations(people, 2):
        for label in ASKED:
            for blind in (True, False):
                pairs = [
                    (j.value, said[b, snap, label].value) for (who, snap, name), j in said.items()
                    if who == a and name == label and (b, snap, label) in said
                    and (j.blind and said[b, snap, label].blind) is blind
                ]  # fmt: skip
                if not pairs:
                    continue
                told = [(str(x), str(y)) for x, y in pairs]
                k = kappa([x for x, _ in told], [y for _, y in told])
                out.append({
                    "a": a, "b": b, "label": label, "blind": blind, "n": len(told), "enough": len(told) >= MIN_SNAPS,
                    "alike": sum(x == y for x, y in told), "kappa": None if math.isnan(k) else k,
                })  # fmt: skip
    return out
