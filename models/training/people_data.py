"""Training and test frames of the people finder, as one folder ultralytics reads (pose labels).

``python -m models.training.people_data --rendered DIR --real DIR --out DIR`` writes::

    OUT/images/<set>_<name>.jpg   and the decoded picture beside it (.npy), so that no training decodes it again
    OUT/labels/<set>_<name>.txt   role, box, ground point, head point (ultralytics pose text)
    OUT/<candidate data>.yaml     one per mixture of sets (see MIXTURES)

Real sets have boxes only: their points carry visibility 0 and cost nothing in training. Sets of real frames
are split by the clip id before the first underscore of a file's name, never by frame.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import yaml
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.records import ROLES

MIN_VISIBLE = 0.12  # people of whom less is seen are not asked for (nor counted against the finder)
KEYPOINT_SIGMAS = (0.20, 0.15)  # ground, head: length scale of the point loss, in units of the box's size
HELD_BACK_CLIPS = ("4b770a", "573e61", "cd987c")  # of wide_camera_people: about a quarter of its frames
REAL_REPEAT = 5  # times a real frame is listed for each time a rendered one is
MIXTURES = {
    "rendered": ("rendered",),
    "mixed": ("rendered", "wide_camera_people"),
}


@dataclass(frozen=True)
class Frame:
    """A labelled picture, N people. box_px (N, 4) as trained and measured, whole_px (N, 4) the whole body (equal to
    box_px where only boxes are known), role (N,), visible (N,) share seen, ground_px and head_px (N, 2) NaN where
    unknown, group: what to split by, view: kind of camera, level: of the field."""

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
        picture.stem, t.kind, t.level,
    )  # fmt: skip


def training_box(frame: Frame, kind: str) -> NDArray[np.float64]:
    """(N, 4) the box to train on, cut to the picture. kind: 'visible' pixels, or 'whole' body even where hidden."""
    box = (frame.box_px if kind == "visible" else frame.whole_px).copy()
    box[:, 0::2] = box[:, 0::2].clip(-0.5, frame.width_px - 0.5)
    box[:, 1::2] = box[:, 1::2].clip(-0.5, frame.height_px - 0.5)
    return box


def pose_text(frame: Frame, kind: str = "visible") -> str:
    """The ultralytics pose label file: role cx cy w h, then x y seen for the ground point and the head, 0..1.

    ultralytics counts from the corner of the picture, the rest of the program from the middle of the first pixel.
    """
    size = np.array([frame.width_px, frame.height_px], float)
    box = training_box(frame, kind)
    rows = []
    for i in np.flatnonzero((frame.visible >= MIN_VISIBLE) & (np.diff(box.reshape(-1, 2, 2), axis=1)[:, 0] > 1).all(1)):
        a, b = (box[i, :2] + 0.5) / size, (box[i, 2:] + 0.5) / size
        row = [*((a + b) / 2), *(b - a)]
        for p in ((frame.ground_px[i] + 0.5) / size, (frame.head_px[i] + 0.5) / size):
            inside = bool(np.isfinite(p).all() and (p >= 0).all() and (p < 1).all())
            row += [*p, 2.0] if inside else [0.0, 0.0, 0.0]
        rows.append(f"{int(frame.role[i])} " + " ".join(f"{v:.6f}" for v in row))
    return "\n".join(rows) + "\n" if rows else ""


def _store(job: tuple[Frame, Path, str, int]) -> str:
    frame, out, kind, width = job
    cv2.setNumThreads(0)
    image = cv2.imread(str(frame.picture))
    if image is None:
        raise InputError("A picture cannot be read.", where=frame.picture)
    scale = width / max(image.shape[:2])
    if abs(scale - 1) > 1e-3:
        size = (round(image.shape[1] * scale), round(image.shape[0] * scale))
        image = cv2.resize(image, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    target = out / "images" / f"{frame.name}.jpg"
    cv2.imwrite(str(target), image, [cv2.IMWRITE_JPEG_QUALITY, 95])
    np.save(target.with_suffix(".npy"), image)
    (out / "labels" / f"{frame.name}.txt").write_text(pose_text(frame, kind))
    return str(target)


def write(frames: list[Frame], out: Path, kind: str, width_px: int, workers: int) -> list[str]:
    """Pictures (longer side width_px) and labels of the frames into OUT; returns the picture paths."""
    for name in ("images", "labels"):
        (out / name).mkdir(parents=True, exist_ok=True)
    jobs = [(f, out, kind, width_px) for f in frames]
    if workers <= 1:
        return [_store(j) for j in jobs]
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        return list(pool.map(_store, jobs, chunksize=16))


def held_back(frames: list[Frame]) -> Iterator[Frame]:
    """The frames of the clips that no training sees."""
    return (f for f in frames if f.group in HELD_BACK_CLIPS)


def write_mixtures(out: Path, pictures: dict[str, list[str]]) -> list[Path]:
    """One data file per mixture. The few pictures under val only satisfy the trainer: measuring is done elsewhere."""
    files = []
    for name, sets in MIXTURES.items():
        if any(s not in pictures for s in sets):
            continue
        listed = [p for s in sets for p in pictures[s] * (1 if s == "rendered" else REAL_REPEAT)]
        (out / f"{name}.txt").write_text("\n".join(listed) + "\n")
        (out / f"{name}_val.txt").write_text("\n".join(listed[:8]) + "\n")
        data = {
            "path": str(out), "train": f"{name}.txt", "val": f"{name}_val.txt", "names": dict(enumerate(ROLES)),
            "kpt_shape": [2, 3], "flip_idx": [0, 1], "kpt_oks_sigmas": list(KEYPOINT_SIGMAS),
        }  # fmt: skip
        path = out / f"{name}.yaml"
        path.write_text(yaml.safe_dump(data))
        files.append(path)
    return files


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--rendered", type=Path, nargs="*", default=[], help="folders of rendered stills (train looks)")
    p.add_argument("--real", type=Path, nargs="*", default=[], help="folders of real sets (images/, labels/)")
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--box", choices=("visible", "whole"), default="visible")
    p.add_argument("--width", type=int, default=1280)
    p.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    a = p.parse_args(argv)
    out = a.out.resolve()
    pictures: dict[str, list[str]] = {}
    for folder in a.rendered:
        frames = rendered_frames(folder)
        pictures.setdefault("rendered", []).extend(write(frames, out, a.box, a.width, a.workers))
    for folder in a.real:
        frames = [f for f in real_frames(folder) if f.group not in HELD_BACK_CLIPS]
        pictures[folder.name] = write(frames, out, a.box, a.width, a.workers)
    files = write_mixtures(out, pictures)
    print({k: len(v) for k, v in pictures.items()}, "->", ", ".join(map(str, files)))


if __name__ == "__main__":
    main()
