"""An edited export becomes acts of the audit; conflicts are shown; what cannot be taken names its cell."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from openpyxl import load_workbook
from typer.testing import CliRunner, Result

from pipeline.audit import final
from pipeline.audit.events import NewEvent
from pipeline.audit.store import AuditStore
from pipeline.cli import app
from pipeline.export.edits import untouched
from pipeline.export.gather import all_columns
from pipeline.export.workbook import letters
from pipeline.schema import table
from tests import made_run

OFFICE = shutil.which("soffice") or shutil.which("libreoffice")
Lines = list[dict[str, str]]


def run(*args: Path | str) -> Result:
    return CliRunner().invoke(app, list(map(str, args)))


def take(folder: Path, file: Path, *more: str) -> Result:
    return run("import-edits", folder, file, "--who", "Ines", *more)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    out = tmp_path / "night"
    made_run.make(out, 12, clips=made_run.HOSTILE)
    with AuditStore(out, "Rosa") as store:
        store.append(NewEvent("alder_creek-p1", "label_set", "rushers", {"value": 5}))
        store.append(NewEvent("alder_creek-p2", "note", "note", {"text": "=look\r\nagain"}))
    assert run("export", out, "--to", "csv").exit_code == 0
    assert run("export", out, "--to", "xlsx").exit_code == 0
    return out


def edit(folder: Path, change: Callable[[Lines], Lines | None], separator: str = ",") -> Path:
    """The exported CSV with its lines changed, saved beside it."""
    text = (folder / "export.csv").read_bytes().decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    rows = change(rows) or rows
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(rows[0]), delimiter=separator)
    writer.writeheader()
    writer.writerows(rows)
    path = folder / "edited.csv"
    path.write_text(out.getvalue(), encoding="utf-8", newline="")
    return path


def put(number: int, **cells: str) -> Callable[[Lines], None]:
    def change(rows: Lines) -> None:
        rows[number].update(cells)

    return change


def row(folder: Path, number: int) -> dict[str, object]:
    return final.audited_snaps(folder)[number]


def test_an_export_that_nobody_edited_changes_nothing(folder: Path) -> None:
    for name in ("export.csv", "export.xlsx"):
        result = take(folder, folder / name)
        assert result.exit_code == 0 and "0 edit(s) were taken over" in result.stdout, result.output
    with AuditStore(folder, "x", read_only=True) as store:
        assert len(store.events()) == 2


@pytest.mark.skipif(OFFICE is None, reason="LibreOffice is not installed: Debian's libreoffice-calc-nogui")
def test_a_workbook_saved_by_libreoffice_is_not_an_edit(folder: Path, tmp_path: Path) -> None:
    profile = f"-env:UserInstallation=file://{tmp_path}/profile"
    command = [str(OFFICE), profile, "--headless", "--convert-to", "xlsx", "--outdir", tmp_path / "saved"]
    subprocess.run([*command, folder / "export.xlsx"], check=True, capture_output=True, timeout=200)
    result = take(folder, tmp_path / "saved" / "export.xlsx")
    assert result.exit_code == 0 and "0 edit(s) were taken over" in result.stdout, result.output


def test_edits_become_acts_with_who_and_from_to(folder: Path) -> None:
    before = row(folder, 2)
    path = edit(folder, put(2, deep_safeties="3", coverage_before="Cover 3", checked="TRUE", box_defenders=""))
    dry = take(folder, path, "--dry-run")
    assert dry.exit_code == 0 and "4 edit(s) would be" in dry.stdout
    assert row(folder, 2) == before
    result = take(folder, path)
    assert result.exit_code == 0 and "4 edit(s) were taken over, 0 conflict(s)" in result.stdout, result.output
    now = row(folder, 2)
    assert (now["deep_safeties"], now["coverage_before"], now["box_defenders"]) == (3, "cover_3", None)
    assert now["checked"] is True and now["checked_by"] == "Ines" and now["corrected_by"] == "Ines"
    with AuditStore(folder, "x", read_only=True) as store:
        (act,) = [e for e in store.events("alder_creek-p3") if e.subject == "deep_safeties"]
    assert (act.who, act.before, act.to) == ("Ines", {"value": before["deep_safeties"]}, {"value": 3})
    again = take(folder, path)  # the same file once more: written before, so others' acts stand against it
    assert again.exit_code == 3 and row(folder, 2) == now


def test_a_cell_changed_by_others_meanwhile_is_a_conflict_and_not_written(folder: Path) -> None:
    path = edit(folder, lambda rows: (put(4, deep_safeties="3")(rows), put(5, rushers="6")(rows), None)[2])
    with AuditStore(folder, "Tom") as store:
        store.append(NewEvent("alder_creek-p5", "label_set", "deep_safeties", {"value": 0}))
        store.append(NewEvent("alder_creek-p6", "label_set", "box_defenders", {"value": 9}))
    dry = take(folder, path, "--dry-run")
    assert dry.exit_code == 3 and "Tom changed it since the export: it is 0 now" in dry.stdout
    result = take(folder, path)
    assert result.exit_code == 3 and "1 edit(s) were taken over, 1 conflict(s)" in result.stdout, result.output
    assert row(folder, 4)["deep_safeties"] == 0  # Tom's stays
    assert row(folder, 5)["rushers"] == 6 and row(folder, 5)["box_defenders"] == 9  # another cell is no conflict


def test_what_others_changed_is_never_taken_for_an_edit(folder: Path) -> None:
    with AuditStore(folder, "Tom") as store:
        store.append(NewEvent("alder_creek-p5", "label_set", "deep_safeties", {"value": 0}))
    result = take(folder, folder / "export.csv")
    assert result.exit_code == 0 and "0 edit(s)" in result.stdout and row(folder, 4)["deep_safeties"] == 0


@pytest.mark.parametrize(
    ("number", "cells", "said"),
    [
        (2, {"deep_safeties": "many"}, "{deep_safeties}4: deep_safeties: expected a number"),
        (2, {"deep_safeties": "1.5"}, "whole number"),
        (2, {"deep_safeties": "-2"}, "deep_safeties"),
        (2, {"coverage_before": "cover_9"}, "cover_6"),
        (2, {"confidence": "1"}, "cannot be corrected in a spreadsheet"),
        (2, {"clip": "other.mp4"}, "cannot be corrected in a spreadsheet"),
        (2, {"snap_id": "no-such"}, "A4: there is no snap 'no-such'"),
        (2, {"snap_id": "alder_creek-p1"}, "is in A2 already"),
        (2, {"snap_frame": "-5"}, "whole number"),
        (2, {"checked": "perhaps"}, "true or false"),
        (2, {"revision": "77"}, "revision 77 is not of this run"),
    ],
)
def test_what_cannot_be_taken_names_its_cell_and_nothing_is_written(
    number: int, cells: dict[str, str], said: str, folder: Path
) -> None:
    def change(rows: Lines) -> None:
        put(number, **cells)(rows)
        put(7, rushers="6")(rows)  # a good edit beside it: not written either

    result = take(folder, edit(folder, change))
    said = said.format(deep_safeties=letters([c.name for c in all_columns()].index("deep_safeties")))
    assert result.exit_code == 1 and said in result.stdout, result.output
    assert "nothing was written" in result.stderr
    with AuditStore(folder, "x", read_only=True) as store:
        assert len(store.events()) == 2


def test_unknown_columns_are_refused_or_left_out_when_asked(folder: Path) -> None:
    path = edit(folder, lambda rows: [{**r, "my notes": "n"} for r in rows])
    result = take(folder, path)
    place = f"{letters(len(all_columns()))}1"
    assert result.exit_code == 1 and f"{place}: 'my notes' is no column of an export" in result.stdout
    result = take(folder, path, "--ignore-unknown")
    assert result.exit_code == 0 and "left out" in result.stdout


def test_a_formula_in_a_cell_is_refused(folder: Path) -> None:
    book = load_workbook(folder / "export.xlsx")
    names = [c.value for c in book["snaps"][1]]
    book["snaps"].cell(4, names.index("rushers") + 1).value = "=2+2"
    book.save(folder / "edited.xlsx")
    result = take(folder, folder / "edited.xlsx")
    place = f"{letters(names.index('rushers'))}4"
    assert result.exit_code == 1 and f"{place}: rushers: a formula stands here" in result.stdout


def test_a_workbook_edited_in_place(folder: Path) -> None:
    book = load_workbook(folder / "export.xlsx")
    sheet = book["snaps"]
    names = [c.value for c in sheet[1]]
    sheet.cell(4, names.index("deep_safeties") + 1).value = 3
    sheet.cell(4, names.index("snap_frame") + 1).value = 70
    book.save(folder / "edited.xlsx")
    result = take(folder, folder / "edited.xlsx")
    assert result.exit_code == 0 and "2 edit(s) were taken over" in result.stdout, result.output
    assert row(folder, 2)["deep_safeties"] == 3 and row(folder, 2)["snap_frame"] == 70


def test_semicolons_and_decimal_commas_of_other_countries(folder: Path) -> None:
    def change(rows: Lines) -> None:
        for r in rows:
            for name in ("corner_depth_offense_left_yd", "corner_depth_offense_right_yd", "snap_time_s"):
                r[name] = r[name].replace(".", ",")
        rows[3]["corner_depth_offense_left_yd"] = "6,5"

    result = take(folder, edit(folder, change, ";"))
    assert result.exit_code == 0 and "1 edit(s) were taken over" in result.stdout, result.output
    assert row(folder, 3)["corner_depth_offense_left_yd"] == 6.5


def test_some_rows_and_columns_alone(folder: Path) -> None:
    path = edit(folder, lambda rows: [{k: r[k] for k in ("snap_id", "rushers", "revision")} for r in rows[6:9]])
    text = path.read_text(encoding="utf-8").splitlines()
    text[1] = text[1].replace(f"{text[1].split(',')[1]},0", "6,0")
    path.write_text("\n".join(text), encoding="utf-8")
    result = take(folder, path)
    assert result.exit_code == 0 and "3 row(s) read; 1 edit(s)" in result.stdout, result.output


def test_without_a_revision_an_analysts_word_stands(folder: Path) -> None:
    path = edit(folder, lambda rows: [{k: v for k, v in r.items() if k != "revision"} for r in rows])
    lines = path.read_text(encoding="utf-8")
    assert take(folder, path).exit_code == 0
    path.write_text(lines.replace("alder_creek-p1,", "alder_creek-p1,", 1), encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(lines, newline="")))
    rows[0]["rushers"] = "3"
    with open(path, "w", encoding="utf-8", newline="") as f:
        writer = csv.DictWriter(f, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    result = take(folder, path)
    assert result.exit_code == 3 and "Rosa changed it" in result.stdout and "no revision column" in result.stdout
    assert row(folder, 0)["rushers"] == 5


@pytest.mark.parametrize("content", [b"", b"snap_id\n", b"PK\x03\x04 no zip", b"a,b\n1,2\n", b"\0\0\0"])
def test_files_that_are_no_export(content: bytes, folder: Path, tmp_path: Path) -> None:
    for name in ("bad.csv", "bad.xlsx"):
        (tmp_path / name).write_bytes(content)
        result = take(folder, tmp_path / name)
        assert result.exit_code in (1, 2) and name in result.stderr and "Hint:" in result.stderr, result.output
    assert take(folder, tmp_path / "nothing.csv").exit_code == 1


def test_an_open_audit_page_is_said(folder: Path) -> None:
    path = edit(folder, put(2, deep_safeties="3"))
    with AuditStore(folder, "Tom"):
        result = take(folder, path)
    assert result.exit_code == 1 and "auditing this run" in result.stderr
    assert row(folder, 2)["corrected"] is False


@pytest.mark.parametrize(
    ("name", "before", "cell", "same"),
    [
        ("corner_depth_offense_left_yd", 7.123456, 7.1235, True), ("corner_depth_offense_left_yd", 7.1, "7.2", False),
        ("motion", True, "WAHR", True), ("motion", True, 1, True), ("motion", False, None, False),
        ("clip", "=x", "'=x", True), ("clip", "a\r\nb", "a\nb", True), ("deep_safeties", 2, 2.0, True),
        ("deep_safeties", None, None, True), ("coverage_before", "cover_1", "cover_3", False),
    ],
)  # fmt: skip
def test_what_counts_as_untouched(name: str, before: object, cell: object, same: bool) -> None:
    column = next(c for c in table("snaps").columns if c.name == name)
    assert untouched(column, before, cell) is same
