"""Every bad input: one clear message with file and hint, the right exit code, its row, nothing lost."""

from __future__ import annotations

import csv
import errno
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import av
import numpy as np
import pytest
from typer.testing import CliRunner, Result

import pipeline.tools
from pipeline import ledger
from pipeline.cli import app
from pipeline.errors import ModelError
from tests import program_support as support

RUN = CliRunner()


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return support.write_film(tmp_path_factory.mktemp("good") / "good.mp4", 3.2)


@pytest.fixture(autouse=True)
def stand_ins(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipeline.tools, "load", lambda config, still=False: support.known_tools((1.5,)))


def chart(*args: Path | str) -> Result:
    return RUN.invoke(app, ["chart", "--on", "here", *map(str, args)])


def table(out: Path, name: str) -> list[dict[str, str]]:
    with open(out / f"{name}.csv", encoding="utf-8-sig", newline="") as f:
        return list(csv.DictReader(f))


def bad_alone(path: Path, out: Path, *words: str) -> None:
    """The file alone: exit 1, a message with file, reason and hint, and one row."""
    result = chart(path, "--out", out)
    assert result.exit_code == 1, result.output
    line = next(x for x in result.stdout.splitlines() if path.name in x)
    assert "Hint:" in line and all(w in line for w in words)
    (row,) = table(out, "failures")
    assert row["file"] == path.name and row["reason"] and row["hint"] and row["stage"]
    assert table(out, "snaps") == []


def test_not_a_video(tmp_path: Path) -> None:
    path = tmp_path / "notes.mp4"
    path.write_text("down and distance\n" * 50, encoding="utf-8")
    bad_alone(path, tmp_path / "out", "Not a video")


def test_picture_named_mp4(tmp_path: Path) -> None:
    import cv2

    path = tmp_path / "still.mp4"
    path.write_bytes(cv2.imencode(".png", np.full((360, 640, 3), 90, np.uint8))[1].tobytes())
    bad_alone(path, tmp_path / "out", "picture")


def test_sound_only(tmp_path: Path) -> None:
    bad_alone(support.write_sound(tmp_path / "sound.mp4"), tmp_path / "out", "sound")


def test_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "empty.mp4"
    path.write_bytes(b"")
    bad_alone(path, tmp_path / "out", "empty")


def test_zero_frames(tmp_path: Path) -> None:
    path = tmp_path / "zero.mkv"
    with av.open(str(path), "w", format="matroska") as out:
        stream = out.add_stream("mpeg4", rate=30)
        stream.width, stream.height, stream.pix_fmt = 640, 360, "yuv420p"
        out.start_encoding()
    bad_alone(path, tmp_path / "out")


def test_truncated_before_its_index(good: Path, tmp_path: Path) -> None:
    path = tmp_path / "cut.mp4"
    data = good.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    bad_alone(path, tmp_path / "out", "ends before")


def test_truncated_in_the_middle_keeps_what_can_be_read(tmp_path: Path) -> None:
    whole = support.write_film(tmp_path / "whole.mkv", 6.0, codec="mpeg4")
    path = tmp_path / "half.mkv"
    data = whole.read_bytes()
    path.write_bytes(data[: int(len(data) * 0.8)])
    whole.unlink()
    out = tmp_path / "out"
    result = chart(path, "--out", out)
    assert result.exit_code == 3, result.output
    assert len(table(out, "snaps")) == 1
    (row,) = table(out, "failures")
    assert row["error"] == "TruncatedError" and row["hint"]


def test_a_twenty_hour_file_is_refused_before_it_is_decoded(tmp_path: Path) -> None:
    path = tmp_path / "long.mkv"
    with av.open(str(path), "w", format="matroska") as out:
        stream = out.add_stream("mpeg4", rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 64, "yuv420p"
        image = np.zeros((64, 64, 3), np.uint8)
        for k in range(3):
            frame = av.VideoFrame.from_ndarray(image, format="bgr24")
            frame.pts = k * 30 * 36000
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
    start = time.monotonic()
    bad_alone(path, tmp_path / "out", "20.0 h", "limit")
    assert time.monotonic() - start < 10


def test_file_without_a_field(good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tools = support.known_tools((1.5,), "failed")
    monkeypatch.setattr(pipeline.tools, "load", lambda config, still=False: tools)
    bad_alone(good, tmp_path / "out", "field")


def test_one_bad_clip_never_stops_the_others(good: Path, tmp_path: Path) -> None:
    folder = tmp_path / "game"
    folder.mkdir()
    shutil.copy(good, folder / "b.mp4")
    (folder / "a.mp4").write_text("no film", encoding="utf-8")
    out = tmp_path / "out"
    result = chart(folder, "--out", out)
    assert result.exit_code == 3, result.output
    assert [r["clip"] for r in table(out, "snaps")] == ["b.mp4"]
    assert [r["file"] for r in table(out, "failures")] == ["a.mp4"]
    assert "failures.csv" in result.stderr


def test_a_fault_of_the_program_is_a_row_too(good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tools = support.known_tools((1.5,))
    monkeypatch.setattr(tools.finder, "find", lambda image: 1 / 0)
    monkeypatch.setattr(pipeline.tools, "load", lambda config, still=False: tools)
    out = tmp_path / "out"
    assert chart(good, "--out", out).exit_code == 1
    (row,) = table(out, "failures")
    assert row["stage"] == "people" and "ZeroDivisionError" in row["reason"]
    assert "Traceback" in (out / "run.json").read_text(encoding="utf-8")


@pytest.mark.parametrize("command", ["chart", "locate"])
def test_path_that_is_not_there(command: str, tmp_path: Path) -> None:
    result = RUN.invoke(app, [command, str(tmp_path / "nothing.mp4"), "--out", str(tmp_path / "out")])
    assert result.exit_code == 2 and "nothing.mp4" in result.stderr and "Hint:" in result.stderr


def test_folder_without_film(tmp_path: Path) -> None:
    (tmp_path / "game").mkdir()
    result = chart(tmp_path / "game", "--out", tmp_path / "out")
    assert result.exit_code == 2 and "mp4" in result.stderr and "Hint:" in result.stderr


def test_folder_that_cannot_be_read(good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    locked = tmp_path / "locked"
    locked.mkdir()
    real = os.scandir

    def scandir(path: str | Path = ".") -> object:
        if Path(path) == locked:
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)  # root may read everything, so permissions cannot be taken away
    out = tmp_path / "out"
    result = chart(locked, good, "--out", out)
    assert result.exit_code == 3, result.output
    (row,) = table(out, "failures")
    assert "locked" in row["file"] and "Permission denied" in row["reason"] and row["hint"]
    assert len(table(out, "snaps")) == 1


def test_full_disk(good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "game"
    folder.mkdir()
    for name in ("a.mp4", "b.mp4"):
        shutil.copy(good, folder / name)
    out = tmp_path / "out"
    real = os.fsync
    full = {"now": False}

    def fsync(handle: int) -> None:
        if full["now"]:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(handle)

    taken = ledger.RunFolder.take

    def take(self: ledger.RunFolder, clip: str) -> ledger.ClipResult:
        result = taken(self, clip)
        self.write_tables()
        full["now"] = True
        return result

    monkeypatch.setattr(ledger.os, "fsync", fsync)
    monkeypatch.setattr(ledger.RunFolder, "take", take)
    result = chart(folder, "--out", out)
    assert result.exit_code == 1, result.output
    assert "No space left" in result.stderr and "--resume" in result.stderr
    assert not list(out.rglob("*.tmp"))
    assert [r["clip"] for r in table(out, "snaps")] == ["a.mp4"]
    full["now"] = False
    monkeypatch.setattr(ledger.RunFolder, "take", taken)
    tools = support.known_tools((1.5,))
    monkeypatch.setattr(pipeline.tools, "load", lambda config, still=False: tools)
    result = chart(folder, "--out", out, "--resume")
    assert result.exit_code == 0 and "a.mp4: done before" in result.stdout
    assert [r["clip"] for r in table(out, "snaps")] == ["a.mp4", "b.mp4"]


def test_out_that_cannot_be_written(good: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    assert chart(good, "--out", tmp_path / "file").exit_code == 2
    result = chart(good, "--out", tmp_path / "file" / "below")
    assert result.exit_code == 1 and "Hint:" in result.stderr


KILLED = """
import os, sys
from pathlib import Path
import pipeline.tools
from pipeline.batch import work
from pipeline.cli import main
from tests import program_support as support
pipeline.tools.load = lambda config, still=False: support.known_tools((1.5,))
kept = work.store
def store(out, result, mark):
    kept(out, result, mark)
    if result.clip == "b.mp4":
        os.kill(os.getpid(), 9)
work.store = store
main(["chart", sys.argv[1], "--out", sys.argv[2], "--on", "here"])
"""


def test_killed_run_resumes_without_redoing_or_losing(
    good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "game"
    folder.mkdir()
    for name in ("a.mp4", "b.mp4", "c.mp4"):
        shutil.copy(good, folder / name)
    out = tmp_path / "out"
    root = str(Path(__file__).resolve().parent.parent)
    killed = subprocess.run([sys.executable, "-c", KILLED, str(folder), str(out)], cwd=root, capture_output=True)
    assert killed.returncode == -9, killed.stderr.decode()
    tools = support.known_tools((1.5,))
    monkeypatch.setattr(pipeline.tools, "load", lambda config, still=False: tools)
    result = chart(folder, "--out", out, "--resume")
    assert result.exit_code == 0, result.output
    assert result.stdout.count("done before") == 2 and [r["clip"] for r in table(out, "snaps")] == [
        "a.mp4", "b.mp4", "c.mp4",
    ]  # fmt: skip
    calls = tools.finder.calls  # type: ignore[attr-defined]
    again = chart(folder, "--out", out, "--resume")
    assert again.stdout.count("done before") == 3 and tools.finder.calls == calls  # type: ignore[attr-defined]


@pytest.mark.parametrize("what", ["input", "config", "models"])
def test_resume_redoes_what_is_not_the_same(
    what: str, good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    film, out, extra = tmp_path / "a.mp4", tmp_path / "out", []
    shutil.copy(good, film)
    assert chart(film, "--out", out).exit_code == 0
    if what == "input":
        support.write_film(film, 3.4, seed=5)
    elif what == "config":
        extra = ["--config", str(tmp_path / "mine.toml")]
        (tmp_path / "mine.toml").write_text("[sampling]\nafter_s = 1.25\n", encoding="utf-8")
    else:
        tools = support.known_tools((1.5,), models_sha256="other")
        monkeypatch.setattr(pipeline.tools, "load", lambda config, still=False: tools)
    assert "done before" not in chart(film, "--out", out, "--resume", *extra).stdout
    assert "done before" in chart(film, "--out", out, "--resume", *extra).stdout


def test_a_run_without_resume_starts_over(good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one, other, out = tmp_path / "one.mp4", tmp_path / "other.mp4", tmp_path / "out"
    shutil.copy(good, one)
    shutil.copy(good, other)
    assert chart(one, "--out", out).exit_code == 0
    tools = support.known_tools(())
    monkeypatch.setattr(pipeline.tools, "load", lambda config, still=False: tools)
    assert chart(one, "--out", out).exit_code == 0
    assert not list((out / "frames").iterdir())  # the play that had pictures is not found any more
    assert chart(other, "--out", out).exit_code == 0
    assert [r["clip"] for r in table(out, "snaps")] == ["other.mp4"]
    assert chart(other, "--out", out, "--resume").exit_code == 0
    assert [r["clip"] for r in table(out, "snaps")] == ["other.mp4"]


def test_unknown_field_level(good: Path, tmp_path: Path) -> None:
    result = chart(good, "--out", tmp_path / "out", "--field", "collage")
    assert result.exit_code == 2 and "collage" in result.stderr and "high_school" in result.stderr


def test_misspelt_config_key(good: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text("[sampling]\naftr_s = 1.0\n", encoding="utf-8")
    result = chart(good, "--out", tmp_path / "out", "--config", mine)
    assert result.exit_code == 2 and "'aftr_s'" in result.stderr and "'after_s'" in result.stderr
    assert not (tmp_path / "out").exists()


def test_model_with_a_wrong_checksum(good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline import models

    folder = tmp_path / "models"
    (folder / "people").mkdir(parents=True)
    (folder / "people" / "people.onnx").write_bytes(b"not the listed bytes")
    (folder / "manifest.toml").write_text(
        f'[people]\nfile = "people/people.onnx"\nsha256 = "{"0" * 64}"\nlicence = "MIT"\ntrained_on = ["x"]\n',
        encoding="utf-8",
    )

    def load(config: object, still: bool = False) -> None:
        models.load("people", folder)

    monkeypatch.setattr(pipeline.tools, "load", load)
    result = chart(good, "--out", tmp_path / "out")
    assert result.exit_code == ModelError.exit_code == 1
    assert "checksum" in result.stderr and "people.onnx" in result.stderr and "Hint:" in result.stderr


def test_dry_run_writes_nothing(good: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.mp4"
    bad.write_text("x", encoding="utf-8")
    result = chart(good, bad, "--out", tmp_path / "out", "--dry-run")
    assert result.exit_code == 0 and not (tmp_path / "out").exists()
    assert "good.mp4: to chart, 640x360, 3.2 s" in result.stdout and "would fail" in result.stdout


def test_no_option_at_all_is_usage() -> None:
    assert RUN.invoke(app, ["chart"]).exit_code == 2
    assert RUN.invoke(app, ["chrat"]).exit_code == 2
