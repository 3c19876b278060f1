"""Figures of the eyes: known errors come back as what they are; nothing is said on too few."""

from __future__ import annotations

import json
import lzma
import math
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import bootstrap as scipy_bootstrap

from models.training import (
    bench_eyes,
    bench_pack,
    bench_replay,
    bench_truth,
    eyes_figures,
    eyes_identity,
    eyes_parts,
    eyes_stills,
    eyes_table,
    observe,
    test_set,
)
from models.training.playbook.play import make_play
from pipeline import chart, config, ledger
from pipeline.records import ROLES
from tests import program_support as support
from tests.test_evaluate import change, copy, truth  # noqa: F401  the fixture of a perfectly charted film


def figures(pred: Path, true: Path) -> dict[str, float]:
    return {v.key: v.value for v in eyes_figures.figures(pred, true)}


def test_truth_against_itself_is_perfect(truth: Path) -> None:  # noqa: F811
    found = figures(truth, truth)
    for key in ("eyes_registration_usable_sideline", "eyes_people_recall_sideline", "eyes_people_precision_sideline",
                "eyes_absolute_known_sideline", "eyes_snap_within_2_frames", "eyes_honest_error_share"):  # fmt: skip
        assert found[key] == 1.0, key
    assert found["eyes_absolute_wrong_sideline"] == 0.0
    assert found["eyes_position_p95_yd_sideline"] == pytest.approx(0.0, abs=1e-3)
    assert set(found) <= set(eyes_figures.WORDS)
    assert "eyes_position_median_yd_endzone" not in found  # no such clip: nothing is said


def test_known_errors_come_back(truth: Path, tmp_path: Path) -> None:  # noqa: F811
    pred = copy(truth, tmp_path)

    def registration(rows: list[ledger.Row]) -> None:
        for k, r in enumerate(rows):
            r["camera_x_yd"] += 5.0 + (0.8 if k % 2 else 0.0)
            r["error_yd"] = 0.2

    def positions(rows: list[ledger.Row]) -> None:
        players = [r for r in rows if r["moment"] == "snap" and r["role"] == "player"]
        players[3]["y_yd"] += 1.4
        players[4]["y_yd"] += 0.6

    def snaps(rows: list[ledger.Row]) -> None:
        for r in rows:
            r.update(review=False, review_reasons=None)

    change(pred, "registration", registration)
    change(pred, "positions", positions)
    change(pred, "snaps", snaps)
    found = figures(pred, truth)
    assert found["eyes_absolute_known_sideline"] == 1.0 and found["eyes_absolute_wrong_sideline"] == 1.0
    assert found["eyes_registration_usable_sideline"] == 1.0  # 0.8 yd off is usable, and no honest 0.2 yd
    assert found["eyes_honest_error_share"] == pytest.approx(0.5, abs=0.06)
    assert found["eyes_rows_without_reason"] == 1.0 and found["eyes_rows_without_reason_within_1yd"] == 0.0
    change(pred, "positions", lambda rows: rows[3].update(y_yd=rows[3]["y_yd"] - 1.4))
    assert figures(pred, truth)["eyes_rows_without_reason_within_1yd"] == 1.0


def seen(k: int, **changes: Any) -> eyes_stills.Seen:
    tags = {"light": "night" if k % 2 else "sun", "size": "720p"}
    base = eyes_stills.Seen(
        f"{k}.jpg", tags, 20, 18, 19, 1, (2.0, 4.0), (0.1, 0.3), "ok", 0.2, 0.3, "college", "college", True, True, False
    )
    return replace(base, **changes)


def test_shares_by_look_and_silence_on_few_stills() -> None:
    records = [seen(k, hit=16 if k % 2 else 20) for k in range(2 * eyes_table.LEAST - 1)]
    found = eyes_table.by_look(records)
    assert found["light=sun"]["recall"]["value"] == 1.0 and found["light=sun"]["stills"] == eyes_table.LEAST
    assert found["light=night"] == {"stills": eyes_table.LEAST - 1}
    assert found["all"]["recall"]["value"] == pytest.approx((20 * 20 + 19 * 16) / (39 * 20))
    text = eyes_table.table(found)
    assert "| light: night | 19 | too few |" in text and "resolution: 720p" in text
    assert all(line.count("|") == text.splitlines()[0].count("|") for line in text.splitlines())


def test_interval_draws_whole_stills() -> None:
    """Against scipy's bootstrap of the same ratio (percentile method)."""
    rng = np.random.default_rng(3)
    hits = rng.integers(10, 21, 60)
    found = eyes_table.ratio([seen(k, hit=int(h)) for k, h in enumerate(hits)], lambda r: (r.hit, r.wanted), 3000)
    assert found is not None
    other = scipy_bootstrap((hits / 20.0,), np.mean, method="percentile", rng=np.random.default_rng(1))
    assert found["low"] == pytest.approx(other.confidence_interval.low, abs=0.006)
    assert found["high"] == pytest.approx(other.confidence_interval.high, abs=0.006)
    assert eyes_table.ratio([seen(0)], lambda r: (0, 0)) is None
    every = eyes_table.ratio([seen(k, hit=20) for k in range(30)], lambda r: (r.hit, r.wanted))
    assert every is not None and every["value"] == 1.0 and every["low"] < 0.95  # never sure of everything


def still_truth(people: Any) -> Any:
    n = len(people)
    feet = support.CAMERA.px_to_ground(people.ground_px.astype(float))
    return SimpleNamespace(
        role=people.role, visible=np.ones(n), box_px=people.box_px.astype(float),
        full_box_px=people.box_px.astype(float), ground_px=people.ground_px.astype(float), feet_yd=feet,
        level="college",
    )  # fmt: skip


def test_people_of_a_still_are_counted_once_and_bystanders_never() -> None:
    people = support.people()
    true = still_truth(people)
    everybody = np.arange(len(people))
    hits, wanted, finds, twice = eyes_stills.matches(people, everybody[:-1], true)
    assert len(hits) == len(wanted) == finds == 23 and twice == 0
    hits, wanted, finds, _ = eyes_stills.matches(people, everybody, true)  # the bystander taken for a player
    assert len(hits) == 23 and finds == 24
    hits, wanted, finds, twice = eyes_stills.matches(people, np.r_[everybody[:-1], 0], true)
    assert len(hits) == 23 and finds == 24 and twice == 1
    true.visible[5] = 0.05
    hits, wanted, finds, _ = eyes_stills.matches(people, everybody[:-1], true)
    assert len(wanted) == len(hits) == finds == 22  # hidden: held against nobody


def test_sizes_come_in_their_shares() -> None:
    sizes = [eyes_stills.size_of(k * eyes_stills.SHARD) for k in range(400)]
    for size, share in eyes_stills.SIZES:
        assert sizes.count(size) / 400 == pytest.approx(share, abs=0.02)


def test_records_survive_their_file(tmp_path: Path) -> None:
    records = [seen(0), seen(1, inside_yd=math.nan, status="abstained")]
    eyes_stills.keep(tmp_path / "r.json", records)
    again = eyes_stills.read(tmp_path / "r.json")
    assert again[0] == records[0] and math.isnan(again[1].inside_yd) and not again[1].usable


def test_stages_run_again_give_the_same_rows(tmp_path: Path) -> None:
    film = support.write_film(tmp_path / "one.mp4", 3.5)
    settings = config.load().with_("pictures", enabled=False)
    tools = support.known_tools((1.2,))
    first = chart.chart_clip(film, "one.mp4", "one", settings, tools, tmp_path / "run")
    path = tmp_path / "run" / "evidence" / "one-p1.json"
    again = bench_replay.again(path, "one.mp4", tools, settings)
    for name in ("positions", "snaps", "labels"):
        left, right = ledger.plain(first.rows[name]), ledger.plain(again.rows[name])
        assert len(left) == len(right) > 0
        for a, b in zip(left, right, strict=True):
            assert a.keys() == b.keys()
            for key, value in a.items():
                assert b[key] == (pytest.approx(value, abs=2e-3) if isinstance(value, float) else value), key


def test_slim_evidence_still_replays(tmp_path: Path) -> None:
    film = support.write_film(tmp_path / "one.mp4", 3.5)
    settings = config.load().with_("pictures", enabled=False)
    tools = support.known_tools((1.2,))
    place = bench_pack.Place(tmp_path)
    first = chart.chart_clip(film, "one.mp4", "one", settings, tools, place.run)
    raw = json.loads((place.run / "evidence" / "one-p1.json").read_text(encoding="utf-8"))
    wide = [[*k, *[0.0] * 6] for k in raw["samples"][0]["people"]["kit"]]
    for sample in raw["samples"]:  # the stand-in's kits are shorter than the program's
        sample["people"]["kit"] = wide
    (place.run / "evidence" / "one-p1.json").write_text(json.dumps(raw), encoding="utf-8")
    bench_pack.slim(place, "one")
    (path,) = bench_replay.evidence_of(place.run).values()
    assert path.suffix == ".xz" and set(json.loads(lzma.decompress(path.read_bytes()))) == {"shot", "snap", "samples"}
    again = bench_replay.again(path, "one.mp4", tools, settings)
    assert len(again.rows["positions"]) == len(first.rows["positions"])
    assert not path.with_suffix("").exists()


def test_truth_is_told_again_only_where_nobody_stands_elsewhere() -> None:
    clip = next(c for c in test_set.plan(40) if c.kind is None and c.view == "sideline")
    play = test_set.whole_play(clip)
    assert play.snap_index is not None
    rows: list[ledger.Row] = [
        {"person_id": p.id, "moment": "snap", "time_s": 0.0, "x_yd": float(xy[0]) + 0.05, "y_yd": float(xy[1])}
        for p, xy in zip(play.people, play.xy_yd[play.snap_index], strict=True) if p.role == "player"
    ]  # fmt: skip
    row = {"snap_id": "a-p1", "play_kind": "special", "rushers": 99, "snap_frame": 12}
    told, again = bench_truth.retold(row, rows, clip)
    assert again and told["play_kind"] == play.labels["play_kind"] and told["rushers"] != 99
    assert told["snap_frame"] == 12  # the film's, not the play's
    rows[4]["y_yd"] += 0.6
    assert bench_truth.retold(row, rows, clip) == (row, False)


def observed() -> tuple[list[chart.Sample], dict[str, Any]]:
    """A play through perfect eyes, and what the truth of its frames shows."""
    play = make_play(970_001, "professional", kind="dropback")
    seen_play = observe.observe(play, 1, observe.PERFECT)
    samples = [chart.Sample(s.frame, s.time_s, s.people, s.registration) for s in seen_play.samples]
    parts = [(np.full(len(w), s.frame), w, s.people) for s, w in zip(samples, seen_play.who, strict=True)]
    n = sum(len(f) for f, _, _ in parts)
    return samples, {
        "frame": np.concatenate([f for f, _, _ in parts]), "person_id": np.concatenate([w for _, w, _ in parts]),
        "role": np.concatenate([p.role for _, _, p in parts]),
        "box_px": np.concatenate([p.box_px for _, _, p in parts]),
        "ground_px": np.concatenate([p.ground_px for _, _, p in parts]), "visible": np.ones(n),
        "in_picture": np.ones(n, bool),
    }  # fmt: skip


def test_identity_is_kept_by_perfect_eyes_and_lost_when_men_swap() -> None:
    samples, shown = observed()
    kept = eyes_identity.kept(samples, shown)
    assert len(kept) >= 18 and np.mean(kept) >= 0.85
    swapped = dict(shown)
    ids = shown["person_id"].copy()
    players = sorted(set(ids[shown["role"] == ROLES.index("player")].tolist()))[:6]
    late = shown["frame"] > samples[-4].frame
    for a, b in zip(players[::2], players[1::2], strict=True):
        ids[late & (shown["person_id"] == a)], ids[late & (shown["person_id"] == b)] = b, a
    swapped["person_id"] = ids
    assert sum(eyes_identity.kept(samples, swapped)) <= sum(kept) - 4


def test_the_largest_rise_is_where_movement_begins() -> None:
    grid = np.zeros((100, 4, 6), np.float32)
    grid[60:] = 1.0
    score = eyes_parts.largest_rise(grid)
    assert int(score.argmax()) == pytest.approx(60, abs=1) and score.max() == 1.0 and score[:40].max() < 0.1


def test_a_blind_network_runs_and_says_nothing() -> None:
    calls: list[int] = []

    def network(x: np.ndarray) -> list[np.ndarray]:
        calls.append(1)
        return [x + 1, x[:, :1]]

    answers = eyes_parts.blind(network)(np.ones((1, 3, 2, 2), np.float32))
    assert calls and [a.shape for a in answers] == [(1, 3, 2, 2), (1, 1, 2, 2)] and not any(a.any() for a in answers)


def test_page_and_metrics_say_what_was_measured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    metrics = tmp_path / "metrics.json"
    shutil.copy(bench_eyes.bench.METRICS, metrics)
    monkeypatch.setattr(bench_eyes.bench, "METRICS", metrics)
    looks = eyes_table.by_look([seen(k, level_told="canadian" if k < 6 else "college") for k in range(24)])
    before = json.loads(metrics.read_text(encoding="utf-8"))
    bench_eyes.write_metrics(looks)
    after = json.loads(metrics.read_text(encoding="utf-8"))
    assert after["eyes_level_told"] == 0.75 and after["eyes_stills_people_recall"] == 0.9
    assert {k: after[k] for k in before if k not in bench_eyes.FLAT} == {
        k: v for k, v in before.items() if k not in bench_eyes.FLAT
    }
    part = {"part": "p", "without": "w", "figure": "f", "unit": "share", "n": 3, "on": 0.9, "off": 0.5}
    text = bench_eyes.page({"looks": looks, "seed": 1, "commit": "c", "date": "d", "parts": [part]})
    assert "24 stills" in text and "| p | w | f | 3 | 90.0 % | 50.0 % |" in text and "Real people" not in text
