"""Small video files made on the spot with PyAV for the tests of film, motion and snap."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np


def numbered(index: int, width: int = 96, height: int = 64) -> np.ndarray:
    """(H, W, 3) picture whose eight columns spell the index in binary (white 1, black 0), grey below."""
    image = np.full((height, width, 3), 90, np.uint8)
    for bit in range(8):
        left, right = bit * width // 8, (bit + 1) * width // 8
        image[: height // 2, left:right] = 235 if index >> bit & 1 else 20
    return image


def read_number(image: np.ndarray) -> int:
    """The index that ``numbered`` wrote into a picture of any size, grey or colour."""
    grey = image if image.ndim == 2 else image.mean(2)
    height, width = grey.shape
    out = 0
    for bit in range(8):
        left, right = bit * width / 8, (bit + 1) * width / 8
        middle = grey[height // 8 : height * 3 // 8, int(left + width / 24) : int(right - width / 24) + 1]
        out |= int(middle.mean() > 128) << bit
    return out


def write(
    path: Path,
    frames: Iterable[np.ndarray],
    *,
    rate: Fraction | int = 30,
    times: Sequence[Fraction] | None = None,
    codec: str = "libx264",
    options: dict[str, str] | None = None,
    pix_fmt: str = "yuv420p",
    rotation: int = 0,
    aspect: Fraction | None = None,
    sound_s: float = 0.0,
    box_options: dict[str, str] | None = None,
) -> Path:
    """Encode BGR frames; times: one exact presentation time a frame (a variable rate)."""
    with av.open(str(path), "w", options=box_options or {}) as box:
        stream: Any = None
        sound = box.add_stream("aac", rate=48000) if sound_s else None
        for i, image in enumerate(frames):
            if stream is None:
                chosen = {"preset": "veryfast", "crf": "18", **(options or {})}
                stream = box.add_stream(
                    codec, rate=rate, options=chosen if codec == "libx264" else options or {}
                )
                stream.height, stream.width = image.shape[:2]
                stream.pix_fmt = pix_fmt
                if aspect is not None:
                    stream.codec_context.sample_aspect_ratio = aspect
                if rotation:
                    stream.set_display_rotation(rotation)
                if times is not None:
                    stream.codec_context.time_base = Fraction(1, 90000)
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(image), format="bgr24")
            if times is not None:
                frame.pts, frame.time_base = int(times[i] * 90000), Fraction(1, 90000)
            box.mux(stream.encode(frame))
        if stream is not None:
            box.mux(stream.encode())
        if sound is not None:
            silent = np.zeros((1, int(48000 * sound_s)), np.float32)
            audio = av.AudioFrame.from_ndarray(silent, format="fltp", layout="mono")
            audio.sample_rate = 48000
            box.mux(sound.encode(audio))
            box.mux(sound.encode())
    return path


def demuxed_times(path: Path) -> list[Fraction]:
    """Presentation times of all packets in order, straight from the container: the outside truth."""
    with av.open(str(path)) as box:
        stream = box.streams.video[0]
        times = [
            p.pts * p.time_base for p in box.demux(stream) if p.pts is not None and p.time_base is not None
        ]
    times.sort()
    return [t - times[0] for t in times]


def ground(width: int, height: int, seed: int = 0) -> np.ndarray:
    """(height, width, 3) textured ground with lines, larger than a picture, to pan over."""
    rng = np.random.default_rng(seed)
    image = cv2.GaussianBlur(rng.normal(0, 1, (height, width)).astype(np.float32), (0, 0), 1.6) * 45 + 100
    for x in range(int(rng.integers(20, 90)), width, int(rng.integers(90, 130))):
        image[:, x : x + 4] = 220
    for _ in range(60):
        x, y = int(rng.integers(0, width)), int(rng.integers(0, height))
        image[y : y + 5, x : x + 14] = 215
    image = np.clip(image, 0, 255).astype(np.uint8)
    return cv2.merge([image // 2, image, image // 2])
