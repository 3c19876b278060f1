"""The figures: known errors put into a copy of the truth come back as what they are."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from pipeline import compare, config, evaluate, label_figures, ledger, rows, stats
from pipeline.chart import chart_clip
from pipeline.cli import app
from pipeline.errors import UsageError
from tests import program_support as support


@pytest.fixture(scope="module")
def truth(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Truth in the shape of a run folder: one clip that the stand-ins chart perfectly, one without a snap."""
    folder = tmp_path_factory.mktemp("truth")
    film = support.write_film(folder / "one.mp4", 3.5)
    run = ledger.RunFolder(folder)
    result = chart_clip(film, "one.mp4", "one", config.load(), support.known_tools((1.2,)))
    result.rows["snaps"][0].update(play_kind="dropback", rushers=4, deep_safeties_after=2, blockers=5)
    run.results["one.mp4"] = result
    quiet = chart_clip(film, "two.mp4", "two", config.load(), support.known_tools(()))
    run.results["two.mp4"] = quiet
    run.write_tables()
    return folder


def copy(truth: Path, tmp_path: Path) -> Path:
    out = tmp_path / "pred"
    out.mkdir()
    for name in ledger.RUN_TABLES:
        shutil.copy(truth / f"{name}.csv", out / f"{name}.csv")
    return out


def change(folder: Path, name: str, edit: object) -> None:
    found = ledger.read_csv(folder / f"{name}.csv", name)
    changed = edit(found)  # type: ignore[operator]
    ledger.write_csv(folder / f"{name}.csv", name, found if changed is None else changed)


def test_truth_against_itself_is_perfect(truth: Path) -> None:
    report = evaluate.evaluate(truth, truth)
    perfect = {f.key: f.value for f in report.figures}
    for key in ("clips_charted", "snap_within_2_frames", "no_snap_left_alone", "people_recall_sideline",
                "people_precision_sideline", "registration_usable_sideline", "side_accuracy", "deep_safeties_exact",
                "rushers_exact", "deep_safeties_after_exact"):  # fmt: skip
        assert perfect[key] == 1.0, key
    for key in ("registration_median_yd", "registration_p95_inside_hashes_yd", "registration_p95_far_numbers_yd",
                "absolute_wrong", "position_median_yd", "position_p95_yd", "corner_depth_mean_error_yd"):  # fmt: skip
        assert perfect[key] == pytest.approx(0.0, abs=1e-3), key
    assert set(perfect) == set(evaluate.WORDS)


def test_known_errors_come_back(truth: Path, tmp_path: Path) -> None:
    pred = copy(truth, tmp_path)

    def snaps(found: list[ledger.Row]) -> None:
        found[0].update(snap_time_s=found[0]["snap_time_s"] + 0.1, rushers=5, deep_safeties=None)
        found[0]["corner_depth_offense_left_yd"] += 1.0

    def positions(found: list[ledger.Row]) -> list[ledger.Row]:
        at_snap = [r for r in found if r["moment"] == "snap"]
        defenders = [r for r in at_snap if r["side"] == "defense"]
        for r in at_snap:
            r["x_yd"] += 5.0  # the wrong yard line: not a position error
        for r in defenders:
            r["y_yd"] += 0.4
        offence = [r for r in at_snap if r["side"] == "offense"]
        offence[0]["side"] = "defense"
        return [r for r in at_snap if r is not offence[1]]

    def registration(found: list[ledger.Row]) -> None:
        for r in found:
            r["camera_x_yd"] += 5.0
            r["camera_y_yd"] += 0.3

    change(pred, "snaps", snaps)
    change(pred, "positions", positions)
    change(pred, "registration", registration)
    report = evaluate.evaluate(pred, truth)
    value = {f.key: f.value for f in report.figures}
    assert value["snap_within_2_frames"] == 0.0  # 3 frames off
    assert value["rushers_exact"] == 0.0 and value["deep_safeties_exact"] == 0.0
    assert value["corner_depth_mean_error_yd"] == pytest.approx(0.5, abs=1e-3)
    assert value["position_median_yd"] == pytest.approx(0.4, abs=1e-3)
    assert value["people_recall_sideline"] == pytest.approx(22 / 23)
    assert value["people_precision_sideline"] == 1.0
    assert value["side_accuracy"] == pytest.approx(20 / 21)
    assert value["absolute_wrong"] == 1.0
    assert value["registration_median_yd"] == pytest.approx(0.3, abs=1e-3)
    deep = next(x for x in report.labels if x.name == "deep_safeties")
    assert deep.answered == 0.0
    kinds = {w["what"] for w in report.worst}
    assert {"snap off by frames", "defender off by yd", "rushers wrong"} <= kinds


def test_invented_snap_and_missing_clip_are_seen(truth: Path, tmp_path: Path) -> None:
    pred = copy(truth, tmp_path)

    def invent(found: list[ledger.Row]) -> list[ledger.Row]:
        quiet = next(r for r in found if r["clip"] == "two.mp4")
        quiet.update(snap_frame=10, snap_time_s=0.3, play_kind="run")
        return [quiet]

    change(pred, "snaps", invent)
    report = evaluate.evaluate(pred, truth)
    assert report.value("no_snap_left_alone") == 0.0 and report.value("clips_charted") == 0.5
    assert report.value("snap_within_2_frames") == 0.0 and any("one" in n for n in report.notes)


@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
def test_a_staffs_own_chart_with_only_the_columns_it_has(ending: str, truth: Path, tmp_path: Path) -> None:
    cells = [["Clip", "Deep Safeties", "Rushers", "Motion", "Our Call"], ["one.mp4", 2, 5, "no", "Tampa"]]
    path = tmp_path / f"ours{ending}"
    if ending == ".csv":
        path.write_text("\n".join(";".join(map(str, r)) for r in cells), encoding="cp1252")
    else:
        from openpyxl import Workbook

        book = Workbook()
        for r in cells:
            book.active.append(r)
        book.save(path)
    report = evaluate.evaluate(truth, path)
    assert report.value("deep_safeties_exact") == 1.0 and report.value("rushers_exact") == 0.0
    assert report.value("snap_within_2_frames") is None and report.value("people_recall_sideline") is None
    assert any("Our Call" in n for n in report.notes)
    assert {x.name: x.n for x in report.labels}.get("motion") == 1


def test_rows_without_clip_names_are_never_guessed(truth: Path, tmp_path: Path) -> None:
    path = tmp_path / "ours.csv"
    path.write_text("rushers\n4\n5\n", encoding="utf-8")
    with pytest.raises(UsageError, match="2 rows"):
        evaluate.evaluate(truth, path)
    path.write_text("rushers\n4\n", encoding="utf-8")
    assert evaluate.evaluate(truth, path).value("rushers_exact") == 1.0


@pytest.mark.parametrize(("text", "code"), [("colour\nred\n", 2), ("rushers\nmany\n", 1), ("rotation\nwhirl\n", 1)])
def test_bad_spreadsheets_say_where(text: str, code: int, truth: Path, tmp_path: Path) -> None:
    path = tmp_path / "ours.csv"
    path.write_text(text, encoding="utf-8")
    result = CliRunner().invoke(app, ["evaluate", str(truth), str(path)])
    assert result.exit_code == code and "ours.csv" in result.stderr and "Hint:" in result.stderr


def test_command_prints_the_table(truth: Path, tmp_path: Path) -> None:
    target = tmp_path / "f.json"
    result = CliRunner().invoke(app, ["evaluate", str(truth), str(truth), "--json", str(target)])
    assert result.exit_code == 0 and "deep safeties exact" in result.stdout and target.stat().st_size > 200


@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from("abc")), min_size=2, max_size=60))
def test_kappa_is_that_of_scikit_learn(pairs: list[tuple[str, str]]) -> None:
    from sklearn.metrics import cohen_kappa_score

    a, b = [p[0] for p in pairs], [p[1] for p in pairs]
    if len(set(a) | set(b)) == 1:
        assert np.isnan(stats.kappa(a, b))
    else:
        assert stats.kappa(a, b) == pytest.approx(float(cohen_kappa_score(a, b)), abs=1e-9)


def test_wilson_interval_against_scipy() -> None:
    from scipy.stats import binomtest

    for hits, n in ((0, 5), (3, 10), (97, 100), (300, 300)):
        expected = binomtest(hits, n).proportion_ci(method="wilson")
        assert stats.wilson(hits, n) == pytest.approx((expected.low, expected.high), abs=1e-9)


def test_bootstrap_holds_the_true_median() -> None:
    rng = np.random.default_rng(3)
    low, high = stats.bootstrap([rng.normal(2.0, 0.5, 20) for _ in range(40)], lambda v: float(np.median(v)))
    assert low < 2.0 < high and high - low < 0.3


def test_people_are_matched_one_to_one() -> None:
    found = rows.unplaced_rows("a", "a", "snap", 0, 0.0, support.people())
    assert compare.match_people(found, found) == [(i, i) for i in range(len(found))]
    twice = found + [dict(found[0])]
    assert len(compare.match_people(found, twice)) == len(found)
    assert compare.match_people(found, []) == []


def test_fitted_homography_follows_the_lens() -> None:
    from dataclasses import replace

    camera = replace(support.CAMERA, k1=0.02)
    h = rows.fitted_px_to_yd(camera, "college")
    assert h is not None
    px = np.array([[x, y] for x in (20.0, 320.0, 620.0) for y in (60.0, 200.0, 340.0)])
    ideal = np.concatenate([px, np.ones((9, 1))], 1)
    fitted = ideal @ h.T
    plain = ideal @ np.linalg.inv(camera.yd_to_px).T
    true = camera.px_to_ground(px)
    error = [np.linalg.norm(v[:, :2] / v[:, 2:] - true, axis=1).max() for v in (fitted, plain)]
    assert error[0] < 0.6 * error[1] and error[0] < 0.5


def test_truth_between_written_frames() -> None:
    rows_ = {f: {"frame": f, **{k: float(f) for k in compare._CAMERA}} for f in (0, 5, 20)}
    halfway = compare.truth_at(rows_, 2)
    assert halfway is not None and halfway["camera_pan_deg"] == pytest.approx(2.0) and halfway["frame"] == 2
    assert compare.truth_at(rows_, 5) is rows_[5]
    assert compare.truth_at(rows_, 12) is None and compare.truth_at(rows_, 25) is None


def test_people_who_count_for_nobody() -> None:
    found = rows.unplaced_rows("a", "a", "snap", 0, 0.0, support.people())
    n = len(found)
    hidden = {**found[0], "box_left_px": None, "ground_x_px": 5.0, "ground_y_px": 5.0}
    cut = {**found[1], "ground_y_px": 400.0}
    beyond = {**found[2], "x_yd": 50.0, "y_yd": 54.5}
    pair = compare.Pair("a", {"field_level": "college"}, {}, [*found, hidden, beyond], [*found, cut])
    pair.size_px = (support.WIDTH, support.HEIGHT)
    matched = [(i, i) for i in range(n)]
    assert compare.people_counted(pair, matched) == (n, n, n)
    pair.pred_people.append({**found[1], "ground_y_px": 300.0})  # invented
    assert compare.people_counted(pair, matched) == (n, n, n + 1)
    assert compare.people_counted(pair, matched[1:]) == (n - 1, n, n + 1)  # one missed, his find stands alone
    assert compare.people_counted(pair, [*matched, (n + 1, n)]) == (n, n, n + 1)  # found beyond the lines


def test_two_human_charts_are_held_against_each_other(tmp_path: Path) -> None:
    """Agreement of two people, against scikit-learn's kappa; the program can be held against the same figure."""
    from sklearn.metrics import cohen_kappa_score

    ours, theirs = ["4", "5", "4", "3", "4", "6"], ["4", "5", "5", "3", "4", "4"]
    for name, values in (("a", ours), ("b", theirs)):
        rows_ = "\n".join(f"clip{k}.mp4,{v}" for k, v in enumerate(values))
        (tmp_path / f"{name}.csv").write_text(f"clip,rushers\n{rows_}\n", encoding="utf-8")
    report = evaluate.evaluate(tmp_path / "a.csv", tmp_path / "b.csv")
    rushers = next(x for x in report.labels if x.name == "rushers")
    assert rushers.exact == pytest.approx(4 / 6) and rushers.kappa == pytest.approx(cohen_kappa_score(ours, theirs))
    assert rushers.confusion["5 -> 4"] == 1 and np.isnan(rushers.brier)
    (tmp_path / "c.csv").write_text("rushers\n4\n", encoding="utf-8")
    with pytest.raises(UsageError, match="names its clips"):
        evaluate.evaluate(tmp_path / "c.csv", tmp_path / "b.csv")


def test_figures_of_the_labels_by_hand() -> None:
    """Four dropbacks: shares, first two guesses, man or zone, corner classes; a blank counts as wrong."""
    said = [
        {"snap_id": "1", "rushers": 4, "coverage_after": "cover_1", "corner_depth_offense_left_yd": 2.0,
         "coverage_after_candidates": "cover_1:0.70 cover_3:0.20",
         "coverage_before_candidates": "cover_3:0.6 cover_1:0.3"},
        {"snap_id": "2", "rushers": 5, "coverage_after": "cover_3", "corner_depth_offense_left_yd": 5.0,
         "coverage_after_candidates": "cover_3:0.50 cover_1:0.45",
         "coverage_before_candidates": "cover_4:0.6 cover_6:0.3"},
        {"snap_id": "3", "coverage_before_candidates": "cover_4:0.9"},
    ]  # fmt: skip
    truth = [
        {"rushers": 4, "coverage_after": "cover_1", "corner_depth_offense_left_yd": 1.5},
        {"rushers": 4, "coverage_after": "cover_1", "corner_depth_offense_left_yd": 6.0},
        {"rushers": 4, "coverage_after": "cover_4"},
        {"rushers": 4, "coverage_after": "other"},
    ]
    pairs = [compare.Pair(str(k), {"play_kind": "dropback", **t}, p)
             for k, (t, p) in enumerate(zip(truth, [*said, None], strict=True))]  # fmt: skip
    got = label_figures.keys(pairs, {})
    assert got["labels_rushers_exact"] == 0.25 and got["labels_coverage_after_top1"] == 0.25
    assert got["labels_coverage_after_top2"] == 0.5 and got["labels_coverage_before_top2"] == 0.5
    assert got["labels_man_zone_accuracy"] == pytest.approx(1 / 3), "two answered, 'other' is neither"
    assert got["labels_corner_depth_mean_error_yd"] == pytest.approx(0.75)
    assert got["labels_corner_class_accuracy"] == 0.5, "soft said where it was off"
    assert "labels_worst_ece" not in got, "no confidences, no calibration"
    sure = {("1", "rushers"): 0.9, ("2", "rushers"): 0.6}
    assert label_figures.calibration(pairs, sure, least=2)["rushers"] == pytest.approx((0.1 + 0.6) / 2)
    back = evaluate.Report.from_dict(
        evaluate.Report(label_figures=label_figures.figures(pairs, sure)).as_dict()
    )
    assert [v.key for v in back.label_figures] == [v.key for v in label_figures.figures(pairs, sure)]
