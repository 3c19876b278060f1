"""What run.json says that an audit needs: settings of the charting, and where the film of a clip lies."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from pipeline.errors import InputError
from pipeline.ledger import Row, read_csv, sha256_file


@dataclass(frozen=True)
class RunFacts:
    """run_dir; config as charted; sha256 and path of the film by clip; rows of snaps.csv by snap_id."""

    run_dir: Path
    config: dict[str, Any] = field(default_factory=dict)
    sha256: dict[str, str] = field(default_factory=dict)
    paths: dict[str, str] = field(default_factory=dict)
    rows: dict[str, Row] = field(default_factory=dict)

    @classmethod
    def read(cls, run_dir: Path) -> RunFacts:
        """Facts of a run, kept while its files stay as they are; a run.json that is missing or damaged leaves them at
        their defaults. rows: of snaps.csv by snap_id."""
        stamps = []
        for name in ("run.json", "snaps.csv"):
            try:
                stamps.append((run_dir / name).stat().st_mtime_ns)
            except OSError:
                stamps.append(0)
        return _read(run_dir, *stamps)

    @classmethod
    def _fresh(cls, run_dir: Path) -> RunFacts:
        try:
            raw = json.loads((run_dir / "run.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            raw = {}
        listed = [c for c in raw.get("clips", []) if isinstance(c, dict) and "clip" in c]
        sha = {c["clip"]: str(c.get("sha256") or "") for c in listed}
        paths = {str(k): str(v) for k, v in (raw.get("films") or {}).items()}
        paths.update({c["clip"]: str(c["path"]) for c in listed if c.get("path")})
        rows: dict[str, Row] = {}
        if (run_dir / "snaps.csv").is_file():
            rows = {str(r["snap_id"]): r for r in read_csv(run_dir / "snaps.csv", "snaps")}
        return cls(run_dir, raw.get("config") or {}, sha, paths, rows)

    def row(self, snap_id: str) -> Row:
        """The row of a snap as charted. Raises InputError."""
        if snap_id not in self.rows:
            raise InputError(f"There is no snap {snap_id!r} in this run.", where=self.run_dir)
        return self.rows[snap_id]

    def clip_of(self, snap_id: str) -> str:
        """The clip of a snap. Raises InputError."""
        return str(self.row(snap_id)["clip"])

    @property
    def after_s(self) -> float:
        """Seconds after the snap of the second moment."""
        return float(self.config.get("sampling", {}).get("after_s", 1.0))

    @property
    def review_below(self) -> float:
        """Confidence under which a row is for review."""
        return float(self.config.get("ledger", {}).get("review_below", 0.5))

    @property
    def labels_file(self) -> str:
        """Thresholds of the labels, blank for those that ship."""
        return str(self.config.get("labels", {}).get("file") or "")

    def film(self, clip: str, folder: Path | None = None) -> Path:
        """Where the film of a clip lies: as charted, or under a folder given since. Raises InputError in plain words
        where it is not there."""
        tried = [Path(self.paths[clip])] if clip in self.paths else []
        if folder is not None:
            tried = [folder / clip, folder / Path(clip).name, *tried]
        for path in tried:
            if os.path.isfile(path):  # False also where a folder on the way may not be entered
                return path
        where = f" (looked for {tried[0]})" if tried else ""
        raise InputError(f"The film of {clip} is not there{where}.", hint="Give its folder with --film FOLDER.")

    def check_film(self, clip: str, path: Path) -> None:
        """Raise InputError where a film is not the one that was charted (sha256)."""
        wanted = self.sha256.get(clip)
        if wanted and sha256_file(path) != wanted:
            raise InputError("This film is not the one that was charted (its sha256 differs).", where=path,
                             hint="Give the folder of the film that was charted with --film FOLDER.")  # fmt: skip


@lru_cache(maxsize=4)
def _read(run_dir: Path, *stamps: int) -> RunFacts:
    return RunFacts._fresh(run_dir)
