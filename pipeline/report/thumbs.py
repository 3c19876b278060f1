"""Small pictures as data, each once in a page and shown wherever it is named."""

from __future__ import annotations

import base64
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.audit.runs import RunFacts
from pipeline.audit.stills import Stills
from pipeline.errors import SnapledgerError
from pipeline.pictures import HEADER_PX
from pipeline.report.plays import Play

WIDTHS_PX = ((150, 520), (500, 380), (10**9, 260))  # pictures get smaller where there are many plays
QUIZ_PX = 960


def width_for(plays: int) -> int:
    """Width of the pictures of a report with so many plays, so that its file stays one to send."""
    return next(width for most, width in WIDTHS_PX if plays <= most)


class Thumbs:
    """Pictures by name; ``symbols`` holds each once, ``use`` shows one."""

    def __init__(self, width_px: int) -> None:
        self.width_px = width_px
        self._symbols: dict[str, str] = {}
        self._sizes: dict[str, tuple[int, int]] = {}

    def add(self, name: str, path: Path | None) -> None:
        """Take a picture of a run, without its header; a missing or damaged one is left out."""
        image = None if path is None else cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)
        if image is not None and image.shape[0] > 3 * HEADER_PX:
            self.put(name, np.asarray(image[HEADER_PX:], np.uint8), self.width_px)

    def put(self, name: str, image: NDArray[np.uint8], width_px: int) -> None:
        """Take a picture (H, W, 3) BGR."""
        height = max(1, round(image.shape[0] * width_px / image.shape[1]))
        small = cv2.resize(image, (width_px, height), interpolation=cv2.INTER_AREA)
        data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 72])[1].tobytes()
        text = base64.b64encode(data).decode("ascii")
        self._sizes[name] = (width_px, height)
        self._symbols[name] = (
            f'<symbol id="i-{name}" viewBox="0 0 {width_px} {height}"><image width="{width_px}" height="{height}" '
            f'href="data:image/jpeg;base64,{text}"/></symbol>'
        )

    def symbols(self) -> str:
        """All pictures, to stand once in the page."""
        return f'<svg width="0" height="0" class="store" aria-hidden="true">{"".join(self._symbols.values())}</svg>'

    def use(self, name: str, label: str) -> str:
        """Show a picture; a sentence where there is none. label: escaped text for those who do not see it."""
        if name not in self._sizes:
            return '<p class="nopicture">no picture</p>'
        w, h = self._sizes[name]
        return f'<svg class="shot" viewBox="0 0 {w} {h}" role="img" aria-label="{label}"><use href="#i-{name}"/></svg>'


class Bare:
    """Frames without any marking, from the film of a run where it is there."""

    def __init__(self, film: Path | None = None) -> None:
        self._film, self._stills = film, Stills()
        self._facts: dict[Path, RunFacts] = {}

    def snap(self, play: Play) -> NDArray[np.uint8] | None:
        """The frame of the snap as filmed; None where the film is not there or is another."""
        facts = self._facts.setdefault(play.run_dir, RunFacts.read(play.run_dir))
        clip, frame = str(play.row["clip"]), play.row.get("snap_frame")
        if frame is None:
            return None
        try:
            path = facts.film(clip, self._film)
            facts.check_film(clip, path)
            data = self._stills.get(path, int(frame), QUIZ_PX)
        except SnapledgerError:
            return None
        image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
        return None if image is None else np.asarray(image, np.uint8)
