"""The simulated finders, and the whole chain behind them on a few plays nobody tuned on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.training.evaluate_labels import Tally, judge
from models.training.observe import PERFECT, TIMES_S, USUAL, WORSE, Errors, hidden_by, observe, sideline_camera
from models.training.playbook.play import Play, make_play


@pytest.fixture(scope="module")
def plays() -> list[Play]:
    return [make_play(s, "professional", kind="pass") for s in range(970_000, 970_012)]


def test_perfect_eyes_put_everybody_where_he_is(plays: list[Play]) -> None:
    play = plays[0]
    seen = observe(play, 1, PERFECT)
    i = TIMES_S.index(0.0)
    sample, who = seen.samples[i], seen.who[i]
    assert sample.registration.camera is not None
    xy = sample.registration.camera.px_to_ground(sample.people.ground_px.astype(float))
    true = {p.id: play.xy_yd[play.snap_index, k] for k, p in enumerate(play.people)}  # type: ignore[index]
    players = [p.id for p in play.people if p.role == "player"]
    assert set(players) <= set(who.tolist())
    assert np.abs(xy - np.array([true[k] for k in who])).max() < 0.02


def test_usual_eyes_err_about_as_much_as_configured(plays: list[Play]) -> None:
    gaps, found, false, total = [], 0, 0, 0
    for play in plays[:6]:
        seen = observe(play, 5, replace(USUAL, snap_off_frames=0))
        i = TIMES_S.index(-1.0)
        k = int(np.argmin(np.abs(play.time_s + 1.0)))
        sample, who = seen.samples[i], seen.who[i]
        assert sample.registration.camera is not None
        xy = sample.registration.camera.px_to_ground(sample.people.ground_px.astype(float))
        at = {p.id: play.xy_yd[k, n] for n, p in enumerate(play.people)}
        real = who >= 0
        gaps += list(np.linalg.norm(xy[real] - np.array([at[w] for w in who[real]]), axis=1))
        found += len({int(w) for w in who[real] if w < 22})
        total += 22
        false += int((~real).sum())
    assert 0.1 < np.median(gaps) < 0.3
    assert 0.85 < found / total < 1.0
    assert false < 12


def test_hidden_men_are_missed_more_and_worse_eyes_err_more(plays: list[Play]) -> None:
    """By hand: a man right behind another is hidden by him, the one in front by nobody."""
    box = np.array([[100.0, 100.0, 130.0, 170.0], [102.0, 104.0, 132.0, 174.0], [300.0, 100.0, 330.0, 170.0]])
    hidden, front = hidden_by(box, box[:, 3])
    assert hidden[0] > 0.7 and front[0] == 1 and hidden[1] == hidden[2] == 0.0

    def spread(errors: Errors) -> float:
        gaps = []
        for play in plays:
            seen = observe(play, 5, replace(errors, snap_off_frames=0))
            i, k = TIMES_S.index(-1.0), int(np.argmin(np.abs(play.time_s + 1.0)))
            sample, who = seen.samples[i], seen.who[i]
            assert sample.registration.camera is not None
            xy = sample.registration.camera.px_to_ground(sample.people.ground_px.astype(float))
            real = who >= 0
            gaps += list(np.linalg.norm(xy[real] - play.xy_yd[k, who[real]], axis=1))
        return float(np.median(gaps))

    assert spread(replace(WORSE, scale=(3.0, 3.5))) > 2 * spread(USUAL)


def test_from_behind_the_end_zone_the_line_is_in_the_picture(plays: list[Play]) -> None:
    for play in plays[:6]:
        seen = observe(play, 2, PERFECT, view="endzone")
        ids = set(seen.who[TIMES_S.index(0.0)].tolist())
        five = {p.id for p in play.people if p.position in ("center", "guard", "tackle")}
        assert five <= ids and seen.samples[0].registration.view == "endzone"


def test_the_same_seed_sees_the_same(plays: list[Play]) -> None:
    a, b = observe(plays[0], 3), observe(plays[0], 3)
    assert all((x.people.box_px == y.people.box_px).all() for x, y in zip(a.samples, b.samples, strict=True))


def test_the_chain_holds_on_plays_nobody_tuned_on(plays: list[Play]) -> None:
    """A coarse floor on a dozen plays; `python -m models.training.evaluate_labels` measures the real figures."""
    tally = Tally()
    for play in plays:
        judge(play, observe(play, play.seed, USUAL), tally, play.seed)
    share = {name: float(np.mean(v)) for name, v in tally.right.items()}
    assert share["side_of_the_ball"] > 0.99
    assert share["people_recall"] > 0.98
    assert share["people_precision"] > 0.98
    assert share["direction"] == 1.0
    assert share["deep_safeties"] >= 0.75
    assert share["play_kind"] >= 0.75
    assert share["corner_depth_error_yd"] < 0.8
    assert share["defender_position_error_yd"] < 0.6
    assert share["rushers"] >= 0.6


def test_the_picture_ends_as_far_past_the_deepest_defender_as_on_measured_film(plays: list[Play]) -> None:
    """shared film statistics: room between the deepest defender and the edge 1.9 to 14.7 yd, median 5.1; rendered
    clips of the bench about 12: the simulated pictures lie between them, and a few cut him off."""
    room = []
    for play in plays:
        for seed in range(5):
            camera = sideline_camera(play, np.random.default_rng([play.seed, seed]), USUAL.room_yd)
            men = play.xy_yd[play.snap_index, [k for k, p in enumerate(play.people) if p.role == "player"]]
            deepest = men[int(np.argmax(play.direction * men[:, 0]))]
            steps = np.arange(-4.0, 40.0, 0.25)
            past = np.stack([deepest[0] + play.direction * steps, np.full_like(steps, deepest[1])], -1)
            px = camera.ground_to_px(past)
            inside = ((px >= 0) & (px <= (camera.width_px - 1, camera.height_px - 1))).all(1)
            room.append(float(steps[inside].max()) if inside.any() else -4.0)
    assert 5.0 < np.median(room) < 12.0
    assert 1.0 < np.quantile(room, 0.15) < 6.0
    assert 0 < np.mean(np.array(room) < 0) < 0.2
