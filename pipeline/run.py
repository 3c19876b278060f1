"""A run: which files, which are done, chart the others, keep every result at once, say how it went."""

from __future__ import annotations

import datetime as dt
import os
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.chart import chart_clip
from pipeline.config import Config
from pipeline.errors import InputError, OutputError, SnapledgerError, SomeFailedError, UsageError
from pipeline.ledger import ClipResult, Fingerprint, Row, RunFolder, failure_row, safe_name, sha256_file, text_path
from pipeline.progress import Reporter
from pipeline.tools import Tools

TABLES_EVERY_S = 20.0
MIN_VOTERS, MAJORITY = 3, 0.6  # clips needed, and share of them that must agree, to correct the others' level


@dataclass(frozen=True)
class Clip:
    """One film file of a run: path, name in the ledger and stem of its snap ids, both unique in the run."""

    path: Path
    name: str
    snap_base: str


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
        base = safe_name(name.rsplit("/", 1)[-1].rsplit(".", 1)[0])
        if base in bases:
            base = safe_name(name.rsplit(".", 1)[0].replace("/", "_"))
        unique, n = base, 2
        while unique in bases:
            unique, n = f"{base}_{n}", n + 1
        names.add(name)
        bases.add(unique)
        clips.append(Clip(path, name, unique))
    return clips


def chart_one(
    clip: Clip, config: Config, tools: Tools, out: Path | None, tick: Callable[[float], None]
) -> ClipResult:
    """Chart a clip; any failure that is not the run folder's becomes a row. Raises OutputError."""
    try:
        return chart_clip(clip.path, clip.name, clip.snap_base, config, tools, out, tick)
    except OutputError:
        raise
    except Exception as e:
        result = ClipResult(clip.name, failed=True)
        result.add("failures", failure_row(clip.name, e, getattr(e, "stage", "film")))
        if not isinstance(e, SnapledgerError):
            result.notes.append("".join(traceback.format_exception(e)))
        return result


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


@dataclass
class Run:
    """Chart clips into a run folder."""

    config: Config
    tools: Tools
    out: Path
    resume: bool = False

    def fingerprint(self, clip: Clip) -> Fingerprint:
        """What a finished clip must still be like. A file that cannot be read has an empty sha256."""
        try:
            digest = sha256_file(clip.path)
        except OSError:
            digest = ""
        return Fingerprint(digest, self.config.fingerprint(), self.tools.models_sha256)

    def chart(self, inputs: Inputs, reporter: Reporter) -> RunFolder:
        """Chart what is not done yet. Raises OutputError; SomeFailedError or SnapledgerError at the end
        where clips failed, everything else being written."""
        folder = RunFolder(self.out, bom=self.config.ledger.bom, fresh=not self.resume)
        folder.check_writable()
        started = dt.datetime.now(dt.UTC)
        clock = time.perf_counter()
        if inputs.failures:
            folders = ClipResult("folders that could not be read", {"failures": inputs.failures}, failed=True)
            folder.results[folders.clip] = folders
            folder.fingerprints[folders.clip] = Fingerprint("", "", "")
        try:
            self._chart_all(inputs.clips, folder, reporter)
            self._agree_on_level(inputs.clips, folder, reporter)
            if not self.resume:
                folder.forget_others()
        finally:
            folder.write_tables()
            folder.write_run(self._facts(started, time.perf_counter() - clock))
        self._raise_failures(inputs, folder)
        return folder

    def _chart_all(self, clips: Sequence[Clip], folder: RunFolder, reporter: Reporter) -> None:
        written = time.monotonic()
        for number, clip in enumerate(clips, start=1):
            reporter.started(clip, number, len(clips))
            fingerprint = self.fingerprint(clip)
            if self.resume and folder.finished(clip.name, fingerprint):
                reporter.ended(clip, "done before", True)
                continue
            folder.clear(clip.snap_base)
            result = chart_one(clip, self.config, self.tools, self.out, reporter.advanced)
            folder.keep(result, fingerprint)
            reporter.ended(clip, summary(result), not result.failed)
            if time.monotonic() - written > TABLES_EVERY_S:
                folder.write_tables()
                written = time.monotonic()

    def _agree_on_level(self, clips: Sequence[Clip], folder: RunFolder, reporter: Reporter) -> None:
        """Clips of a run are of one game: those told otherwise than most are charted anew with that level."""
        config = self.config.field
        if config.level != "auto" or not config.one_game:
            return
        told = {c.name: level for c in clips if (level := _level(folder.results.get(c.name))) is not None}
        if len(told) < MIN_VOTERS:
            return
        level, votes = Counter(told.values()).most_common(1)[0]
        if votes < MAJORITY * len(told):
            return
        others = [c for c in clips if told.get(c.name, level) != level]
        if not others:
            return
        tools = self.tools.at_level(level)
        for number, clip in enumerate(others, start=1):
            reporter.started(clip, number, len(others))
            folder.clear(clip.snap_base)
            result = chart_one(clip, self.config, tools, self.out, reporter.advanced)
            result.notes.append(f"field level {level} as in most clips of the run; alone it looked {told[clip.name]}")
            folder.keep(result, self.fingerprint(clip))
            reporter.ended(clip, f"again, as {level} like the other clips: {summary(result)}", not result.failed)

    def _facts(self, started: dt.datetime, work_s: float) -> dict[str, Any]:
        return {
            "started": started.isoformat(timespec="seconds"),
            "wall_s": round(work_s, 3),
            "config": self.config.model_dump(mode="json"),
            "config_sha256": self.config.fingerprint(),
            "models_sha256": self.tools.models_sha256,
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
