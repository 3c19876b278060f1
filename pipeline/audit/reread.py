"""The film read again around a snap that an analyst moved: people, field and their evidence, in a process of its own.

The motion pass runs up to the shot that holds the frame, then only the moments wanted are decoded and looked at, as
``chart`` does. What was seen is kept beside the evidence, so that later corrections need no film.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from pipeline import chart, film
from pipeline import config as configs
from pipeline import motion as motion_stage
from pipeline.audit.replay import reread_path
from pipeline.audit.runs import RunFacts
from pipeline.config import Config
from pipeline.errors import AuditError, InputError, SnapledgerError
from pipeline.ledger import ClipResult, write_json
from pipeline.records import Motion, Shot, Snap
from pipeline.sampling import plan_samples
from pipeline.tools import Tools

LIMIT_S = 1800.0  # a long file's motion pass; then the worker is given up


def in_worker(run_dir: Path, snap_id: str, frame: int, film_folder: Path | None = None) -> Path:
    """Read the film again in a process of its own; the file with what was seen. Raises SnapledgerError."""
    facts = RunFacts.read(run_dir)
    clip = facts.clip_of(snap_id)
    path = facts.film(clip, film_folder)
    facts.check_film(clip, path)
    target = reread_path(run_dir, snap_id, frame)
    command = [sys.executable, "-m", "pipeline.audit.reread", str(run_dir), snap_id, str(frame), str(path)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=LIMIT_S, check=False)
    except subprocess.TimeoutExpired as e:
        raise AuditError("Reading the film again took too long and was given up.", where=path, frame=frame) from e
    if done.returncode == 0 and target.is_file():
        return target
    said = done.stderr.strip().splitlines()
    if said and said[-1].startswith("{"):
        raise AuditError(**json.loads(said[-1]))
    raise AuditError(
        "The worker that read the film again ended without a result.", where=path, frame=frame,
        hint="Try again; if memory is short, close other programs first.",
    )  # fmt: skip


def main(arguments: Sequence[str]) -> int:
    """``python -m pipeline.audit.reread RUN SNAP FRAME FILM``: the worker's entry. Errors as JSON on stderr."""
    from pipeline import tools

    run_dir, snap_id, frame, path = Path(arguments[0]), arguments[1], int(arguments[2]), Path(arguments[3])
    try:
        facts = RunFacts.read(run_dir)
        config = config_of(facts)
        level = facts.row(snap_id).get("field_level")
        if level is not None:  # as the whole run was told, rather than told anew from a few frames
            config = config.with_("field", level=level)
        read_again(run_dir, snap_id, frame, path, config, tools.load(config))
    except SnapledgerError as e:
        said = {"message": e.message, "where": e.where, "frame": e.frame, "hint": e.hint}
        print(json.dumps(said), file=sys.stderr)
        return e.exit_code
    return 0


def config_of(facts: RunFacts) -> Config:
    """The configuration a run was charted with, as far as this version knows its keys. Raises ConfigError."""
    config = configs.load()
    known = config.model_dump(mode="json")
    for section, values in facts.config.items():
        mine = {k: v for k, v in values.items() if k in known.get(section, {})} if isinstance(values, dict) else {}
        if section == "models" and not Path(str(mine.get("folder") or "")).is_dir():
            continue
        if section in ("film", "field", "sampling", "people", "labels", "models") and mine:
            config = config.with_(section, **mine)
    return config


def read_again(run_dir: Path, snap_id: str, frame: int, path: Path, config: Config, tools: Tools) -> Path:
    """Look at the moments around a frame and keep what was seen; see ``in_worker``. Raises InputError."""
    result = ClipResult(snap_id)
    motion, shot = _shot_with(path, frame, config)
    index = {int(f): i for i, f in enumerate(motion.frame)}
    if frame not in index:
        raise InputError("This frame is not in the film.", where=path, frame=frame)
    first = motion.time_s[index[frame]]
    snap = Snap("ok", frame, Fraction(first), 1.0, "set by an analyst")
    wanted = plan_samples(motion, snap, config.sampling.times_s)
    play = chart.Play(
        1, shot, snap, wanted, {f: motion.time_s[index[f]] for f in wanted},
        {f: motion.to_first_px[index[f]] for f in wanted},
    )  # fmt: skip
    quiet = config.with_("pictures", enabled=False)
    reader = film.Reader(path, sorted(wanted), times=play.times, threads=config.execution.threads or None,
                         longest_s=config.film.longest_s)  # fmt: skip
    for at, _, image in reader:
        chart._look(play, at, image, tools, quiet, result)
    if not play.samples:
        raise InputError("No frame around this one can be decoded.", where=path, frame=frame)
    registrations = tools.over_time(
        [s.frame for s in play.samples], [s.registration for s in play.samples],
        [play.to_first_px[s.frame] for s in play.samples],
    )  # fmt: skip
    samples = [replace(s, registration=r) for s, r in zip(play.samples, registrations, strict=True)]
    target = reread_path(run_dir, snap_id, frame)
    tracks = tools.build_tracks([chart.TrackSample(s.frame, s.time_s, s.people, s.registration) for s in samples])
    write_json(target, {"shot": shot, "snap": snap, "samples": [_sample(s) for s in samples], "tracks": tracks,
                        "alignment": None, "labels": None})  # fmt: skip
    return target


def _sample(s: chart.Sample) -> dict[str, Any]:
    return {"frame": s.frame, "time_s": s.time_s, "people": s.people, "registration": s.registration}


def _shot_with(path: Path, frame: int, config: Config) -> tuple[Motion, Shot]:
    """The measured shot that holds a frame with room after it; stops there. Raises InputError."""
    found: list[tuple[Motion, Shot]] = []
    for shot, motion in motion_stage.measure(path, longest_s=config.film.longest_s,
                                             threads=config.execution.threads or None):  # fmt: skip
        if int(motion.frame[0]) <= frame <= int(motion.frame[-1]):
            found.append((motion, shot))
        if int(motion.frame[0]) > frame:
            break
    if not found:
        raise InputError("This frame is not in the film.", where=path, frame=frame)
    # Pieces of a long shot overlap: the one in which the frame is farthest from an end.
    return max(found, key=lambda m: min(frame - int(m[0].frame[0]), int(m[0].frame[-1]) - frame))




if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
