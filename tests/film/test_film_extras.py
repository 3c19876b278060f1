"""What training stills get on top: crowds, paint under people, shade, gear; and what test looks must not get."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from models.training.film import extras, gear, glyphs, props, sunlight
from models.training.film.cameras import cameras
from models.training.film.draw import draw_look
from models.training.film.still import Stage, render_still, renderer, whole_boxes
from models.training.film.stills import one_still
from models.training.playbook.play import STANCES, Play, make_play


def _men(play: Play) -> np.ndarray:
    return np.array([p.role == "player" for p in play.people])


def _nearest(play: Play, index: int) -> np.ndarray:
    xy = play.xy_yd[index][_men(play)]
    d = np.linalg.norm(xy[:, None] - xy[None], axis=2) + np.eye(len(xy)) * 99
    return d.min(1)


def _late(play: Play, s: float = 1.5) -> int:
    return int(np.argmin(np.abs(play.time_s - s)))


@pytest.mark.parametrize("seed", [3, 11, 12])
def test_blocks_bring_opponents_face_to_face(seed: int) -> None:
    play = make_play(seed, "college")
    k = _late(play)
    got = extras.blocked(play, k, np.random.default_rng(seed))
    changed = np.flatnonzero((got.xy_yd[k] != play.xy_yd[k]).any(1))
    assert len(changed) >= 4 and _men(play)[changed].all()  # officials and the crowd stay
    assert np.minimum(_nearest(got, k), 2).mean() < np.minimum(_nearest(play, k), 2).mean() - 0.03
    assert _nearest(got, k)[_nearest(play, k) > 0.4].min() > 0.25
    held = [i for i in changed if got.stance[k, i] == STANCES.index("engaged")]
    facing = 0
    for i in held:
        others = [j for j in held if play.people[j].side != play.people[i].side]
        d = got.xy_yd[k, others] - got.xy_yd[k, i]
        to = d[np.argmin(np.linalg.norm(d, axis=1))]
        facing += np.cos(got.facing_rad[k, i] - np.arctan2(to[1], to[0])) > 0.3
    assert facing >= 0.75 * len(held)


def test_piles_gather_near_the_ball_and_leave_the_rest_of_the_play() -> None:
    """Only the moments around the still move; who lies lies long enough for the pose to be complete."""
    for seed in range(6):
        play = make_play(seed, "professional")
        k = _late(play, 2.0)
        if play.snap_index is None:
            continue
        got = extras.piled(play, k, np.random.default_rng(seed))
        moved = (got.xy_yd != play.xy_yd).any(2)
        assert 1 <= moved[k].sum() <= 9
        assert not moved[: k - 3].any() and not moved[k + 4 :].any()
        down = got.stance[k] == STANCES.index("down")
        fresh = down & (play.stance[k] != STANCES.index("down"))
        assert (got.stance[k - 9 : k + 1][:, fresh] == STANCES.index("down")).all()
        step = np.linalg.norm(got.xy_yd[k + 1] - got.xy_yd[k], axis=1) * play.hz
        assert step.max() < 12  # yd/s: nobody flies


def test_tight_lines_do_not_stand_inside_each_other(play: Play) -> None:
    k = (play.snap_index or 0) - 5
    got = extras.tight(play, k, np.random.default_rng(0))
    assert (_nearest(got, k) < 1.0).mean() > (_nearest(play, k) < 1.0).mean()
    assert _nearest(got, k).min() > 0.45


def test_enriched_stills_keep_their_truth(play: Play) -> None:
    """Boxes hold the projected head and feet of everybody who is whole in the picture, in a pile too."""
    k = _late(play)
    look = draw_look(np.random.default_rng(8), "endzone", "professional", "train")
    piled = extras.piled(extras.blocked(play, k, np.random.default_rng(1)), k, np.random.default_rng(2))
    rich, again = extras.enriched(look, piled, k, np.random.default_rng(5))
    _, t = render_still(again, k, rich, (852, 480))
    ids = {p.id: i for i, p in enumerate(again.people)}
    own = [(i, ids[int(a)]) for i, a in enumerate(t.person_id) if int(a) in ids]
    assert len(own) > 8
    for i, j in own:
        assert np.allclose(t.xy_yd[i], again.xy_yd[k, j], atol=1e-6)
        if not t.cut[i] and np.isfinite(t.head_px[i]).all():
            b = t.full_box_px[i]
            assert (t.head_px[i] > b[:2] - 2).all() and (t.head_px[i] < b[2:] + 2).all()
    assert ((t.visible >= 0) & (t.visible <= 1)).all()


def test_paint_lies_under_players_and_shade_crosses_the_play(play: Play) -> None:
    rng = np.random.default_rng(2)
    k = play.snap_index or 0
    look = draw_look(rng, "sideline", "professional", "train")
    men = play.xy_yd[k][_men(play)]
    for d in extras.under_people(look, play, k, rng):
        assert np.linalg.norm(men - d.center_yd, axis=1).min() < 7
    sun = replace(look.light, kind="sun", shadow_edges=())
    cut = 0
    for _ in range(20):
        nx, ny, off, _ = extras.shaded(sun, men.mean(0), rng).shadow_edges[0]
        side = men @ (nx, ny) > off
        cut += 0 < side.sum() < len(side)
    assert cut >= 14


def test_test_looks_stay_without_extras(monkeypatch: pytest.MonkeyPatch) -> None:
    """The split 'test' is drawn as ever: nothing here is called for it."""

    def never(*_: object) -> None:
        raise AssertionError("extras in a test look")

    monkeypatch.setattr(extras, "enriched", never)
    monkeypatch.setattr(props, "gear", never)
    monkeypatch.setattr(glyphs, "_trimmed", never)
    one_still(5, 0, "test", (852, 480), "sideline")


def test_gear_stands_beside_the_field_only() -> None:
    """Nothing but wires and cranes hangs over the field of play; posts' pads stand behind the end lines or, in the
    Canadian game, behind the goal lines."""
    for seed in range(12):
        look = draw_look(np.random.default_rng(seed), "sideline", "college", "train")
        rng = np.random.default_rng(seed)
        for make in (gear.yard_markers, gear.tents, gear.kicking_net, gear.post_pads):
            for s in make(rng, look):
                x, y = s.vertices[:, 0], s.vertices[:, 1]
                inside = (x > 0) & (x < look.field.length) & (y > 0) & (y < look.field.width)
                assert not inside.any()


def test_sun_view_holds_everybody_and_looks_along_the_sun() -> None:
    """Every vertex falls inside the square map, and a shadow on level ground (a vertex moved along the sun) falls on
    the same place of it."""
    rng = np.random.default_rng(0)
    for _ in range(10):
        a, e = rng.uniform(0, 2 * np.pi), np.deg2rad(rng.uniform(14, 68))
        sun = (float(np.cos(a) * np.cos(e)), float(np.sin(a) * np.cos(e)), float(np.sin(e)))
        v = rng.uniform((0, -10, 0), (120, 63, 2.2), (500, 3)).astype(np.float32)
        view = sunlight.sun_view(sun, v)
        axes = np.stack([view.right, view.up])
        at = (v - view.center) @ axes.T
        assert np.abs(at).max() <= 1.0
        ground = v - np.asarray(sun) * (v[:, 2:] / sun[2])
        np.testing.assert_allclose((ground - view.center) @ axes.T, at, atol=1e-4)
        assert np.abs((v - view.center) @ np.asarray(sun)).max() < sunlight.DEPTH_YD / 2


def test_men_in_the_shadow_of_others_are_darker(play: Play, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the shadow map on, people are darker in places and nowhere brighter; the ground does not change."""
    look = draw_look(np.random.default_rng(8), "endzone", "professional", "train")
    el = np.deg2rad(25)
    sun = (float(np.cos(el)), 0.0, float(np.sin(el)))
    light = replace(look.light, kind="sun", sun_dir=sun, direct=0.75, shadow_edges=(), pools=0.0)
    look = replace(look, light=light, turf=replace(look.turf, snow=0.0))
    k = (play.snap_index or 0) - 5
    frames = []
    for on in (True, False):
        monkeypatch.setattr(sunlight, "casts", lambda _, on=on: on)
        stage = Stage(play, look)
        cam = cameras(look, play, np.array([k]), (1280, 720))[0]
        who = stage.seen([cam], [k])
        mesh = stage.mesh(k, who)
        boxes = whole_boxes(mesh, cam, look, len(who))
        frames.append(renderer((1280, 720)).render(look, cam, mesh, [], boxes, stage.wardrobe.atlas))
    step = frames[0].picture.astype(int) - frames[1].picture
    people = (frames[0].who > 0) & (frames[0].who < 255)
    assert (step.min(2)[people] < -15).mean() > 0.01 and step.max() <= 1
    inner = cv2.dilate((frames[0].who > 0).astype(np.uint8), np.ones((5, 5))) == 0
    assert np.abs(step[inner]).max() <= 1
