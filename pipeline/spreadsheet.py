"""A game charted by hand: .csv or .xlsx with whatever columns of snaps.csv the staff has."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

from pipeline.errors import InputError, UsageError
from pipeline.ledger import Row
from pipeline.schema import table


def cells(path: Path) -> list[list[Any]]:
    """Cells of the first sheet, or of a .csv with commas, semicolons or tabs. Raises InputError."""
    if path.suffix.lower() == ".xlsx":
        from openpyxl import load_workbook
        from openpyxl.utils.exceptions import InvalidFileException

        try:
            book = load_workbook(path, read_only=True, data_only=True)
        except (InvalidFileException, BadZipFile, KeyError, OSError) as e:
            raise InputError("Not a spreadsheet that can be read.", where=path, hint="Save it as .xlsx or .csv.") from e
        return [list(row) for row in book.worksheets[0].iter_rows(values_only=True)]
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        text = path.read_bytes().decode("cp1252", "replace")
    first = text.split("\n", 1)[0]
    separator = max(",;\t", key=first.count)
    return [list(row) for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator)]


def _name(header: Any) -> str:
    return re.sub(r"[^a-z0-9]+", "_", str(header or "").strip().lower()).strip("_")


def read(path: Path) -> tuple[list[Row], list[str]]:
    """Rows by column of snaps.csv, and the headers that are none of them.

    Header in the first row; case and spaces do not matter. Raises UsageError where no column is known,
    InputError naming the row for a value of a wrong kind.
    """
    rows = [r for r in cells(path) if any(v not in (None, "") for v in r)]
    known = {c.name: c for c in table("snaps").columns}
    headers = [_name(h) for h in rows[0]] if rows else []
    labels = [h for h in headers if h in known and h not in ("clip", "snap_id")]
    if not labels:
        raise UsageError(
            "The spreadsheet has no column that could be compared.", where=path,
            hint="Name columns as in snaps.csv, for example: clip, deep_safeties, rushers.",
        )  # fmt: skip
    made: list[Row] = []
    for number, line in enumerate(rows[1:], start=2):
        row: Row = {}
        for header, value in zip(headers, line, strict=False):
            if header in known:
                row[header] = _value(known[header], value, path, number)
        made.append(row)
    return made, [str(h) for h, n in zip(rows[0], headers, strict=True) if n not in known and h not in (None, "")]


def _value(column: Any, value: Any, path: Path, number: int) -> Any:
    if value is None:
        return None
    text = str(value).strip()
    if column.type == "boolean":
        text = {"y": "true", "n": "false", "x": "true"}.get(text.lower(), text.lower())
    elif column.type == "string" and column.enum:
        text = _name(text)
    try:
        found = column.value(text)
    except Exception as e:
        raise InputError(f"{e}", where=f"{path}, row {number}", hint="Correct the cell or leave it blank.") from e
    if column.enum and found is not None and found not in column.enum:
        raise InputError(
            f"{column.name}: {text!r} is none of {', '.join(column.enum)}.", where=f"{path}, row {number}",
            hint="Correct the cell or leave it blank.",
        )  # fmt: skip
    return found
