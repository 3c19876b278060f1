"""Which rows a person should look at, and why: reasons in words of one table, confidence of the whole row."""

from __future__ import annotations

import numpy as np

from pipeline.ledger import Row
from pipeline.records import Alignment, Labels, Registration, Snap

# A full side has 11 players, 12 in the Canadian game (Canadian Rule 3; the others Rule 1 or 5).
FULL_SIDE = {"canadian": 12}
# Labels that a row is read for: when one is unsure or cut off, the row is worth a look.
KEY_LABELS = ("deep_safeties", "corner_picture", "deep_safeties_after", "rushers", "play_kind")


def reasons(
    snap: Snap,
    registration: Registration | None,
    alignment: Alignment | None,
    labels: Labels | None,
    row: Row,
) -> list[str]:
    """Reasons to look at a row, most basic first; empty where there is none."""
    if registration is None or registration.status != "ok":
        why = "no_field" if registration is None or registration.status == "failed" else "field_not_registered"
        return [why] if snap.frame is not None else ["no_snap", why]
    if snap.frame is None:
        return ["no_snap"]
    found: list[str] = []
    if snap.status != "ok":
        found.append("snap_unsure")
    if not registration.absolute_x_known:
        found.append("yard_line_not_read")
    if alignment is None:
        return [*found, "no_line_of_scrimmage"]
    full = FULL_SIDE.get(registration.level, 11)
    for side in ("offense", "defense"):
        count = row.get(f"{side}_players")
        if count is not None and count != full:
            found.append(f"{side}_{'more' if count > full else 'fewer'}_than_{full}")
    if labels is not None:
        for name in KEY_LABELS:
            label = labels.by_name.get(name)
            if label is not None and label.status != "ok" and label.reason != "not a dropback":
                found.append(f"{name}_{label.status}")
    return found


def confidence(snap: Snap, alignment: Alignment | None, labels: Labels | None) -> float:
    """Of the whole row: the least sure of snap, alignment and the middle one of the labels."""
    if alignment is None or labels is None or snap.frame is None:
        return 0.0
    values = [label.confidence for label in labels.by_name.values() if label.status in ("ok", "unsure")]
    middle = float(np.median(values)) if values else 0.0
    return float(np.clip(min(snap.confidence, alignment.confidence, middle), 0.0, 1.0))
