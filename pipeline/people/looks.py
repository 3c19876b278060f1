"""Sure and faint finds of one picture, and the two put together."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.people.finder import Finder
from pipeline.records import People

ARRAYS = ("box_px", "role", "confidence", "ground_px", "head_px", "cut", "kit")


class Finds(Protocol):
    """Whatever finds people in one picture."""

    def find(self, image_bgr: NDArray[np.uint8]) -> People: ...


def look(finder: Finds, image_bgr: NDArray[np.uint8]) -> tuple[People, People]:
    """(people that count alone, faint finds that something else must bear out) of a picture (H, W, 3) uint8 BGR.

    A finder other than the program's own, a test's stand-in, has no faint finds.
    """
    if isinstance(finder, Finder):
        return finder.look(image_bgr)
    people = finder.find(image_bgr)
    return people, subset(people, np.zeros(0, np.int64))


def subset(people: People, keep: NDArray[np.int64]) -> People:
    """The people at these indices."""
    return People(people.width_px, people.height_px, *(getattr(people, k)[keep] for k in ARRAYS))


def both(people: People, faint: People) -> People:
    """One record of both, the sure people first."""
    if not len(faint):
        return people
    parts = (np.concatenate([getattr(people, k), getattr(faint, k)]) for k in ARRAYS)
    return People(people.width_px, people.height_px, *parts)
