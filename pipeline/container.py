"""What a video file is: opened safely, described, its pictures in order. Used by ``film`` alone."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
from av.video.frame import VideoFrame

from pipeline.errors import InputError, NotVideoError, TooLongError, TruncatedError

LONGEST_S = 12 * 3600.0  # a game with every pause is about 3.5 h; common practice, no source


@dataclass(frozen=True)
class FilmInfo:
    """What the headers and the first picture say.

    width_px, height_px: upright and with square pixels. rotation_deg: clockwise turn still to be applied to a
    coded picture (0, 90, 180, 270). frames and duration_s: as declared, None where nothing is declared.
    rate: average, for display only.
    """

    path: str
    width_px: int
    height_px: int
    rotation_deg: int
    pixel_aspect: Fraction
    rate: Fraction | None
    duration_s: Fraction | None
    frames: int | None
    codec: str
    interlaced: bool
    bytes: int


def open_film(path: Path) -> av.container.InputContainer:
    """Open a file. Raises InputError (cannot be read), TruncatedError, NotVideoError."""
    try:
        size = path.stat().st_size
        with path.open("rb"):
            pass
    except OSError as e:
        reason = e.strerror or str(e)
        raise InputError(f"Cannot read: {reason}.", where=path, hint="Check path and permissions.") from e
    if size == 0:
        raise NotVideoError("The file is empty.", where=path, hint="Copy it again from the source.")
    try:
        return av.open(str(path), mode="r", metadata_errors="replace")
    except (av.error.FFmpegError, ValueError) as e:
        if _index_missing(path):
            raise TruncatedError(
                "The file ends before its index (the recording or the copy was cut off).",
                where=path,
                hint="Copy it again, or repair it with the recorder's own tool.",
            ) from e
        raise NotVideoError(
            "Not a video that can be read.", where=path, hint="Give an mp4, mov, mkv or avi file."
        ) from e


def _index_missing(path: Path) -> bool:
    """True for an ISO base media file (mp4, mov) without a complete moov box (ISO/IEC 14496-12, 4.2)."""
    size = path.stat().st_size
    with path.open("rb") as f:
        at, first = 0, True
        while at + 8 <= size:
            f.seek(at)
            head = f.read(16)
            length, kind = int.from_bytes(head[:4], "big"), head[4:8]
            if first and kind not in (b"ftyp", b"mdat", b"wide", b"free", b"skip", b"moov"):
                return False
            first = False
            if length == 1 and len(head) == 16:
                length = int.from_bytes(head[8:16], "big")
            if kind == b"moov":
                return at + length > size
            if length < 8:
                return True  # 0: up to the end of the file
            at += length
    return not first


def video_stream(box: av.container.InputContainer, path: Path) -> av.video.stream.VideoStream:
    names = set(box.format.name.split(","))
    if names & {"image2", "ico", "gif"} or any(n.endswith("_pipe") for n in names):
        raise NotVideoError("This is a picture, not a video.", where=path, hint="Use 'locate' for stills.")
    streams = [s for s in box.streams.video if "attached_pic" not in str(s.disposition).lower()]
    if not streams:
        what = "only sound" if box.streams.audio else "no video"
        raise NotVideoError(f"The file holds {what}.", where=path, hint="Export the film with its picture.")
    return max(streams, key=lambda s: (s.width or 0) * (s.height or 0))


def rotation_of(frame: VideoFrame) -> int:
    """Clockwise degrees that bring the coded picture upright (the display matrix turns anticlockwise)."""
    turn = -float(getattr(frame, "rotation", 0) or 0)
    return round(turn / 90.0) * 90 % 360


def duration_of(box: av.container.InputContainer, stream: av.video.stream.VideoStream) -> Fraction | None:
    if stream.duration and stream.time_base:
        return stream.duration * stream.time_base
    return Fraction(box.duration, av.time_base) if box.duration else None


def probe(path: str | Path, longest_s: float = LONGEST_S) -> FilmInfo:
    """Read the headers and decode one picture.

    Raises InputError where the file cannot be read, NotVideoError (picture, sound only, nothing decodable),
    TruncatedError (index cut off), TooLongError (longer than longest_s).
    """
    path = Path(path)
    with open_film(path) as box:
        stream = video_stream(box, path)
        duration = duration_of(box, stream)
        if duration is not None and duration > longest_s:
            raise TooLongError(
                f"The film is {float(duration) / 3600:.1f} h long; the limit is {longest_s / 3600:.1f} h.",
                where=path,
                hint="Cut it into games or quarters, or raise film.longest_s in the configuration.",
            )
        frame = next(frames_of(box, stream, []), None)
        if frame is None:
            raise NotVideoError(
                "No picture in it can be decoded.", where=path, hint="Export it again as H.264 in mp4."
            )
        rotation, aspect = rotation_of(frame), pixel_aspect(stream)
        width, height = upright_size(frame.width, frame.height, rotation, aspect)
        return FilmInfo(
            path=str(path),
            width_px=width,
            height_px=height,
            rotation_deg=rotation,
            pixel_aspect=aspect,
            rate=stream.average_rate or stream.guessed_rate,
            duration_s=duration,
            frames=stream.frames or None,
            codec=stream.codec_context.name,
            interlaced=bool(frame.interlaced_frame),
            bytes=path.stat().st_size,
        )


def pixel_aspect(stream: av.video.stream.VideoStream) -> Fraction:
    aspect = stream.sample_aspect_ratio
    if not aspect or not Fraction(1, 4) <= aspect <= 4:
        return Fraction(1)
    return Fraction(aspect)


def upright_size(width: int, height: int, rotation: int, aspect: Fraction) -> tuple[int, int]:
    wide = max(1, round(width * aspect))
    return (height, wide) if rotation in (90, 270) else (wide, height)


def frames_of(
    box: av.container.InputContainer, stream: av.video.stream.VideoStream, damage: list[str]
) -> Iterator[VideoFrame]:
    """Every picture that can be decoded, in order of display. What cannot goes to ``damage`` as text."""
    packets = box.demux(stream)
    while True:
        try:
            packet = next(packets)
        except StopIteration:
            return
        except (av.error.FFmpegError, ValueError) as e:
            damage.append(f"reading: {e}")
            with contextlib.suppress(av.error.FFmpegError, ValueError):
                yield from stream.codec_context.decode(None)
            return
        try:
            yield from packet.decode()
        except av.error.FFmpegError as e:
            damage.append(f"packet at {packet.pts}: {e}")
