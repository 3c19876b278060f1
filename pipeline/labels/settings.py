"""The thresholds of the labels: configs/labels.toml, each value with its unit and where it comes from."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pipeline.errors import ConfigError
from pipeline.field import configs_dir


@dataclass(frozen=True)
class Settings:
    """Thresholds by 'section.key'. Call it with the name: ``settings("deep.depth_yd")``."""

    values: Mapping[str, float | tuple[float, ...]]

    def __call__(self, name: str) -> float:
        value = self._find(name)
        if isinstance(value, tuple):
            raise ConfigError(f"Label threshold {name!r} is a list, not a number.")
        return value

    def row(self, name: str) -> tuple[float, ...]:
        """A list of numbers by name."""
        value = self._find(name)
        return value if isinstance(value, tuple) else (value,)

    def _find(self, name: str) -> float | tuple[float, ...]:
        if name not in self.values:
            raise ConfigError(f"Unknown label threshold {name!r}.", hint=_near(name, list(self.values)))
        return self.values[name]

    def with_(self, **changes: float) -> Settings:
        """A copy with values changed; a dot in a name is written as two underscores: deep__depth_yd=8."""
        wanted = {k.replace("__", "."): float(v) for k, v in changes.items()}
        for name in wanted:
            self(name)
        return Settings(MappingProxyType({**self.values, **wanted}))


def _near(name: str, known: list[str]) -> str:
    match = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f"Did you mean {match[0]!r}?" if match else f"Known: {', '.join(known)}."


def _read(path: Path) -> dict[str, float | tuple[float, ...]]:
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as e:
        raise ConfigError(f"Cannot read the label thresholds: {e.strerror or e}.", where=path) from e
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as e:
        raise ConfigError(f"Not a TOML file: {e}.", where=path, hint="See configs/labels.toml.") from e
    out: dict[str, float | tuple[float, ...]] = {}
    for section, keys in raw.items():
        if not isinstance(keys, dict):
            raise ConfigError(f"{section!r} is a section, not a value.", where=path, hint=f"Write [{section}].")
        for key, entry in keys.items():
            out[f"{section}.{key}"] = _value(entry, f"{section}.{key}", path)
    return out


def _value(entry: Any, name: str, path: Path) -> float | tuple[float, ...]:
    """A plain number or list of numbers, or a table with value, unit and source."""
    value = entry.get("value") if isinstance(entry, dict) else entry
    if isinstance(value, list) and value:
        return tuple(_number(v, name, path) for v in value)
    return _number(value, name, path)


def _number(value: Any, name: str, path: Path) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
        raise ConfigError(f"Wrong value for {name}: expected a number, got {value!r}.", where=path)
    return float(value)


@cache
def load(path: Path | str | None = None) -> Settings:
    """The thresholds that ship, with those of the file at ``path`` over them (``[deep]`` / ``depth_yd = 8``).

    Raises ConfigError (exit 2) for an unreadable file, an unknown name (with a near match) or a wrong value.
    """
    values = _read(configs_dir() / "labels.toml")
    if path:
        for name, value in _read(Path(path)).items():
            if name not in values:
                raise ConfigError(
                    f"Unknown label threshold {name!r}.", where=path, hint=_near(name, list(values))
                )
            old = values[name]
            if isinstance(old, tuple) != isinstance(value, tuple) or (
                isinstance(old, tuple) and isinstance(value, tuple) and len(old) != len(value)
            ):
                want = f"a list of {len(old)} numbers" if isinstance(old, tuple) else "a number"
                raise ConfigError(f"Wrong value for {name}: expected {want}.", where=path)
            values[name] = value
    return Settings(MappingProxyType(values))
