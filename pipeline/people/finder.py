"""The finder: one picture in, :class:`pipeline.records.People` out."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline import models
from pipeline.errors import ConfigError, ShapeError
from pipeline.people.decode import Found, agree, cut_by_edge, decode, join, remove_doubles, to_input
from pipeline.people.kit import KIT_FEATURES, kit_colours
from pipeline.records import ROLES, People

PASSES = ("whole", "tiles", "both")
PASSES_OF = {"whole": ("whole",), "tiles": ("tiles",), "both": ("whole", "tiles")}
BYSTANDER = ROLES.index("bystander")
MODEL = "people"
WIDTH_PX = 1280  # longer side of the network's input, as trained
CONFIDENCE = 0.25  # used where the manifest names none
FAINT = 0.5  # share of the confidence down to which a find is kept as faint
TILE_SHARE = 0.58  # width of each of the two zoomed tiles, share of the picture


class Finder:
    """Finds people. A Finder is made once and used for many pictures.

    folder: where manifest.toml lies (default: the models that ship). passes: 'whole' looks at the picture once,
    'tiles' at its left and right part enlarged (twice the work, for people who are small), 'both' at all three:
    whom the whole and the enlarged look agree on counts most.
    confidence: least score of a find (None: the manifest's). Raises ModelError where the model is absent or
    damaged, ConfigError for a wrong option.
    """

    def __init__(
        self,
        folder: Path | None = None,
        *,
        backend: str = "onnxruntime",
        threads: int = 2,
        confidence: float | None = None,
        passes: str = "whole",
        width_px: int | None = None,
        network: models.Network | None = None,
        kit: bool = True,
    ) -> None:
        if passes not in PASSES:
            raise ConfigError(f"Unknown passes {passes!r}.", hint=f"Choose one of: {', '.join(PASSES)}.")
        settings = {} if network is not None else models.find(MODEL, folder).settings
        self.confidence = float(settings.get("confidence", CONFIDENCE) if confidence is None else confidence)
        self.width_px = int(settings.get("width_px", WIDTH_PX) if width_px is None else width_px)
        if not 0 < self.confidence < 1:
            raise ConfigError(f"people confidence must lie between 0 and 1, got {self.confidence}.")
        if not 64 <= self.width_px <= 8192:
            raise ConfigError(f"people width_px must be 64 to 8192, got {self.width_px}.")
        self.passes, self.kit = passes, kit
        self._network = network or models.load(MODEL, folder, backend, threads)

    def find(self, image_bgr: NDArray[np.uint8]) -> People:
        """People in a picture (H, W, 3) uint8 BGR, surest first. Raises ShapeError for another array."""
        return self._people(image_bgr, self.candidates(image_bgr, self.confidence))

    def look(self, image_bgr: NDArray[np.uint8]) -> tuple[People, People]:
        """(those ``find`` gives, those too faint to count alone: down to FAINT of the confidence)."""
        found = self.candidates(image_bgr, FAINT * self.confidence)
        sure = found.confidence >= self.confidence
        return self._people(image_bgr, found.take(sure)), self._people(image_bgr, found.take(~sure))

    def _people(self, image_bgr: NDArray[np.uint8], found: Found) -> People:
        h, w = image_bgr.shape[:2]
        return People(
            width_px=w,
            height_px=h,
            box_px=_clip(found.box_px, w, h),
            role=found.role,
            confidence=found.confidence,
            ground_px=found.ground_px,
            head_px=found.head_px,
            cut=cut_by_edge(found, w, h),
            kit=self._kit(image_bgr, found),
        )

    def _kit(self, image_bgr: NDArray[np.uint8], found: Found) -> NDArray[np.float32]:
        """Kit features of those on the field; zeros for bystanders, of whom a stand holds hundreds."""
        kit = np.zeros((len(found.score), len(KIT_FEATURES)), np.float32)
        on = np.flatnonzero(found.role != BYSTANDER)
        f = found.take(on)
        kit[on] = kit_colours(image_bgr, f.box_px, f.ground_px, f.head_px, self.kit)
        return kit

    def candidates(self, image_bgr: NDArray[np.uint8], confidence: float | None = None) -> Found:
        """The finds after removal of doubles, with a score for each role. confidence: least score (own: None).

        Raises ShapeError for another array than (H, W, 3) uint8.
        """
        if image_bgr.ndim != 3 or image_bgr.shape[2] != 3 or image_bgr.dtype != np.uint8:
            raise ShapeError(f"Finder.find: expected (H, W, 3) uint8, got {image_bgr.shape} {image_bgr.dtype}.")
        least = self.confidence if confidence is None else confidence
        passes = []
        for some in PASSES_OF[self.passes]:
            parts = []
            for x, y, part in _parts(image_bgr, some):
                tensor, scale = to_input(part, self.width_px)
                found = decode(self._network(tensor)[0], scale, least, (x, y))
                parts.append(_away_from_seams(found, x, part.shape[1], image_bgr.shape[1]))
            passes.append(remove_doubles(join(parts)))
        found = passes[0] if len(passes) == 1 else agree(*passes)
        return found.take(found.confidence >= least)


def _parts(image: NDArray[np.uint8], passes: str) -> Iterator[tuple[int, int, NDArray[np.uint8]]]:
    """(x, y, part) of the picture for each pass."""
    w = image.shape[1]
    if passes == "whole":
        yield 0, 0, image
    else:
        tile = round(w * TILE_SHARE)
        yield 0, 0, image[:, :tile]
        yield w - tile, 0, image[:, w - tile :]


def _away_from_seams(found: Found, x: int, width_px: int, whole_px: int, margin_px: float = 3.0) -> Found:
    """Without finds that a tile's inner edge cuts: the other tile sees them whole."""
    keep = np.ones(len(found.score), bool)
    if x > 0:
        keep &= found.box_px[:, 0] > x + margin_px
    if x + width_px < whole_px:
        keep &= found.box_px[:, 2] < x + width_px - 1 - margin_px
    return found.take(keep)


def _clip(box: NDArray[np.float32], width_px: int, height_px: int) -> NDArray[np.float32]:
    out = box.copy()
    out[:, 0::2] = out[:, 0::2].clip(0, width_px - 1)
    out[:, 1::2] = out[:, 1::2].clip(0, height_px - 1)
    return out
