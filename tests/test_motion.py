"""Motion: cuts, repeated frames, camera motion against known homographies, activity of what really moves."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.training import snap_clips, snap_film
from models.training.playbook.play import make_play
from pipeline import motion
from pipeline.records import Motion, Shot
from tests.quick_clips import ground, write

W, H = 640, 360


def pan(
    view: Callable[[int], np.ndarray], seed: int, count: int, seed_men: int | None = None
) -> Iterator[np.ndarray]:
    """Pictures of a ground seen through view(i): 3 x 3, picture px -> ground px. Men run on it from frame 40."""
    big = ground(1600, 1000, seed)
    rng = np.random.default_rng(seed if seed_men is None else seed_men)
    spots = rng.uniform([500, 350], [1000, 700], (22, 2))
    speed = rng.normal(0, 2.0, (22, 2))
    shade = rng.integers(0, 255, (22, 3))
    for i in range(count):
        scene = big.copy()
        for k in range(22):
            x, y = spots[k] + speed[k] * max(0, i - 40)
            cv2.ellipse(
                scene, (int(x * 8), int(y * 8)), (64, 144), 0, 0, 360, shade[k].tolist(), -1, cv2.LINE_AA, 3
            )
        picture = cv2.warpPerspective(scene, np.linalg.inv(view(i)), (W, H), flags=cv2.INTER_AREA)
        noise = rng.integers(-4, 5, picture.shape)
        yield np.clip(picture.astype(int) + noise, 0, 255).astype(np.uint8)


def turning(i: int) -> np.ndarray:
    """A camera that pans right, zooms in and rolls, with some perspective."""
    zoom = 1.0 - 0.002 * i
    c, s = zoom * np.cos(0.0005 * i), zoom * np.sin(0.0005 * i)
    view = np.array([[c, -s, 400 + 3.0 * i], [s, c, 320 + 0.5 * i], [0, 0, 1.0]])
    return view @ np.array([[1, 0, 0], [0, 1, 0], [2e-7 * i, 1e-6 * i, 1.0]])


def measure(path: Path, **options: float) -> list[tuple[Shot, Motion]]:
    return list(motion.measure(path, **options))


def corner_error(got: np.ndarray, want: np.ndarray) -> float:
    grid = np.array([[[x, y]] for x in (60, 320, 580) for y in (40, 180, 320)], float)
    return float(np.abs(cv2.perspectiveTransform(grid, got) - cv2.perspectiveTransform(grid, want)).max())


def test_camera_motion_is_followed_without_drift(tmp_path: Path) -> None:
    """Truth: the homographies that made the pictures. 120 frames, men running over a quarter of the picture."""
    path = write(tmp_path / "a.mp4", pan(turning, 3, 120))
    ((shot, found),) = measure(path)
    assert shot == Shot(0, 119) and (found.width_px, found.height_px) == (W, H)
    base = np.linalg.inv(turning(0))
    errors = [corner_error(found.to_first_px[i], base @ turning(i)) for i in range(0, 120, 7)]
    assert errors[0] < 1e-6 and max(errors) < 3.0 and np.median(errors) < 1.0  # px of 640


def test_fixed_camera_stays_fixed(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mp4", pan(lambda i: turning(0), 4, 120))
    ((_, found),) = measure(path)
    assert max(corner_error(m, np.eye(3)) for m in found.to_first_px) < 0.8


def test_shaking_camera_over_still_men_is_quiet_and_running_men_are_not(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    shake = rng.normal(0, 1.0, (90, 2))

    def view(i: int) -> np.ndarray:
        out = turning(0)
        out[:2, 2] += shake[i]
        return out

    ((_, found),) = measure(write(tmp_path / "a.mp4", pan(view, 5, 90)))
    busy = (found.activity > 0.6).sum((1, 2))
    assert np.median(busy[5:40]) < 0.2 * np.median(busy[46:85])
    assert np.median(busy[46:85]) > 20


def test_cut_to_another_place_of_the_same_field(tmp_path: Path) -> None:
    """Same colours on both sides of the cut: only the texture tells. Common practice, no source."""

    def frames() -> Iterator[np.ndarray]:
        yield from pan(lambda i: turning(i), 6, 45)
        yield from pan(lambda i: turning(0), 7, 45)
        yield from pan(lambda i: turning(2 * i), 8, 45)

    pieces = measure(write(tmp_path / "a.mp4", frames()))
    assert [p[0] for p in pieces] == [Shot(0, 44), Shot(45, 89), Shot(90, 134)]
    for shot, found in pieces:
        assert list(found.frame) == list(range(shot.first_frame, shot.last_frame + 1))
        assert np.allclose(found.to_first_px[0], np.eye(3))


def test_cut_under_a_camera_that_stands_still(tmp_path: Path) -> None:
    """The same place, other men: nothing but the people changes. A snap (all start at once) is not a cut."""
    before, after = (
        list(pan(lambda i: turning(0), 6, 75)),
        list(pan(lambda i: turning(0), 6, 75, seed_men=99)),
    )
    alone = measure(write(tmp_path / "a.mp4", before))
    assert [p[0] for p in alone] == [Shot(0, 74)]
    pieces = measure(write(tmp_path / "b.mp4", before[:38] + after[:30]))
    assert [p[0] for p in pieces] == [Shot(0, 37), Shot(38, 67)]


def test_no_cut_in_a_whip_pan_flash_or_fade(tmp_path: Path) -> None:
    def view(i: int) -> np.ndarray:
        out = turning(0)
        out[0, 2] += 24.0 * np.clip(i - 20, 0, 14)  # 24 px a frame of 640
        return out

    def frames() -> Iterator[np.ndarray]:
        for i, image in enumerate(pan(view, 9, 60)):
            gain = 1.0 if i < 45 else 1.0 - 0.012 * (i - 45)  # the light goes down
            yield np.clip(image * gain + (35 if i == 12 else 0), 0, 255).astype(np.uint8)

    assert len(measure(write(tmp_path / "a.mp4", frames()))) == 1


@pytest.mark.parametrize(("view", "contrast"), [("sideline", 0.35), ("low", 0.9)])
def test_no_cut_where_a_codec_refreshes_dull_grass_or_men_fill_the_picture(view: str, contrast: float) -> None:
    """Quick films (models.training.snap_film); ``meter`` raises where a cut is found."""
    play = make_play(910_008, "college", kind="pass")
    look = snap_film.draw_look(np.random.default_rng(8), play, view=view)
    film = snap_film.QuickFilm(play, replace(look, contrast=contrast, noise=3.0), 8, 30.0, -1.5, 2.0)
    found = snap_clips.meter(snap_clips.through_codec(film, Fraction(30), 33, "ultrafast"), Fraction(30))
    assert len(found.frame) > 90


def test_repeated_frames_are_marked(tmp_path: Path) -> None:
    source = list(pan(turning, 10, 40))
    order = [i - (i % 5 == 4) for i in range(40)]  # every fifth shows the one before again
    path = write(tmp_path / "a.mp4", [source[i] for i in order], options={"crf": "12"})
    ((_, found),) = measure(path)
    want = np.array([i % 5 == 4 for i in range(40)])
    assert (found.repeated == want).mean() > 0.95


def test_long_shot_comes_in_overlapping_pieces(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mp4", pan(turning, 11, 110))
    whole = measure(path)[0][1]
    pieces = measure(path, longest_shot_s=1.5, overlap_s=0.5)
    owned = [f for s, _ in pieces for f in range(s.first_frame, s.last_frame + 1)]
    assert len(pieces) >= 2 and owned == list(range(110))
    for shot, found in pieces[1:]:
        assert found.frame[0] < shot.first_frame and found.frame[-1] == shot.last_frame
        base = np.linalg.inv(whole.to_first_px[found.frame[0]])
        assert corner_error(found.to_first_px[-1], base @ whole.to_first_px[shot.last_frame]) < 1e-3
        assert np.allclose(found.activity, whole.activity[found.frame])


def test_times_are_the_film_s(tmp_path: Path) -> None:
    times = [Fraction(i, 30) + Fraction(i % 3, 200) for i in range(30)]
    path = write(tmp_path / "a.mp4", pan(turning, 12, 30), times=times)
    ((_, found),) = measure(path)
    assert list(found.time_s) == [Fraction(int(t * 90000), 90000) for t in times]


@pytest.mark.parametrize("kind", ["black", "noise"])
def test_nothing_to_hold_on_to(tmp_path: Path, kind: str) -> None:
    """A black or purely noisy film has no camera motion to find; it must neither crash nor vanish."""
    rng = np.random.default_rng(1)
    frames = (
        np.zeros((H, W, 3), np.uint8) if kind == "black" else rng.integers(0, 255, (H, W, 3), np.uint8)
        for _ in range(12)
    )  # fmt: skip
    pieces = measure(write(tmp_path / "a.mp4", frames))
    assert sum(s.last_frame - s.first_frame + 1 for s, _ in pieces) == 12
    if kind == "black":
        assert len(pieces) == 1


def test_speed(tmp_path: Path) -> None:
    """Budget 6 ms a frame, decoding this small file included; five times that allows for a busy machine."""
    path = write(tmp_path / "a.mp4", pan(turning, 13, 100))
    start = time.process_time()
    measure(path)
    assert (time.process_time() - start) / 100 < 0.030
