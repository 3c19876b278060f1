"""The tables the program writes: Frictionless table schemas in this folder are the one source of columns.

They drive the order of columns, the text of a cell, the checks on a row, the documentation and validation.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from pipeline.errors import ShapeError

SCHEMA_VERSION = 2
TABLES = ("snaps", "positions", "labels", "failures", "registration", "players", "still_registration")
DECIMALS = 4
# A cell that starts so is run as a formula by spreadsheet programs
# (OWASP, "CSV Injection": =, +, -, @, tab and carriage return).
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


@dataclass(frozen=True)
class Column:
    """One column: name, Frictionless type, description and constraints."""

    name: str
    type: str
    description: str
    required: bool = False
    enum: tuple[str, ...] = ()
    minimum: float | None = None
    maximum: float | None = None

    def cell(self, value: Any) -> str:
        """Text of a value in CSV. None and NaN are blank. Raises ShapeError for a value of a wrong type."""
        if value is None or (isinstance(value, float) and math.isnan(value)):
            if self.required:
                raise ShapeError(f"Column {self.name}: a value is required.")
            return ""
        text = self._text(value)
        if self.enum and text not in self.enum:
            raise ShapeError(f"Column {self.name}: expected one of {', '.join(self.enum)}, got {text!r}.")
        return text

    def _text(self, value: Any) -> str:
        try:
            if self.type == "boolean":
                return _boolean_text(value)
            if self.type == "integer":
                if float(value) != int(value):
                    raise ValueError
                return str(self._bounded(int(value)))
            if self.type == "number":
                return number_text(self._bounded(float(value)))
        except (TypeError, ValueError) as e:
            raise ShapeError(f"Column {self.name}: expected {self.type}, got {value!r}.") from e
        return guard_text(str(value))

    def _bounded(self, value: Any) -> Any:
        low = self.minimum is not None and value < self.minimum - 1e-9
        if low or (self.maximum is not None and value > self.maximum + 1e-9) or not math.isfinite(value):
            raise ShapeError(f"Column {self.name}: {value} is outside {self.minimum} to {self.maximum}.")
        return value

    def value(self, text: str) -> Any:
        """Inverse of :meth:`cell`. Raises ShapeError for a text of a wrong type."""
        text = text.strip()
        if text == "":
            return None
        try:
            if self.type == "integer":
                return int(float(text))
            if self.type == "number":
                return float(text)
        except ValueError as e:
            raise ShapeError(f"Column {self.name}: expected {self.type}, got {text!r}.") from e
        if self.type == "boolean":
            if text.lower() not in ("true", "false", "1", "0", "yes", "no"):
                raise ShapeError(f"Column {self.name}: expected true or false, got {text!r}.")
            return text.lower() in ("true", "1", "yes")
        return unguard_text(text)


def _boolean_text(value: Any) -> str:
    if value not in (True, False):
        raise ValueError
    return "true" if value else "false"


def number_text(value: float) -> str:
    """Plain decimal text, at most four decimals for everyday sizes, full precision for small values."""
    if value == 0:
        return "0"
    if abs(value) < 0.1:
        return format(float(f"{value:.8g}"), ".12f").rstrip("0").rstrip(".") or "0"
    return format(round(value, DECIMALS), ".12g")


def guard_text(text: str) -> str:
    """A leading apostrophe before what a spreadsheet would run as a formula."""
    return "'" + text if text.startswith(_FORMULA_STARTS) else text


def unguard_text(text: str) -> str:
    """Take the guard of :func:`guard_text` off again."""
    return text[1:] if text.startswith("'") and text[1:].startswith(_FORMULA_STARTS) else text


@dataclass(frozen=True)
class Table:
    """One table: its name, title and columns in order."""

    name: str
    title: str
    description: str
    columns: tuple[Column, ...]

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.columns)

    def cells(self, row: Mapping[str, Any]) -> list[str]:
        """Texts of a row in column order. Raises ShapeError for unknown columns or wrong values."""
        unknown = set(row) - set(self.names)
        if unknown:
            raise ShapeError(f"Table {self.name}: unknown column {sorted(unknown)[0]!r}.")
        return [c.cell(row.get(c.name)) for c in self.columns]


def schema_path(name: str) -> Path:
    """Path of a table's schema file."""
    return Path(__file__).with_name(f"{name}.json")


@cache
def table(name: str) -> Table:
    """Read a table's schema. Raises ShapeError for a name that is not in TABLES."""
    if name not in TABLES:
        raise ShapeError(f"Unknown table {name!r}: expected one of {', '.join(TABLES)}.")
    raw = json.loads(schema_path(name).read_text(encoding="utf-8"))
    columns = []
    for item in raw["fields"]:
        limits = item.get("constraints", {})
        columns.append(
            Column(
                name=item["name"],
                type=item["type"],
                description=item["description"],
                required=limits.get("required", False),
                enum=tuple(limits.get("enum", ())),
                minimum=limits.get("minimum"),
                maximum=limits.get("maximum"),
            )
        )
    return Table(raw["name"], raw["title"], raw["description"], tuple(columns))
