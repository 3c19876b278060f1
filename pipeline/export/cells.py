"""An edited export as cells that know their place: .csv (any usual separator) or the first sheet of an .xlsx."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

from pipeline.errors import InputError
from pipeline.export.workbook import letters

LARGEST_BYTES = 200_000_000
MOST_ROWS = 1_000_000
TRUTHS = {"TRUE": True, "FALSE": False}  # LibreOffice saves a true or false cell as =TRUE()


@dataclass(frozen=True)
class Cell:
    """One cell: its value (None where blank), place such as C5, and whether a formula stands in it."""

    value: Any
    place: str
    formula: bool = False


def read(path: Path) -> list[list[Cell]]:
    """Rows of cells, header first; rows that are blank throughout left out. Raises InputError."""
    try:
        size = path.stat().st_size
    except OSError as e:
        raise InputError(f"The file cannot be read: {e.strerror or e}.", where=path, hint="Check the path.") from e
    if size > LARGEST_BYTES:
        raise InputError("The file is too large to be an export.", where=path, hint="Give the edited export.")
    rows = list(_xlsx(path) if path.suffix.lower() in (".xlsx", ".xlsm") else _csv(path))
    kept = [row for row in rows if any(c.value is not None or c.formula for c in row)]
    if len(kept) < 2:
        raise InputError("The file has no rows.", where=path, hint="Give an edited export with its header.")
    return kept


def _xlsx(path: Path) -> Iterator[list[Cell]]:
    from openpyxl import load_workbook
    from openpyxl.utils.escape import unescape
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        book = load_workbook(path, read_only=True, data_only=False)
        for r, row in enumerate(book.worksheets[0].iter_rows(), start=1):
            if r > MOST_ROWS:
                return
            cells = []
            for c, cell in enumerate(row):
                value = unescape(cell.value) if isinstance(cell.value, str) else cell.value
                formula = getattr(cell, "data_type", "") == "f"
                if formula and str(value).upper().strip("=()") in TRUTHS:
                    value, formula = TRUTHS[str(value).upper().strip("=()")], False
                cells.append(Cell(_blank(value), f"{letters(c)}{r}", formula))
            yield cells
    except (InvalidFileException, BadZipFile, KeyError, ValueError, OSError, IndexError) as e:
        raise InputError("Not a spreadsheet that can be read.", where=path, hint="Save it as .xlsx or .csv.") from e


def _csv(path: Path) -> Iterator[list[Cell]]:
    data = path.read_bytes()
    if data[:2] == b"PK" or b"\0" in data[:4096]:
        raise InputError("Not a CSV file.", where=path, hint="Save it as .xlsx or .csv (UTF-8).")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", "replace")
    separator = max(",;\t", key=text.split("\n", 1)[0].count)
    csv.field_size_limit(1 << 24)
    try:
        for r, row in enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=separator), start=1):
            yield [Cell(_decimal(_blank(v), separator), f"{letters(c)}{r}") for c, v in enumerate(row)]
    except csv.Error as e:
        raise InputError(f"Not a CSV file: {e}.", where=path, hint="Save it as .xlsx or .csv (UTF-8).") from e


def _blank(value: Any) -> Any:
    return None if value is None or (isinstance(value, str) and not value.strip()) else value


def _decimal(value: Any, separator: str) -> Any:
    """Programs that separate cells by a semicolon write 8,4 for 8.4 (common practice, no source)."""
    if separator != "," and isinstance(value, str):
        whole, comma, part = value.strip().partition(",")
        if comma and whole.lstrip("-").isdigit() and part.isdigit():
            return f"{whole}.{part}"
    return value
