"""Configuration: configs/chart.toml is the one table of defaults; a user's file overrides single keys.

A misspelt key is refused with the nearest key that exists, before any film is opened.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import tomllib
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from pipeline.errors import ConfigError
from pipeline.field import LEVELS, configs_dir

Level = Literal["auto", "professional", "college", "high_school", "canadian"]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class FilmConfig(_Section):
    """Which files are taken as film."""

    longest_s: float = Field(gt=0)
    extensions: tuple[str, ...] = Field(min_length=1)


class FieldConfig(_Section):
    """Which rulebook, seen from where."""

    level: Level
    view: Literal["auto", "sideline", "endzone"]
    one_game: bool


class SamplingConfig(_Section):
    """Moments looked at, seconds from the snap."""

    times_s: tuple[float, ...] = Field(min_length=1)
    after_s: float = Field(gt=0, le=5)
    no_snap_looks: int = Field(ge=1, le=10)
    register_every: int = Field(ge=1, le=10)

    @field_validator("times_s")
    @classmethod
    def _sorted_with_snap(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if 0.0 not in value:
            raise ValueError("must contain 0.0, the snap")
        if any(abs(t) > 10 for t in value):
            raise ValueError("must stay within 10 s of the snap")
        return tuple(sorted(set(value)))


class ConfirmConfig(_Section):
    """What tracks must show of a snap; see ``pipeline.confirm.ConfirmSettings``."""

    enabled: bool
    run_yd_s: float = Field(gt=0)
    runners: int = Field(ge=0, le=30)
    stray: int = Field(ge=0, le=30)
    came_yd: float = Field(gt=0)
    stays_yd: float
    back_yd: float
    left: float = Field(ge=0, le=1)
    trust: float = Field(ge=0, le=1)
    still: float = Field(ge=0, le=1)
    still_yd_s: float = Field(gt=0)
    moved: int = Field(ge=0, le=11)
    moved_yd: float = Field(gt=0)
    men: int = Field(ge=1, le=30)
    error_yd: float = Field(gt=0)


class PeopleConfig(_Section):
    """Finding people."""

    confidence: float = Field(ge=0, lt=1)
    passes: Literal["whole", "tiles", "both"]
    passes_still: Literal["whole", "tiles", "both"]
    backend: Literal["onnxruntime", "openvino"]


class LabelsConfig(_Section):
    """Where the thresholds of the labels are."""

    file: str


class PlaysConfig(_Section):
    """Which column of a staff's play list is what; '' where the list has none."""

    clip: str
    down: str
    distance: str
    hash: str
    field_position: str
    personnel: str
    own: tuple[str, ...]


class ViewsConfig(_Section):
    """How clips that show one play from both views are found."""

    pair: Literal["names", "order", "none"]


class PicturesConfig(_Section):
    """The pictures in frames/."""

    enabled: bool
    width_px: int = Field(ge=320, le=3840)
    quality: int = Field(ge=10, le=100)


class LedgerConfig(_Section):
    """How tables are written."""

    bom: bool
    review_below: float = Field(ge=0, le=1)


class ExecutionConfig(_Section):
    """What the machine is asked for. Not part of the fingerprint: it changes no result."""

    workers: int = Field(ge=0, le=1024)
    threads: int = Field(ge=0, le=256)
    device: Literal["auto", "cpu", "cuda"]
    limit_floor_s: float = Field(gt=0)
    limit_per_film_s: float = Field(gt=0)


class ModelsConfig(_Section):
    """Which models."""

    folder: str


class Config(_Section):
    """All settings of a run."""

    film: FilmConfig
    field: FieldConfig
    sampling: SamplingConfig
    confirm: ConfirmConfig
    people: PeopleConfig
    labels: LabelsConfig
    plays: PlaysConfig
    views: ViewsConfig
    pictures: PicturesConfig
    ledger: LedgerConfig
    execution: ExecutionConfig
    models: ModelsConfig

    def with_(self, section: str, **values: Any) -> Config:
        """A copy with values of one section replaced; checked like a file's values."""
        raw = self.model_dump(mode="json")
        raw[section].update(values)
        return _validated(raw, "the command line")

    def fingerprint(self) -> str:
        """sha256 over every setting that can change a result, the labels file's content included."""
        raw = self.model_dump(mode="json", exclude={"execution", "ledger", "models", "plays", "views"})
        path = Path(self.labels.file) if self.labels.file else configs_dir() / "labels.toml"
        raw["labels"] = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
        fields = {p.name: p.read_text(encoding="utf-8") for p in sorted((configs_dir() / "fields").glob("*.toml"))}
        return hashlib.sha256(json.dumps([raw, fields], sort_keys=True).encode()).hexdigest()


def default_path() -> Path:
    """The table of defaults that ships."""
    return configs_dir() / "chart.toml"


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as e:
        raise ConfigError(
            f"Cannot read the configuration: {e.strerror or e}.", where=path, hint="Check the path."
        ) from e
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as e:
        raise ConfigError(f"Not a TOML file: {e}.", where=path, hint="See configs/chart.toml for the form.") from e


def _near(name: str, known: list[str]) -> str:
    match = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f"Did you mean {match[0]!r}?" if match else f"Known here: {', '.join(known)}."


def _check_keys(raw: dict[str, Any], default: dict[str, Any], where: str | Path) -> None:
    """Refuse unknown sections and keys with the nearest one that exists."""
    everywhere = {k: s for s, v in default.items() for k in v}
    for section, values in raw.items():
        if section not in default:
            if not isinstance(values, dict) and section in everywhere:
                hint = f"It belongs under [{everywhere[section]}]."
            else:
                hint = _near(section, list(default))
            raise ConfigError(f"Unknown section or key {section!r}.", where=where, hint=hint)
        if not isinstance(values, dict):
            raise ConfigError(f"{section!r} is a section, not a value.", where=where, hint=f"Write [{section}].")
        for key in values:
            if key not in default[section]:
                hint = _near(key, list(default[section]))
                raise ConfigError(f"Unknown key {key!r} in [{section}].", where=where, hint=hint)


def _validated(raw: dict[str, Any], where: str | Path) -> Config:
    try:
        return Config.model_validate(raw)
    except ValidationError as e:
        first = e.errors()[0]
        place = ".".join(str(p) for p in first["loc"])
        message = f"Wrong value for {place}: {first['msg']} (got {first.get('input')!r})."
        hint = f"Choose one of: {', '.join(LEVELS)}." if place == "field.level" else "See configs/chart.toml."
        raise ConfigError(message, where=where, hint=hint) from e


def load(path: Path | str | None = None) -> Config:
    """The defaults, with the keys of the file at ``path`` over them.

    Raises ConfigError (exit 2) for an unreadable file, an unknown key (with a near match) or a wrong value.
    """
    raw = _read_toml(default_path())
    if path is None:
        return _validated(raw, default_path())
    mine = _read_toml(Path(path))
    _check_keys(mine, raw, path)
    for section, values in mine.items():
        raw[section].update(values)
    if raw["models"]["folder"]:
        resolved = (Path(path).parent / raw["models"]["folder"]).resolve()
        if not (resolved / "manifest.toml").is_file():
            raise ConfigError(
                f"models.folder {raw['models']['folder']!r} has no manifest.toml.", where=path,
                hint="Name the folder that `snapledger learn` wrote.",
            )  # fmt: skip
        raw["models"]["folder"] = str(resolved)
    labels_file = raw["labels"]["file"]
    if labels_file:
        resolved = (Path(path).parent / labels_file).resolve()
        if not resolved.is_file():
            raise ConfigError(f"labels.file {labels_file!r} is not there.", where=path, hint="Check the path.")
        raw["labels"]["file"] = str(resolved)
    return _validated(raw, path)
