"""The field of play by level: rulebook geometry from configs/fields/*.toml.

Field frame, yards, right-handed, z up. Sideline view (the camera is behind y = 0)::

    y = width +--------------------------------------------+  far sideline
              |  end  |                            |  end  |
              |  zone |    far hash row  - - - - - |  zone |
              |       |    near hash row - - - - - |       |
              |       |                            |       |
    y = 0     +--------------------------------------------+  near sideline
              x = 0   x = end_zone                        x = length
                                (camera)

Behind an end zone the camera is behind x = 0, looks along +x, and y runs from the sideline on its right
to the one on its left: no view is mirrored.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from pipeline.errors import ConfigError, UsageError

LEVELS = ("professional", "college", "high_school", "canadian")


def configs_dir() -> Path:
    """The folder configs/ that ships beside the package."""
    return Path(__file__).resolve().parent.parent / "configs"


@dataclass(frozen=True)
class Field:
    """Geometry in yards. Hash rows and numbers are given on the y < width/2 half; the other half mirrors."""

    level: str
    length: float  # with both end zones
    width: float
    end_zone: float
    line_width: float
    goal_line_width: float
    hash_inner: float  # from the sideline to the inner end of a hash tick
    hash_tick: float  # length of a hash tick, across the field
    number_bottom: float  # from the sideline to the bottom (sideline side) of a number
    number_height: float
    number_width: float  # of one digit
    border_width: float  # white border outside the sideline, 0 where none is prescribed
    midfield: int  # the number painted at midfield

    @property
    def hash_rows(self) -> tuple[float, float]:
        """y of the middle of the ticks in the two hash rows, near then far."""
        y = self.hash_inner - self.hash_tick / 2
        return (y, self.width - y)

    @property
    def number_rows(self) -> tuple[float, float]:
        """y of the middle of the numbers, near then far."""
        y = self.number_bottom + self.number_height / 2
        return (y, self.width - y)

    @property
    def yard_lines(self) -> tuple[float, ...]:
        """x of every 5-yard line, goal lines included."""
        n = round((self.length - 2 * self.end_zone) / 5)
        return tuple(self.end_zone + 5.0 * i for i in range(n + 1))

    def number_at(self, x_yd: float) -> int | None:
        """The number painted at x (10, 20, ...), or None where none is: a multiple of 10 short of the goals."""
        d = min(x_yd - self.end_zone, self.length - self.end_zone - x_yd)
        n = round(d)
        return n if abs(d - n) < 1e-6 and n > 0 and n % 10 == 0 else None


@cache
def load(level: str) -> Field:
    """Read a level. Raises UsageError for an unknown level, ConfigError for a bad file."""
    if level not in LEVELS:
        raise UsageError(
            f"Unknown field level {level!r}.", hint=f"Choose one of: {', '.join(LEVELS)}."
        )
    path = configs_dir() / "fields" / f"{level}.toml"
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
        return Field(level=level, **{k: v["value"] for k, v in raw["geometry"].items()})
    except (OSError, tomllib.TOMLDecodeError, KeyError, TypeError) as e:
        raise ConfigError(f"Cannot read the field level: {e}.", where=path) from e
