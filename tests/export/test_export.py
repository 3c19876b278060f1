"""Exports: every form holds the run; nothing in a cell is run; LibreOffice opens the workbook; 2,000 rows are quick."""

from __future__ import annotations

import csv
import io
import json
import shutil
import subprocess
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from pipeline import ledger
from pipeline.audit.events import NewEvent
from pipeline.audit.store import AuditStore
from pipeline.cli import app
from pipeline.export import gather, write
from pipeline.schema import table, unguard_text
from tests import made_run

OFFICE = shutil.which("soffice") or shutil.which("libreoffice")
# OWASP, "CSV Injection": cells that begin with = + - @ tab or carriage return.
CELLS = (
    "=1+1", "+1", "-2+3", "@SUM(A1)", "\t=1", '=HYPERLINK("http://x","y")', "🏈 \u202eabc", 'a "b", c', "../..",
    "y" * 300,
)  # fmt: skip


def run(*args: Path | str) -> Result:
    return CliRunner().invoke(app, ["export", *map(str, args)])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve rows with hostile names and notes; two are checked, one is corrected."""
    out = tmp_path_factory.mktemp("run") / "night"
    rows = made_run.make(out, 12, clips=made_run.HOSTILE)
    with AuditStore(out, "Rosa") as store:
        for row, text in zip(rows, CELLS, strict=False):
            store.append(NewEvent(row["snap_id"], "note", "note", {"text": text}))
        store.append(NewEvent(rows[0]["snap_id"], "label_set", "deep_safeties", {"value": 3}))
        for row in rows[:2]:
            store.append(NewEvent(row["snap_id"], "checked", "row"))
    return out


def test_csv_is_guarded_and_comes_back(folder: Path) -> None:
    assert run(folder, "--to", "csv").exit_code == 0
    data = (folder / "export.csv").read_bytes()
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    assert [unguard_text(r["clip"]) for r in rows[: len(made_run.HOSTILE)]] == list(made_run.HOSTILE)
    starts = ("=", "+", "@", "\t", "\r")
    assert not any(v.startswith(starts) for r in rows for v in r.values())
    assert rows[0]["deep_safeties"] == "3" and rows[0]["corrected_by"] == "Rosa" and rows[0]["checked"] == "true"
    assert rows[0]["revision"] == "3"


def test_xlsx_cells_are_text_numbers_and_booleans_never_formulas(folder: Path) -> None:
    from openpyxl import load_workbook  # the reference reader of the format in Python

    assert run(folder, "--to", "xlsx").exit_code == 0
    book = load_workbook(folder / "export.xlsx")
    assert book.sheetnames == ["snaps", "corrections", "columns", "run"]
    sheet = book["snaps"]
    assert not [c.coordinate for row in sheet for c in row if c.data_type == "f"]
    header = [c.value for c in sheet[1]]
    by_name = {n: sheet.cell(2, i + 1) for i, n in enumerate(header)}
    assert by_name["clip"].value == made_run.HOSTILE[0] and by_name["clip"].data_type == "s"
    assert by_name["deep_safeties"].value == 3 and by_name["deep_safeties"].data_type == "n"
    assert by_name["motion"].data_type == "b" and by_name["rushers"].data_type == "n"
    assert sheet.freeze_panes == "B2" and sheet.auto_filter.ref.startswith("A1:")
    assert [r[0].value for r in book["columns"].iter_rows(min_row=2)] == header
    assert any(r[0].value == "snaps checked by an analyst" and r[1].value == 2 for r in book["run"])
    (correction,) = list(book["corrections"].iter_rows(min_row=2, values_only=True))[:1]
    assert correction[1] == "deep_safeties" and correction[3] == "3" and correction[4] == "Rosa"


@pytest.mark.skipif(OFFICE is None, reason="LibreOffice is not installed: Debian's libreoffice-calc-nogui")
def test_libreoffice_opens_the_workbook_and_runs_nothing(folder: Path, tmp_path: Path) -> None:
    run(folder, "--to", "xlsx", "--out", tmp_path / "book.xlsx")
    profile = f"-env:UserInstallation=file://{tmp_path}/profile"
    command = [str(OFFICE), profile, "--headless", "--convert-to", "csv:Text - txt - csv (StarCalc):44,34,76,1"]
    command += ["--outdir", str(tmp_path), str(tmp_path / "book.xlsx")]
    subprocess.run(command, check=True, capture_output=True, timeout=200)
    rows = list(csv.DictReader(open(tmp_path / "book.csv", encoding="utf-8", newline="")))  # noqa: SIM115
    charted = ledger.read_csv(folder / "snaps.csv", "snaps")
    assert [r["clip"] for r in rows] == [r["clip"] for r in charted]
    assert all(CELLS[k] in r["audit_notes"] for k, r in enumerate(rows[:2]))
    for row, want in list(zip(rows, charted, strict=True))[1:]:
        assert float(row["corner_depth_offense_left_yd"]) == pytest.approx(want["corner_depth_offense_left_yd"])
        assert int(row["deep_safeties"]) == want["deep_safeties"] and row["motion"] == str(want["motion"]).upper()


def test_json_and_parquet_hold_the_same(folder: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="pyarrow is not installed")
    assert run(folder, "--to", "json").exit_code == 0 and run(folder, "--to", "parquet").exit_code == 0
    value = json.loads((folder / "export.json").read_text(encoding="utf-8"))
    read = parquet.read_table(folder / "export.parquet")
    assert read.to_pylist() == value["snaps"]
    assert read.schema.field("deep_safeties").metadata[b"description"]
    assert value["snaps"][0]["clip"] == made_run.HOSTILE[0] and value["snaps"][0]["deep_safeties"] == 3


def test_without_pyarrow_the_message_says_what_to_install(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    result = run(folder, "--to", "parquet")
    assert result.exit_code == 2 and "snapledger[parquet]" in result.stderr


def test_only_checked_and_columns(folder: Path, tmp_path: Path) -> None:
    result = run(folder, "--to", "csv", "--only-checked", "--columns", "rushers, clip", "--out", tmp_path / "a.csv")
    assert result.exit_code == 0, result.stderr
    rows = list(csv.reader(io.StringIO((tmp_path / "a.csv").read_text(encoding="utf-8-sig"), newline="")))
    assert rows[0] == ["snap_id", "rushers", "clip"] and len(rows) == 3
    result = run(folder, "--to", "csv", "--columns", "rusher")
    assert result.exit_code == 2 and "'rushers'" in result.stderr


def test_wrong_uses_are_said(folder: Path, tmp_path: Path) -> None:
    assert run(folder, "--to", "pdf").exit_code == 2
    assert "never overwritten" in run(folder, "--to", "csv", "--out", folder / "snaps.csv").stderr
    assert run(tmp_path, "--to", "csv").exit_code == 2
    made_run.make(tmp_path / "new", 3)
    result = run(tmp_path / "new", "--to", "csv", "--only-checked")
    assert result.exit_code == 2 and "checked" in result.stderr


def test_a_full_disk_leaves_the_old_export(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run(folder, "--to", "csv")
    before = (folder / "export.csv").read_bytes()

    def fsync(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(ledger.os, "fsync", fsync)
    result = run(folder, "--to", "csv", "--columns", "clip")
    assert result.exit_code == 1 and "No space left" in result.stderr
    assert (folder / "export.csv").read_bytes() == before and not list(folder.glob("*.tmp"))


def test_every_column_of_the_ledger_is_exported(folder: Path) -> None:
    names = [c.name for c in gather.gather(folder).columns]
    assert names[: len(table("snaps").names)] == list(table("snaps").names)
    assert len(set(names)) == len(names)


def test_two_thousand_snaps_in_ten_seconds(tmp_path: Path) -> None:
    made_run.make(tmp_path, 2000)
    for form in ("csv", "xlsx", "json"):
        begun = time.process_time()  # a busy machine takes no part in it
        write.write(gather.gather(tmp_path), form, write.target(tmp_path, form, None))
        assert time.process_time() - begun < 10.0, form
