"""Play lists: columns by the map, joined by clip or order, never guessed; situations that shrink the depths."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipeline import config, context, labels, ledger, play_list, rows
from pipeline.alignment import align
from pipeline.cli import app
from pipeline.errors import InputError, UsageError
from pipeline.ledger import Row
from pipeline.play_list import Columns
from pipeline.records import Snap
from pipeline.schema import SCHEMA_VERSION
from tests.labels.test_rules_of_thumb import coverage

MAP = Columns("Clip", "Down", "Dist", "Hash", "Yard line", "Pers", ("Front",))
HEADER = ["Clip", "Down", "Dist", "Hash", "Yard line", "Pers", "Front", "Mood"]
LINES: list[list[Any]] = [
    ["a.mp4", 1, 10, "L", "own 35", 11, "Over", "fine"], ["b.mp4", "3rd", 2, "Middle", "-12", "12", "Under", ""],
    ["c.mp4", 4, "Goal", "R", "opp 3", "Jumbo", "", ""],
]  # fmt: skip


def written(tmp_path: Path, lines: list[list[Any]], ending: str = ".csv", header: list[str] | None = None) -> Path:
    path = tmp_path / f"list{ending}"
    cells = [header or HEADER, *lines]
    if ending == ".xlsx":
        from openpyxl import Workbook

        book = Workbook()
        for line in cells:
            book.active.append(line)
        book.save(path)
    else:
        path.write_text("\n".join(";".join(map(str, line)) for line in cells), encoding="cp1252")
    return path


def snap(snap_id: str, clip: str, **more: object) -> Row:
    return {"snap_id": snap_id, "clip": clip, "snap_frame": 9, "snap_time_s": 0.3, "schema_version": 2, **more}


@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
def test_a_list_is_read_by_its_column_map(ending: str, tmp_path: Path) -> None:
    got = play_list.read(written(tmp_path, LINES, ending), MAP)
    assert got.by_clip and [r["down"] for r in got.rows] == [1, 3, 4]
    assert [r["distance_yd"] for r in got.rows] == [10, 2, 3], "goal: to the goal line"
    assert [r["hash_offense"] for r in got.rows] == ["left", "middle", "right"]
    assert [r["field_position"] for r in got.rows] == ["own_35", "own_12", "opp_3"]
    assert [r["personnel"] for r in got.rows] == ["1 back 1 end", "1 back 2 end", "Jumbo"], (
        "no cell looks like a number"
    )
    assert [r["own_labels"] for r in got.rows] == ["Front=Over", "Front=Under", None]
    assert play_list.yards_to_goal("own_35") == 65.0 and play_list.yards_to_goal("own_35", 110.0) == 75.0


def test_by_clip_name_whatever_the_order_and_the_ending(tmp_path: Path) -> None:
    plays = play_list.read(written(tmp_path, LINES), MAP)
    joined, notes = play_list.match(
        plays, [snap("c-p1", "film/c.mov"), snap("a-p1", "film/a.mov"), snap("z-p1", "z.mov")]
    )
    assert joined["c-p1"]["down"] == 4 and joined["a-p1"]["down"] == 1 and "z-p1" not in joined
    assert any("b: 1 row(s) in the play list, 0 snap(s)" in n for n in notes)
    assert any("1 clip(s) are not in the play list, first: z" in n for n in notes)


def test_by_order_only_where_the_counts_agree(tmp_path: Path) -> None:
    lines = [line[1:] for line in LINES]
    plays = play_list.read(written(tmp_path, lines, header=HEADER[1:]), MAP)
    film = [
        snap("x-p1", "x"),
        snap("x-p2", "x"),
        {"snap_id": "q-p1", "clip": "q", "snap_frame": None},
        snap("y-p1", "y"),
    ]
    joined, notes = play_list.match(plays, film)
    assert not plays.by_clip and [joined[k]["down"] for k in ("x-p1", "x-p2", "y-p1")] == [1, 3, 4] and not notes
    joined, notes = play_list.match(plays, film[:2])
    assert joined == {} and "3 rows" in notes[0] and "2 snaps" in notes[0]


@pytest.mark.parametrize(
    ("line", "words"),
    [(["a", 7, 10, "", "", "", "", ""], "down"), (["a", 1, "many", "", "", "", "", ""], "distance"),
     (["a", 1, 10, "up", "", "", "", ""], "hash"), (["a", 1, 10, "", "nowhere", "", "", ""], "field position")],
)  # fmt: skip
def test_a_bad_cell_is_named_with_its_row(line: list[Any], words: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=words) as e:
        play_list.read(written(tmp_path, [LINES[0], line]), MAP)
    assert "row 3" in str(e.value)


def test_a_list_without_the_columns_is_refused_before_any_film(tmp_path: Path) -> None:
    path = written(tmp_path, [["red"]], header=["Colour"])
    with pytest.raises(UsageError, match="none of the columns"):
        play_list.read(path, MAP)
    with pytest.raises(UsageError, match="no such play list"):
        play_list.read(tmp_path / "none.csv", MAP)
    film = tmp_path / "film.mp4"
    film.write_bytes(b"no film")
    got = CliRunner().invoke(app, ["chart", str(film), "--out", str(tmp_path / "out"), "--plays", str(path)])
    assert got.exit_code == 2 and not (tmp_path / "out").exists()


def run_folder(out: Path, deep_yd: float = 8.2) -> Path:
    """One charted snap: two safeties at ``deep_yd``, not deep in the open field."""
    b = coverage(2, 7.0, 7.5)
    for name, a in (("D0", -8.0), ("D1", 8.0)):
        b.put(name, "defense", (deep_yd, a), (deep_yd + 3, a))
    t = b.tracks()
    a = replace(align(t), visible_depth_yd=25.0)
    got = labels.label(t, a)
    ledger.write_json(out / "evidence" / "a-p1.json", {
        "shot": {"first_frame": 0, "last_frame": 180}, "snap": Snap("ok", 9, None, 0.9), "samples": [],
        "tracks": t, "alignment": a, "labels": got,
    })  # fmt: skip
    row = snap("a-p1", "a.mp4", schema_version=SCHEMA_VERSION, view="sideline", field_level="college")
    ledger.write_csv(out / "snaps.csv", "snaps", [{**row, **rows.label_cells(got)}])
    ledger.write_csv(out / "labels.csv", "labels", rows.label_rows("a-p1", got))
    return out


def test_little_to_gain_and_the_goal_line_shrink_the_depths(tmp_path: Path) -> None:
    """Common practice, no source: two safeties at 8.2 yd are deep on third and two, not on first and ten."""
    found = config.load()
    assert ledger.read_csv(run_folder(tmp_path / "plain") / "snaps.csv", "snaps")[0]["deep_safeties"] == 0
    lists = {
        "ten": ["a.mp4", 1, 10, "", "own 30", "", "", ""],
        "two": ["a.mp4", 3, 2, "", "", "", "", ""],
        "goal": ["a.mp4", 1, 10, "", "opp 12", "", "", ""],
    }
    for name, line in lists.items():
        out = run_folder(tmp_path / name)
        said = context.finish(out, found, play_list.read(written(tmp_path, [line]), MAP))
        row = ledger.read_csv(out / "snaps.csv", "snaps")[0]
        assert row["down"] == line[1] and "1 snap(s) joined with the play list" in said
        assert row["deep_safeties"] == (0 if name == "ten" else 2), name
        told = next(r for r in ledger.read_csv(out / "labels.csv", "labels") if r["label"] == "deep_safeties")
        assert told["value"] == str(row["deep_safeties"])


def test_without_evidence_the_row_says_so(tmp_path: Path) -> None:
    out = run_folder(tmp_path / "run")
    (out / "evidence" / "a-p1.json").unlink()
    plays = play_list.read(written(tmp_path, [["a.mp4", 3, 1, "", "", "", "", ""]]), MAP)
    context.finish(out, config.load(), plays)
    row = ledger.read_csv(out / "snaps.csv", "snaps")[0]
    assert row["down"] == 3 and row["review"] and "no evidence" in row["review_reasons"]


def test_the_command_joins_a_charted_run(tmp_path: Path) -> None:
    out = run_folder(tmp_path / "run")
    path = written(tmp_path, [["a.mp4", 2, 7]], header=["Clip", "Down", "Distance"])
    got = CliRunner().invoke(app, ["join", str(out), str(path)])
    assert got.exit_code == 0, got.output
    row = ledger.read_csv(out / "snaps.csv", "snaps")[0]
    assert (row["down"], row["distance_yd"], row["hash_offense"]) == (2, 7, None)
