"""Which rows a person should look at, and why: what snap, registration and labels say against a row."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.labels import reasons as label_reasons
from pipeline.records import Alignment, Labels, Registration, Snap


def reasons(
    snap: Snap, registration: Registration | None, alignment: Alignment | None, labels: Labels | None,
    doubts: Sequence[str] = (),
) -> list[str]:  # fmt: skip
    """Reasons to look at a row, most basic first; empty where there is none. doubts: of Tracks."""
    found: list[str] = []
    if snap.frame is None:
        found.append(f"no snap: {snap.reason}" if snap.reason else "no snap")
    elif snap.status != "ok":
        found.append(f"snap not certain: {snap.reason}" if snap.reason else "snap not certain")
    if registration is None or registration.status == "failed":
        return [*found, "no field found"]
    if registration.status != "ok":
        why = f": {registration.reason}" if registration.reason else ""
        return [*found, f"field not registered{why}"]
    if snap.frame is None:
        return found
    if alignment is None or labels is None:
        return [*found, "no formation could be read", *doubts]
    return [*found, *doubts, *label_reasons(labels)[0]]


def confidence(snap: Snap, alignment: Alignment | None, labels: Labels | None) -> float:
    """Of the whole row: that of the labels, and never more than the snap's."""
    if alignment is None or labels is None or snap.frame is None:
        return 0.0
    return float(np.clip(min(snap.confidence, label_reasons(labels)[1]), 0.0, 1.0))
