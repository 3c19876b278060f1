"""Film: what a video file is, and its pictures in order. With ``container`` the only place that decodes.

Frames are counted from 0 in the order in which they are shown. Times are exact Fractions of a second from
the first frame shown: presentation timestamp times time base, never a frame number divided by a rate.
Pictures are upright (the rotation in the metadata is applied) with square pixels.
"""

from __future__ import annotations

import os
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from av.video.frame import VideoFrame
from av.video.reformatter import Interpolation
from numpy.typing import NDArray

from pipeline.container import LONGEST_S, FilmInfo, frames_of, open_film, probe, video_stream
from pipeline.errors import TruncatedError, UsageError

__all__ = ["LONGEST_S", "SUFFIXES", "FilmInfo", "Reader", "decode", "probe", "scaled_size"]

SUFFIXES = (".mp4", ".mov", ".mkv", ".avi", ".m4v")
SEEK_MARGIN_S = Fraction(1, 2)  # seek this much early: open groups of pictures start with broken pictures
SEEK_GAP_S = Fraction(3)  # a hole in the wanted frames worth a seek
SHORT_SHARE = 0.02  # missing share of the declared frames that makes a file a truncated one
SHORT_FRAMES = 3
COMB_ROWS, COMB_STEP = 7, 14  # rows that alternate, by grey levels
COMB_WIDE = 24  # px side by side from which alternating rows are a pattern
COMB_SHARE = 2e-4  # of the pixels
SHORT_S = 1.0  # the same where only a duration is declared (sound may run on a little)

Picture = NDArray[np.uint8]


def _threads(threads: int | None) -> int:
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(4, cores)) if threads is None else max(1, threads)


class Clock:
    """Exact time of each frame, seconds from the first; guards against missing and backward timestamps.

    estimated counts frames whose timestamp was missing or not later than the one before: they are put one
    frame of the average rate after it.
    """

    def __init__(self, rate: Fraction | None) -> None:
        self.step = 1 / rate if rate else Fraction(1, 30)
        self.first: Fraction | None = None
        self.last: Fraction | None = None
        self.estimated = 0

    def __call__(self, frame: VideoFrame) -> Fraction:
        now = None if frame.pts is None or frame.time_base is None else frame.pts * frame.time_base
        if self.first is None:
            self.first = now if now is not None else Fraction(0)
            self.last = Fraction(0)
            return self.last
        before = self.last if self.last is not None else Fraction(0)
        time = before + self.step if now is None else now - self.first
        if now is None or time <= before:
            self.estimated += 1
            time = before + self.step
        self.last = time
        return time


class Reader:
    """Iterates over (frame, time_s, picture), in order, one pass; memory does not grow with the film.

    wanted: sorted frame indices, or None for all. times: frame -> exact time as an earlier pass gave it
    (a Mapping, or a sequence indexed by frame): allows to jump over what is not wanted. max_width: pictures
    come scaled down to at most this width. gray: (H, W) luma instead of (H, W, 3) BGR, uint8.
    Of interlaced pictures one field is shown, whether the file says that they are or only their look (``combed``).
    After the last frame: decoded (frames seen), damage (texts), estimated_times, woven (pictures in which combing was
    found though nothing announced it), shortfall.
    Raises as ``probe``; a damaged file yields what can be decoded and reports in ``shortfall``.
    """

    def __init__(
        self,
        path: str | Path,
        wanted: Sequence[int] | None = None,
        *,
        max_width: int | None = None,
        gray: bool = False,
        times: Mapping[int, Fraction] | Sequence[Fraction] | None = None,
        threads: int | None = None,
        longest_s: float = LONGEST_S,
    ) -> None:
        self.info = probe(path, longest_s)
        if wanted is not None and any(b <= a for a, b in pairwise(wanted)):
            raise UsageError("film.decode: wanted must be sorted and without doubles.", where=path)
        self.wanted = None if wanted is None else [int(w) for w in wanted]
        self.times, self.gray = times, gray
        info = self.info
        self.width_px, self.height_px = scaled_size(info.width_px, info.height_px, max_width)
        self.threads = _threads(threads)
        self.decoded = 0
        self.last_s = Fraction(0)
        self.complete = False
        self.damage: list[str] = []
        self.estimated_times = 0
        self.woven = 0

    def __iter__(self) -> Iterator[tuple[int, Fraction, Picture]]:
        if self.wanted is not None and not self.wanted:
            return
        with open_film(Path(self.info.path)) as box:
            stream = video_stream(box, Path(self.info.path))
            stream.thread_type = "AUTO"
            stream.codec_context.thread_count = self.threads
            if self.wanted is not None and self.times is not None:
                yield from self._jumping(box, stream)
            else:
                yield from self._in_order(box, stream)

    def _in_order(
        self, box: av.container.InputContainer, stream: av.video.stream.VideoStream
    ) -> Iterator[tuple[int, Fraction, Picture]]:
        clock = Clock(self.info.rate)
        wanted = None if self.wanted is None else set(self.wanted)
        last = None if self.wanted is None else self.wanted[-1]
        for index, frame in enumerate(frames_of(box, stream, self.damage)):
            time = clock(frame)
            self.decoded, self.last_s, self.estimated_times = index + 1, time, clock.estimated
            if wanted is None or index in wanted:
                yield index, time, self.picture(frame)
            if last is not None and index >= last:
                return
        self.complete = True

    def _jumping(
        self, box: av.container.InputContainer, stream: av.video.stream.VideoStream
    ) -> Iterator[tuple[int, Fraction, Picture]]:
        """Wanted frames by their exact times; seeks over holes, skips pictures no other refers to."""
        wanted, times = self.wanted or [], self.times
        if times is None:
            return
        first = _first_time(Path(self.info.path))
        if first is None or stream.time_base is None:
            yield from self._in_order(box, stream)
            return
        for run in _runs(wanted, times):
            start = times[run[0]]
            if start > SEEK_MARGIN_S:
                target = first + start - SEEK_MARGIN_S
                box.seek(int(target / stream.time_base), stream=stream, backward=True)
            else:
                box.seek(int(first / stream.time_base), stream=stream, backward=True)
            todo = {times[i] + first: i for i in run}
            for frame in _sparse_frames(box, stream, sorted(todo), self.damage):
                self.decoded += 1
                time = _time(frame)
                index = None if time is None else todo.pop(time, None)
                if index is not None:
                    yield index, times[index], self.picture(frame)
                if not todo:
                    break
            if todo:  # timestamps that do not come back the same: count from the start instead
                missing = sorted(todo.values())
                again = Reader(self.info.path, missing, gray=self.gray, threads=self.threads)
                again.width_px, again.height_px = self.width_px, self.height_px
                yield from again
                self.damage += again.damage

    def picture(self, frame: VideoFrame) -> Picture:
        """One decoded frame as an upright picture of the reader's size."""
        rotation = self.info.rotation_deg
        width, height = self.width_px, self.height_px
        if rotation in (90, 270):
            width, height = height, width
        form = "gray" if self.gray else "bgr24"
        if frame.interlaced_frame:
            image = _one_field(_convert(frame, frame.width, frame.height, form), width, height)
        else:
            image = _convert(frame, width, height, form)
            if (width, height) == (frame.width, frame.height) and combed(image):
                self.woven += 1
                image = _one_field(image, width, height)
        turn = {
            90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_COUNTERCLOCKWISE,
        }.get(rotation)  # fmt: skip
        return image if turn is None else np.asarray(cv2.rotate(image, turn), np.uint8)

    @property
    def shortfall(self) -> TruncatedError | None:
        """After a full pass: an error to report where the file gave fewer frames than it declares."""
        if not self.complete:
            return None
        declared, duration = self.info.frames, self.info.duration_s
        if declared is not None:
            if declared - self.decoded <= max(SHORT_FRAMES, SHORT_SHARE * declared):
                return None
            what = f"{self.decoded} of {declared} frames"
        elif duration is not None:
            if duration - self.last_s <= max(SHORT_S, SHORT_SHARE * float(duration)):
                return None
            what = f"{float(self.last_s):.1f} of {float(duration):.1f} s"
        else:
            return None
        return TruncatedError(
            f"Only {what} can be decoded.",
            where=self.info.path,
            frame=self.decoded,
            hint="The part that can be read was used. Copy the file again from the source for the rest.",
        )


def decode(
    path: str | Path,
    wanted: Sequence[int] | None = None,
    max_width: int | None = None,
    **options: Any,
) -> Reader:
    """Iterator over (frame, time_s, image_bgr) in order; see ``Reader`` for the options."""
    return Reader(path, wanted, max_width=max_width, **options)


def scaled_size(width: int, height: int, max_width: int | None) -> tuple[int, int]:
    """Size after scaling down to at most max_width, aspect kept."""
    if max_width is None or width <= max_width:
        return width, height
    return max_width, max(1, round(height * max_width / width))


def _convert(frame: VideoFrame, width: int, height: int, form: str) -> Picture:
    small = width * 2 <= frame.width
    how = Interpolation.AREA if small else Interpolation.BILINEAR
    matrix = None
    if form != "gray" and frame.colorspace == 2 and frame.height >= 720:
        matrix = "ITU709"  # unmarked high definition is BT.709 (ITU-R BT.709), unmarked less is BT.601
    out = frame.reformat(
        width=width, height=height, format=form, interpolation=how, src_colorspace=matrix, threads=1
    )
    return np.ascontiguousarray(out.to_ndarray())


def combed(image: Picture) -> bool:
    """True where two fields of different moments are woven into a picture (H, W) or (H, W, 3).

    COMB_ROWS neighbouring rows alternate by more than COMB_STEP in COMB_SHARE of its pixels, but not over COMB_WIDE
    px side by side: that are seats or stripes. Painted lines are one row, noise is smaller. Set on rendered clips,
    whole and woven from neighbouring frames.
    """
    grey = (image if image.ndim == 2 else image[..., 1])[:, ::2].astype(np.int16)
    if min(grey.shape) < COMB_ROWS:
        return False
    step = np.diff(grey, axis=0)
    high = np.minimum(np.abs(step[:-1]), np.abs(step[1:])) > COMB_STEP
    turns = (high & ((step[:-1] > 0) != (step[1:] > 0))).astype(np.uint8)
    rows = cv2.erode(turns, np.ones((COMB_ROWS - 2, 1), np.uint8))
    wide = cv2.morphologyEx(rows, cv2.MORPH_OPEN, np.ones((1, COMB_WIDE // 2), np.uint8))
    return bool(float(rows.mean()) - float(wide.mean()) > COMB_SHARE)


def _one_field(image: Picture, width: int, height: int) -> Picture:
    """Deinterlace: keep the upper field, interpolate the other rows, scale to (height, width)."""
    how = cv2.INTER_AREA if width < image.shape[1] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(image[0::2], (width, height), interpolation=how), np.uint8)


def _time(frame: VideoFrame) -> Fraction | None:
    return None if frame.pts is None or frame.time_base is None else frame.pts * frame.time_base


def _first_time(path: Path) -> Fraction | None:
    with open_film(path) as box:
        frame = next(frames_of(box, video_stream(box, path), []), None)
        return None if frame is None else _time(frame)


def _runs(wanted: Sequence[int], times: Mapping[int, Fraction] | Sequence[Fraction]) -> list[list[int]]:
    """Wanted frames grouped where the hole between two is not worth a seek."""
    runs: list[list[int]] = []
    for i in wanted:
        if runs and times[i] - times[runs[-1][-1]] < SEEK_GAP_S:
            runs[-1].append(i)
        else:
            runs.append([i])
    return runs


def _sparse_frames(
    box: av.container.InputContainer,
    stream: av.video.stream.VideoStream,
    wanted: list[Fraction],
    damage: list[str],
) -> Iterator[VideoFrame]:
    """Decode from where the file stands; pictures that are neither wanted nor referred to are skipped."""
    context, last = stream.codec_context, wanted[-1]
    try:
        for packet in box.demux(stream):
            if packet.pts is not None and packet.time_base is not None:
                time = packet.pts * packet.time_base
                at = bisect_left(wanted, time)
                context.skip_frame = "DEFAULT" if at < len(wanted) and wanted[at] == time else "NONREF"
                if packet.is_keyframe and time > last + SEEK_GAP_S:
                    break
            try:
                yield from packet.decode()
            except av.error.FFmpegError as e:
                damage.append(f"packet at {packet.pts}: {e}")
    except (av.error.FFmpegError, ValueError) as e:
        damage.append(f"reading: {e}")
    finally:
        context.skip_frame = "DEFAULT"
