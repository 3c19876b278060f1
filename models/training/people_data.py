"""Training and test frames of the people finder.

``python -m models.training.people_data --rendered DIR --real DIR --out DIR`` decodes every training frame once::

    OUT/frames.u8    (N, 720, 1280, 3) uint8 RGB, the frame fitted by its width
    OUT/labels.npz   role, box, ground and head point of everybody asked for, the set and the look of each frame
    OUT/real_bank.npz   what rendered pictures borrow from the real ones, see models.training.real_bank

Real sets have boxes only: their points are marked unseen and cost nothing in training. Sets of real frames
are split by the clip id before the first underscore of a file's name, never by frame.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError

MIN_VISIBLE = 0.12  # people of whom less is seen are not asked for (nor counted against the finder)
KEYPOINT_SIGMAS = (0.20, 0.15)  # ground, head: length scale of the point loss, in units of the box's size
HELD_BACK_CLIPS = ("4b770a", "573e61", "cd987c")  # of wide_camera_people: about a quarter of its frames
STORE_HW = (720, 1280)  # px of a packed frame
PAD = 114  # grey below a frame that is lower, as in use
FRAMES, LABELS = "frames.u8", "labels.npz"
MIXTURES = {
    "rendered": ("rendered",),
    "mixed": ("rendered", "wide_camera_people"),
}


@dataclass(frozen=True)
class Frame:
    """A labelled picture, N people. box_px (N, 4) as trained and measured, whole_px (N, 4) the whole body (equal to
    box_px where only boxes are known), role (N,), visible (N,) share seen, ground_px and head_px (N, 2) NaN where
    unknown, group: what to split by, view: kind of camera, level: of the field, tags: words of its look, 'key=word'."""

    name: str
    picture: Path
    width_px: int
    height_px: int
    box_px: NDArray[np.float64]
    whole_px: NDArray[np.float64]
    role: NDArray[np.int64]
    visible: NDArray[np.float64]
    ground_px: NDArray[np.float64]
    head_px: NDArray[np.float64]
    group: str
    view: str = ""
    level: str = ""
    tags: tuple[str, ...] = ()


def real_frames(folder: Path) -> list[Frame]:
    """Frames of a real set: images/ and labels/ (YOLO text: 0 player, 1 official, others dropped).

    Raises InputError where the folder has no frames or a picture has no label file.
    """
    frames = []
    for picture in sorted((folder / "images").glob("*")):
        text = folder / "labels" / f"{picture.stem}.txt"
        image = cv2.imread(str(picture))
        if image is None or not text.is_file():
            raise InputError("A picture or its labels cannot be read.", where=picture)
        rows = np.array([r.split()[:5] for r in text.read_text().splitlines() if r.strip()], float).reshape(-1, 5)
        rows = rows[rows[:, 0] < 2]
        h, w = image.shape[:2]
        half = rows[:, 3:5] / 2
        box = np.concatenate([rows[:, 1:3] - half, rows[:, 1:3] + half], 1) * [w, h, w, h] - 0.5
        n, unknown = len(box), np.full((len(box), 2), np.nan)
        frames.append(
            Frame(
                f"{folder.name}_{picture.stem}", picture, w, h, box, box, rows[:, 0].astype(np.int64),
                np.ones(n), unknown, unknown, picture.stem.split("_")[0],
            )
        )  # fmt: skip
    if not frames:
        raise InputError("No frames in this set.", where=folder)
    return frames


def rendered_frames(folder: Path) -> list[Frame]:
    """Frames of a folder of rendered stills (see models.training.film.stills). Raises InputError when empty."""
    from models.training.film import shards

    frames = [_from_truth(picture, t) for picture, t in shards.read_all(folder)]
    if not frames:
        raise InputError("No rendered stills in this folder.", where=folder)
    return frames


def _from_truth(picture: Path, t: Any) -> Frame:
    camera = t.camera
    whole = np.asarray(t.full_box_px, float).reshape(-1, 4)
    box = np.asarray(t.box_px, float).reshape(-1, 4)  # NaN where nothing shows
    return Frame(
        f"rendered_{picture.stem}", picture, camera.width_px, camera.height_px,
        np.where(np.isfinite(box), box, whole), whole,
        np.asarray(t.role, np.int64), np.asarray(t.visible, float),
        np.asarray(t.ground_px, float).reshape(-1, 2), np.asarray(t.head_px, float).reshape(-1, 2),
        picture.stem, t.kind, t.level, tuple(f"{k}={v}" for k, v in t.tags.items()),
    )  # fmt: skip


def training_box(frame: Frame, kind: str) -> NDArray[np.float64]:
    """(N, 4) the box to train on, cut to the picture. kind: 'visible' pixels, or 'whole' body even where hidden."""
    box = (frame.box_px if kind == "visible" else frame.whole_px).copy()
    box[:, 0::2] = box[:, 0::2].clip(-0.5, frame.width_px - 0.5)
    box[:, 1::2] = box[:, 1::2].clip(-0.5, frame.height_px - 0.5)
    return box


def people_of(frame: Frame, kind: str = "visible") -> dict[str, NDArray[Any]]:
    """Labels of the people asked for, in px of the stored picture, counted from its corner: role (P,), box (P, 4),
    point (P, 2, 2) ground and head, seen (P, 2)."""
    box = training_box(frame, kind)
    wide = (np.diff(box.reshape(-1, 2, 2), axis=1)[:, 0] > 1).all(1)
    keep = (frame.visible >= MIN_VISIBLE) & wide
    size = np.array([frame.width_px, frame.height_px], float)
    point = np.stack([frame.ground_px, frame.head_px], 1)[keep] + 0.5
    with np.errstate(invalid="ignore"):
        seen = np.asarray((np.isfinite(point) & (point >= 0) & (point < size)).all(2), bool)
    scale = STORE_HW[1] / frame.width_px
    return {
        "role": frame.role[keep].astype(np.int8),
        "box": ((box[keep] + 0.5) * scale).astype(np.float32),
        "point": (np.where(seen[..., None], point, 0) * scale).astype(np.float32),
        "seen": seen,
    }


def _store(job: tuple[list[tuple[int, Path]], Path, int]) -> None:
    """Decode some pictures into their places in the packed file."""
    items, target, count = job
    cv2.setNumThreads(0)
    out = np.memmap(target, np.uint8, "r+", shape=(count, *STORE_HW, 3))
    h, w = STORE_HW
    for i, picture in items:
        image = cv2.imread(str(picture))
        if image is None:
            raise InputError("A picture cannot be read.", where=picture)
        scale = w / image.shape[1]
        if abs(scale - 1) > 1e-3:
            size = (w, round(image.shape[0] * scale))
            image = cv2.resize(image, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
        n = min(h, image.shape[0])
        out[i, :n], out[i, n:] = image[:n, :, ::-1], PAD


def pack(frames: list[Frame], out: Path, kind: str, workers: int) -> None:
    """Write FRAMES (N, 720, 1280, 3) uint8 RGB, fitted by width, and LABELS (padded arrays) into OUT."""
    out.mkdir(parents=True, exist_ok=True)
    people = [people_of(f, kind) for f in frames]
    most = max(len(p["role"]) for p in people)

    def padded(key: str) -> NDArray[Any]:
        return np.stack([np.pad(p[key], [(0, most - len(p[key]))] + [(0, 0)] * (p[key].ndim - 1)) for p in people])

    with open(out / FRAMES, "wb") as f:
        f.truncate(len(frames) * STORE_HW[0] * STORE_HW[1] * 3)
    items = [(i, f.picture) for i, f in enumerate(frames)]
    jobs = [(items[i : i + 32], out / FRAMES, len(frames)) for i in range(0, len(items), 32)]
    if workers <= 1:
        for job in jobs:
            _store(job)
    else:
        with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
            list(pool.map(_store, jobs))
    sets = [next((s for s in MIXTURES["mixed"] if f.name.startswith(s)), "other") for f in frames]
    labels: dict[str, Any] = {k: padded(k) for k in ("role", "box", "point", "seen")}
    count, names = np.array([len(p["role"]) for p in people]), np.array([f.name for f in frames])
    looks = np.array([" ".join(f.tags) for f in frames])
    np.savez(out / LABELS, count=count, set=np.array(sets), name=names, look=looks, **labels)


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--rendered", type=Path, nargs="*", default=[], help="folders of rendered stills (train looks)")
    p.add_argument("--real", type=Path, nargs="*", default=[], help="folders of real sets (images/, labels/)")
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--box", choices=("visible", "whole"), default="visible")
    p.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    a = p.parse_args(argv)
    frames = [f for folder in a.rendered for f in rendered_frames(folder)]
    rendered = len(frames)
    frames += [f for folder in a.real for f in real_frames(folder) if f.group not in HELD_BACK_CLIPS]
    if not frames:
        p.error("neither --rendered nor --real names a folder")
    pack(frames, a.out.resolve(), a.box, a.workers)
    if len(frames) > rendered:
        from models.training import real_bank

        print("borrowed from real frames:", real_bank.write(frames[rendered:], a.out / real_bank.BANK, a.workers))
    print(f"{rendered} rendered and {len(frames) - rendered} real frames packed in {a.out}")


if __name__ == "__main__":
    main()
