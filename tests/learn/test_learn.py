"""Learning: what becomes of corrections, the network as it was and after, confidence that fits, folders kept."""

from __future__ import annotations

import json
import shutil
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression
from typer.testing import CliRunner

from pipeline import config as configs
from pipeline import models
from pipeline.audit.events import Event
from pipeline.cli import app
from pipeline.errors import UsageError
from pipeline.labels import forest
from pipeline.learn import checked, confidence, frames, make, store
from tests import program_support as support
from tests.learn import learn_support


def act(kind: str, subject: str, **to: object) -> Event:
    return Event(1, "i", "2026-01-01", "Rosa", "s", kind, subject, {}, dict(to), 1)


def test_people_an_analyst_deleted_moved_and_added() -> None:
    people = support.people()
    xy, _ = support.formation()
    ids = {str(n): n for n in range(22)}
    spot = support.CAMERA.ground_to_px(np.array([62.0, 30.0]))
    acts = [act("person_deleted", "3"), act("person_moved", "5", moment="snap", x_yd=62.0, y_yd=30.0),
            act("person_moved", "6", moment="after", x_yd=1.0, y_yd=1.0), act("person_moved", "7", side="defense"),
            act("person_added", "a1", moment="snap", x_yd=64.0, y_yd=22.0, side="official")]  # fmt: skip
    found = frames.corrected(people, ids, acts, "snap", support.CAMERA)
    assert len(found) == len(people)  # one less, one more
    assert not (np.abs(found.ground_px - people.ground_px[3]).max(1) < 0.5).any()
    moved = np.flatnonzero(np.linalg.norm(found.ground_px - spot, axis=1) < 0.1)
    assert len(moved) == 1 and found.sure[moved[0]]
    size = people.box_px[5, 2:] - people.box_px[5, :2]
    assert (found.box_px[moved[0], 2:] - found.box_px[moved[0], :2]) == pytest.approx(size, abs=0.01)
    for same in (6, 7):
        assert (np.linalg.norm(found.ground_px - people.ground_px[same], axis=1) < 0.01).any()
    assert found.role[-1] == frames.OFFICIAL and found.sure[-1]
    assert found.sure.sum() == 22  # the two of the stand-in at the sideline were judged by nobody
    outside = frames.corrected(people, ids, [act("person_added", "a1", x_yd=5.0, y_yd=5.0, side="offense")], "snap",
                               support.CAMERA)  # fmt: skip
    assert len(outside) == len(people) and len(xy) == 22


def test_too_few_rows_are_refused_in_words(tmp_path: Path) -> None:
    learn_support.judged_run(tmp_path / "run", 8, 4)
    result = CliRunner().invoke(app, ["learn", str(tmp_path / "run"), "--out", str(tmp_path / "new")])
    assert result.exit_code == 2 and "8 checked row(s)" in result.stderr and "audit" in result.stderr
    learn_support.judged_run(tmp_path / "one", 40, 1)
    with pytest.raises(UsageError, match="1 clip"):
        checked.load([tmp_path / "one"])
    assert not (tmp_path / "new").exists()


def test_the_held_back_part_is_whole_clips_and_always_the_same(tmp_path: Path) -> None:
    learn_support.judged_run(tmp_path / "run", 60, 10)
    rows = checked.load([tmp_path / "run"])
    back = {r.clip for r in rows if r.held_back}
    assert back.isdisjoint({r.clip for r in rows if not r.held_back}) and len(back) == 3
    assert checked.held_back([r.clip for r in reversed(rows)]) == checked.held_back([r.clip for r in rows])


def learned(folder: Path) -> bytes:
    """A table of trust of one tree over the raw score."""
    tree = {"class": 0, "feature": [0, -1, -1], "threshold": [1.0, 0, 0], "left": [1, 0, 0], "right": [2, 0, 0],
            "unknown_left": [True, False, False], "value": [0.0, -0.4, 0.8]}  # fmt: skip
    entry = {"features": ["raw"], "classes": ["False", "True"], "start": [1.5], "trees": [tree]}
    return json.dumps({"forests": {"trust_rushers": entry, "kind": entry}}).encode()


def test_confidence_fits_what_was_right_and_wrong(tmp_path: Path) -> None:
    learn_support.judged_run(tmp_path / "run", 200, 20, wrong=0.4)
    rows = checked.load([tmp_path / "run"])
    data, (found,) = confidence.recalibrate(learned(tmp_path), rows)
    assert found.better and found.sure_before == pytest.approx(0.95)
    assert found.sure_after == pytest.approx(0.6, abs=0.12)
    before, after = forest.parse(learned(tmp_path)), forest.parse(data)
    for raw in (0.2, 3.0):
        p, q = (f["trust_rushers"].chances([{"raw": raw}])[0, 1] for f in (before, after))
        assert q == pytest.approx(confidence.changed(np.array([p]), found.a, found.b)[0], abs=1e-9)
    assert after["kind"].chances([{"raw": 0.2}]) == pytest.approx(before["kind"].chances([{"raw": 0.2}]))


def test_the_fit_is_that_of_the_reference_where_the_prior_is_weak(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(0)
    sure = rng.uniform(0.3, 0.99, 4000)
    right = rng.random(4000) < confidence.changed(sure, 0.7, -0.5)
    monkeypatch.setattr(confidence, "SPREAD_A", 1e3)
    monkeypatch.setattr(confidence, "SPREAD_B", 1e3)
    a, b = confidence.fit(confidence.Answers(sure, right))
    reference = LogisticRegression(C=1e6).fit(np.log(sure / (1 - sure))[:, None], right)  # scikit-learn
    assert (a, b) == pytest.approx((reference.coef_[0, 0], reference.intercept_[0]), abs=0.02)


def test_few_answers_hardly_move_the_confidence() -> None:
    found = confidence.Answers(np.full(15, 0.8), np.array([True] * 12 + [False] * 3))
    a, b = confidence.fit(found)
    assert confidence.changed(np.array([0.8]), a, b)[0] == pytest.approx(0.8, abs=0.02)


def test_command_writes_a_new_folder_that_works_and_keeps_the_old(tmp_path: Path) -> None:
    learn_support.judged_run(tmp_path / "run", 200, 20, wrong=0.4)
    old = {p: p.read_bytes() for p in models.models_dir().rglob("*") if p.is_file() and p.suffix in (".json", ".toml")}
    out = tmp_path / "mine"
    result = CliRunner().invoke(app, ["learn", str(tmp_path / "run"), "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert "rushers" in result.stdout and "held back" in result.stdout and "finder: 0 row(s)" in result.stdout
    assert all(p.read_bytes() == data for p, data in old.items())
    made, shipped = models.read_manifest(out / "models"), models.read_manifest()
    assert set(made) == set(shipped) and made["people"].sha256 == shipped["people"].sha256
    assert made["labels"].sha256 != shipped["labels"].sha256 and "200 rows" in made["labels"].trained_on[-1]
    assert made["people"].settings == shipped["people"].settings and made["marks"].metrics == shipped["marks"].metrics
    for entry in made.values():
        models.read_checked(entry)
    assert configs.load(out / "chart.toml").models.folder == str(out / "models")
    from pipeline import tools

    try:
        assert tools.check(configs.load(out / "chart.toml")) != tools.check(configs.load())
        assert "learned" in tomllib.loads((out / "models" / "manifest.toml").read_text())["labels"]["metrics"].__str__()
    finally:
        tools.choose_models(configs.load())
    again = CliRunner().invoke(app, ["learn", str(tmp_path / "run"), "--out", str(out)])
    assert again.exit_code == 2 and "never overwritten" in again.stderr
    bad = CliRunner().invoke(app, ["learn", str(tmp_path / "run"), "--out", str(models.models_dir() / "new")])
    assert bad.exit_code == 2 and "in use" in bad.stderr


def test_a_models_folder_that_is_none_is_refused(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('[models]\nfolder = "nowhere"\n', encoding="utf-8")
    result = CliRunner().invoke(app, ["chart", str(tmp_path), "--out", str(tmp_path / "o"), "--config",
                                      str(tmp_path / "mine.toml")])  # fmt: skip
    assert result.exit_code == 2 and "manifest.toml" in result.stderr


@pytest.fixture
def graph_bytes() -> bytes:
    pytest.importorskip("torch", reason="torch is not installed: pip install 'snapledger[learn]'")
    pytest.importorskip("onnx", reason="onnx is not installed: pip install 'snapledger[learn]'")
    return models.read_checked(models.find("people"))


def test_the_network_is_the_shipped_one_and_goes_back_into_its_file(graph_bytes: bytes) -> None:
    import torch

    from pipeline.learn.graph import Graph

    graph = Graph(graph_bytes)
    x = torch.rand(1, 3, 128, 192, generator=torch.Generator().manual_seed(0))
    with torch.no_grad():
        ours = graph(x).numpy()
    runtime = models.open_network(graph_bytes, threads=1)(x.numpy())[0]  # onnxruntime as the reference
    assert ours == pytest.approx(runtime, abs=2e-3)
    again = models.open_network(graph.to_bytes(), threads=1)(x.numpy())[0]
    assert np.array_equal(again, runtime)
    assert len(graph.order()) > 50


@pytest.fixture
def weakened(graph_bytes: bytes, tmp_path: Path) -> Iterator[Path]:
    """A models folder whose finder is much less sure than the shipped one; in use during the test."""
    import torch

    from pipeline.learn.graph import Graph

    folder = tmp_path / "weak" / "models"
    graph = Graph(graph_bytes)
    with torch.no_grad():
        for name, weight in graph.weights.items():
            if weight.shape == (3,):  # biases of the score of a role
                graph.weights[name] -= 2.5
    weak = store.Replaced(graph.to_bytes(), "weakened for a test")
    store.write(folder.parent, models.models_dir(), {"people": weak}, "")
    text = (folder / "manifest.toml").read_text(encoding="utf-8")
    (folder / "manifest.toml").write_text(text.replace('"width_px" = 1280', '"width_px" = 640'), encoding="utf-8")
    models.use(folder)
    yield folder
    models.use(None)


def test_a_finder_that_misses_people_learns_them_from_corrections(
    weakened: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import torch

    torch.set_num_threads(1)
    models.use(None)
    learn_support.filmed_run(tmp_path / "run", 3, 640)
    models.use(weakened)
    monkeypatch.setattr(checked, "FEWEST_ROWS", 3)
    monkeypatch.setattr(make, "FEWEST_CORRECTED", 2)
    said: list[str] = []
    config = make.run([tmp_path / "run"], tmp_path / "new", minutes=3, film=learn_support.SAMPLES, say=said.append,
                      most_steps=6)  # fmt: skip
    made = models.read_manifest(config.parent / "models")["people"]
    before, after = made.metrics["learned_recall_before"], made.metrics["learned_recall_held_back"]
    assert after > before + 0.1, said
    assert made.metrics["learned_precision_held_back"] > 0.85, said
    assert models.read_checked(models.find("people", weakened)) != models.read_checked(made)


def test_a_learned_finder_that_is_no_better_is_not_kept(
    graph_bytes: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import torch

    torch.set_num_threads(1)
    learn_support.filmed_run(tmp_path / "run", 3, 640)
    monkeypatch.setattr(checked, "FEWEST_ROWS", 3)
    monkeypatch.setattr(make, "FEWEST_CORRECTED", 1)
    with pytest.raises(UsageError, match="the models in use stay"):
        make.run([tmp_path / "run"], tmp_path / "new", minutes=1, film=learn_support.SAMPLES, say=lambda text: None,
                 most_steps=1)  # fmt: skip
    assert not (tmp_path / "new").exists()


def test_film_that_is_not_there_is_said(tmp_path: Path) -> None:
    learn_support.filmed_run(tmp_path / "run", 1, 640)
    rows = [replace(r, held_back=False) for r in _rows(tmp_path / "run")]
    found, notes = frames.build(rows, tmp_path)
    assert not found and "--film" in notes[0]
    shutil.rmtree(tmp_path / "run" / "evidence")
    found, notes = frames.build(rows, learn_support.SAMPLES)
    assert not found and "evidence" in notes[0]


def _rows(run_dir: Path) -> list[checked.CheckedRow]:
    from pipeline.ledger import read_csv

    return [checked.CheckedRow(run_dir, r, (), (), True) for r in read_csv(run_dir / "snaps.csv", "snaps")]
