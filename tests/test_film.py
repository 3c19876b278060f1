"""Film: times and pictures against what PyAV's demuxer says, and every kind of bad file."""

from __future__ import annotations

import itertools
import os
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import psutil
import pytest

from pipeline import film
from pipeline.errors import InputError, NotVideoError, TooLongError, TruncatedError, UsageError
from tests.quick_clips import demuxed_times, numbered, read_number, write


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """120 numbered frames, B-frames, a keyframe every 24."""
    path = tmp_path_factory.mktemp("film") / "plain.mp4"
    return write(path, map(numbered, range(120)), options={"g": "24", "bf": "3"})


def test_probe_says_what_is_in_the_file(plain: Path) -> None:
    info = film.probe(plain)
    assert (info.width_px, info.height_px, info.rotation_deg, info.frames) == (96, 64, 0, 120)
    assert info.rate == 30 and info.duration_s == 4 and info.codec == "h264" and not info.interlaced


def test_all_frames_in_order_with_the_container_s_times(plain: Path) -> None:
    reader = film.decode(plain)
    got = [(i, t, read_number(p)) for i, t, p in reader]
    assert [g[0] for g in got] == list(range(120)) == [g[2] for g in got]
    assert [g[1] for g in got] == demuxed_times(plain)  # truth: PyAV's demuxer
    assert all(isinstance(g[1], Fraction) for g in got)
    assert reader.complete and reader.shortfall is None and not reader.damage and reader.estimated_times == 0


@pytest.mark.parametrize("suffix", ["mp4", "mov", "mkv", "avi"])
def test_containers(tmp_path: Path, suffix: str) -> None:
    path = write(tmp_path / f"a.{suffix}", map(numbered, range(40)), options={"bf": "0"})
    reader = film.decode(path)
    assert [read_number(p) for _, _, p in reader] == list(range(40))
    assert reader.shortfall is None


@pytest.mark.parametrize("rate", [24, 25, Fraction(30000, 1001), 50, Fraction(60000, 1001)])
def test_rates_are_exact(tmp_path: Path, rate: Fraction) -> None:
    path = write(tmp_path / "a.mp4", map(numbered, range(50)), rate=rate)
    times = [t for _, t, _ in film.decode(path, max_width=32)]
    assert times == [i / Fraction(rate) for i in range(50)]


def test_variable_rate_keeps_every_timestamp(tmp_path: Path) -> None:
    steps = itertools.accumulate(itertools.cycle([Fraction(1, 30), Fraction(1, 60), Fraction(1, 10)]))
    times = [Fraction(0), *itertools.islice(steps, 59)]
    path = write(tmp_path / "v.mp4", map(numbered, range(60)), times=times)
    assert [t for _, t, _ in film.decode(path)] == times == demuxed_times(path)


def test_wanted_frames_only_with_and_without_jumps(plain: Path) -> None:
    wanted = [0, 7, 8, 50, 117, 119]
    times = demuxed_times(plain)
    for options in ({}, {"times": times}, {"times": dict(enumerate(times))}):
        got = [(i, t, read_number(p)) for i, t, p in film.decode(plain, wanted, **options)]
        assert got == [(i, times[i], i) for i in wanted]


def test_jumping_decodes_less_and_gives_the_same_pictures(tmp_path: Path) -> None:
    path = write(tmp_path / "long.mp4", (numbered(i % 256) for i in range(600)), options={"g": "60"})
    times = demuxed_times(path)
    wanted = [30, 400, 410, 590]
    jump, straight = film.decode(path, wanted, times=times), film.decode(path, wanted)
    for a, b in zip(jump, straight, strict=True):
        assert a[:2] == b[:2] and np.array_equal(a[2], b[2])
    assert jump.decoded < 0.5 * straight.decoded


def test_wrong_times_fall_back_to_counting(plain: Path) -> None:
    times = [t + Fraction(1, 97) for t in demuxed_times(plain)]
    assert [read_number(p) for _, _, p in film.decode(plain, [3, 99], times=times)] == [3, 99]


def test_unsorted_wanted_is_refused(plain: Path) -> None:
    with pytest.raises(UsageError, match="sorted"):
        film.decode(plain, [5, 4])


def test_scaled_and_grey(plain: Path) -> None:
    _, _, small = next(iter(film.decode(plain, max_width=48)))
    _, _, grey = next(iter(film.decode(plain, max_width=48, gray=True)))
    assert small.shape == (32, 48, 3) and grey.shape == (32, 48)
    assert film.decode(plain, max_width=4000).width_px == 96


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_rotation_in_the_metadata_is_applied(tmp_path: Path, turn: int) -> None:
    upright = cv2.resize(
        np.arange(24, dtype=np.uint8).reshape(4, 6) * 10, (96, 64), interpolation=cv2.INTER_NEAREST
    )
    upright = cv2.merge([upright] * 3)
    stored = np.rot90(upright, turn // 90)  # anticlockwise; the metadata asks to turn it back
    path = write(tmp_path / "r.mp4", [stored] * 5, rotation=-turn)
    info = film.probe(path)
    assert (info.width_px, info.height_px, info.rotation_deg) == (96, 64, turn)
    _, _, got = next(iter(film.decode(path)))
    assert got.shape == upright.shape and np.abs(got.astype(int) - upright).mean() < 6


def test_odd_size(tmp_path: Path) -> None:
    frames = [numbered(i, 99, 65) for i in range(12)]
    path = write(tmp_path / "odd.mp4", frames, pix_fmt="yuv444p")
    pictures = [p for _, _, p in film.decode(path)]
    assert pictures[0].shape == (65, 99, 3) and [read_number(p) for p in pictures] == list(range(12))


def test_pixels_that_are_not_square_come_out_square(tmp_path: Path) -> None:
    path = write(tmp_path / "wide.mp4", [numbered(5)] * 5, aspect=Fraction(4, 3))
    info = film.probe(path)
    assert (info.width_px, info.height_px, info.pixel_aspect) == (128, 64, Fraction(4, 3))
    assert next(iter(film.decode(path)))[2].shape == (64, 128, 3)


def test_interlaced_pictures_lose_their_comb(tmp_path: Path) -> None:
    frames = []
    for i in range(10):
        image = np.full((64, 96, 3), 40, np.uint8)
        image[0::2, 10 + 4 * i : 30 + 4 * i] = 220  # the upper field is earlier
        image[1::2, 12 + 4 * i : 32 + 4 * i] = 220
        frames.append(image)
    path = write(
        tmp_path / "i.mp4", frames, options={"flags": "+ildct+ilme", "x264-params": "tff=1", "crf": "5"}
    )
    assert film.probe(path).interlaced
    for _, _, p in film.decode(path):
        grey = p.mean(2)
        assert np.abs(np.diff(grey, axis=0)[4:-4]).max() < 40  # the comb's step is 180


def test_memory_is_flat(tmp_path: Path) -> None:
    path = write(
        tmp_path / "m.mp4", (numbered(i % 256, 640, 360) for i in range(500)), options={"preset": "ultrafast"}
    )
    process, seen = psutil.Process(os.getpid()), []
    for i, _, _ in film.decode(path):
        if i % 50 == 0:
            seen.append(process.memory_info().rss)
    assert max(seen[3:]) - seen[2] < 40e6  # 300 pictures of this size would be 200 MB


# Bad files: each gets its error, with the file in it and a hint.


def check(error: pytest.ExceptionInfo[InputError], path: Path) -> None:
    assert error.value.where == str(path) and error.value.hint and str(path) in str(error.value)


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Cannot read") as error:
        film.probe(tmp_path / "none.mp4")
    check(error, tmp_path / "none.mp4")


def test_not_a_video(tmp_path: Path) -> None:
    path = tmp_path / "notes.mp4"
    path.write_text("no video here\n" * 500)
    with pytest.raises(NotVideoError) as error:
        film.probe(path)
    check(error, path)


def test_random_bytes(tmp_path: Path) -> None:
    path = tmp_path / "noise.mp4"
    path.write_bytes(np.random.default_rng(1).bytes(50_000))
    with pytest.raises(NotVideoError) as error:
        film.probe(path)
    check(error, path)


def test_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "zero.mp4"
    path.touch()
    with pytest.raises(NotVideoError, match="empty") as error:
        film.probe(path)
    check(error, path)


@pytest.mark.parametrize("kind", [".png", ".jpg", ".bmp"])
def test_picture_named_mp4(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "picture.mp4"
    path.write_bytes(cv2.imencode(kind, numbered(3))[1].tobytes())
    with pytest.raises(NotVideoError, match="picture") as error:
        film.probe(path)
    check(error, path)


def test_sound_only(tmp_path: Path) -> None:
    path = write(tmp_path / "sound.mp4", [], sound_s=1.0)
    with pytest.raises(NotVideoError, match="only sound") as error:
        film.probe(path)
    check(error, path)


def test_no_frames(tmp_path: Path) -> None:
    """A valid fragmented file cut before its first fragment: headers say video, there is none."""
    flags = {"movflags": "empty_moov+frag_keyframe"}
    path = write(tmp_path / "a.mp4", [numbered(1)] * 3, box_options=flags)
    data = path.read_bytes()
    path.write_bytes(data[: data.index(b"moof") - 4])
    with pytest.raises(NotVideoError, match="No picture") as error:
        film.probe(path)
    check(error, path)


def test_index_cut_off(plain: Path, tmp_path: Path) -> None:
    path = tmp_path / "cut.mp4"
    data = plain.read_bytes()
    path.write_bytes(data[: len(data) * 6 // 10])  # the moov box comes last
    with pytest.raises(TruncatedError, match="ends before") as error:
        film.probe(path)
    check(error, path)


def test_truncated_file_gives_what_it_has_and_says_so(tmp_path: Path) -> None:
    whole = write(
        tmp_path / "w.mp4", map(numbered, range(120)), options={"g": "12", "crf": "5"},
        box_options={"movflags": "faststart"},
    )  # fmt: skip
    path = tmp_path / "t.mp4"
    data = whole.read_bytes()
    path.write_bytes(data[: len(data) * 7 // 10])
    reader = film.decode(path)
    got = [(i, read_number(p)) for i, _, p in reader]
    assert 30 < len(got) < 110 and all(i == n for i, n in got[:-2])
    short = reader.shortfall
    assert isinstance(short, TruncatedError) and short.where == str(path) and short.hint
    assert short.frame == len(got) and "of 120" in short.message


def test_damage_in_the_middle_is_survived(plain: Path, tmp_path: Path) -> None:
    data = bytearray(plain.read_bytes())
    start = data.index(b"mdat")
    data[start + 2500 : start + 2900] = b"\xff" * 400
    path = tmp_path / "d.mp4"
    path.write_bytes(data)
    assert sum(1 for _ in film.decode(path)) > 60


def test_twenty_hours(tmp_path: Path) -> None:
    times = [Fraction(i * 20 * 3600, 4) for i in range(5)]
    path = write(tmp_path / "day.mkv", map(numbered, range(5)), times=times)
    with pytest.raises(TooLongError, match=r"20\.\d h") as error:
        film.probe(path)
    check(error, path)
    assert film.probe(path, longest_s=30 * 3600).codec == "h264"


def test_folder_given_as_film(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        film.probe(tmp_path)
    check(error, tmp_path)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_unreadable(plain: Path, tmp_path: Path) -> None:
    path = tmp_path / "locked.mp4"
    path.write_bytes(plain.read_bytes())
    path.chmod(0)
    with pytest.raises(InputError, match="Permission") as error:
        film.probe(path)
    check(error, path)


def moving(count: int, across: int = 6) -> list[np.ndarray]:
    """Grey blocks that go to the right over noisy ground, 60 pictures a second."""
    rng = np.random.default_rng(3)
    ground = rng.normal(95, 3, (180, 320)) + 40.0 * (np.arange(180) % 30 == 0)[:, None]
    out = []
    for i in range(count):
        image = ground + rng.normal(0, 2, ground.shape)
        for x, y in ((20, 30), (60, 70), (110, 40), (30, 120)):
            image[y : y + 34, x + across * i : x + across * i + 16] = 200
        out.append(np.repeat(np.clip(image, 0, 255).astype(np.uint8)[..., None], 3, 2))
    return out


def test_woven_fields_are_told_from_whole_pictures_though_nothing_announces_them(tmp_path: Path) -> None:
    """Truth by construction: rows of two moments woven, painted lines one row thick on noisy ground left alone."""
    fields = moving(24)
    woven = [a.copy() for a in fields[::2]]
    for picture, later in zip(woven, fields[1::2], strict=True):
        picture[1::2] = later[1::2]
    assert not any(map(film.combed, fields)) and all(map(film.combed, woven))
    path = write(tmp_path / "a.mkv", woven, codec="ffv1", pix_fmt="yuv444p")
    reader = film.decode(path)
    got = [p for _, _, p in reader]
    assert not film.probe(path).interlaced and reader.woven == 12
    assert not any(map(film.combed, got)) and got[0].shape == woven[0].shape
    whole = film.decode(write(tmp_path / "b.mkv", fields, codec="ffv1", pix_fmt="yuv444p"))
    for (_, _, seen), want in zip(whole, fields, strict=True):
        assert np.abs(seen.astype(int) - want).mean() < 3
    assert whole.woven == 0
