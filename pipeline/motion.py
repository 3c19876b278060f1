"""Motion: cuts, repeated frames, the camera's motion and what still moves once it is taken out.

One pass over all frames on a small grey picture. Camera motion is a homography between pictures (exact for a
camera that turns and zooms in place: R. Hartley, A. Zisserman, Multiple View Geometry, 2nd ed., 8.4),
measured from each frame straight to an anchor frame, so that errors do not add up while the anchor lasts.
People are outliers of the robust fit.

Activity: brightness change that the camera does not explain, divided by the brightness gradient, which is
the motion along the gradient in pixels ("normal flow": B. Horn, B. Schunck, Determining Optical Flow, 1981),
pooled over cells of CELL small px. Unit: small px (picture 480 wide) in LAG_S.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from pipeline import film
from pipeline.camera_path import MIN_INLIERS, Array, CameraPath, Grid, Small, robust
from pipeline.records import Motion, Shot

WIDTH_PX = 480  # of the small picture
CELL_PX = 8  # cells of the activity grid, small px
LAG_S = Fraction(1, 15)  # activity compares with the picture this long before
STILL_PX = 0.06  # camera motion under this over the lag is none: no resampling
CUT_HISTOGRAM = 0.28  # distance of histograms (0..1) from which the pictures are compared
CUT_SHARE = 0.4  # share of agreeing features under which the pictures are compared too
ALIKE = 0.35  # correlation of two aligned pictures of one shot
LONGEST_SHOT_S = 90.0  # longer shots are handed on in pieces
OVERLAP_S = 12.0  # of which each starts this much before its own first frame
REPEAT_DIFF = 0.35  # mean absolute difference (grey levels) under which a frame may repeat the last one
REPEAT_MAX = 4.0  # and the largest
JUMP = "people jump"
CHANGED = 12.0  # grey levels, root mean square over a cell, that are something else
CHANGED_SHARE = 1.5  # or this times the picture's own contrast
JUMP_STILL_PX = 0.5  # camera motion over the jump, small px
JUMP_CELLS = 60  # about ten people who were here and are there
JUMP_TIMES = 4.0  # times as many as in the frames around
JUMP_GUARD = 3  # frames looked at on both sides
HALF_MS = Fraction(1, 2000)
NOISE_FLOOR = 1.2  # grey levels, of the difference of two blurred pictures


@dataclass
class _Picture:
    """One small picture and where its camera looked."""

    frame: int
    time_s: Fraction
    grey: Small
    band: Grid  # band-passed, for activity
    histogram: Grid
    to_first: Array  # small px of this frame -> small px of the shot's first frame
    repeated: bool = False


@dataclass
class _Shot:
    """What is gathered of the running shot; T grows until it is handed on."""

    first_frame: int  # the first frame this piece owns (the overlap before it belongs to the piece before)
    frame: list[int] = field(default_factory=list)
    time_s: list[Fraction] = field(default_factory=list)
    to_first: list[Array] = field(default_factory=list)
    activity: list[Grid] = field(default_factory=list)
    repeated: list[bool] = field(default_factory=list)
    changed: list[int] = field(default_factory=list)


def _histogram(grey: Small) -> Grid:
    """(9 * 32,) histograms of a 3 x 3 grid, each summing to 1/9."""
    height, width = grey.shape
    parts = []
    for r in range(3):
        for c in range(3):
            part = grey[r * height // 3 : (r + 1) * height // 3, c * width // 3 : (c + 1) * width // 3]
            parts.append(cv2.calcHist([part], [0], None, [32], [0, 256]).ravel() / max(part.size, 1))
    return np.asarray(np.concatenate(parts) / 9, np.float32)


def _band(grey: Small) -> Grid:
    """Band-passed picture: fine noise and slow changes of light are out."""
    image = cv2.GaussianBlur(grey, (5, 5), 1.0).astype(np.float32)
    return np.asarray(image - cv2.blur(image, (31, 31)), np.float32)


def _cells(image: Grid, rows: int, columns: int) -> Grid:
    return np.asarray(cv2.resize(image, (columns, rows), interpolation=cv2.INTER_AREA), np.float32)


def grid_shape(width: int, height: int) -> tuple[int, int]:
    """(rows, columns) of the activity grid for a small picture."""
    return max(1, round(height / CELL_PX)), max(1, round(width / CELL_PX))


def activity(now: Grid, then: Grid, now_to_then: Array) -> tuple[Grid, int]:
    """(R, C) apparent motion, small px, between two band-passed pictures once the camera's is taken out; and how
    many cells show something else altogether, by grey levels (a codec's refresh of dull grass does not)."""
    height, width = now.shape
    rows, columns = grid_shape(width, height)
    corners = np.array([[[0, 0]], [[width, 0]], [[0, height]], [[width, height]]], np.float64)
    shift = np.abs(cv2.perspectiveTransform(corners, now_to_then) - corners).max()
    outside = None
    if shift > STILL_PX:
        moved_then = cv2.warpPerspective(
            then, now_to_then, (width, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT, borderValue=1e4,
        )  # fmt: skip
        then = np.asarray(moved_then, np.float32)
        outside = cv2.dilate((np.abs(then) > 500).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        outside[:2], outside[-2:], outside[:, :2], outside[:, -2:] = True, True, True, True
    change = (now - then) ** 2
    both = 0.5 * (now + then)
    if outside is not None:
        change[outside] = 0
        both[outside] = 0
    slope_x = cv2.Sobel(both, cv2.CV_32F, 1, 0, scale=0.125)
    slope = slope_x**2 + cv2.Sobel(both, cv2.CV_32F, 0, 1, scale=0.125) ** 2
    moved, detail = _cells(change, rows, columns), _cells(slope, rows, columns)
    noise = max(float(np.median(moved)), NOISE_FLOOR**2)
    other = int((moved > max(CHANGED, CHANGED_SHARE * float(now.std())) ** 2).sum())
    grid = np.sqrt(np.maximum(moved - 1.5 * noise, 0) / (0.5 * detail + noise)).astype(np.float32)
    return grid, other


class Meter:
    """Takes pictures one by one, gives (Shot, Motion) when a shot or a piece of a long one has ended."""

    def __init__(
        self, info: film.FilmInfo, small: tuple[int, int], longest_shot_s: float, overlap_s: float
    ) -> None:
        self.info, self.small = info, small
        self.longest_s, self.overlap_s = Fraction(longest_shot_s), Fraction(overlap_s)
        self.camera = CameraPath()
        self.shot = _Shot(0)
        self.recent: deque[_Picture] = deque()
        self.moving: Grid | None = None
        self.cuts: list[tuple[int, str]] = []

    def take(self, frame: int, time_s: Fraction, grey: Small) -> Iterator[tuple[Shot, Motion]]:
        """Next picture of the film."""
        now = _Picture(frame, time_s, grey, _band(grey), _histogram(grey), np.eye(3))
        cut = self._place(now)
        if cut:
            self.cuts.append((frame, cut))
            yield from self.end()
            self._begin(now)
        elif self.shot.frame and time_s - self._own_start() > self.longest_s:
            yield from self._hand_on()
            self._carry_over(frame)
        self._record(now)

    def _own_start(self) -> Fraction:
        return self.shot.time_s[self.shot.frame.index(self.shot.first_frame)]

    def _begin(self, now: _Picture) -> None:
        self.shot, self.moving = _Shot(now.frame), None
        self.recent.clear()
        self.camera.restart(now.grey)
        now.to_first = np.eye(3)

    def _place(self, now: _Picture) -> str:
        """Find this picture's camera; the reason for a cut before it, or '' for none."""
        if not self.recent:
            self._begin(now)
            return ""
        last = self.recent[-1]
        difference = float(np.mean(cv2.absdiff(now.grey, last.grey)))
        if difference < REPEAT_DIFF and float(cv2.absdiff(now.grey, last.grey).max()) <= REPEAT_MAX:
            now.repeated, now.to_first = True, last.to_first
            return ""
        distance = float(np.abs(now.histogram - last.histogram).sum()) / 2
        guess = last.to_first @ self.camera.step
        to_first = self.camera.follow((last.grey, last.to_first), now.grey, self.moving)
        if to_first is None or distance > CUT_HISTOGRAM or self.camera.share < CUT_SHARE:
            to_first = self._look_again(last, now, [to_first, guess, last.to_first])
            if to_first is None:
                return f"pictures differ, histogram {distance:.2f}"
        now.to_first = to_first
        return ""

    def _look_again(self, last: _Picture, now: _Picture, ways: list[Array | None]) -> Array | None:
        """The camera motion under which the two pictures look alike, the first of ``ways`` if it does; or None."""
        scores = [-1.0 if way is None else self._alike(last, now, way) for way in ways]
        if scores[0] > ALIKE:
            return ways[0]
        best = int(np.argmax(scores))
        way = ways[best] if scores[best] > ALIKE else self._search(last, now)
        if way is None:
            return None
        way = np.asarray(way / way[2, 2])
        self.camera.set_anchor(now.grey, way, None)
        return way

    def _search(self, last: _Picture, now: _Picture) -> Array | None:
        """A second look without a guess (whip pans, blur): matched descriptors."""
        finder = cv2.ORB.create(400, fastThreshold=8)
        spots, words = finder.detectAndCompute(last.grey, None)
        spots2, words2 = finder.detectAndCompute(now.grey, None)
        if words is None or words2 is None or min(len(words), len(words2)) < MIN_INLIERS:
            # nothing to hold on to in either: a flat picture follows a flat one
            return last.to_first if float(np.abs(now.histogram - last.histogram).sum()) < 0.1 else None
        pairs = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(words2, words)
        if len(pairs) < MIN_INLIERS:
            return None
        here = np.array([spots2[p.queryIdx].pt for p in pairs], np.float32)
        there = np.array([spots[p.trainIdx].pt for p in pairs], np.float32)
        fit = robust(here, there, len(pairs))
        if fit is None or fit.share < 0.25:
            return None
        way = last.to_first @ fit.matrix
        return np.asarray(way) if self._alike(last, now, way) > ALIKE else None

    def _alike(self, last: _Picture, now: _Picture, to_first: Array) -> float:
        """Correlation of the two band-passed pictures once aligned."""
        step = np.linalg.inv(last.to_first) @ to_first
        size = (now.grey.shape[1], now.grey.shape[0])
        then = cv2.warpPerspective(last.band, step, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        a, b = then.ravel(), now.band.ravel()
        norm = float(np.linalg.norm(a) * np.linalg.norm(b))
        return float(a @ b) / norm if norm > 0 else 0.0

    def _record(self, now: _Picture) -> None:
        while len(self.recent) > 1 and self.recent[1].time_s <= now.time_s - LAG_S:
            self.recent.popleft()
        if self.recent:
            then = self.recent[0]
            grid, changed = activity(now.band, then.band, np.linalg.inv(then.to_first) @ now.to_first)
            lag = max(now.time_s - then.time_s, Fraction(1, 1000))
            grid = grid * np.float32(min(2.0, float(LAG_S / lag)))
        else:
            grid, changed = np.zeros(grid_shape(*self.small), np.float32), 0
        self.moving = grid if self.moving is None else np.maximum(0.8 * self.moving, grid)
        self.recent.append(now)
        shot = self.shot
        shot.frame.append(now.frame)
        shot.time_s.append(now.time_s)
        shot.to_first.append(now.to_first)
        shot.activity.append(grid)
        shot.changed.append(changed)
        shot.repeated.append(now.repeated)

    def end(self) -> Iterator[tuple[Shot, Motion]]:
        """What is left of the running shot."""
        if self.shot.frame:
            yield from self._hand_on()
            self.shot = _Shot(self.shot.frame[-1] + 1)

    def _hand_on(self) -> Iterator[tuple[Shot, Motion]]:
        """The running shot, split where people jump though the camera stands still."""
        shot = self.shot
        starts = [
            0,
            *jumps(shot.changed, shot.activity[0].size, shot.time_s, np.stack(shot.to_first)),
            len(shot.frame),
        ]
        for a, b in pairwise(starts):
            first = max(shot.first_frame, shot.frame[a])
            if shot.frame[b - 1] < first:
                continue  # belongs to the piece before
            if a and (shot.frame[a], JUMP) not in self.cuts:
                self.cuts.append((shot.frame[a], JUMP))
            yield Shot(first, shot.frame[b - 1]), self._motion(a, b)

    def _motion(self, a: int, b: int) -> Motion:
        shot = self.shot
        scale_x, scale_y = self.info.width_px / self.small[0], self.info.height_px / self.small[1]
        big = np.diag([scale_x, scale_y, 1.0])
        base = np.linalg.inv(shot.to_first[a])
        stack = big @ base @ np.stack(shot.to_first[a:b]) @ np.linalg.inv(big)
        return Motion(
            width_px=self.info.width_px,
            height_px=self.info.height_px,
            frame=np.asarray(shot.frame[a:b], np.int64),
            time_s=tuple(shot.time_s[a:b]),
            to_first_px=stack / stack[:, 2:, 2:],
            activity=np.stack(shot.activity[a:b]),
            repeated=np.asarray(shot.repeated[a:b], bool),
        )

    def _carry_over(self, frame: int) -> None:
        """Start the next piece of a long shot, with the last seconds of this one before it."""
        shot, start = self.shot, self.shot.time_s[-1] - self.overlap_s
        keep = next(i for i, t in enumerate(shot.time_s) if t >= start)
        self.shot = _Shot(
            frame, shot.frame[keep:], shot.time_s[keep:], shot.to_first[keep:],
            shot.activity[keep:], shot.repeated[keep:], shot.changed[keep:],
        )  # fmt: skip


def jumps(changed: Sequence[int], cells: int, times: Sequence[Fraction], to_first: Array) -> list[int]:
    """Indices at which a cut shows only in the people: a camera on its stand stopped and started again.

    Cells change for exactly as long as the lag of the activity, far more of them than in the frames before and
    after (a snap goes on moving; a flash or a shock takes the whole picture). changed: T counts out of ``cells``,
    to_first (T, 3, 3).
    """
    moving = np.asarray(changed, float)
    out: list[int] = []
    for c in range(JUMP_GUARD, len(moving) - JUMP_GUARD):
        if moving[c] < JUMP_CELLS or moving[c] > 0.5 * cells:
            continue
        lag = next((k for k in range(1, len(moving) - c) if times[c + k] > times[c] + LAG_S - HALF_MS), 0)
        around = np.r_[moving[c - JUMP_GUARD : c], moving[c + lag : c + lag + JUMP_GUARD]]
        inside = moving[c : c + lag]
        if not lag or len(around) < 2 * JUMP_GUARD:
            continue
        alone = inside.min() > JUMP_TIMES * around.max() + JUMP_CELLS / 3
        if alone and np.abs(to_first[c - 1 : c + lag + 1] - to_first[c])[:, :2, 2].max() < JUMP_STILL_PX:
            out.append(c)
    return out


class Measurement:
    """Iterates over (Shot, Motion), each when it has ended; ``reader`` tells about damage afterwards.

    A shot longer than longest_shot_s comes in pieces. Shot says which frames a piece owns; its Motion starts
    up to overlap_s earlier, so that a snap near the start can be seen from both sides.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        width: int = WIDTH_PX,
        longest_shot_s: float = LONGEST_SHOT_S,
        overlap_s: float = OVERLAP_S,
        threads: int | None = None,
        longest_s: float = film.LONGEST_S,
    ) -> None:
        self.reader = film.decode(path, max_width=width, gray=True, threads=threads, longest_s=longest_s)
        small = (self.reader.width_px, self.reader.height_px)
        self.meter = Meter(self.reader.info, small, longest_shot_s, overlap_s)

    def __iter__(self) -> Iterator[tuple[Shot, Motion]]:
        for frame, time_s, grey in self.reader:
            yield from self.meter.take(frame, time_s, grey)
        yield from self.meter.end()

    @property
    def cuts(self) -> list[tuple[int, str]]:
        """(first frame after the cut, why) of each cut so far."""
        return self.meter.cuts


def measure(path: str | Path, **options: object) -> Measurement:
    """One pass over all frames of a film; see ``Measurement``. Raises as ``film.probe``."""
    return Measurement(path, **options)  # type: ignore[arg-type]
