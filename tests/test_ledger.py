"""Tables as they are on disk: against RFC 4180, Frictionless, and what spreadsheets do to text."""

from __future__ import annotations

import csv
import io
import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import ledger, schema
from pipeline.errors import ShapeError

# DESIGN section 5: the order is fixed, columns are only ever appended.
SNAPS = (
    "snap_id clip snap_frame snap_time_s view play_kind field_level line_of_scrimmage_yd offense_direction "
    "ball_across_yd offense_players defense_players deep_safeties middle_of_field corner_depth_offense_left_yd "
    "corner_depth_offense_right_yd corner_picture box_defenders motion motion_response deep_safeties_after "
    "rotation rotation_from disguised rushers blockers spare_rushers read_window coverage_before coverage_after "
    "coverage_before_candidates coverage_after_candidates confidence visible_depth_yd registration_error_yd "
    "review review_reasons schema_version "
    "down distance_yd hash_offense field_position personnel own_labels other_view_clip other_view_snap_id"
).split()  # version 2 appended what a play list and the other view tell
PLAYERS = (
    "image role side confidence box_left_px box_top_px box_right_px box_bottom_px ground_x_px ground_y_px x_yd "
    "y_yd"
).split()
STILLS = (
    "image status absolute_x_known error_px h11 h12 h13 h21 h22 h23 h31 h32 h33 view error_yd level_told"
).split()


def row(**more: object) -> ledger.Row:
    return {"snap_id": "a-p1", "clip": "a.mp4", "schema_version": 1, **more}


def test_columns_are_the_published_ones_in_order() -> None:
    assert list(schema.table("snaps").names) == SNAPS
    assert list(schema.table("players").names) == PLAYERS
    assert list(schema.table("still_registration").names) == STILLS


@pytest.mark.parametrize("name", schema.TABLES)
def test_every_schema_is_valid_frictionless(name: str) -> None:
    from frictionless import Schema  # the reference implementation of the standard

    found = Schema.from_descriptor(json.loads(schema.schema_path(name).read_text(encoding="utf-8")))
    assert [f.name for f in found.fields] == list(schema.table(name).names)
    assert all(f.description for f in found.fields)


def test_written_table_validates_with_frictionless(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from frictionless import Resource, Schema

    monkeypatch.chdir(tmp_path)
    rows = [row(snap_frame=3, snap_time_s=0.1, motion=True, deep_safeties=2, review=False, confidence=0.5),
            row(snap_id="b-p1", play_kind="no_snap", review_reasons='he said "go", then\nno snap')]  # fmt: skip
    ledger.write_csv(tmp_path / "snaps.csv", "snaps", rows)
    described = Schema.from_descriptor(json.loads(schema.schema_path("snaps").read_text(encoding="utf-8")))
    report = Resource(path="snaps.csv", schema=described).validate()
    assert report.valid, report.flatten(["rowNumber", "fieldName", "message"])
    broken = (tmp_path / "snaps.csv").read_text(encoding="utf-8-sig").replace(",true,", ",perhaps,")
    (tmp_path / "broken.csv").write_text(broken, encoding="utf-8")
    assert not Resource(path="broken.csv", schema=described).validate().valid


def test_rfc_4180_and_byte_order_mark() -> None:
    data = ledger.csv_bytes("snaps", [row(review_reasons='a "b", c')])
    assert data.startswith(b"\xef\xbb\xbfsnap_id,") and data.endswith(b"\r\n") and data.count(b"\r\n") == 2
    assert b'"a ""b"", c"' in data
    assert ledger.csv_bytes("snaps", [row()], bom=False).startswith(b"snap_id,")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "=HYPERLINK(\"x\")"])
def test_text_that_a_spreadsheet_would_run_is_guarded(text: str) -> None:
    # OWASP, "CSV Injection": cells that begin with = + - @ tab or carriage return.
    data = ledger.csv_bytes("snaps", [row(clip=text)], bom=False).decode()
    (read,) = csv.DictReader(io.StringIO(data, newline=""))
    assert read["clip"] == "'" + text
    assert schema.unguard_text(read["clip"]) == text


def test_numbers_stay_numbers() -> None:
    (cells,) = ledger.csv_table([row(spare_rushers=-1, corner_depth_offense_left_yd=-0.25)], "snaps")
    assert cells["spare_rushers"] == "-1" and cells["corner_depth_offense_left_yd"] == "-0.25"


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e7, max_value=1e7))
def test_number_text_is_plain_and_close(value: float) -> None:
    text = schema.number_text(value)
    assert "e" not in text.lower() and "," not in text
    assert float(text) == pytest.approx(value, abs=6e-5, rel=1e-7)


def test_homography_terms_keep_their_digits() -> None:
    assert float(schema.number_text(1.23456789e-5)) == pytest.approx(1.23456789e-5, rel=1e-6)


@given(st.text(max_size=30))
def test_any_text_comes_back(text: str) -> None:
    if text.startswith("'") and text[1:].startswith(("=", "+", "-", "@", "\t", "\r", "\n")):
        return  # such a text is what the guard itself writes
    text = text.encode("utf-8", "replace").decode("utf-8")
    data = ledger.csv_bytes("failures", [{"file": "f", "stage": "s", "error": "E", "reason": text or "r"}])
    (read,) = csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline=""))
    assert schema.unguard_text(read["reason"]) == (text or "r")


def test_blank_is_missing_never_none_or_nan() -> None:
    (cells,) = ledger.csv_table([row(snap_time_s=math.nan, rushers=None)], "snaps")
    assert cells["snap_time_s"] == "" and cells["rushers"] == ""


@pytest.mark.parametrize(
    ("column", "value"),
    [("deep_safeties", -1), ("deep_safeties", 1.5), ("rotation", "sideways"), ("confidence", 1.2), ("motion", "maybe"),
     ("snap_time_s", "soon"), ("no_such_column", 1), ("snap_id", None)],
)  # fmt: skip
def test_a_wrong_value_is_refused_with_its_column(column: str, value: object) -> None:
    with pytest.raises(ShapeError, match=column):
        schema.table("snaps").cells(row(**{column: value}))


def test_read_back(tmp_path: Path) -> None:
    rows = [row(snap_frame=3, snap_time_s=0.1, motion=False, deep_safeties=2, clip="-a.mp4")]
    ledger.write_csv(tmp_path / "t.csv", "snaps", rows)
    (read,) = ledger.read_csv(tmp_path / "t.csv", "snaps")
    assert {k: read[k] for k in rows[0]} == rows[0]
    (tmp_path / "t.csv").write_text("snap_id,deep_safeties\r\na,many\r\n", encoding="utf-8")
    with pytest.raises(ShapeError, match="deep_safeties") as caught:
        ledger.read_csv(tmp_path / "t.csv", "snaps")
    assert "line 2" in str(caught.value)


def test_write_leaves_the_old_file_when_it_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.txt"
    ledger.write_bytes(path, b"old")

    def replace(a: object, b: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(ledger.os, "replace", replace)
    with pytest.raises(ledger.OutputError, match="No space left"):
        ledger.write_bytes(path, b"new")
    assert path.read_bytes() == b"old" and [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_run_folder_ignores_a_damaged_store_file(tmp_path: Path) -> None:
    print_ = ledger.Fingerprint("a", "b", "c")
    folder = ledger.RunFolder(tmp_path)
    folder.keep(ledger.ClipResult("a.mp4", {"snaps": [row()]}), print_)
    (tmp_path / "work" / "zz.json").write_text('{"half', encoding="utf-8")
    again = ledger.RunFolder(tmp_path, fresh=False)
    assert again.finished("a.mp4", print_) and list(again.results) == ["a.mp4"]
    assert not again.finished("a.mp4", ledger.Fingerprint("a", "other", "c"))
    assert not ledger.RunFolder(tmp_path, fresh=True).finished("a.mp4", print_)
