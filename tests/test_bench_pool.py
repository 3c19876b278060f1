"""The pool of the bench: a piece that breaks costs that piece, a second start goes on, a stop is heard."""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path

import pytest

from models.training import bench_pack, bench_set
from models.training.bench_pool import Board, Pool, work
from pipeline import models
from tests.test_models import tiny_network

WORKER = """
import os, sys, time
from pathlib import Path
from models.training.bench_pool import Board, work
folder = Path(sys.argv[1])
def one(name):
    if name == "b":
        os._exit(7)
    if name == "c":
        raise ValueError("no such field")
    if name == "slow":
        time.sleep(60)
work(Board(folder), sys.argv[2:], one, time.time() + 30)
"""


def pool(folder: Path, names: list[str], seconds: float) -> Board:
    board = Board(folder / "board")
    script = folder / "worker.py"
    script.write_text(WORKER, encoding="utf-8")
    command = [sys.executable, str(script), str(board.folder), *names]
    root = str(Path(__file__).resolve().parents[1])
    os.environ["PYTHONPATH"] = root + os.pathsep + os.environ.get("PYTHONPATH", "")
    Pool(board, command, 2, time.time() + seconds, folder / "log").run()
    return board


def test_a_crash_costs_one_piece_and_the_next_start_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONPATH", os.environ.get("PYTHONPATH", ""))
    board = pool(tmp_path, ["a", "b", "c", "d"], 40)
    assert board.names("done") == {"a", "d"} and set(board.failures()) == {"b", "c"}
    assert "code 7" in board.failures()["b"] and "no such field" in board.failures()["c"]
    assert board.stopped() and not board.busy()
    again = pool(tmp_path, ["a", "b", "c", "d", "e"], 40)
    assert again.names("done") == {"a", "d", "e"} and set(again.failures()) == {"b", "c"}


def test_what_was_not_finished_in_time_is_given_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", os.environ.get("PYTHONPATH", ""))
    start = time.time()
    board = pool(tmp_path, ["a", "slow"], 6)
    assert time.time() - start < 20
    assert board.names("done") == {"a"} and board.names("claims") == {"a"} and not board.failures()


def test_nobody_begins_after_a_stop(tmp_path: Path) -> None:
    board = Board(tmp_path)
    board.make()
    board.stop()
    done: list[str] = []
    work(board, ["a"], done.append, time.time() + 10)
    assert not done and not board.names("claims")


def test_a_piece_is_taken_once(tmp_path: Path) -> None:
    board = Board(tmp_path)
    board.make()
    assert board.take("a") and not board.take("a")
    board.blame(os.getpid() + 1, "another process")
    assert not board.failures()
    board.blame(os.getpid(), "gone")
    assert board.failures() == {"a": "gone"}


def test_another_models_folder_lists_what_was_put_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = bench_pack.Place(tmp_path / "bench")
    place.out.mkdir()
    fresh = tmp_path / "fresh.onnx"
    fresh.write_bytes(tiny_network())
    bench_pack.install(place, fresh, None, 0.31)
    listed = models.read_manifest(place.models)
    assert models.read_checked(listed["people"]) == fresh.read_bytes()
    assert listed["people"].settings["confidence"] == 0.31
    shipped = models.read_manifest()
    assert {n: e.sha256 for n, e in listed.items() if n != "people"} == {
        n: e.sha256 for n, e in shipped.items() if n != "people"
    }


def test_a_network_that_cannot_be_loaded_is_never_measured(tmp_path: Path) -> None:
    place = bench_pack.Place(tmp_path / "bench")
    place.out.mkdir()
    broken = tmp_path / "broken.onnx"
    broken.write_bytes(b"not a network")
    with pytest.raises(models.ModelError):
        bench_pack.install(place, broken, None, None)
    assert not place.models.exists()


def test_archives_stay_small_and_hold_everything(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import tarfile

    monkeypatch.setattr(bench_pack, "MOST_BYTES", 40_000)
    place = bench_pack.Place(tmp_path / "bench")
    for k in range(9):
        path = place.run / "evidence" / f"c{k}-p1.json.xz"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(os.urandom(9_000))
    (place.run / "snaps.csv").write_text("x", encoding="utf-8")
    (place.out / "facts.json").write_text(json.dumps({"seeds": [1]}), encoding="utf-8")
    bench_pack.pack(place, tmp_path / "to")
    bench_pack.pack(place, tmp_path / "to")  # a second time replaces the first
    found: list[str] = []
    for path in sorted((tmp_path / "to").glob("*.tar*")):
        with tarfile.open(path) as tar:
            found += tar.getnames()
    evidence = [f"run/evidence/c{k}-p1.json.xz" for k in range(9)]
    assert sorted(found) == sorted(["facts.json", "run/snaps.csv", *evidence])


def test_results_of_another_program_are_not_taken_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = bench_pack.Place(tmp_path)
    kept = place.run / "results" / "a.json"
    monkeypatch.setattr(bench_set, "fingerprint", lambda place: "one")
    bench_set.forget_others(place)
    kept.parent.mkdir(parents=True)
    kept.write_text("{}", encoding="utf-8")
    bench_set.forget_others(place)
    assert kept.exists()
    monkeypatch.setattr(bench_set, "fingerprint", lambda place: "two")
    bench_set.forget_others(place)
    assert not kept.exists()


def test_half_a_clip_is_no_clip(tmp_path: Path) -> None:
    place = bench_pack.Place(tmp_path)
    place.film.mkdir()
    for name in ("b.mp4", "b.truth.json", "a.part.mp4", "a.truth.json", "c.mp4"):
        (place.film / name).touch()
    assert place.rendered() == ["b"]
