"""An export as bytes: CSV, JSON, Parquet; and the file they go to."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.errors import UsageError
from pipeline.export import workbook
from pipeline.export.gather import Export
from pipeline.ledger import RUN_TABLES, plain, write_bytes
from pipeline.schema import Column

_PARQUET = {"string": "string", "integer": "int64", "number": "float64", "boolean": "bool_"}


def clean(value: Any) -> Any:
    """A value as JSON has it; text that UTF-8 can hold."""
    value = plain(value)
    return value.encode("utf-8", "replace").decode("utf-8") if isinstance(value, str) else value


def to_csv(export: Export) -> bytes:
    """RFC 4180, UTF-8 with byte order mark; text that a spreadsheet would run has an apostrophe before it."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([c.name for c in export.columns])
    for row in export.rows:
        writer.writerow([c.cell(clean(row.get(c.name))) for c in export.columns])
    return out.getvalue().encode("utf-8-sig", "replace")


def to_json(export: Export) -> bytes:
    """An object with columns, rows, corrections and run; values as they are, missing ones null."""
    value = {
        "columns": [_described(c) for c in export.columns],
        "snaps": [{c.name: clean(row.get(c.name)) for c in export.columns} for row in export.rows],
        "corrections": [{k: clean(v) for k, v in row.items()} for row in export.corrections],
        "run": {name: clean(v) for name, v in export.facts},
    }
    return json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False).encode()


def _described(column: Column) -> dict[str, Any]:
    found = {"name": column.name, "type": column.type, "description": column.description}
    return {**found, "values": list(column.enum)} if column.enum else found


def to_parquet(export: Export) -> bytes:
    """Typed columns with their descriptions (extra ``parquet``). Raises UsageError without pyarrow."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as e:
        raise UsageError("Parquet needs pyarrow.", hint="pip install 'snapledger[parquet]', or --to csv.") from e
    fields, arrays = [], []
    for c in export.columns:
        kind = getattr(pa, _PARQUET[c.type])()
        values = [clean(row.get(c.name)) for row in export.rows]
        if c.type == "integer":
            values = [None if v is None else int(v) for v in values]
        fields.append(pa.field(c.name, kind, metadata={"description": c.description}))
        arrays.append(pa.array(values, kind))
    out = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(arrays, schema=pa.schema(fields)), out)
    return out.getvalue()


FORMATS: dict[str, Callable[[Export], bytes]] = {
    "csv": to_csv, "xlsx": workbook.to_xlsx, "json": to_json, "parquet": to_parquet,
}  # fmt: skip


def target(run_dir: Path, form: str, out: Path | None) -> Path:
    """Where an export goes. Raises UsageError for an unknown form and for a table of the run itself."""
    if form not in FORMATS:
        raise UsageError(f"Unknown form {form!r}.", hint=f"Choose one of: {', '.join(FORMATS)}.")
    path = out or run_dir / f"export.{form}"
    own = {run_dir.resolve() / f"{name}.csv" for name in RUN_TABLES} | {run_dir.resolve() / "run.json"}
    if path.is_dir():
        raise UsageError("--out is a folder.", where=path, hint="Name a file.")
    if path.resolve() in own:
        raise UsageError("This is a table of the run itself; predictions are never overwritten.", where=path,
                         hint="Choose another name.")  # fmt: skip
    return path


def write(export: Export, form: str, path: Path) -> None:
    """Write an export, whole or not at all. Raises OutputError, UsageError."""
    write_bytes(path, FORMATS[form](export))
