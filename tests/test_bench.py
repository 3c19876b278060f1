"""The bench: what it writes where, and what it measures, on tiny inputs."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path

import numpy as np
import pytest

from models.training import bench, bench_set, bench_speed, bench_tables, test_set
from models.training.playbook.play import make_play
from pipeline import config, film, ledger
from pipeline.evaluate import WORDS, Figure, Report
from tests import program_support as support

# Issue "Figures": flat keys of models/metrics.json.
KEYS = (
    "snap_within_2_frames no_snap_left_alone people_recall_sideline people_precision_sideline people_recall_real "
    "people_recall_unseen_sport registration_usable_sideline registration_median_yd "
    "registration_p95_inside_hashes_yd registration_p95_far_numbers_yd absolute_wrong position_median_yd "
    "position_p95_yd side_accuracy deep_safeties_exact corner_depth_mean_error_yd rushers_exact "
    "deep_safeties_after_exact work_s_per_film_s saving_over_every_frame peak_memory_gib"
).split()


def report() -> Report:
    figures = [Figure(key, 0.5, 0.4, 0.6, 10, "yd" if key.endswith("yd") else "share") for key in WORDS]
    return Report(figures=figures, distributions={"x, yd": {"n": 2, "mean": 1, **{f"p{p}": 1 for p in
                  (5, 25, 50, 75, 90, 95, 99)}, "max": 2}})  # fmt: skip


def test_keys_are_the_published_ones() -> None:
    assert set(KEYS) | {"clips_charted", "work_one_process_s_per_film_s"} == set(WORDS) | set(bench_tables.MORE)


def test_metrics_are_flat_and_keep_other_benches_keys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench, "METRICS", tmp_path / "metrics.json")
    before = {"eyes_level_told": 0.93, "labels_worst_ece_true_positions": 0.03, "labels_worst_ece": 1}
    before |= {"rushers_exact": 1}
    (tmp_path / "metrics.json").write_text(json.dumps(before), encoding="utf-8")
    few = Report(figures=[f for f in report().figures if f.key != "rushers_exact"])
    few.figures.append(Figure("position_p95_yd", math.nan, 0, 0, 0, "yd"))
    bench.write_metrics(few, {"peak_memory_gib": 0.8}, list(range(500, 512)), "abc")
    found = json.loads((tmp_path / "metrics.json").read_text(encoding="utf-8"))
    assert found["labels_worst_ece_true_positions"] == 0.03 and found["eyes_level_told"] == 0.93
    assert "rushers_exact" not in found and "labels_worst_ece" not in found
    assert found["peak_memory_gib"] == 0.8 and found["plays"] == 12 and found["seeds"] == "500 to 511"
    assert found["commit"] == "abc" and found["date"] and all(not isinstance(v, (dict, list)) for v in found.values())


def test_readme_block_is_replaced_and_nothing_else(tmp_path: Path) -> None:
    readme = tmp_path / "README.md"
    readme.write_text(f"before\n{bench_tables.BEGIN}\nstale figures\n{bench_tables.END}\nafter\n", encoding="utf-8")
    values = {"plays": 3, "seeds": "1 to 3", "commit": "abc", "date": "2026-01-01"}
    bench_tables.write_readme(tmp_path, report(), {"work_s_per_film_s": 0.42}, values)
    text = readme.read_text(encoding="utf-8")
    assert text.startswith("before\n") and text.endswith("\nafter\n") and "stale figures" not in text
    assert "0.42 s" in text and "| side of the ball | 50.0 % |" in text and "not measured" in text
    bench_tables.write_readme(tmp_path, report(), {}, values)
    assert readme.read_text(encoding="utf-8").count(bench_tables.BEGIN) == 1


def test_plan_is_repeatable_and_has_both_views_and_clips_without_a_snap() -> None:
    clips = test_set.plan(40)
    assert clips == test_set.plan(40) and len({c.seed for c in clips}) == 40
    assert sum(c.view == "endzone" for c in clips) == 10 and sum(c.kind == "no_snap" for c in clips) == 4
    assert min(c.seed for c in clips) == test_set.TEST_SEED
    assert clips[:20] == test_set.plan(20)  # a shorter bench is a part of the longer one


def test_trimmed_play_keeps_its_snap() -> None:
    play = make_play(3, "college", kind="dropback")
    cut = test_set.trimmed(play, 2.0, 1.0)
    assert play.snap_index is not None and cut.snap_index is not None
    assert cut.time_s[cut.snap_index] == pytest.approx(play.time_s[play.snap_index])
    assert np.array_equal(cut.xy_yd[cut.snap_index], play.xy_yd[play.snap_index])
    assert len(cut.time_s) == round(3.0 * play.hz) + 1
    quiet = test_set.trimmed(make_play(3, "college", kind="no_snap"), 2.0, 1.0)
    assert quiet.snap_index is None and 80 <= len(quiet.time_s) <= 92


def test_speed_on_stand_ins(tmp_path: Path) -> None:
    clip = support.write_film(tmp_path / "a.mp4", 3.2)
    big = bench_speed.as_1080p([clip, clip], tmp_path / "big.mp4")
    info = film.probe(big)
    assert (info.width_px, info.height_px) == (1920, 1080)
    assert float(info.duration_s or 0) == pytest.approx(6.4, abs=0.1)
    tools = support.known_tools((1.5,))
    settings = config.load()
    work, seconds = bench_speed.sparse_work(clip, tools, settings, tmp_path / "run")
    assert work > 0 and seconds == pytest.approx(3.2, abs=0.1)
    assert bench_speed.every_frame_work(clip, tools) > 0


def test_worst_clips_are_those_that_are_worst_in_most_ways() -> None:
    found = report()
    found.worst = [{"what": w, "clip": c, "snap_id": f"{c}-p1", "frame": 1, "value": 2.0}
                   for w, c in (("w", "b"), ("v", "b"), ("w", "a"), ("w", "c"))]  # fmt: skip
    assert bench_set.worst_clips(found, 2) == ["b", "a"]


def test_report_survives_json() -> None:
    found = report()
    found.figures[-1] = Figure("position_p95_yd", 0.8, math.nan, math.nan, 1, "yd")
    found.figures = [f for k, f in enumerate(found.figures) if f.key not in {g.key for g in found.figures[k + 1 :]}]
    again = Report.from_dict(json.loads(json.dumps(ledger.plain(found.as_dict()))))
    assert again.figures[0] == found.figures[0] and math.isnan(again.figures[-1].low)
    assert again.as_dict()["distributions"] == found.as_dict()["distributions"]


def test_no_clip_is_begun_after_the_time_is_up(tmp_path: Path) -> None:
    clips = test_set.plan(2)
    (tmp_path / f"{clips[1].name}.mp4").write_bytes(b"there")
    assert test_set.render_all(clips, tmp_path, seconds=-1) == [clips[1]]


@pytest.mark.skipif(sys.platform != "linux", reason="reads proc_pid_status(5)")
def test_peak_memory_is_the_command_s_own_whoever_starts_it() -> None:
    """getrusage(2) alone would give a process at least the peak of the one that started it."""
    large = np.ones(1 << 27)  # 1 GiB in this process
    done = bench_speed.run_command(["--help"])
    (line,) = [x for x in done.stdout.splitlines() if x.startswith("PEAK ")]
    assert 0 < int(line.split()[1]) < 0.75 * large.nbytes / 1024, done.stderr
