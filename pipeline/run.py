"""A run: which files, which are done, chart the others, keep every result at once, say how it went."""

from __future__ import annotations

import datetime as dt
import errno
import os
import time
from collections import Counter
from collections.abc import Container, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pipeline.batch import level as levels
from pipeline.batch.closing import close
from pipeline.batch.here import Here
from pipeline.batch.jobs import ATTEMPTS, Advanced, Clip, Ended, Engine, Job, Started
from pipeline.batch.work import fingerprint
from pipeline.config import Config
from pipeline.errors import InputError, OutputError, SnapledgerError, SomeFailedError, UsageError
from pipeline.ledger import WORK, ClipResult, Fingerprint, Row, RunFolder, failure_row, safe_name, text_path
from pipeline.progress import Reporter
from pipeline.tools import Tools

__all__ = ["Clip", "Inputs", "Run", "collect", "summary"]

TABLES_EVERY_S = 20.0
TABLES_SHARE = 25.0  # or so many times as long as writing them takes, where that is longer
LONGEST_BASE = 120  # letters of a snap id's stem: pictures are named after it, and a file's name has its limits
MIN_VOTERS, MAJORITY = 3, 0.6  # clips needed, and share of them that must agree, to correct the others' level


@dataclass
class Inputs:
    """Clips in order, and the folders that could not be read as rows of failures.csv."""

    clips: list[Clip] = field(default_factory=list)
    failures: list[Row] = field(default_factory=list)


def _film_in(folder: Path, config: Config, out: Path | None) -> list[Path]:
    """Film files under a folder, sorted; hidden ones and the run folder itself left out. OSError."""
    found: list[Path] = []
    skip = out.resolve() if out is not None else None

    def stop(e: OSError) -> None:
        raise e

    for base, folders, names in os.walk(folder, onerror=stop):
        folders[:] = sorted(d for d in folders if not d.startswith(".") and (Path(base) / d).resolve() != skip)
        for name in sorted(names):
            if not name.startswith(".") and name.lower().rsplit(".", 1)[-1] in config.film.extensions:
                found.append(Path(base) / name)
    return found


def collect(paths: Sequence[Path], config: Config, out: Path | None = None) -> Inputs:
    """Film files of the given files and folders. Raises UsageError for a path that is not there."""
    inputs = Inputs()
    found: list[tuple[Path, str]] = []
    for path in paths:
        if not path.exists():
            raise UsageError("There is no such file or folder.", where=path, hint="Check the path.")
        if not path.is_dir():
            found.append((path, path.name))
            continue
        try:
            inside = _film_in(path, config, out)
        except OSError as e:
            error = InputError(f"The folder cannot be read: {e.strerror or e}.", where=e.filename or path,
                               hint="Check that you may read it and that its disk is there.")  # fmt: skip
            inputs.failures.append(failure_row(text_path(e.filename or path), error, "folder"))
            continue
        if not inside:
            kinds = ", ".join(config.film.extensions)
            raise UsageError("There is no film in this folder.", where=path, hint=f"Film ends in: {kinds}.")
        found += [(p, text_path(p.relative_to(path))) for p in inside]
    inputs.clips = _named(found)
    return inputs


def _named(found: Iterable[tuple[Path, str]]) -> list[Clip]:
    """Give every file a name and a snap-id stem that no other file of the run has."""
    clips: list[Clip] = []
    seen: set[Path] = set()
    names: set[str] = set()
    bases: set[str] = set()
    for path, name in found:
        real = path.resolve()
        if real in seen:
            continue
        seen.add(real)
        if name in names:
            name = text_path(path)
        base = safe_name(name.rsplit("/", 1)[-1].rsplit(".", 1)[0])[:LONGEST_BASE]
        if base in bases:
            base = safe_name(name.rsplit(".", 1)[0].replace("/", "_"))[-LONGEST_BASE:]
        unique, n = base, 2
        while unique in bases:
            unique, n = f"{base}_{n}", n + 1
        names.add(name)
        bases.add(unique)
        clips.append(Clip(path, name, unique))
    return clips


def summary(result: ClipResult) -> str:
    """One line about a clip."""
    if result.failed:
        row = result.rows["failures"][0]
        return f"failed ({row['stage']}): {row['reason']}" + (f" Hint: {row['hint']}" if row["hint"] else "")
    snaps = result.rows.get("snaps", [])
    real = [r for r in snaps if r.get("snap_frame") is not None]
    review = sum(1 for r in real if r.get("review"))
    none = f", {len(snaps) - len(real)} without a snap" if len(snaps) > len(real) else ""
    work = result.timings_s.get("total", 0.0)
    return f"{len(real)} snap(s){none}, {review} to review, {work:.1f} s of work for {result.film_s:.1f} s of film"


def _level(result: ClipResult | None) -> str | None:
    """Field level that most plays of a clip were registered with; None where none was."""
    found = [r["field_level"] for r in result.rows.get("snaps", []) if r.get("field_level")] if result else []
    return Counter(found).most_common(1)[0][0] if found else None


def _sure_levels(rows: Iterable[Row], clips: Container[str]) -> dict[str, str]:
    """Clip -> the field level that most of its frames tell; clips of which no frame tells one are left out."""
    told: dict[str, Counter[str]] = {}
    for row in rows:
        if row["clip"] in clips and row.get("level_told") not in (None, "unsure"):
            told.setdefault(row["clip"], Counter())[row["level_told"]] += 1
    return {clip: votes.most_common(1)[0][0] for clip, votes in told.items()}


def _untold(result: ClipResult | None) -> bool:
    """True where a clip has snaps and its field was registered in none of them."""
    snaps = [r for r in result.rows.get("snaps", []) if r.get("snap_frame") is not None] if result else []
    return bool(snaps) and not any(r.get("field_level") for r in snaps)


@contextmanager
def _held(out: Path, *, alone: bool) -> Iterator[None]:
    """Hold a run folder; several processes may share one that was opened with alone False. Raises OutputError."""
    try:
        import fcntl
    except ImportError:  # no such locks on this system
        yield
        return
    with open(out / WORK / ".lock", "a+b") as handle:
        try:
            fcntl.flock(handle, (fcntl.LOCK_EX if alone else fcntl.LOCK_SH) | fcntl.LOCK_NB)
        except BlockingIOError as e:
            raise OutputError("Another snapledger is charting into this folder.", where=out,
                              hint="Wait for it to end, or choose another --out.") from e  # fmt: skip
        except OSError as e:
            if e.errno not in (errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP):
                raise
            # a file system without locks: nothing to hold
        yield


@dataclass
class Run:
    """Chart clips into a run folder, with an engine or, where none is given, with the tools in this process."""

    config: Config
    tools: Tools | None
    out: Path
    resume: bool = False
    engine: Engine | None = None
    level_votes: list[str] = field(default_factory=list)  # field levels that clips looked at first have told

    def _engine(self) -> Engine:
        if self.engine is None:
            if self.tools is None:
                raise UsageError("A run needs tools or an engine.")
            self.engine = Here(self.config, self.tools, self.out)
        return self.engine

    @property
    def models_sha256(self) -> str:
        """Checksum of the models this run is charted with."""
        return self._engine().models_sha256 if self.engine or self.tools else ""

    def fingerprint(self, clip: Clip) -> Fingerprint:
        """What a finished clip must still be like. A file that cannot be read has an empty sha256."""
        return fingerprint(clip, self.config, self.models_sha256)

    def chart(self, inputs: Inputs, reporter: Reporter) -> RunFolder:
        """Chart what is not done yet. Raises OutputError; SomeFailedError or SnapledgerError at the end
        where clips failed, everything else being written."""
        engine = self._engine()
        try:
            RunFolder(self.out).check_writable()
            with _held(self.out, alone=not (self.resume and isinstance(engine, Here))):
                folder = self._chart(inputs, reporter)
        finally:
            engine.close()
        results = [folder.results[c.name] for c in inputs.clips if c.name in folder.results]
        for line in close(results, inputs.failures, len(inputs.clips)).lines():
            reporter.said(line)
        self._raise_failures(inputs, folder)
        return folder

    def _chart(self, inputs: Inputs, reporter: Reporter) -> RunFolder:
        folder = RunFolder(self.out, bom=self.config.ledger.bom, fresh=not self.resume)
        started = dt.datetime.now(dt.UTC)
        clock = time.perf_counter()
        self._open(folder, inputs)
        try:
            todo = self._todo(inputs.clips, folder, reporter)
            level = self._level_told_first(inputs.clips, reporter) if todo else None
            if level is not None:
                note = f"field level {level} as told by clips of the run looked at first"
                todo = [replace(job, level=level, note=note) for job in todo]
            self._do(todo, len(inputs.clips), folder, reporter)
            if level is None:
                self._agree_on_level(inputs.clips, folder, reporter)
        finally:
            self._engine().close()
            folder.write_tables()
            films = {c.name: text_path(c.path.resolve()) for c in inputs.clips}  # where `audit` looks for the film
            folder.write_run({**self._facts(started, time.perf_counter() - clock), "films": films})
        return folder

    def _open(self, folder: RunFolder, inputs: Inputs) -> None:
        if not self.resume:
            folder.forget_others(c.name for c in inputs.clips)
        if not (self.resume and isinstance(self.engine, Here)):
            folder.sweep()
        if inputs.failures:
            name = "folders that could not be read"
            folder.note(ClipResult(name, {"failures": inputs.failures}, failed=True), Fingerprint("", "", ""))

    def _todo(self, clips: Sequence[Clip], folder: RunFolder, reporter: Reporter) -> list[Job]:
        """Jobs for what is not done yet."""
        jobs = []
        for number, clip in enumerate(clips, start=1):
            if self.resume and clip.name in folder.results and folder.finished(clip.name, self.fingerprint(clip)):
                reporter.started(clip, number, len(clips))
                reporter.ended(clip, "done before", True, worked=False)
            else:
                jobs.append(Job(clip))
        return jobs

    def _do(self, jobs: Sequence[Job], total: int, folder: RunFolder, reporter: Reporter, said: str = "") -> None:
        """Let the engine do jobs; take up each result, write the tables now and then."""
        if not jobs:
            return
        engine, number, pause = self._engine(), total - len(jobs), TABLES_EVERY_S
        if isinstance(engine, Here):
            engine.on_share = lambda event: reporter.advanced(event.share, event.job.clip)
        else:
            reporter.said(f"{len(jobs)} clip(s) to chart: {engine.describe()}")
        written = time.monotonic()
        for event in engine.run(jobs):
            clip = event.job.clip
            if isinstance(event, Started):
                number += event.job.attempt == 1
                reporter.started(clip, number, total)
            elif isinstance(event, Advanced):
                reporter.advanced(event.share, clip)
            elif isinstance(event, Ended):
                result = self._lost(event, folder) if event.lost else folder.take(clip.name)
                reporter.ended(clip, said + summary(result), not result.failed)
                if time.monotonic() - written > pause:
                    begun = time.monotonic()
                    folder.write_tables()
                    written = time.monotonic()
                    pause = max(TABLES_EVERY_S, TABLES_SHARE * (written - begun))

    def _lost(self, event: Ended, folder: RunFolder) -> ClipResult:
        """The row of a clip that took its worker with it."""
        clip = event.job.clip
        folder.clear(clip.snap_base)
        result = ClipResult(clip.name, failed=True)
        error = event.error or InputError("Its worker was lost.", where=clip.name)
        result.add("failures", failure_row(clip.name, error, event.stage or "film"))
        folder.keep(result, self.fingerprint(clip))
        return folder.results[clip.name]

    def _level_told_first(self, clips: Sequence[Clip], reporter: Reporter) -> str | None:
        """The field level that a few clips agree on before any is charted; None where it is given or they do not."""
        config = self.config.field
        if config.level != "auto" or not config.one_game or len(clips) < levels.FEWEST_CLIPS:
            return None
        order = [clips[i] for i in levels.order(len(clips))]
        for k in range(levels.ROUNDS):
            some = order[k * levels.ROUND : (k + 1) * levels.ROUND]
            for _ in self._engine().run([Job(c, attempt=ATTEMPTS, only_level=True) for c in some]):
                pass  # nothing to keep, and a clip that takes its worker with it is told of when it is charted
            self.level_votes += levels.collect(self.out, [c.snap_base for c in some])
            level = levels.agreed(self.level_votes)
            if level is not None:
                reporter.said(f"field level {level}: told by {len(self.level_votes)} clips looked at first")
                return level
        return None

    def _agree_on_level(self, clips: Sequence[Clip], folder: RunFolder, reporter: Reporter) -> None:
        """Clips of a run are of one game: those told otherwise than most, and those whose field could not be told at
        all, are charted anew with that level."""
        config = self.config.field
        if config.level != "auto" or not config.one_game:
            return
        sure = _sure_levels(folder.rows("registration"), {c.name for c in clips})
        if len(sure) < MIN_VOTERS:
            return
        level, votes = Counter(sure.values()).most_common(1)[0]
        if votes < MAJORITY * len(sure):
            return
        alone = {c.name: _level(folder.results.get(c.name)) for c in clips}
        others = [c for c in clips if alone[c.name] not in (None, level) or _untold(folder.results.get(c.name))]
        as_most = f"field level {level} as in most clips of the run; alone it looked"
        jobs = [Job(c, level, f"{as_most} {alone[c.name] or 'unsure'}") for c in others]
        self._do(jobs, len(jobs), folder, reporter, f"again, as {level} like the other clips: ")

    def _facts(self, started: dt.datetime, work_s: float) -> dict[str, Any]:
        return {
            "started": started.isoformat(timespec="seconds"),
            "wall_s": round(work_s, 3),
            "engine": self._engine().describe(),
            "config": self.config.model_dump(mode="json"),
            "config_sha256": self.config.fingerprint(),
            "models_sha256": self.models_sha256,
            "level_votes": dict(Counter(self.level_votes)),
        }

    @staticmethod
    def _raise_failures(inputs: Inputs, folder: RunFolder) -> None:
        failed = [c for c in inputs.clips if c.name in folder.results and folder.results[c.name].failed]
        partial = [
            c for c in inputs.clips
            if c.name in folder.results and c not in failed and folder.results[c.name].rows.get("failures")
        ]  # fmt: skip
        count = len(failed) + len(partial) + len(inputs.failures)
        if not count:
            return
        hint = f"See {folder.out / 'failures.csv'}."
        if len(failed) == len(inputs.clips) and not partial:
            raise SnapledgerError("Nothing could be charted.", hint=hint)
        raise SomeFailedError(f"{count} of {len(inputs.clips)} could not be charted in full.", hint=hint)
