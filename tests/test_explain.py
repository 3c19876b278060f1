"""Explain: facts with measured values and thresholds, and what would have changed, from evidence and labels alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from pipeline import explain, labels, ledger, rows
from pipeline.cli import app
from pipeline.errors import InputError, UsageError
from pipeline.records import Snap
from tests.labels.test_rules_of_thumb import coverage


def run_folder(path: Path) -> Path:
    """Two deep at 12 yd, corners off at 7.0 and 7.5 yd, four rushers: evidence and labels.csv as charting leaves."""
    t, a, got = coverage(2, 7.0, 7.5).read()
    snap = Snap("ok", 90, None, 0.9, "")
    ledger.write_json(path / "evidence" / "a-p1.json", {
        "shot": {"first_frame": 0, "last_frame": 180}, "snap": snap, "samples": [], "tracks": t, "alignment": a,
        "labels": got,
    })  # fmt: skip
    ledger.write_csv(path / "labels.csv", "labels", rows.label_rows("a-p1", got))
    return path


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return run_folder(tmp_path_factory.mktemp("run"))


def test_each_fact_stands_with_its_value_and_its_threshold(run: Path) -> None:
    found = {r.label: r for r in explain.explain(run, "a-p1")}
    deep = [f for f in found["deep_safeties"].facts if f.who is not None]
    assert [round(f.value, 1) for f in deep[:2]] == [12.0, 12.0] and deep[0].limit == 9.0
    assert deep[0].text().endswith("threshold 9.0 (3.0 past it)") and deep[2].margin < 0
    corners = [f.text() for f in found["corner_picture"].facts]
    assert any("left (off) stands: 7.0 yd, threshold 5.5" in x for x in corners)
    assert any("right (off) stands: 7.5 yd, threshold 5.5" in x for x in corners)
    assert len(found["rushers"].facts) >= 4
    assert any(f.words.startswith("cover_") for f in found["coverage_before"].facts)


def test_facts_come_in_the_order_of_a_play(run: Path) -> None:
    names = [r.label for r in explain.explain(run, "a-p1")]
    first = [names.index(n) for n in ("play_kind", "deep_safeties", "coverage_before", "rushers", "coverage_after")]
    assert first == sorted(first)


def test_what_would_have_changed_is_tried(run: Path) -> None:
    """The man nearest to the threshold is put on its other side: one deep is left."""
    deep = next(r for r in explain.explain(run, "a-p1") if r.label == "deep_safeties")
    assert "deep_safeties 2 -> 1" in deep.changes[0] and "middle_of_field open -> closed" in deep.changes[0]
    assert "3.4 yd nearer to the line" in deep.changes[0] or "3.3 yd nearer" in deep.changes[0]


def test_the_picture_has_the_same_facts() -> None:
    t, a, got = coverage(2, 7.0, 7.5).read()
    before = explain.lines(t, a, got, labels.load(), "snap")
    after = explain.lines(t, a, got, labels.load(), "after")
    assert any(x.startswith("deep_safeties 2 (") and "threshold 9.0" in x for x in before)
    assert any(x.startswith("rushers 4 (") for x in after) and not any(x.startswith("rushers") for x in before)


def test_the_command_prints_one_label_and_refuses_what_is_not_there(run: Path, tmp_path: Path) -> None:
    shown = CliRunner().invoke(app, ["explain", str(run), "a-p1", "--label", "deep_safeties"])
    assert shown.exit_code == 0 and shown.output.startswith("deep_safeties = 2") and "rushers =" not in shown.output
    for bad in (["a-p9"], ["a-p1", "--label", "nonsense"]):
        assert CliRunner().invoke(app, ["explain", str(run), *bad]).exit_code == 2
    with pytest.raises(UsageError, match=r"labels\.csv"):
        explain.explain(tmp_path, "a-p1")


def test_damaged_or_missing_evidence_is_said(tmp_path: Path) -> None:
    run = run_folder(tmp_path)
    path = run / "evidence" / "a-p1.json"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"depth_yd"', '"depth"'), encoding="utf-8")
    with pytest.raises(InputError, match="damaged"):
        explain.explain(run, "a-p1")
    path.unlink()
    with pytest.raises(InputError, match="not there"):
        explain.explain(run, "a-p1")


def test_an_old_label_is_shown_beside_what_is_said_now(run: Path, tmp_path: Path) -> None:
    other = run_folder(tmp_path)
    found = ledger.read_csv(other / "labels.csv", "labels")
    next(r for r in found if r["label"] == "deep_safeties")["value"] = "1"
    ledger.write_csv(other / "labels.csv", "labels", found)
    deep = next(r for r in explain.explain(other, "a-p1") if r.label == "deep_safeties")
    assert deep.said.startswith("1 (") and any("labelled again" in c for c in deep.changes)


def test_a_fact_without_a_measure_is_words_alone() -> None:
    assert explain.Fact("x", "said").text() == "said"
    assert explain.Fact("x", "men", 3.0, unit="men").text() == "men: 3 men"
    assert np.isnan(explain.Fact("x", "said").margin)
