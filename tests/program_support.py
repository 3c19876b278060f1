"""Stand-ins for the tests of the program: small films, and finder, registrar and snap that know the answer.

They stand in for trained models only; film, motion, tracks, alignment, labels, ledger and pictures are real.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from pipeline import alignment, labels, tracks
from pipeline.camera import Camera
from pipeline.records import Motion, People, Registration, Shot, Snap
from pipeline.tools import Tools

WIDTH, HEIGHT, RATE = 640, 360, 30
CAMERA = Camera(WIDTH, HEIGHT, 1400.0, (60.0, -75.0, 45.0), pan_deg=0.0, tilt_deg=24.0)
LOS, BALL_Y = 60.0, 26.67
# Attack to the right: a 2 by 2 formation under a two-deep shell (depth, across), corners at 7 yd.
OFFENSE = [(-1, 0), (-1, 1.6), (-1, -1.6), (-1, 3.2), (-1, -3.2), (-5, 0), (-5, 2), (-1, 18), (-1.5, 12), (-1, -18),
           (-1.5, -12)]  # fmt: skip
DEFENSE = [(1, 1), (1, -1), (1, 4.2), (1, -4.2), (5, 0), (5, 4), (5, -4), (7, 18), (7, -18), (13, 8), (13, -8)]


def formation() -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """(22, 2) field positions and (22,) 1 for the defence; direction +1."""
    local = np.array(OFFENSE + DEFENSE, float)
    xy = np.stack([LOS + local[:, 0], BALL_Y - local[:, 1]], 1)
    return xy, np.array([0] * len(OFFENSE) + [1] * len(DEFENSE))


def people(seed: int = 0) -> People:
    """The formation as a finder would report it, kits apart, with an official and a bystander."""
    xy, team = formation()
    xy = np.concatenate([xy, [[LOS + 20, 20.0], [50.0, 56.0]]])
    ground = CAMERA.ground_to_px(xy)
    head = CAMERA.project(np.concatenate([xy, np.full((len(xy), 1), 1.9)], 1))
    height = (ground - head)[:, 1]
    box = np.stack([ground[:, 0] - 0.25 * height, head[:, 1], ground[:, 0] + 0.25 * height, ground[:, 1]], 1)
    n = len(xy)
    kit = np.zeros((n, 6), np.float32)
    kit[: len(team), 0] = team * 2.0 - 1.0
    kit += np.random.default_rng(seed).normal(0, 0.05, kit.shape).astype(np.float32)
    role = np.array([0] * len(team) + [1, 2])
    return People(
        WIDTH, HEIGHT, box.astype(np.float32), role, np.full(n, 0.9, np.float32), ground.astype(np.float32),
        head.astype(np.float32), np.zeros(n, bool), kit,
    )  # fmt: skip


class KnownFinder:
    """Reports the formation whatever the picture; counts its calls."""

    def __init__(self) -> None:
        self.calls = 0

    def find(self, image_bgr: NDArray[np.uint8]) -> People:
        self.calls += 1
        return people(self.calls)


class KnownRegistrar:
    """Reports the true camera, or the status it is told to."""

    def __init__(self, status: str = "ok") -> None:
        self.status = status
        self.calls = 0

    def register(self, image_bgr: Any, people: Any = None, hint: Any = None) -> Registration:
        self.calls += 1
        if self.status != "ok":
            return Registration(self.status, None, "sideline", "college", reason="no lines")
        return Registration("ok", CAMERA, "sideline", "college", True, 0.4, 0.1)


def snaps_at(seconds: Sequence[float]) -> Any:
    """A stand-in for find_snaps that reports the frames nearest to these times of the film."""

    def find(motion: Motion, shot: Shot) -> list[Snap]:
        times = np.array([float(t) for t in motion.time_s])
        found = []
        for s in seconds:
            i = int(np.argmin(np.abs(times - s)))
            if abs(times[i] - s) < 0.1 and shot.first_frame <= motion.frame[i] <= shot.last_frame:
                found.append(Snap("ok", int(motion.frame[i]), motion.time_s[i], 0.9))
        return found or [Snap("failed", None, None, 0.0, "nothing moves")]

    return find


def fill(frames: Any, registrations: Sequence[Registration], to_first: Any) -> list[Registration]:
    """The camera of this film stands still: a frame without one takes any other's."""
    known = next((r for r in registrations if r.status == "ok"), None)
    return [known if known is not None and r.status != "ok" else r for r in registrations]


def known_tools(snap_s: Sequence[float] = (1.5,), status: str = "ok", models_sha256: str = "m") -> Tools:
    """Tools whose finder, registrar and snap know the answer."""
    settings = labels.load()
    return Tools(
        find_snaps=snaps_at(snap_s),
        finder=KnownFinder(),
        registrar=KnownRegistrar(status),
        over_time=fill,
        build_tracks=tracks.build,
        align=alignment.align,
        label=lambda t, a: labels.label(t, a, settings),
        models_sha256=models_sha256,
    )


def write_film(
    path: Path, seconds: float = 3.0, seed: int = 0, codec: str = "libx264", brightness: int | None = None
) -> Path:
    """A small film of textured grass with lines; enough for decoding and motion, not for trained models."""
    rng = np.random.default_rng(seed)
    base = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    base[:] = (60, 120, 70)
    base[:, 40::80] = 230
    if brightness is not None:
        base[:20] = brightness
    base = np.clip(base + rng.normal(0, 14, base.shape), 0, 255).astype(np.uint8)
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=RATE)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        for i in range(round(seconds * RATE)):
            image = base.copy()
            image[150:190, 300 + i % 40 : 320 + i % 40] = (20, 20, 160)
            for packet in stream.encode(av.VideoFrame.from_ndarray(image, format="bgr24")):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
    return path


def write_sound(path: Path, seconds: float = 1.0) -> Path:
    """A file that holds sound only."""
    with av.open(str(path), "w", format="mp4") as out:
        stream = out.add_stream("aac", rate=44100, layout="mono")
        for i in range(int(seconds * 44100 / 1024)):
            frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
            frame.sample_rate, frame.pts = 44100, i * 1024
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
    return path
