"""Chart one film file: film, motion, snap, people, registration, tracks, alignment, labels, rows.

One pass over the film for its motion, then one for the sampled frames only; memory stays flat with the
file's length because a play is finished and let go as soon as its last sampled frame has passed.
``chart_clip`` depends on its arguments alone, so that it can run in any process.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline import confirm, explain, film, pictures, review, rows
from pipeline import labels as label_stage
from pipeline import motion as motion_stage
from pipeline.camera import Camera
from pipeline.config import Config
from pipeline.errors import InputError, NoFieldError
from pipeline.ledger import ClipResult, failure_row, safe_name, write_bytes, write_json
from pipeline.records import Alignment, Labels, Motion, People, Registration, Shot, Snap, Tracks
from pipeline.registration import follow
from pipeline.sampling import plan_samples
from pipeline.tools import Tools
from pipeline.tracks import Sample as TrackSample

Image = NDArray[np.uint8]
FLASH_FRAMES = 24  # a shot shorter than this without a snap is no play: under a second at film rates
CARRIED = "to be carried from the frames around"
NEAR_SNAP_S = 0.35  # a play needs the field registered this close to its snap


@dataclass
class Sample:
    """One sampled frame of a play. The image is kept only for the two frames that become pictures."""

    frame: int
    time_s: float
    people: People
    registration: Registration
    image: Image | None = None


@dataclass
class Play:
    """A shot's snap (or its absence), the frames wanted for it and what was found in them so far."""

    number: int
    shot: Shot
    snap: Snap
    wanted: dict[int, float]  # frame -> seconds from the snap
    times: dict[int, Fraction]  # frame -> seconds from the first frame of the film
    to_first_px: dict[int, NDArray[np.float64]]
    samples: list[Sample] = field(default_factory=list)
    mates: list[Play] = field(default_factory=list, repr=False)  # plays of the same shot, this one included

    @property
    def in_vain(self) -> bool:
        """True where the snap was withdrawn and another play of the shot speaks for it, or a later one may."""
        with_snap = any(p.snap.frame is not None for p in self.mates)
        return self.snap.frame is None and len(self.mates) > 1 and (with_snap or self is not self.mates[-1])

    @property
    def last_wanted(self) -> int:
        return max(self.wanted)


@dataclass(frozen=True)
class Chain:
    """What the stages after the finders gave for a play; None where the chain stopped before."""

    tracks: Tracks | None = None
    alignment: Alignment | None = None
    labels: Labels | None = None


def _nobody(stage: str) -> None:
    """Nobody wants to know which stage begins."""


on_stage: Callable[[str], None] = _nobody  # told each stage that begins: a worker that is lost cannot say it after


@contextmanager
def _timed(result: ClipResult, stage: str) -> Iterator[None]:
    """Add the wall time of a stage to a result; an exception inside is marked with the stage."""
    on_stage(stage)
    start = time.perf_counter()
    try:
        yield
    except Exception as e:
        if not hasattr(e, "stage"):
            e.stage = stage  # type: ignore[attr-defined]
        raise
    finally:
        result.timings_s[stage] = result.timings_s.get(stage, 0.0) + time.perf_counter() - start


def _wanted_frames(motion: Motion, snap: Snap, config: Config) -> dict[int, float]:
    """Frames to look at with their seconds from the snap; without a snap a few spread over the shot."""
    if snap.frame is not None:
        return plan_samples(motion, snap, config.sampling.times_s)
    looks = config.sampling.no_snap_looks
    picks = np.linspace(0, len(motion.frame) - 1, looks + 2)[1:-1].round().astype(int)
    return {int(motion.frame[i]): float(motion.time_s[i] - motion.time_s[0]) for i in picks}


def plan(path: Path, config: Config, tools: Tools, result: ClipResult) -> list[Play]:
    """First pass: shots, their snaps and the frames to look at. Raises InputError."""
    plays: list[Play] = []
    measurement = motion_stage.measure(path, longest_s=config.film.longest_s, threads=config.execution.threads or None)
    measured = iter(measurement)
    while True:
        with _timed(result, "motion"):
            item = next(measured, None)
        if item is None:
            break
        shot, motion = item
        with _timed(result, "snap"):
            snaps = tools.find_snaps(motion, shot)
        index = {int(f): i for i, f in enumerate(motion.frame)}
        for snap in snaps:
            wanted = _wanted_frames(motion, snap, config)
            to_first = {f: motion.to_first_px[index[f]] for f in wanted}
            times = {f: motion.time_s[index[f]] for f in wanted}
            plays.append(Play(0, shot, snap, wanted, times, to_first))
    if measurement.reader.shortfall is not None:
        result.add("failures", failure_row(result.clip, measurement.reader.shortfall, "film"))
    return _numbered(plays, {0, *(frame for frame, _ in measurement.cuts)}, result)


def _numbered(plays: list[Play], starts: set[int], result: ClipResult) -> list[Play]:
    """Plays in order with their number. A shot without a snap counts once, whatever pieces it was measured in,
    and not at all where it is a flash between two cuts. starts: first frames of shots."""
    shots: list[list[Play]] = []
    for play in plays:
        if (play.shot.first_frame in starts and not (shots and shots[-1][0].shot == play.shot)) or not shots:
            shots.append([])
        shots[-1].append(play)
    kept: list[Play] = []
    for shot in shots:
        with_snap = [p for p in shot if p.snap.frame is not None]
        if not with_snap and shot[-1].shot.last_frame - shot[0].shot.first_frame < FLASH_FRAMES and len(shots) > 1:
            first, last = shot[0].shot.first_frame, shot[-1].shot.last_frame
            result.notes.append(f"frames {first} to {last}: too short for a play")
            continue
        for play in with_snap:
            play.mates = with_snap
        kept += with_snap or shot[:1]
    for number, play in enumerate(kept, start=1):
        play.number = number
    return kept


def _is_key_moment(play: Play, frame: int, config: Config) -> bool:
    """True for the two frames that become pictures and positions: the snap and after_s."""
    if play.snap.frame is None:
        return False
    after = min(play.wanted, key=lambda f: abs(play.wanted[f] - config.sampling.after_s))
    return frame in (play.snap.frame, after)


def _register_here(play: Play, frame: int, config: Config) -> bool:
    """True where the field is to be registered; elsewhere it is carried from the frames around."""
    if len(play.samples) % config.sampling.register_every == 0 or _is_key_moment(play, frame, config):
        return True
    tried = [s.registration for s in play.samples if s.registration.reason != CARRIED]
    return not tried or tried[-1].status != "ok"


def _look(play: Play, frame: int, image: Image, tools: Tools, config: Config, result: ClipResult) -> None:
    """Find people and register the field in one sampled frame of a play."""
    with _timed(result, "people"):
        people = tools.finder.find(image)
    before = next((s for s in reversed(play.samples) if s.registration.camera), None)
    if before is None or _register_here(play, frame, config):
        with _timed(result, "registration"):
            registration = tools.registrar.register(image, people=people, hint=_hint(play, before, frame))
    else:
        last = before.registration
        registration = Registration("abstained", None, last.view, last.level, reason=CARRIED)
    kept = image if config.pictures.enabled and _is_key_moment(play, frame, config) else None
    play.samples.append(Sample(frame, play.wanted[frame], people, registration, kept))


def _hint(play: Play, before: Sample | None, frame: int) -> Registration | Camera | None:
    """What a frame's registration may start from: the one before, moved as the film moved. At the snap only its
    camera, so that there the networks look anew whatever the frames before said."""
    if before is None:
        return None
    moved = follow.moved(before.registration, play.to_first_px[before.frame], play.to_first_px[frame])
    return moved.camera if frame == play.snap.frame else moved


def _chain(play: Play, tools: Tools, config: Config, result: ClipResult) -> Chain:
    """Tracks, alignment and labels of a play; stops where a stage has nothing to stand on, or where the tracks do not
    bear out the snap: ``play.snap`` then says why."""
    with _timed(result, "registration"):
        registrations = tools.over_time(
            [s.frame for s in play.samples],
            [s.registration for s in play.samples],
            [play.to_first_px[s.frame] for s in play.samples],
        )
    for sample, registration in zip(play.samples, registrations, strict=True):
        sample.registration = registration
    near = [s for s in play.samples if s.registration.status == "ok" and abs(s.time_s) <= NEAR_SNAP_S]
    if not near or not config.confirm.enabled:
        play.snap = confirm.unplaced(play.snap)
    if play.snap.frame is None or not near:
        return Chain()
    with _timed(result, "tracks"):
        tracks = tools.build_tracks(
            [TrackSample(s.frame, s.time_s, s.people, s.registration) for s in play.samples]
        )
        if config.confirm.enabled:
            settings = confirm.ConfirmSettings(**config.confirm.model_dump(exclude={"enabled"}))
            play.snap = confirm.confirm(play.snap, tracks, settings)
    if play.snap.frame is None:
        return Chain(tracks)
    with _timed(result, "alignment"):
        alignment = tools.align(tracks, {s.frame: s.registration for s in play.samples})
    if alignment.confidence <= 0:
        return Chain(tracks)
    with _timed(result, "labels"):
        return Chain(tracks, alignment, tools.label(tracks, alignment))


def _at(play: Play, moment_s: float) -> Sample | None:
    """The sample nearest to a moment, none farther than a quarter of a second from it."""
    best = min(play.samples, key=lambda s: abs(s.time_s - moment_s), default=None)
    return best if best is not None and abs(best.time_s - moment_s) <= 0.25 else None


def _moment_rows(snap_id: str, play: Play, chain: Chain, moment: str, at_s: float, clip: str) -> list[Any]:
    sample = _at(play, at_s)
    if sample is None:
        return []
    if chain.tracks is not None:
        t = rows.moment_index(chain.tracks, sample.time_s)
        if int(chain.tracks.frame[t]) == sample.frame:
            return rows.position_rows(
                snap_id, clip, moment, t, chain.tracks, chain.alignment, chain.labels, sample.people,
                sample.registration.camera,
            )  # fmt: skip
    return rows.unplaced_rows(snap_id, clip, moment, sample.frame, sample.time_s, sample.people)


def _finish(
    play: Play, clip: str, snap_base: str, tools: Tools, config: Config, out: Path | None, result: ClipResult
) -> None:
    """Rows, evidence and pictures of one play; its images are let go afterwards."""
    snap_id = f"{snap_base}-p{play.number}"
    chain = _chain(play, tools, config, result)
    if play.in_vain:
        result.notes.append(f"play {play.number}: {play.snap.reason}")
        play.samples.clear()
        return
    center = _at(play, 0.0) if play.snap.frame is not None else (play.samples[0] if play.samples else None)
    registration = center.registration if center else None
    at_snap: list[Any] = []
    if play.snap.frame is not None:
        at_snap = _moment_rows(snap_id, play, chain, "snap", 0.0, clip)
        after = _moment_rows(snap_id, play, chain, "after", config.sampling.after_s, clip)
        for row in at_snap + after:
            result.add("positions", row)
    for sample in play.samples:
        result.add("registration", rows.registration_row(clip, sample.frame, sample.registration))
    row = rows.snap_row(snap_id, clip, play.snap, registration, chain.alignment, chain.labels, at_snap)
    against = () if chain.tracks is None else chain.tracks.doubts
    why = review.reasons(play.snap, registration, chain.alignment, chain.labels, against)
    row["confidence"] = review.confidence(play.snap, chain.alignment, chain.labels)
    if play.snap.frame is not None and row["confidence"] < config.ledger.review_below:
        why.append(f"confidence below {config.ledger.review_below:g}")
    row.update(review=bool(why), review_reasons="; ".join(why) or None)
    result.add("snaps", row)
    for label in rows.label_rows(snap_id, chain.labels) if chain.labels is not None else []:
        result.add("labels", label)
    if out is None:
        result.evidence[snap_id] = _evidence(play, chain)
    else:  # at once: the evidence of a file with hundreds of plays would not stay small
        write_json(out / "evidence" / f"{safe_name(snap_id)}.json", _evidence(play, chain))
    if out is not None and config.pictures.enabled and play.snap.frame is not None:
        with _timed(result, "pictures"):
            _draw(play, snap_id, row, chain, config, out)
    for sample in play.samples:
        sample.image = None


def _why(chain: Chain, config: Config, moment: str) -> list[str]:
    """What the labels rest on, for the picture."""
    if chain.tracks is None or chain.alignment is None or chain.labels is None:
        return []
    return explain.lines(
        chain.tracks, chain.alignment, chain.labels, label_stage.load(config.labels.file or None), moment
    )


def _draw(play: Play, snap_id: str, row: Any, chain: Chain, config: Config, out: Path) -> None:
    for moment, at_s in (("snap", 0.0), ("after", config.sampling.after_s)):
        sample = _at(play, at_s)
        if sample is None or sample.image is None:
            continue
        data = pictures.play_picture(
            sample.image, sample.frame, sample.people, sample.registration, chain.tracks, chain.alignment,
            chain.labels, row, moment, width_px=config.pictures.width_px, quality=config.pictures.quality,
            why=_why(chain, config, moment),
        )  # fmt: skip
        write_bytes(out / "frames" / f"{safe_name(snap_id)}-{moment}.jpg", data)


def _evidence(play: Play, chain: Chain) -> dict[str, Any]:
    """Everything a label of this play rests on, for trying a threshold again without decoding film."""
    return {
        "shot": play.shot,
        "snap": play.snap,
        "samples": [
            {"frame": s.frame, "time_s": s.time_s, "people": s.people, "registration": s.registration}
            for s in play.samples
        ],
        "tracks": chain.tracks,
        "alignment": chain.alignment,
        "labels": chain.labels,
    }


def _second_pass(
    path: Path, plays: list[Play], clip: str, snap_base: str, tools: Tools, config: Config, out: Path | None,
    result: ClipResult, tick: Callable[[float], None],
) -> None:  # fmt: skip
    """Decode the wanted frames in order; finish each play when its last one has passed."""
    wanted: dict[int, list[Play]] = {}
    for play in plays:
        for frame in play.wanted:
            wanted.setdefault(frame, []).append(play)
    frames = sorted(wanted)
    times = {frame: play.times[frame] for play in plays for frame in play.wanted}
    reader = film.Reader(
        path, frames, times=times, threads=config.execution.threads or None, longest_s=config.film.longest_s
    )
    decoded = iter(reader)
    open_plays = list(plays)
    done = 0
    while True:
        with _timed(result, "decode"):
            item = next(decoded, None)
        if item is None:
            break
        index, _, image = item
        for play in wanted.get(index, []):
            _look(play, index, image, tools, config, result)
        done += 1
        tick(done / max(len(frames), 1))
        while open_plays and open_plays[0].last_wanted <= index:
            _finish(open_plays.pop(0), clip, snap_base, tools, config, out, result)
    for play in open_plays:
        result.notes.append(f"play {play.number}: the film gave fewer frames than on the first pass")
        _finish(play, clip, snap_base, tools, config, out, result)


def chart_clip(
    path: Path,
    clip: str,
    snap_base: str,
    config: Config,
    tools: Tools,
    out: Path | None = None,
    tick: Callable[[float], None] = lambda share: None,
) -> ClipResult:
    """Chart every play of one film file.

    clip: name for the ledger; snap_base: unique stem for snap ids; out: run folder for pictures, None for
    none; tick is told the share done. Raises InputError (NotVideoError, TruncatedError, TooLongError,
    NoFieldError), OutputError and whatever a stage raises, with the stage in the attribute ``stage``.
    """
    result = ClipResult(clip)
    start = time.perf_counter()
    with _timed(result, "probe"):
        info = film.probe(path, config.film.longest_s)
    result.film_s = float(info.duration_s or 0.0)
    plays = plan(path, config, tools, result)
    if not plays:
        raise InputError("No frame could be decoded.", where=clip, hint="Check that the file plays.")
    tick(0.5)
    _second_pass(path, plays, clip, snap_base, tools, config, out, result, lambda s: tick(0.5 + s / 2))
    statuses = [r["status"] for r in result.rows.get("registration", [])]
    if all(s == "failed" for s in statuses):
        error = NoFieldError(
            "No football field was found in any frame looked at.", where=clip,
            hint="Give wide coaching film that shows the field's lines; with unusual markings try --field.",
        )  # fmt: skip
        error.stage = "registration"  # type: ignore[attr-defined]
        raise error
    result.timings_s["total"] = time.perf_counter() - start
    return result

