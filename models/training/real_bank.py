"""What rendered training pictures borrow from real frames: spectra, colours, turf and people, worked out once.

``write`` stores them in one file, from training clips only (never those of HELD_BACK_CLIPS):

    spectrum   (K, 3, 2 R + 1, R + 1) amplitudes of the lowest frequencies of a whole frame, over its pixel count
    colour     (K, 2, 3) mean and standard deviation of luma and the two colour differences
    turf       (T, 256, 256) float16, fine texture of turf without people, relative to its brightness
    people     (P, 96, 64, 4) uint8 RGB and cover, cut from their green ground, stretched to the cell
    size       (P, 2) height and width in px of each cell at a picture 1280 wide
    box        (P, 4) the person's box within his cell, 0..1
    ground     (P,) mean brightness of the ground around each
    role       (P,) as in the labels
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.people_data import Frame
from pipeline.errors import InputError

Floats = NDArray[np.float32]
BANK = "real_bank.npz"
RADIUS = 16  # cycles a picture: frequencies up to here may be exchanged
SIZE_HW = (720, 1280)
TURF_PX, TURF_SIGMA = 256, 5.0  # size of a piece of turf; what is softer than this is shading, not texture
TURF_MOST = 0.16  # largest relative step of mere turf; by eye
CELL_HW = (96, 64)
MARGIN = 0.18  # ground kept around a person, in box sizes
TOO_CLOSE = 0.02  # share of a cell other people may cover
# RGB to luma and colour differences, ITU-R BT.601 as in JPEG
YCC = np.array([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]], np.float32)


def spectrum(rgb: Floats) -> Floats:
    """(H, W, 3) 0..1 -> (3, 2 R + 1, R + 1) amplitudes over the pixel count; rows 0..R, then -R..-1."""
    f = np.abs(np.fft.rfft2(rgb.transpose(2, 0, 1), norm="forward"))[:, :, : RADIUS + 1]
    return np.concatenate([f[:, : RADIUS + 1], f[:, -RADIUS:]], 1).astype(np.float32)


def green(rgb: Floats) -> Floats:
    """(..., 3) -> (...) how much of a colour is turf's green, 0..1."""
    r, g, b = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    return np.clip((2 * g - r - b) / np.maximum(r + g + b, 1e-3) * 8, 0, 1).astype(np.float32)


def turf_pieces(rgb: Floats, boxes: NDArray[np.float64], rng: np.random.Generator, most: int = 3) -> list[Floats]:
    """Pieces of turf without people: the fine part of their brightness over the slow part."""
    h, w = rgb.shape[:2]
    out: list[Floats] = []
    for _ in range(24):
        y, x = int(rng.integers(0, h - TURF_PX)), int(rng.integers(0, w - TURF_PX))
        piece = rgb[y : y + TURF_PX, x : x + TURF_PX]
        hit = (boxes[:, 0] < x + TURF_PX) & (boxes[:, 2] > x) & (boxes[:, 1] < y + TURF_PX) & (boxes[:, 3] > y)
        if hit.any() or (green(piece) > 0.8).mean() < 0.985:
            continue
        luma = piece @ YCC[0]
        slow = cv2.GaussianBlur(luma, (0, 0), TURF_SIGMA)
        fine = (luma - slow) / np.maximum(slow, 0.05)
        if np.percentile(np.abs(fine), 99.95) > TURF_MOST:
            continue  # somebody unlabelled, a line or a thing
        out.append(np.clip(fine, -TURF_MOST, TURF_MOST).astype(np.float32))
        if len(out) == most:
            break
    return out


def cut_person(rgb: Floats, box: NDArray[np.float64]) -> tuple[Floats, float] | None:
    """(h, w, 4) colours and cover 0..1 of a cell around a box, and the ground's brightness; None where the ground
    is not one even green or the cover is not a person's."""
    h, w = rgb.shape[:2]
    grow = (box[2:] - box[:2]) * MARGIN
    x0, y0 = np.floor(box[:2] - grow).astype(int)
    x1, y1 = np.ceil(box[2:] + grow).astype(int)
    if x0 < 0 or y0 < 0 or x1 > w or y1 > h or y1 - y0 < 18 or x1 - x0 < 8:
        return None
    cell = rgb[y0:y1, x0:x1]
    lab = cv2.cvtColor(cell, cv2.COLOR_RGB2Lab)
    ring = np.ones(cell.shape[:2], bool)
    inner = (box - [x0, y0, x0, y0]).round().astype(int)
    ring[max(inner[1], 0) : inner[3], max(inner[0], 0) : inner[2]] = False
    around = lab[ring]
    if len(around) < 20 or (green(cell[ring]) > 0.6).mean() < 0.9:
        return None
    middle = np.median(around, 0)
    spread = np.median(np.abs(around - middle), 0) * 1.48 + (2.0, 1.5, 1.5)
    away = (lab - middle) / spread
    away[..., 0] *= np.where(away[..., 0] < 0, 0.45, 0.8)  # shadow on turf is no person
    cover = np.clip((np.linalg.norm(away, axis=2) - 2.2) / 2.5, 0, 1).astype(np.float32)
    cover = _largest(cover)
    outside = cover[ring].mean()
    share = cover[~ring].mean()
    if not 0.28 < share < 0.85 or outside > 0.12:
        return None
    return np.dstack([cell, cv2.GaussianBlur(cover, (0, 0), 0.5)]).astype(np.float32), float(middle[0] / 100)


def _largest(cover: Floats) -> Floats:
    """The cover of its largest connected part alone, with what lies next to it."""
    _, marks, stats, _ = cv2.connectedComponentsWithStats((cover > 0.4).astype(np.uint8), connectivity=8)
    if len(stats) < 2:
        return np.zeros_like(cover)
    part = (marks == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())).astype(np.uint8)
    return cover * cv2.dilate(part, np.ones((3, 3), np.uint8))


def of_frame(job: tuple[Frame, int]) -> dict[str, list[Any]]:
    """Everything one frame gives. Raises InputError for a picture that cannot be read."""
    frame, seed = job
    cv2.setNumThreads(0)
    bgr = cv2.imread(str(frame.picture))
    if bgr is None:
        raise InputError("A picture cannot be read.", where=frame.picture)
    scale = SIZE_HW[1] / bgr.shape[1]
    bgr = cv2.resize(bgr, SIZE_HW[::-1], interpolation=cv2.INTER_LINEAR)
    rgb: Floats = np.ascontiguousarray(bgr[..., ::-1], np.float32) / np.float32(255)
    rng = np.random.default_rng(seed)
    ycc = rgb.reshape(-1, 3) @ YCC.T
    boxes = (frame.box_px + 0.5) * scale
    out: dict[str, list[Any]] = {
        "spectrum": [spectrum(rgb)], "colour": [np.stack([ycc.mean(0), ycc.std(0)]).astype(np.float32)],
        "turf": turf_pieces(rgb, boxes, rng), "people": [], "size": [], "box": [], "ground": [], "role": [],
    }  # fmt: skip
    for i, box in enumerate(boxes):
        if _crowded(boxes, i):
            continue
        cut = cut_person(rgb, box)
        if cut is None:
            continue
        cell, ground = cut
        high, wide = cell.shape[:2]
        stretched = cv2.resize(cell, CELL_HW[::-1], interpolation=cv2.INTER_LINEAR)
        out["people"].append(np.clip(stretched * 255 + 0.5, 0, 255).astype(np.uint8))
        corner = np.floor(box[:2] - (box[2:] - box[:2]) * MARGIN)
        out["size"].append((high, wide))
        out["box"].append((box - np.tile(corner, 2)) / (wide, high, wide, high))
        out["ground"].append(ground)
        out["role"].append(int(frame.role[i]))
    return out


def _crowded(boxes: NDArray[np.float64], i: int) -> bool:
    """True where another box reaches into the cell around box i."""
    grow = (boxes[i, 2:] - boxes[i, :2]) * MARGIN
    low, high = boxes[i, :2] - grow, boxes[i, 2:] + grow
    both = (np.minimum(boxes[:, 2:], high) - np.maximum(boxes[:, :2], low)).clip(0).prod(1)
    both[i] = 0
    return bool(both.max(initial=0) > TOO_CLOSE * (high - low).prod())


def write(frames: list[Frame], path: Path, workers: int) -> dict[str, int]:
    """Bank of these real frames; returns how many of each there are. Raises InputError where there are no frames."""
    if not frames:
        raise InputError("No real frames to borrow from.", where=path)
    jobs = [(f, i) for i, f in enumerate(frames)]
    if workers <= 1:
        rows = [of_frame(j) for j in jobs]
    else:
        with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
            rows = list(pool.map(of_frame, jobs, chunksize=4))
    all_of = {k: [v for r in rows for v in r[k]] for k in rows[0]}
    empty = {"turf": (0, TURF_PX, TURF_PX), "people": (0, *CELL_HW, 4), "size": (0, 2), "box": (0, 4)}
    kinds = {"turf": np.float16, "people": np.uint8, "role": np.int8}
    arrays = {
        k: np.asarray(v, kinds.get(k, np.float32)) if v else np.zeros(empty.get(k, (0,)), kinds.get(k, np.float32))
        for k, v in all_of.items()
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    np.savez(path, **arrays)  # type: ignore[arg-type]
    return {k: len(v) for k, v in arrays.items()}
