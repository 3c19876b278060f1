"""What the stages hand on: frozen records of parallel arrays, shapes checked on construction.

Film -> Shot -> Motion, Snap -> (People, Registration per sampled frame) -> Tracks -> Alignment -> Labels.
Frames are 0-based indices into the file; times are exact Fractions of a second from the first frame.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.camera import Camera
from pipeline.errors import ShapeError

ROLES = ("player", "official", "bystander")
SIDES = ("offense", "defense", "official", "unknown")
STATUSES = ("ok", "unsure", "not_visible", "failed")
VIEWS = ("sideline", "endzone")
LEVEL_SURE = 0.9  # probability from which a field level counts as told


def _check(name: str, value: NDArray[Any], shape: tuple[int | None, ...]) -> None:
    got = np.shape(value)
    if len(got) != len(shape) or any(w is not None and w != g for g, w in zip(got, shape, strict=True)):
        want = "(" + ", ".join("any" if w is None else str(w) for w in shape) + ")"
        raise ShapeError(f"{name}: expected shape {want}, got {got}.")


@dataclass(frozen=True)
class People:
    """People found in one picture, N of them.

    box_px (N, 4) left top right bottom; role (N,) index into ROLES; confidence (N,) 0..1;
    ground_px (N, 2) the point on the ground between the feet; head_px (N, 2) middle of the helmet or head;
    cut (N,) True where the picture's edge cuts the person; kit (N, K) colour features for telling sides apart.
    """

    width_px: int
    height_px: int
    box_px: NDArray[np.float32]
    role: NDArray[np.int64]
    confidence: NDArray[np.float32]
    ground_px: NDArray[np.float32]
    head_px: NDArray[np.float32]
    cut: NDArray[np.bool_]
    kit: NDArray[np.float32]

    def __post_init__(self) -> None:
        n = len(self.box_px)
        _check("People.box_px", self.box_px, (n, 4))
        for name in ("role", "confidence", "cut"):
            _check(f"People.{name}", getattr(self, name), (n,))
        for name in ("ground_px", "head_px"):
            _check(f"People.{name}", getattr(self, name), (n, 2))
        _check("People.kit", self.kit, (n, None))

    def __len__(self) -> int:
        return len(self.box_px)


@dataclass(frozen=True)
class Registration:
    """Where one picture looks. status: ok, abstained (not sure enough to use) or failed (nothing to go by).

    camera is None unless ok (an abstained one may carry its best guess in evidence). absolute_x_known is
    False where x may be off by a multiple of 5 yd. error_yd estimates the typical error inside the picture;
    error_px is the residual on the painted lines. level is the field level fitted.
    """

    status: str
    camera: Camera | None
    view: str
    level: str
    absolute_x_known: bool = False
    error_px: float = float("nan")
    error_yd: float = float("nan")
    reason: str = ""
    evidence: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.status not in ("ok", "abstained", "failed"):
            raise ShapeError(f"Registration.status: expected ok, abstained or failed, got {self.status!r}.")
        if self.status == "ok" and self.camera is None:
            raise ShapeError("Registration: status ok needs a camera.")

    @property
    def level_told(self) -> str:
        """The field level, or "unsure" where the picture does not tell it from the others."""
        return self.level if self.evidence.get("level_probability", 1.0) >= LEVEL_SURE else "unsure"


@dataclass(frozen=True)
class Shot:
    """A run of frames between two cuts: [first_frame, last_frame], both inside."""

    first_frame: int
    last_frame: int


@dataclass(frozen=True)
class Motion:
    """Camera and picture motion of a shot, T frames, from one pass over the film.

    frame (T,) indices; time_s list of T Fractions; to_first_px (T, 3, 3) homography from each frame's px
    (full picture size) to the first frame's px, camera motion only; activity (T, R, C) what still moves
    once the camera's motion is taken out, on a coarse grid of R rows and C columns over the picture;
    repeated (T,) True where a frame repeats the one before.
    """

    width_px: int
    height_px: int
    frame: NDArray[np.int64]
    time_s: tuple[Fraction, ...]
    to_first_px: NDArray[np.float64]
    activity: NDArray[np.float32]
    repeated: NDArray[np.bool_]

    def __post_init__(self) -> None:
        t = len(self.frame)
        _check("Motion.to_first_px", self.to_first_px, (t, 3, 3))
        _check("Motion.activity", self.activity, (t, None, None))
        _check("Motion.repeated", self.repeated, (t,))
        if len(self.time_s) != t:
            raise ShapeError(f"Motion.time_s: expected {t} times, got {len(self.time_s)}.")


@dataclass(frozen=True)
class Snap:
    """The snap of a shot. frame is None where none was found, and reason says why."""

    status: str  # ok, unsure, failed (no snap)
    frame: int | None
    time_s: Fraction | None
    confidence: float
    reason: str = ""
    evidence: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Tracks:
    """N people over T sampled moments, field frame.

    time_s (T,) seconds from the snap (float, 0 at the snap); frame (T,); xy_yd (T, N, 2) NaN where neither
    seen nor bridged; seen (T, N) True where found in that frame; role (N,) index into ROLES;
    side (N,) index into SIDES; side_confidence (N,); found (T, N) index into that frame's People or -1;
    error_yd (T,) registration error; place_error_yd (T, N) typical error of each position, registration and ground
    point together; doubts: what speaks against the people of this play, in words.
    """

    time_s: NDArray[np.float64]
    frame: NDArray[np.int64]
    xy_yd: NDArray[np.float64]
    seen: NDArray[np.bool_]
    role: NDArray[np.int64]
    side: NDArray[np.int64]
    side_confidence: NDArray[np.float64]
    found: NDArray[np.int64]
    error_yd: NDArray[np.float64]
    place_error_yd: NDArray[np.float64] | None = None
    doubts: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        t, n = len(self.time_s), len(self.role)
        if self.place_error_yd is not None:
            _check("Tracks.place_error_yd", self.place_error_yd, (t, n))
        for name, shape in (
            ("frame", (t,)),
            ("xy_yd", (t, n, 2)),
            ("seen", (t, n)),
            ("side", (n,)),
            ("side_confidence", (n,)),
            ("found", (t, n)),
            ("error_yd", (t,)),
        ):
            _check(f"Tracks.{name}", getattr(self, name), shape)


@dataclass(frozen=True)
class Alignment:
    """The play frame at the snap, and who is what.

    line_of_scrimmage_yd: x of the ball; ball_y_yd; direction: +1 where the offence attacks towards larger x,
    else -1. Depth past the line is ``direction * (x - line_of_scrimmage_yd)``; across (positive to the
    offence's right) is ``-direction * (y - ball_y_yd)``. position (N,) one of POSITIONS a track.
    visible_depth_yd: how far past the line the picture shows the field between the hash rows.
    """

    line_of_scrimmage_yd: float
    ball_y_yd: float
    direction: int
    confidence: float
    position: tuple[str, ...]
    depth_yd: NDArray[np.float64]  # (T, N)
    across_yd: NDArray[np.float64]  # (T, N)
    visible_depth_yd: float
    evidence: dict[str, Any] = field(default_factory=dict)


POSITIONS = (
    "center", "guard", "tackle", "tight_end", "receiver", "back", "passer",  # offence
    "edge", "tackle_inside", "linebacker", "corner", "slot_defender", "safety",  # defence
    "kicker", "official", "unknown",
)  # fmt: skip


@dataclass(frozen=True)
class Label:
    """One label: value is a text, number, bool or None (blank); status one of STATUSES; reason in words."""

    value: str | float | int | bool | None
    confidence: float
    status: str = "ok"
    reason: str = ""

    def __post_init__(self) -> None:
        if self.status not in STATUSES:
            raise ShapeError(f"Label.status: expected one of {STATUSES}, got {self.status!r}.")
        if not 0.0 <= self.confidence <= 1.0:
            raise ShapeError(f"Label.confidence: expected 0..1, got {self.confidence}.")


@dataclass(frozen=True)
class Labels:
    """All labels of one snap by ledger column, with the coverage probabilities and who was counted as what.

    coverage_before / coverage_after: probability by coverage name. deep, deep_after, rushers, blockers:
    track indices counted. evidence: every measured value a label rests on.
    """

    by_name: dict[str, Label]
    coverage_before: dict[str, float]
    coverage_after: dict[str, float]
    deep: tuple[int, ...] = ()
    deep_after: tuple[int, ...] = ()
    rushers: tuple[int, ...] = ()
    blockers: tuple[int, ...] = ()
    evidence: dict[str, Any] = field(default_factory=dict)


COVERAGES = (
    "cover_0", "cover_1", "cover_2", "cover_2_man", "cover_3", "cover_4", "cover_6", "other",
)  # fmt: skip
