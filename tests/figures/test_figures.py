"""People as meshes: geometry stands on the ground, stances look as named, kits differ and repeat."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
import pytest

from models.training.film import figures as fg
from models.training.film.figures import atlas, poses, skeleton
from models.training.film.figures.bodies import KINDS, template
from models.training.film.figures.wardrobe import COLORS, TEST_ONLY
from pipeline.errors import ShapeError


@dataclass(frozen=True)
class Man:
    id: int
    side: str = "offense"
    role: str = "player"
    position: str = "guard"
    number: int = 64
    height_yd: float = 2.05
    build: float = 1.0


def build(people, stance, velocity=None, facing=None, phase=None, wardrobe=None, **more):
    n = len(people)
    wardrobe = wardrobe or fg.draw_wardrobe(np.random.default_rng(3))
    return fg.build_meshes(
        people, wardrobe, np.stack([np.arange(n) * 3.0, np.full(n, 20.0)], 1),
        np.zeros((n, 2)) if velocity is None else velocity, np.zeros(n) if facing is None else facing,
        stance, np.zeros(n) if phase is None else phase, np.arange(n), **more,
    )  # fmt: skip


def heights(mesh, n):
    return np.array([mesh.vertices[mesh.person == i, 2].max() for i in range(n)])


@pytest.mark.parametrize("name", fg.ALL_STANCES)
def test_everyone_stands_on_the_ground_near_his_place(name):
    people = [Man(i, number=i) for i in range(12)]
    mesh = build(people, np.full(12, fg.STANCE[name]))
    low = np.array([mesh.vertices[mesh.person == i, 2].min() for i in range(12)])
    assert np.abs(low).max() < 1e-4
    assert np.abs(mesh.feet_yd - np.stack([np.arange(12) * 3.0, np.full(12, 20.0)], 1)).max() < 0.6
    assert np.isfinite(mesh.vertices).all() and np.isfinite(mesh.normals).all()
    np.testing.assert_allclose(np.linalg.norm(mesh.normals, axis=1), 1, atol=1e-3)


def test_stances_have_the_heights_their_names_say():
    people = [Man(i) for i in range(8)]
    top = {n: heights(build(people, np.full(8, fg.STANCE[n])), 8).mean() / 2.05 for n in fg.STANCES}
    assert 0.95 < top["standing"] < 1.1
    assert top["three_point"] < 0.72 and top["four_point"] < 0.72
    assert top["down"] < 0.62
    assert top["three_point"] < top["two_point"] < top["standing"]


def test_a_three_point_stance_has_one_hand_down_and_a_four_point_two():
    weights = np.eye(len(fg.ALL_STANCES))[[fg.STANCE["three_point"], fg.STANCE["four_point"]]]
    zero = np.zeros(2)
    rows = poses.pose_rows(weights, np.zeros(2, int), np.zeros(2, bool), np.zeros((2, len(poses.PARAMS))),
                           np.zeros((2, 2)), zero, zero)  # fmt: skip
    rig = poses.solve(rows, np.zeros((2, 2)), np.ones(2))
    z = rig.origin[:, [skeleton.BONE["hand_l"], skeleton.BONE["hand_r"]], 2]
    assert (z[0] < 0.12).sum() == 1
    assert (z[1] < 0.12).sum() == 2


def test_bones_keep_their_length_in_every_pose():
    rng = np.random.default_rng(0)
    weights = np.eye(len(fg.ALL_STANCES))
    n = len(weights)
    rows = poses.pose_rows(weights, rng.integers(0, 4, n), rng.random(n) < 0.5,
                           rng.standard_normal((n, len(poses.PARAMS))),
                           rng.normal(0, 2, (n, 2)), rng.uniform(0, 6, n), np.zeros(n))  # fmt: skip
    rig = poses.solve(rows, np.zeros((n, 2)), np.ones(n))
    for a, b, length in (("arm_l", "fore_l", skeleton.UPPER_ARM), ("fore_r", "hand_r", skeleton.FOREARM),
                         ("thigh_l", "shin_l", skeleton.THIGH), ("shin_r", "foot_r", skeleton.SHIN)):  # fmt: skip
        d = np.linalg.norm(rig.origin[:, skeleton.BONE[a]] - rig.origin[:, skeleton.BONE[b]], axis=1)
        np.testing.assert_allclose(d, length, rtol=0.02)
    eye = np.einsum("pbij,pbkj->pbik", rig.rotation, rig.rotation)
    np.testing.assert_allclose(eye, np.broadcast_to(np.eye(3), eye.shape), atol=1e-6)
    np.testing.assert_allclose(np.linalg.det(rig.rotation), 1, atol=1e-6)


def test_facing_turns_the_face_and_is_free_of_the_direction_of_movement():
    people = [Man(0), Man(1)]
    back = np.array([[-4.0, 0], [0, 4.0]])
    mesh = build(people, np.full(2, fg.STANCE["moving"]), velocity=back, facing=np.array([0.0, np.pi / 2]))
    lead = mesh.heads_yd[:, :2] - mesh.feet_yd
    assert lead[0, 0] > 0.05  # runs backwards, still leans and looks to +x
    assert lead[1, 1] > 0.0


def test_meshes_repeat_and_stances_change_softly():
    people = [Man(i) for i in range(4)]
    a, b = build(people, np.full(4, 2)), build(people, np.full(4, 2))
    np.testing.assert_array_equal(a.vertices, b.vertices)
    np.testing.assert_array_equal(a.colours, b.colours)
    stance = np.array([[fg.STANCE["three_point"]] * 4] * 10 + [[fg.STANCE["moving"]] * 4] * 20)
    soft = fg.soft_stance(stance, 30.0)
    np.testing.assert_allclose(soft.sum(-1), 1, atol=1e-5)
    assert (soft[9, :, fg.STANCE["three_point"]] == 1).all()
    assert np.allclose(soft[25, :, fg.STANCE["moving"]], 1)
    tops = [heights(build(people, s), 4) for s in soft]
    assert np.abs(np.diff(tops, axis=0)).max() < 0.25  # no jump: from down to upright takes several frames


def test_gait_phase_makes_longer_strides_at_speed():
    t = np.arange(60) / 30.0
    xy = np.stack([np.stack([1.5 * t, 0 * t], 1), np.stack([8 * t, 0 * t], 1)], 1)
    phase = fg.gait_phase(xy, 30.0, np.zeros(2))
    strides = (phase[-1] - phase[0]) / (2 * np.pi)
    length = np.array([1.5, 8.0]) * (t[-1] - t[0]) / strides
    assert 1.2 < length[0] < 2.0 and 3.5 < length[1] < 5.5


def test_templates_are_sound():
    for kind in KINDS:
        for fine in (True, False):
            t = template(kind, fine)
            assert t.triangle.min() >= 0 and t.triangle.max() < len(t.zone)
            assert (600 if not fine else 1200) < len(t.triangle) < (1700 if not fine else 4000)
            v = t.vertex[t.triangle]
            face = np.cross(v[:, 1] - v[:, 0], v[:, 2] - v[:, 0])
            bend = t.bend.reshape(len(t.zone), -1, 3).sum(1)[t.triangle].sum(1)
            assert ((face * bend).sum(1) > 0).mean() > 0.97, kind


def test_held_back_colours_stay_out_of_train_and_enter_test():
    held = np.array([COLORS[n] for n in TEST_ONLY], float)
    pairs = {s: [_mains(np.random.default_rng(i), s) for i in range(60)] for s in ("train", "test")}
    assert not any(m in TEST_ONLY for pair in pairs["train"] for m in pair)
    assert sum(m in TEST_ONLY for pair in pairs["test"] for m in pair) > 30
    assert len(held) == len(TEST_ONLY)


def _mains(rng, split):
    from models.training.film.figures.wardrobe import _pairing

    return _pairing(rng, split, False)


def test_the_atlas_shows_each_number_in_its_own_cell():
    w = fg.draw_wardrobe(np.random.default_rng(1))
    assert w.atlas.shape == (atlas.HEIGHT, atlas.WIDTH, 3) and w.atlas.dtype == np.uint8
    cells = []
    for n in range(100):
        x, y, dx, dy = atlas.number_rect(0, n)
        x0, y0 = round(x * atlas.WIDTH), round(y * atlas.HEIGHT)
        cells.append(w.atlas[y0 : y0 + round(dy * atlas.HEIGHT), x0 : x0 + round(dx * atlas.WIDTH)].astype(int))
    for i in range(99):
        assert np.abs(cells[i] - cells[i + 1]).max() > 40
    u, v = atlas.white_uv()
    assert (w.atlas[int(v * atlas.HEIGHT), int(u * atlas.WIDTH)] == 255).all()


def test_numbers_are_not_mirrored():
    """Seen from behind, the back panel's left edge in the atlas lies on the body's left."""
    t = template("player", True)
    from models.training.film.figures.cast import make_cast
    from models.training.film.figures.zones import ZONE

    w = fg.draw_wardrobe(np.random.default_rng(1))
    cast = make_cast([Man(0)], w, np.array([0]), np.array([True]))
    uv = cast.groups[0].uv[0]
    for zone, sign in (("front_number", 1), ("back_number", -1)):
        m = t.zone == ZONE[zone]
        assert np.corrcoef(t.vertex[m, 1], uv[m, 0])[0, 1] * sign > 0.9
        assert np.corrcoef(t.vertex[m, 2], uv[m, 1])[0, 1] < -0.9


def test_wrong_shapes_are_named():
    with pytest.raises(ShapeError, match="stance"):
        build([Man(0), Man(1)], np.zeros(3, int))
    with pytest.raises(ShapeError, match="phase"):
        build([Man(0)], np.zeros(1, int), phase=np.zeros(2))


def test_seventy_people_in_good_time():
    """80 ms a frame is the aim on a quiet core; a loaded machine gets five times that."""
    people = [Man(i, side="offense" if i % 2 else "defense") for i in range(22)]
    people += [Man(22 + i, side="official", role="official", position="official") for i in range(8)]
    people += [fg.Bystander(30 + i) for i in range(40)]
    w = fg.draw_wardrobe(np.random.default_rng(3))
    stance = np.arange(70) % len(fg.STANCES)
    build(people, stance, wardrobe=w)
    best = min(_timed(lambda: build(people, stance, wardrobe=w)) for _ in range(5))
    assert best < 0.4


def _timed(call):
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def test_practice_and_unpadded_kits_come_in_train_looks_only():
    count = {"train": 40, "test": 10}
    styles = {
        s: [fg.draw_wardrobe(np.random.default_rng(i), split=s).style for i in range(n)] for s, n in count.items()
    }
    assert set(styles["test"]) == {"full"}
    assert {"full", "athlete"} <= set(styles["train"])
    i = styles["train"].index("athlete")
    bare = build([Man(0)], np.zeros(1, int), wardrobe=fg.draw_wardrobe(np.random.default_rng(i), split="train"))
    full = build([Man(0)], np.zeros(1, int), wardrobe=fg.draw_wardrobe(np.random.default_rng(i), split="test"))
    assert np.ptp(bare.vertices[:, 1]) < np.ptp(full.vertices[:, 1])  # no pads
