"""A clip end to end through the real stages, with stand-ins for trained models only."""

from __future__ import annotations

import io
import json
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline import config as configs
from pipeline.chart import chart_clip
from pipeline.errors import NoFieldError
from pipeline.ledger import ClipResult, read_csv
from pipeline.progress import LineReporter
from pipeline.records import Registration
from pipeline.run import Run, collect
from tests import program_support as support


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return support.write_film(tmp_path_factory.mktemp("film") / "game one.mp4", 4.5)


@pytest.fixture(scope="module")
def charted(film: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[ClipResult, Path]:
    out = tmp_path_factory.mktemp("run")
    return chart_clip(film, film.name, "game_one", configs.load(), support.known_tools((1.5,)), out), out


def test_one_row_with_what_the_formation_shows(charted: tuple[ClipResult, Path]) -> None:
    (row,) = charted[0].rows["snaps"]
    assert row["snap_id"] == "game_one-p1" and row["snap_frame"] == 45
    assert row["snap_time_s"] == pytest.approx(1.5, abs=1e-9)
    assert (row["offense_players"], row["defense_players"]) == (11, 11)
    assert row["deep_safeties"] == 2 and row["middle_of_field"] == "open"  # common practice, no source
    assert row["line_of_scrimmage_yd"] == pytest.approx(support.LOS, abs=0.6)
    assert row["offense_direction"] == "right"
    for side in ("left", "right"):
        assert row[f"corner_depth_offense_{side}_yd"] == pytest.approx(7.0, abs=0.6)


def test_positions_are_the_true_ones(charted: tuple[ClipResult, Path]) -> None:
    at_snap = [r for r in charted[0].rows["positions"] if r["moment"] == "snap" and r["role"] == "player"]
    truth, team = support.formation()
    found = np.array([[r["x_yd"], r["y_yd"]] for r in at_snap])
    nearest = np.linalg.norm(truth[:, None] - found[None], axis=2)
    assert len(at_snap) == 22 and nearest.min(1).max() < 0.1
    sides = [at_snap[j]["side"] for j in nearest.argmin(1)]
    assert sides == ["defense" if t else "offense" for t in team]
    assert all(r["box_right_px"] > r["box_left_px"] for r in at_snap)


def test_every_sampled_frame_has_a_registration_row(charted: tuple[ClipResult, Path]) -> None:
    rows = charted[0].rows["registration"]
    frames = [r["frame"] for r in rows]
    assert frames == sorted(set(frames)) and 45 in frames and 75 in frames
    h = np.array([[rows[0][f"h{r}{c}"] for c in (1, 2, 3)] for r in (1, 2, 3)])
    point = np.array([60.0, 20.0])
    px = support.CAMERA.ground_to_px(point)
    back = h @ [*px, 1.0]
    # The stand-in camera has no lens term, so its homography is exact (R. Hartley, A. Zisserman, 2nd ed., 8.1.1).
    assert back[:2] / back[2] == pytest.approx(point, abs=1e-6)


def test_pictures_are_there_and_wider_than_the_film(charted: tuple[ClipResult, Path]) -> None:
    pictures = sorted((charted[1] / "frames").glob("*.jpg"))
    assert [p.name for p in pictures] == ["game_one-p1-after.jpg", "game_one-p1-snap.jpg"]
    for path in pictures:
        image = cv2.imread(str(path))
        assert image is not None and image.shape[1] > configs.load().pictures.width_px


def test_labels_and_evidence_stand_behind_the_row(charted: tuple[ClipResult, Path]) -> None:
    result = charted[0]
    by_name = {r["label"]: r for r in result.rows["labels"]}
    assert by_name["deep_safeties"]["value"] == "2" and by_name["deep_safeties"]["status"] == "ok"
    evidence = json.loads((charted[1] / "evidence" / "game_one-p1.json").read_text(encoding="utf-8"))
    assert len(evidence["tracks"]["xy_yd"][0]) >= 22 and len(evidence["samples"]) >= 10
    assert evidence["samples"][0]["registration"]["camera"]["focal_px"] == support.CAMERA.focal_px


def test_several_snaps_in_one_file(film: Path) -> None:
    result = chart_clip(film, film.name, "g", configs.load(), support.known_tools((1.0, 3.2)))
    assert [r["snap_id"] for r in result.rows["snaps"]] == ["g-p1", "g-p2"]


def test_no_snap_gives_a_row_that_says_so(film: Path) -> None:
    result = chart_clip(film, film.name, "g", configs.load(), support.known_tools(()))
    (row,) = result.rows["snaps"]
    assert row["play_kind"] == "no_snap" and row.get("snap_frame") is None and row["review"]
    assert "deep_safeties" not in row and "positions" not in result.rows


def test_field_not_registered_keeps_people_in_pixels_and_no_labels(film: Path) -> None:
    result = chart_clip(film, film.name, "g", configs.load(), support.known_tools((1.5,), "abstained"))
    (row,) = result.rows["snaps"]
    assert row.get("deep_safeties") is None and "field not registered" in row["review_reasons"]
    people = [r for r in result.rows["positions"] if r["moment"] == "snap"]
    assert len(people) == 23 and all("x_yd" not in r for r in people)


def test_no_field_anywhere_is_an_error(film: Path) -> None:
    with pytest.raises(NoFieldError) as caught:
        chart_clip(film, film.name, "g", configs.load(), support.known_tools((1.5,), "failed"))
    assert caught.value.where == film.name and "field" in caught.value.message and caught.value.hint


def test_field_is_registered_in_few_frames_and_carried_between(film: Path) -> None:
    settings = configs.load().with_("sampling", register_every=3)
    tools = support.known_tools((1.5,))
    result = chart_clip(film, film.name, "g", settings, tools)
    calls = tools.registrar.calls  # type: ignore[attr-defined]
    found = result.rows["registration"]
    assert calls < 0.6 * len(found) and all(r["status"] == "ok" for r in found)
    failing = support.known_tools((1.5,), "abstained")
    found = chart_clip(film, film.name, "g", settings, failing).rows["registration"]
    assert failing.registrar.calls == len(found)  # type: ignore[attr-defined]


class _ByClip:
    """Tells another level from the film of one clip, unless the level is given."""

    def __init__(self, level: str | None = None) -> None:
        self.level, self.calls = level, 0

    def register(self, image_bgr: np.ndarray, people: object = None, hint: object = None) -> Registration:
        self.calls += 1
        told = "canadian" if image_bgr[:20].mean() > 200 else "college"
        return Registration("ok", support.CAMERA, "sideline", self.level or told, True, 0.4, 0.1)


@pytest.mark.parametrize("one_game", [True, False])
def test_clips_of_one_game_agree_on_the_field_level(one_game: bool, film: Path, tmp_path: Path) -> None:
    folder = tmp_path / "game"
    folder.mkdir()
    for name in ("a", "b", "c"):
        shutil.copy(film, folder / f"{name}.mp4")
    support.write_film(folder / "d.mp4", 3.2, brightness=250)
    tools = replace(support.known_tools((1.5,)), registrar=_ByClip(), registrar_at=_ByClip)
    settings = configs.load().with_("field", one_game=one_game)
    stream = io.StringIO()
    Run(settings, tools, tmp_path / "out").chart(collect([folder], settings), LineReporter(stream))
    told = [r["field_level"] for r in read_csv(tmp_path / "out" / "snaps.csv", "snaps")]
    assert told == ["college"] * 3 + (["college"] if one_game else ["canadian"])
    assert ("like the other clips" in stream.getvalue()) == one_game


def test_a_man_missed_in_the_frame_of_the_snap_is_still_where_he_stands(film: Path) -> None:
    tools = support.known_tools((1.5,))
    find, calls = tools.finder.find, []

    def forgetful(image: np.ndarray) -> object:
        calls.append(1)
        found = find(image)
        if len(calls) not in (5, 6):  # the frames just before and at the snap: the film begins 1.5 s before it
            return found
        keep = np.arange(len(found)) != 5
        fields = ("box_px", "role", "confidence", "ground_px", "head_px", "cut", "kit")
        return replace(found, **{f: getattr(found, f)[keep] for f in fields})

    tools.finder.find = forgetful  # type: ignore[method-assign, assignment]
    result = chart_clip(film, film.name, "g", configs.load(), tools)
    at_snap = [r for r in result.rows["positions"] if r["moment"] == "snap" and r["role"] == "player"]
    (missed,) = [r for r in at_snap if r.get("box_left_px") is None]
    ground = support.CAMERA.ground_to_px(np.array(support.formation()[0][5]))
    assert len(at_snap) == 22
    assert [missed["ground_x_px"], missed["ground_y_px"]] == pytest.approx(ground.tolist(), abs=2.0)
