"""Training batches of the people finder: labels lie where the pixels are, whatever view was drawn."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch")

from models.training import people_batches as batches  # noqa: E402
from models.training import people_data as data  # noqa: E402
from models.training import real_bank, unseen_looks  # noqa: E402
from models.training.people_wear import blocks, blur, video, wear  # noqa: E402
from models.training.real_look import RealLook  # noqa: E402
from pipeline.errors import InputError  # noqa: E402

BOXES = np.array([[200, 100, 260, 220], [700, 300, 780, 460], [1100, 500, 1150, 600]], float)
CPU = torch.device("cpu")


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two frames, white rectangles on black, one 1280 px wide and one 640 px wide; red discs on the heads."""
    folder = tmp_path_factory.mktemp("packed")
    frames = []
    for k, scale in enumerate((1.0, 0.5)):
        image = np.zeros((round(720 * scale), round(1280 * scale), 3), np.uint8)
        box = BOXES * scale
        for x0, y0, x1, y1 in box.astype(int):
            image[y0:y1, x0:x1] = 255
        picture = folder / f"{k}.png"
        cv2.imwrite(str(picture), image)
        n = len(box)
        ground = np.stack([(box[:, 0] + box[:, 2]) / 2, box[:, 3]], 1) - 0.5
        head = np.stack([(box[:, 0] + box[:, 2]) / 2, box[:, 1]], 1) - 0.5
        frames.append(
            data.Frame(
                f"rendered_{k}", picture, image.shape[1], image.shape[0], box - 0.5, box - 0.5,
                np.zeros(n, np.int64), np.ones(n), ground, head, str(k),
            )
        )  # fmt: skip
    data.pack(frames, folder / "out", "visible", 1)
    return folder / "out"


def test_packed_labels_are_scaled_to_the_stored_width(packed: Path) -> None:
    frames = batches.Frames(packed, ("rendered",), CPU)
    np.testing.assert_allclose(frames.label["box"][0], BOXES, atol=1e-3)
    np.testing.assert_allclose(frames.label["box"][1], BOXES, atol=1e-3)
    inside = frames.image[1, 302:458, 702:778].float()
    assert float(inside.min()) > 250


@pytest.mark.parametrize("seed", range(4))
def test_boxes_and_points_follow_the_pixels(packed: Path, seed: int) -> None:
    frames = batches.Frames(packed, ("rendered",), CPU)
    rng = np.random.default_rng(seed)
    views = batches.draw_views(rng, frames, 3, batches.Recipe(mosaic=0.5))
    labels = batches.labels(frames, views)
    image = batches.pixels(frames, views, 3, CPU).mean(1).numpy()
    h, w = batches.CANVAS_HW
    assert len(labels["batch_idx"]) and (np.diff(labels["batch_idx"]) >= 0).all()
    for item, box, points in zip(labels["batch_idx"], labels["bboxes"], labels["keypoints"], strict=True):
        size = box[2:] * [w, h]
        if size.min() < 12:
            continue
        x0, y0 = (box[:2] - box[2:] * 0.4) * [w, h]
        x1, y1 = (box[:2] + box[2:] * 0.4) * [w, h]
        assert image[int(item), int(y0) : int(y1), int(x0) : int(x1)].mean() > 0.93  # the white man fills it
        for x, y, seen in points:
            if seen:  # both points lie on the middle of a side, so within the box but for its turn
                assert abs(x - box[0]) * w < 0.6 * size[0] + 2 and abs(y - box[1]) * h < 0.6 * size[1] + 2


def test_views_as_in_use_show_the_frame_itself(packed: Path) -> None:
    frames = batches.Frames(packed, ("rendered",), CPU)
    views = batches.draw_views(np.random.default_rng(0), frames, 4, batches.Recipe(mosaic=0.0, plain=1.0))
    image = batches.pixels(frames, views, 4, CPU)
    for i, (k, m) in enumerate(zip(views.frame, views.m, strict=True)):
        want = frames.image[int(k)].permute(2, 0, 1).float() / 255
        want = want.flip(2) if m[0, 0] < 0 else want
        assert float((image[i, :, :720] - want).abs().max()) < 2e-3
        assert float((image[i, :, 720:] - batches.PAD).abs().max()) < 1e-5


def test_blur_agrees_with_opencv() -> None:
    """Reference: OpenCV's GaussianBlur with the same width and support."""
    x = torch.rand(2, 3, 64, 96)
    ours = blur(x, np.array([1.5, 1.5]), np.array([0.8, 0.8]))[0].permute(1, 2, 0).numpy()
    picture = x[0].permute(1, 2, 0).numpy()
    want = cv2.GaussianBlur(picture, (13, 13), sigmaX=1.5, sigmaY=0.8, borderType=cv2.BORDER_REPLICATE)
    assert np.abs(ours - want).max() < 1e-4


def test_fine_blocks_change_nothing_and_coarse_blocks_do() -> None:
    x = torch.rand(2, 3, 64, 96)
    assert float((blocks(x, np.array([1e-4, 1e-4])) - x).abs().max()) < 2e-3
    assert float((blocks(x, np.array([3.0, 3.0])) - x).abs().mean()) > 0.02


def test_worn_pictures_stay_pictures() -> None:
    x = torch.rand(3, 3, 96, 160)
    for seed in range(5):
        y = wear(x, np.random.default_rng(seed), 2.0)
        assert y.shape == x.shape and bool(torch.isfinite(y).all()) and float(y.min()) >= 0 and float(y.max()) <= 1


def test_video_loss_keeps_an_even_picture_and_blurs_detail() -> None:
    rng = np.random.default_rng(2)
    even = torch.full((1, 3, 32, 32), 0.5)
    assert float((video(even, np.array([0.1]), rng) - even).abs().max()) < 0.02
    noise = torch.rand(1, 3, 32, 32)
    assert float((video(noise, np.array([1e-4]), rng) - noise).abs().mean()) < 0.12  # the loop filter alone
    assert float(video(noise, np.array([0.5]), rng).std()) < 0.5 * float(noise.std())


def test_looks_left_out_are_not_trained_on(packed: Path, tmp_path: Path) -> None:
    with np.load(packed / data.LABELS) as z:
        label = {k: z[k] for k in z.files}
    label["look"] = np.array(["light=night view=sideline", "light=sun view=sideline"])
    np.savez(tmp_path / data.LABELS, **label)
    (tmp_path / data.FRAMES).symlink_to(packed / data.FRAMES)
    kept = batches.Frames(tmp_path, ("rendered",), CPU, without=("light=night",))
    assert kept.label["name"].tolist() == ["rendered_1"] and len(kept.rendered) == 1
    view = batches.draw_views(np.random.default_rng(0), kept, 1, batches.Recipe(mosaic=0, plain=1, near=0, far=0))
    shown = batches.pixels(kept, view, 1, CPU)[0, :, :720].permute(1, 2, 0)
    stored = torch.from_numpy(np.memmap(packed / data.FRAMES, np.uint8, "r", shape=(2, 720, 1280, 3))[1] / 255.0)
    whole = torch.minimum((shown - stored).abs().mean(), (shown.flip(1) - stored).abs().mean())
    assert float(whole) < 1e-3
    with pytest.raises(InputError):
        batches.Frames(tmp_path, ("rendered",), CPU, without=("light=night", "view=sideline"))


def _real_frame(folder: Path) -> data.Frame:
    """Green ground with grain, one red man and one of the ground's colour."""
    rng = np.random.default_rng(1)
    image = np.clip(np.array([60, 140, 90]) + rng.normal(0, 3, (720, 1280, 1)), 0, 255).astype(np.uint8)
    image[300:340, 500:514] = (30, 30, 200)
    picture = folder / "clip_1.png"
    cv2.imwrite(str(picture), image)
    box = np.array([[499.0, 299, 515, 341], [799, 299, 815, 341]])
    nothing = np.full((2, 2), np.nan)
    return data.Frame(
        "wide_camera_people_clip_1", picture, 1280, 720, box, box, np.zeros(2, np.int64), np.ones(2), nothing, nothing,
        "clip",
    )  # fmt: skip


def test_real_people_are_cut_and_stand_where_their_labels_say(tmp_path: Path) -> None:
    counts = real_bank.write([_real_frame(tmp_path)], tmp_path / real_bank.BANK, 1)
    assert counts["people"] == 1  # who has the ground's colour cannot be cut
    assert counts["turf"] >= 1 and counts["spectrum"] == 1
    look = RealLook(tmp_path, CPU)
    x = torch.full((1, 3, 736, 1280), 0.4)
    boxes = np.array([[x0, 0.5, 0.012, 0.06] for x0 in (0.3, 0.4, 0.5, 0.6)], np.float32)
    labels = {
        "batch_idx": np.zeros(4, np.float32), "cls": np.zeros((4, 1), np.float32), "bboxes": boxes,
        "keypoints": np.zeros((4, 2, 3), np.float32),
    }  # fmt: skip
    new: dict[str, np.ndarray] = labels
    rng = np.random.default_rng(0)
    while len(new["cls"]) == 4:
        new = look.paste(x, labels, rng)
    for cx, cy, w, h in new["bboxes"][4:] * (1280, 736, 1280, 736):
        inside = x[0, :, int(cy - h / 2) : int(cy + h / 2) + 1, int(cx - w / 2) : int(cx + w / 2) + 1]
        assert float((inside[0] - inside[1]).mean()) > 0.2  # red
    red = x[0, 0] - x[0, 1] > 0.1
    assert red.sum() < 1.2 * (new["bboxes"][4:, 2:].prod(1) * 736 * 1280).sum()
    assert (new["keypoints"][4:, :, 2] == 0).all()


def test_borrowed_colours_move_towards_the_real_ones(tmp_path: Path) -> None:
    real_bank.write([_real_frame(tmp_path)], tmp_path / real_bank.BANK, 1)
    look = RealLook(tmp_path, CPU)
    x = torch.rand(2, 3, 96, 160) * 0.2 + torch.tensor([0.7, 0.2, 0.2]).view(1, 3, 1, 1)
    real_mean = torch.tensor([90, 140, 60]) / 255
    for effect in (look.mix_colour, look.mix_spectrum):
        y = effect(x, np.random.default_rng(3))
        before, after = ((v.mean((0, 2, 3)) - real_mean).norm() for v in (x, y))
        assert float(after) < float(before)
        assert float(y.min()) >= 0 and float(y.max()) <= 1


def test_a_folder_without_a_bank_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        RealLook(tmp_path, CPU)


def test_a_folder_without_frames_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        batches.Frames(tmp_path, ("rendered",), CPU)


def test_unseen_looks_are_compared_at_equal_training() -> None:
    def figures(recall: float) -> dict[str, object]:
        at = {"recall": recall, "precision": 0.9}
        return {"frames": 40, "ap50": recall, "recall_at_precision_0.7": recall, "recall_at_precision_0.94": 0.5, **at}

    measured = {
        "trunk_short": {"looks": {"light=night": figures(0.95)}},
        "trunk_short_without_night": {"looks": {"light=night": figures(0.80)}},
        "trunk_short_without_low": {"looks": {"light=night": figures(0.70)}},
    }
    rows = unseen_looks.compare(measured)
    assert [(r["without"], r["on"]) for r in rows] == [("night", "light=night")]
    assert (rows[0]["with"]["recall"], rows[0]["left_out"]["recall"]) == (0.95, 0.8)
    with pytest.raises(InputError):
        unseen_looks.compare({"trunk_short_without_night": {}})


def test_every_planned_training_can_be_started() -> None:
    """Each line of the plan is understood by the trainer, and every look left out is one a still can have."""
    from models.training import train_people

    names = set()
    for line in unseen_looks.plan():
        name, *words = line.split()
        a = train_people.arguments().parse_args([*words, "--name", name, "--data", "d", "--out", "o"])
        train_people.check_words(a.without)
        names.add(name)
    assert unseen_looks.BASE in names and len(names) == len(unseen_looks.plan())
    with pytest.raises(InputError):
        train_people.check_words(["night"])
