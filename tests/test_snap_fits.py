"""Clips and scorers made on another machine: what travels, what is kept back, what a scorer is shown in training."""

from __future__ import annotations

import argparse
import tarfile
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from models.training import snap_clips, snap_fits, snap_plays
from models.training.playbook.play import make_play
from pipeline import onset


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three modelled clips, each with its ticks, in a folder train/."""
    root = tmp_path_factory.mktemp("fits")
    (root / "train").mkdir()
    for seed in (2_100_000, 2_100_001, 2_100_002):
        assert snap_clips.one(seed, root / "train", "modelled", "play", np.inf, ticks=True) == "there"
    return root


def test_a_clip_survives_its_journey(clips: Path, tmp_path: Path) -> None:
    path = clips / "train" / "02100000.npz"
    snap_fits._travel(path)
    assert path.with_suffix(".xz").stat().st_size < path.stat().st_size
    options = argparse.Namespace(out=clips, to=tmp_path / "there")
    snap_fits.collect(options)
    back = argparse.Namespace(tar=[tmp_path / "there" / "snap_clips.tar"], out=tmp_path / "back")
    snap_fits.unpack(back)
    sent, came = snap_clips.load(path), snap_clips.load(tmp_path / "back" / "train" / "02100000.npz")
    assert came[0].time_s == sent[0].time_s and came[2] == sent[2]
    assert np.array_equal(came[1], sent[1])
    # a step of the root's LEVELS is at most 2 / LEVELS of the squashed activity
    away = np.abs(onset.squash(came[0].activity) - onset.squash(sent[0].activity)).max()
    assert 0 < away < 1.1 / snap_fits.LEVELS + 1 / 255


def test_an_archive_stays_small_and_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(snap_fits, "MOST_BYTES", 40_000)
    paths = []
    for i in range(8):
        paths.append(tmp_path / f"{i}.xz")
        paths[-1].write_bytes(bytes(9_000))
    snap_fits.archive(tmp_path / "a.tar", tmp_path, paths)
    with tarfile.open(tmp_path / "a.tar") as box:
        assert box.getnames() == ["0.xz", "1.xz", "2.xz"]
    assert (tmp_path / "a.tar").stat().st_size <= 40_000


def test_clips_kept_back_are_not_learned_from(clips: Path) -> None:
    pytest.importorskip("torch")
    learned = {c.name for c in snap_fits.read(clips / "train", "fine", held=False)}
    kept = {c.name for c in snap_fits.read(clips / "train", "fine", held=True)}
    assert learned | kept == {"02100000", "02100001", "02100002"} and not learned & kept
    assert kept == {"02100000"}


def test_a_clip_that_is_not_whole_is_left_out(clips: Path, tmp_path: Path) -> None:
    pytest.importorskip("torch")
    good = clips / "train" / "02100001.npz"
    for name in ("00000001", "00000002"):
        (tmp_path / f"{name}.npz").write_bytes(good.read_bytes())
    (tmp_path / "00000001.ticks.npy").write_bytes(good.with_suffix(".ticks.npy").read_bytes())
    (tmp_path / "00000002.ticks.npy").write_bytes(good.with_suffix(".ticks.npy").read_bytes()[:500])
    assert [c.name for c in snap_fits.read(tmp_path, "long")] == ["00000001"]


@pytest.mark.parametrize("layout", ["short", "long", "fine"])
def test_training_shows_what_the_program_shows(layout: str, clips: Path) -> None:
    torch = pytest.importorskip("torch")
    from models.training import snap_net

    clip = snap_fits.read(clips / "train", layout)[1]
    grid = clip.grid.astype(np.float32) / 255
    kind = snap_net.LAYOUTS[layout]
    mine = snap_net.stacked(torch.from_numpy(grid)[None], torch.tensor([len(grid)]), kind).numpy()
    for covered, inside, chunk in onset.windows(grid, chunk=64, margin=9, layout=kind):
        assert np.abs(mine[covered] - chunk[inside]).max() < 1e-4


def test_weights_are_kept_with_their_shape(tmp_path: Path) -> None:
    torch = pytest.importorskip("torch")
    from models.training import snap_net

    torch.manual_seed(1)
    net = snap_net.SnapNet(6, "short").eval()
    snap_net.keep(net, tmp_path / "a.pt")
    again = snap_net.kept(tmp_path / "a.pt")
    x = torch.rand(40, onset.SHORT.channels, onset.ROWS, onset.COLUMNS)
    with torch.no_grad():
        assert torch.equal(net(x), again(x))


def test_pieces_come_in_turn() -> None:
    names = snap_fits.names_of(2, 6, 2)
    assert [n[0] for n in names] == list("mmtrrrtrrr")
    assert len(set(names)) == 10


def test_film_recorded_at_a_higher_rate_repeats_frames() -> None:
    # 24 pictures a second in 30: every fourth comes twice (common practice, no source)
    shown = snap_clips.shown_at(24, Fraction(24), Fraction(30))
    assert len(shown) == 30 and set(shown) == set(range(24))
    assert np.bincount(shown).max() == 2 and (np.bincount(shown) == 2).sum() == 6


def test_a_long_wait_ends_in_the_play() -> None:
    play = make_play(17, "college", kind="pass")
    long = snap_plays.wait(play, np.random.default_rng(3))
    (when,) = long.extra["snaps_s"]
    assert when == 0.0
    assert 5.0 < -long.time_s[0] < 30.0
    k = int(np.argmin(np.abs(long.time_s)))
    assert np.allclose(long.xy_yd[k], play.xy_yd[play.snap_index], atol=0.15)  # sway is added
    speed = np.linalg.norm(np.diff(long.xy_yd, axis=0), axis=-1) * long.hz
    assert speed[:k].max() < 9.0  # nobody is torn from one place to another


@pytest.mark.parametrize("layout", ["short", "long"])
def test_a_network_of_another_layout_sees_the_same_through_the_fine_one(layout: str, clips: Path) -> None:
    """A mean over coarser cells is the mean of the finer cells' means, so joined networks say what each says alone."""
    torch = pytest.importorskip("torch")
    from models.training import snap_net

    clip = snap_fits.read(clips / "train", "fine")[1]
    grid = torch.from_numpy(clip.grid.astype(np.float32) / 255)[None]
    own = grid if layout == "short" else torch.nn.functional.avg_pool2d(grid, 2)
    length = torch.tensor([grid.shape[1]])
    torch.manual_seed(2)
    net = snap_net.SnapNet(6, layout).eval()
    joined = snap_net.Together([net], [1.0], "fine").eval()
    with torch.no_grad():
        alone = net(snap_net.stacked(own, length, snap_net.LAYOUTS[layout]))
        through = joined(snap_net.stacked(grid, length, snap_net.LAYOUTS["fine"]))
    assert torch.allclose(alone, through, atol=1e-4)
