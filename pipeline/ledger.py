"""The one place that writes results: tables, per-clip results, evidence, run.json.

Every file is written to a temporary name beside its place and renamed, so that a run killed at any point
leaves whole files only. A clip's result is kept in ``work/`` of the run folder as soon as the clip is done;
``--resume`` takes it up again only where input, configuration, models and version are the same.
"""

from __future__ import annotations

import contextlib
import csv
import errno
import hashlib
import io
import json
import os
import platform
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import __version__
from pipeline.errors import OutputError, ShapeError, SnapledgerError
from pipeline.schema import SCHEMA_VERSION, table

Row = dict[str, Any]
RUN_TABLES = ("snaps", "positions", "labels", "failures", "registration")
WORK = "work"
LIGHT_TABLES = ("snaps", "failures")  # few rows a clip


def _output_error(path: Path, e: OSError) -> OutputError:
    hints = {
        errno.ENOSPC: "Free some space or choose another --out; then repeat the command with --resume.",
        errno.EDQUOT: "Your quota is used up: free some space, then repeat the command with --resume.",
        errno.EACCES: "Choose an --out folder you may write to.",
        errno.EROFS: "Choose an --out folder on a disk that can be written.",
    }
    hint = hints.get(e.errno or 0, "Check the --out folder, then repeat the command with --resume.")
    return OutputError(f"Cannot write: {e.strerror or e}.", where=path, hint=hint)


def write_bytes(path: Path, data: bytes) -> None:
    """Write atomically: a temporary name in the same folder, flushed to disk, then renamed. OutputError."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(temporary, "wb") as f:
            f.write(data)
            f.flush()
            os.fsync(f.fileno())
        os.replace(temporary, path)
    except OSError as e:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise _output_error(path, e) from e


def write_json(path: Path, value: Any) -> None:
    """Write JSON atomically; numpy values become plain ones, NaN becomes null."""
    text = json.dumps(plain(value), ensure_ascii=False, indent=1, allow_nan=False)
    write_bytes(path, text.encode("utf-8", "replace"))


def plain(value: Any) -> Any:
    """Numpy, tuples, dataclasses and paths to plain JSON values; NaN and infinities to None."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(v) for v in value]
    if isinstance(value, float):
        return float(f"{value:.9g}") if np.isfinite(value) else None
    if value is None or isinstance(value, (str, int, bool)):
        return value
    if hasattr(value, "__dataclass_fields__"):
        return plain({k: getattr(value, k) for k in value.__dataclass_fields__})
    return str(value)


def csv_bytes(name: str, rows: Iterable[Mapping[str, Any]], *, bom: bool = True) -> bytes:
    """A table as RFC 4180 CSV (CRLF, header on line 1), UTF-8. Raises ShapeError for a row not in the schema."""
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\r\n").writerow(table(name).names)
    return out.getvalue().encode("utf-8-sig" if bom else "utf-8") + _csv_body(name, rows)


def _csv_body(name: str, rows: Iterable[Mapping[str, Any]]) -> bytes:
    """Rows of a table as lines of CSV, without the header. Raises ShapeError."""
    schema = table(name)
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    for row in rows:
        writer.writerow(schema.cells(row))
    return out.getvalue().encode("utf-8", "replace")


def write_csv(path: Path, name: str, rows: Iterable[Mapping[str, Any]], *, bom: bool = True) -> None:
    """Write a table atomically. Raises OutputError, ShapeError."""
    write_bytes(path, csv_bytes(name, rows, bom=bom))


def read_csv(path: Path, name: str) -> list[Row]:
    """Read a table of ours; columns that the schema does not know are left out, missing ones stay absent.

    Raises ShapeError naming file and line for a cell of a wrong type.
    """
    columns = {c.name: c for c in table(name).columns}
    rows: list[Row] = []
    with open(path, encoding="utf-8-sig", newline="") as f:
        for number, raw in enumerate(csv.DictReader(f), start=2):
            try:
                rows.append({k: columns[k].value(v or "") for k, v in raw.items() if k in columns})
            except ShapeError as e:
                raise ShapeError(e.message, where=f"{path}, line {number}") from e
    return rows


def sha256_file(path: Path) -> str:
    """sha256 of a file's content, read in pieces."""
    digest = hashlib.sha256()
    with open(path, "rb") as f:
        while piece := f.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()


def versions() -> dict[str, str]:
    """Versions of the program and of what decides its results."""
    from importlib import metadata

    found = {"snapledger": __version__, "python": platform.python_version(), "schema": str(SCHEMA_VERSION)}
    for name in ("numpy", "scipy", "opencv-python-headless", "av", "onnxruntime"):
        with contextlib.suppress(metadata.PackageNotFoundError):
            found[name] = metadata.version(name)
    return found


@dataclass(frozen=True)
class Fingerprint:
    """What must be the same for a finished clip to be taken up again."""

    input_sha256: str
    config_sha256: str
    models_sha256: str
    version: str = f"{__version__}/{SCHEMA_VERSION}"


@dataclass
class ClipResult:
    """All that one film file gave: rows by table, timings in seconds, notes; evidence by snap_id."""

    clip: str
    rows: dict[str, list[Row]] = field(default_factory=dict)
    timings_s: dict[str, float] = field(default_factory=dict)
    film_s: float = 0.0
    notes: list[str] = field(default_factory=list)
    evidence: dict[str, Any] = field(default_factory=dict)
    failed: bool = False

    def add(self, name: str, row: Row) -> None:
        """Append a row; checked against the schema here, where the stage that made it can be named."""
        table(name).cells(row)
        self.rows.setdefault(name, []).append(row)


def failure_row(name: str, error: BaseException, stage: str) -> Row:
    """A row of failures.csv from an exception."""
    if isinstance(error, SnapledgerError):
        kind = type(error).__name__
        reason, hint, frame = error.message, error.hint, error.frame
    else:
        kind = type(error).__name__
        reason = f"{kind}: {error}".strip()
        frame = None
        hint = "This is a fault of the program: please report it with the file's notes in run.json."
    return {"file": name, "stage": stage, "frame": frame, "error": kind, "reason": reason, "hint": hint or None}


def safe_name(text: str) -> str:
    """A text as part of a file name on any system."""
    return re.sub(r"[^A-Za-z0-9._-]+", "_", text).strip("._") or "clip"


def text_path(path: Path | str) -> str:
    """A path as text that can be written as UTF-8, with forward slashes."""
    return os.fsencode(str(path)).decode("utf-8", "replace").replace(os.sep, "/")


def store_path(out: Path, clip: str) -> Path:
    """Where a clip's finished result is kept in a run folder."""
    digest = hashlib.sha256(clip.encode("utf-8", "replace")).hexdigest()[:8]
    return out / WORK / f"{safe_name(clip)[-80:]}-{digest}.json"


def store(out: Path, result: ClipResult, fingerprint: Fingerprint) -> None:
    """Keep a clip's result; evidence and pictures are files of their own by then. Raises OutputError."""
    stored = {**vars(result), "evidence": {}}
    write_json(store_path(out, result.clip), {"fingerprint": asdict(fingerprint), "result": stored})


def read_store(path: Path) -> tuple[ClipResult, Fingerprint] | None:
    """A kept result; None where the file is not there, damaged, by another version or not by us."""
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))
        return ClipResult(**raw["result"]), Fingerprint(**raw["fingerprint"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def clear_snaps(out: Path, snap_base: str) -> None:
    """Remove pictures and evidence of an earlier charting of a clip, which may have had other plays."""
    for folder, ending in (("frames", ".jpg"), ("evidence", ".json")):
        for path in (out / folder).glob(f"{safe_name(snap_base)}-p[0-9]*{ending}"):
            path.unlink(missing_ok=True)


class RunFolder:
    """The folder of one run: stores clip results and writes the tables from them.

    ``fresh`` forgets earlier results of the folder (a run without --resume). Of a finished clip only the light
    tables stay in memory; the others are read back from ``work/`` when tables are written, so that memory
    does not grow with the film.
    """

    def __init__(self, out: Path, *, bom: bool = True, fresh: bool = True) -> None:
        self.out = out
        self.bom = bom
        self.results: dict[str, ClipResult] = {}
        self.fingerprints: dict[str, Fingerprint] = {}
        self._stored: set[str] = set()  # clips whose rows are in work/
        if not fresh:
            self._load()

    def check_writable(self) -> None:
        """Raise OutputError before any work is done where the folder cannot be written."""
        probe = self.out / WORK / ".probe"
        write_bytes(probe, b"snapledger")
        with contextlib.suppress(OSError):
            probe.unlink()

    def sweep(self) -> None:
        """Remove half-written files that a killed run left behind."""
        for folder in (self.out, self.out / WORK, self.out / "frames", self.out / "evidence"):
            for path in folder.glob(".*.tmp"):
                with contextlib.suppress(OSError):
                    path.unlink()

    def _load(self) -> None:
        folder = self.out / WORK
        for path in sorted(folder.glob("*.json")) if folder.is_dir() else []:
            found = read_store(path)
            if found is not None:  # else such a clip is charted anew, the file replaced
                self._take(*found)

    def _take(self, result: ClipResult, fingerprint: Fingerprint) -> None:
        light = {name: rows for name, rows in result.rows.items() if name in LIGHT_TABLES}
        self.results[result.clip] = replace(result, rows=light, evidence={})
        self.fingerprints[result.clip] = fingerprint
        self._stored.add(result.clip)

    def finished(self, clip: str, fingerprint: Fingerprint) -> bool:
        """True where the clip is done with the same input, configuration, models and version."""
        return self.fingerprints.get(clip) == fingerprint and not self.results[clip].failed

    def keep(self, result: ClipResult, fingerprint: Fingerprint) -> None:
        """Store a clip's result. Raises OutputError."""
        store(self.out, result, fingerprint)
        self.take(result.clip)

    def take(self, clip: str) -> ClipResult:
        """Take up a result that was stored by a worker. Raises OutputError where it is not there."""
        found = read_store(store_path(self.out, clip))
        if found is None:
            raise OutputError("A stored result cannot be read back.", where=store_path(self.out, clip),
                              hint="Check the disk, then repeat the command with --resume.")  # fmt: skip
        self._take(*found)
        return self.results[clip]

    def note(self, result: ClipResult, fingerprint: Fingerprint) -> None:
        """Take up a result for the tables of this run only; nothing is stored."""
        self._stored.discard(result.clip)
        self.results[result.clip] = result
        self.fingerprints[result.clip] = fingerprint

    def clear(self, snap_base: str) -> None:
        """Remove pictures and evidence of an earlier charting of a clip, which may have had other plays."""
        clear_snaps(self.out, snap_base)

    def forget_others(self, clips: Iterable[str]) -> None:
        """Remove stored results of clips that are not among these."""
        mine = {store_path(self.out, clip) for clip in clips}
        for path in (self.out / WORK).glob("*.json"):
            if path not in mine:
                path.unlink(missing_ok=True)

    def _rows_of(self, clip: str) -> dict[str, list[Row]]:
        """All rows of a clip by table. Raises OutputError where a stored result went missing."""
        if clip not in self._stored:
            return self.results[clip].rows
        found = read_store(store_path(self.out, clip))
        if found is None:
            raise OutputError("A stored result cannot be read back.", where=store_path(self.out, clip),
                              hint="Repeat the command with --resume.")  # fmt: skip
        return found[0].rows

    def rows(self, name: str) -> list[Row]:
        """Rows of one table over all clips, in order of clip name."""
        return [row for clip in sorted(self.results) for row in self._rows_of(clip).get(name, [])]

    def write_tables(self) -> None:
        """Write every table of the run, one clip in memory at a time. Raises OutputError."""
        paths = {name: self.out / f"{name}.csv" for name in RUN_TABLES}
        temporary = {name: p.with_name(f".{p.name}.{os.getpid()}.tmp") for name, p in paths.items()}
        try:
            self.out.mkdir(parents=True, exist_ok=True)
            with contextlib.ExitStack() as stack:
                files = {n: stack.enter_context(open(p, "wb")) for n, p in temporary.items()}
                for name, file in files.items():
                    file.write(csv_bytes(name, (), bom=self.bom))
                for clip in sorted(self.results):
                    rows = self._rows_of(clip)
                    for name, file in files.items():
                        file.write(_csv_body(name, rows.get(name, [])))
                for file in files.values():
                    file.flush()
                    os.fsync(file.fileno())
            for name, path in paths.items():
                os.replace(temporary[name], path)
        except OSError as e:
            raise _output_error(self.out, e) from e
        finally:
            for path in temporary.values():
                with contextlib.suppress(OSError):
                    path.unlink(missing_ok=True)

    def write_run(self, facts: Mapping[str, Any]) -> None:
        """Write run.json: the given facts with versions, inputs and times. Raises OutputError."""
        clips = [
            {
                "clip": clip,
                "sha256": self.fingerprints[clip].input_sha256,
                "film_s": result.film_s,
                "timings_s": result.timings_s,
                "snaps": len(result.rows.get("snaps", [])),
                "failed": result.failed,
                "notes": result.notes,
            }
            for clip, result in sorted(self.results.items())
        ]
        write_json(
            self.out / "run.json",
            {**facts, "versions": versions(), "machine": {"cpus": os.cpu_count()}, "clips": clips},
        )


def csv_table(rows: Sequence[Row], name: str) -> list[dict[str, str]]:
    """Rows as the texts that the CSV shows, by column."""
    schema = table(name)
    return [dict(zip(schema.names, schema.cells(row), strict=True)) for row in rows]
