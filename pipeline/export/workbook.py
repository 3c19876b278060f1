"""An export as .xlsx: frozen header, filters, lists of allowed values, a sheet of columns and one of the run.

Text is written as text whatever it begins with, numbers as numbers: nothing in a cell is ever run.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from pipeline.ledger import Row, plain
from pipeline.schema import Column

if TYPE_CHECKING:
    from pipeline.export.gather import Export

LONGEST_CELL = 32_767  # characters (Microsoft, "Excel specifications and limits")
LONGEST_LIST = 255  # characters of a list of allowed values (the same)
SAFE = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False, "in_memory": True}
EDIT_HINT = "Correct cells and hand the file to `snapledger import-edits`. Keep snap_id and revision as they are."


def to_xlsx(export: Export) -> bytes:
    """The workbook as bytes; sheets snaps, corrections (where there are any), columns, run."""
    import xlsxwriter

    from pipeline.export.gather import CORRECTION_COLUMNS

    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, SAFE)
    look = _Look(book)
    _table(book.add_worksheet("snaps"), look, export.columns, export.rows, edited=True)
    if export.corrections:
        _table(book.add_worksheet("corrections"), look, CORRECTION_COLUMNS, export.corrections)
    described = [
        {"column": c.name, "type": c.type, "values": ", ".join(c.enum), "description": c.description}
        for c in export.columns
    ]
    names = ("column", "type", "values", "description")
    _table(book.add_worksheet("columns"), look, [Column(n, "string", "") for n in names], described, wide=60)
    facts = [{"what": name, "value": value} for name, value in export.facts]
    _table(book.add_worksheet("run"), look, [Column(n, "string", "") for n in ("what", "value")], facts, wide=70)
    book.close()
    return out.getvalue()


class _Look:
    """Formats of the book."""

    def __init__(self, book: Any) -> None:
        self.head = book.add_format(
            {"bold": True, "bg_color": "#213547", "font_color": "#FFFFFF", "valign": "top", "border": 0}
        )
        self.key = book.add_format({"bold": True})
        self.review = book.add_format({"bg_color": "#FBE9D0"})
        self.checked = book.add_format({"bg_color": "#DDEFE0"})


def _table(
    sheet: Any, look: _Look, columns: Sequence[Column], rows: Sequence[Row], *, edited: bool = False, wide: int = 34
) -> None:
    sheet.freeze_panes(1, 1)
    for c, column in enumerate(columns):
        sheet.write_string(0, c, column.name, look.head)
        longest = max([len(column.name) + 3, *(len(str(r.get(column.name) or "")) for r in rows[:200])])
        sheet.set_column(c, c, min(longest + 1, wide), look.key if c == 0 else None)
        if edited and column.description:
            sheet.write_comment(0, c, column.description, {"x_scale": 2.0})
    for r, row in enumerate(rows, start=1):
        for c, column in enumerate(columns):
            _cell(sheet, r, c, row.get(column.name), column.type)
    if not rows:
        return
    sheet.autofilter(0, 0, len(rows), len(columns) - 1)
    if edited:
        _edited(sheet, look, columns, len(rows))


def _edited(sheet: Any, look: _Look, columns: Sequence[Column], rows: int) -> None:
    """Lists of what a cell may hold; rows to review and checked ones in colour."""
    index = {column.name: c for c, column in enumerate(columns)}
    for name, c in index.items():
        values = list(columns[c].enum) or (["TRUE", "FALSE"] if columns[c].type == "boolean" else [])
        if values and len(",".join(values)) <= LONGEST_LIST:
            sheet.data_validation(1, c, rows, c, {
                "validate": "list", "source": values, "error_type": "warning", "error_title": name,
                "error_message": "Allowed: a value of the list, or blank.",
            })  # fmt: skip
    for name, style in (("checked", look.checked), ("review", look.review)):
        if name in index:
            place = letters(index[name])
            rule = {"type": "formula", "criteria": f"=${place}2=TRUE", "format": style, "stop_if_true": True}
            sheet.conditional_format(1, 0, rows, 0, rule)


def letters(index: int) -> str:
    """Column name of a spreadsheet, 0 is A."""
    out = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        out = chr(65 + rest) + out
    return out


def _cell(sheet: Any, r: int, c: int, value: Any, kind: str) -> None:
    value = plain(value)
    if value is None:
        return
    if isinstance(value, bool):
        sheet.write_boolean(r, c, value)
    elif isinstance(value, (int, float)) and kind != "string":
        sheet.write_number(r, c, round(value, 4) if isinstance(value, float) and math.isfinite(value) else value)
    elif isinstance(value, (int, float)):
        sheet.write_number(r, c, value)
    else:
        sheet.write_string(r, c, cell_text(value))


def cell_text(value: Any) -> str:
    """A text as a cell can hold it: valid UTF-8, line feeds, no other control characters, not too long."""
    text = str(value).encode("utf-8", "replace").decode("utf-8").replace("\r\n", "\n").replace("\r", "\n")
    return "".join(ch for ch in text if ch in "\t\n" or ord(ch) >= 32)[:LONGEST_CELL]
