"""From a picture to the network's input, and from its output to people.

Output of the network, per candidate: centre x, centre y, width, height in px of its input, one score per role
(records.ROLES) in 0..1, then x, y, seen of the ground point and of the head.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline.errors import ModelError
from pipeline.records import ROLES

Floats = NDArray[np.float32]

STRIDE = 32  # the input's sides are multiples of it
PAD = 114  # grey of the padding, as in training
COLUMNS = 4 + len(ROLES) + 2 * 3

# Two finds are one man when their points nearly coincide. Lengths in units of sqrt(box area) of the larger box, which
# hardly depends on stance; a helmet is about 0.25 of it. Two men in a pile overlap by any amount, but of 782 rendered
# people no two came closer than 0.26 in head and ground point together.
SAME_POINTS = 0.24  # root of the summed squares of the distance of the heads and of the ground points
SAME_HEAD, SAME_HEAD_OVERLAP = 0.25, 0.80  # or heads closer than this where boxes overlap (IoU) by more than that
SAME_BOX = 0.90  # or boxes that overlap (IoU) by more than this
# A second find of a man seldom lies as near as that, but is seldom sure: nearer to a surer find than this, or with
# boxes that overlap by more, a find needs a confidence of its own. Chosen on rendered stills of looks never trained
# on and held-back real frames together, so that men lost and men found twice are fewest.
NEAR_POINTS, NEAR_OVERLAP, NEAR_CONFIDENCE = 0.36, 0.60, 0.45
PASSES_APART = 0.5  # two passes' finds of one man differ by less, in the same units
ALONE = 0.5  # what a find counts that another pass over the same place did not make
MOST_PEOPLE = 400  # in one picture: benches and stands of a wide view have some hundred


PARTS = ("box_px", "score", "ground_px", "head_px")


@dataclass(frozen=True)
class Found:
    """N finds, px of the picture. score (N, roles); confidence and role are its maximum."""

    box_px: Floats
    score: Floats
    ground_px: Floats
    head_px: Floats

    @property
    def confidence(self) -> Floats:
        return self.score.max(1) if len(self.score) else np.zeros(0, np.float32)

    @property
    def role(self) -> NDArray[np.int64]:
        return self.score.argmax(1).astype(np.int64) if len(self.score) else np.zeros(0, np.int64)

    def take(self, index: NDArray[np.int64] | NDArray[np.bool_]) -> Found:
        """The finds at these indices (or where True)."""
        return Found(self.box_px[index], self.score[index], self.ground_px[index], self.head_px[index])


def join(parts: list[Found]) -> Found:
    """Finds of several passes over one picture, one after the other."""
    return Found(*(np.concatenate([getattr(p, k) for p in parts]) for k in PARTS))


def to_input(image: NDArray[np.uint8], width_px: int) -> tuple[Floats, float]:
    """BGR (H, W, 3) -> (1, 3, h, w) RGB 0..1 with the longer side width_px, padded right and below; and the scale.

    A px p of the picture (origin at the centre of the top left pixel) is (p + 0.5) * scale of the input, the
    input's coordinates counting from the corner as in training.
    """
    h, w = image.shape[:2]
    scale = width_px / max(h, w)
    size = (max(1, round(w * scale)), max(1, round(h * scale)))
    if size != (w, h):
        way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
        image = np.asarray(cv2.resize(image, size, interpolation=way), np.uint8)
    rows, cols = (-(-s // STRIDE) * STRIDE for s in (size[1], size[0]))
    x = np.full((1, 3, rows, cols), np.float32(PAD) / np.float32(255), np.float32)
    for into, channel in zip(x[0], reversed(cv2.split(image)), strict=True):
        np.divide(channel, np.float32(255), out=into[: size[1], : size[0]])
    return x, scale


def decode(output: Floats, scale: float, confidence: float, shift_px: tuple[float, float] = (0.0, 0.0)) -> Found:
    """(1, COLUMNS, candidates) or (1, candidates, COLUMNS) -> finds with a score of at least ``confidence``.

    scale: of :func:`to_input`; shift_px: where the part the network saw lies in the picture.
    Raises ModelError for an output of another shape.
    """
    y = output[0] if output.ndim == 3 else output
    if y.ndim != 2 or COLUMNS not in y.shape:
        raise ModelError(f"The people network gave {output.shape}, expected {COLUMNS} values a candidate.")
    if y.shape[0] == COLUMNS:
        y = y.T
    y = y[y[:, 4 : 4 + len(ROLES)].max(1) >= confidence]
    offset = np.array(shift_px, np.float32) - 0.5
    center, half = y[:, :2] / scale + offset, y[:, 2:4] / (2 * scale)
    points = y[:, 4 + len(ROLES) :].reshape(-1, 2, 3)[:, :, :2] / scale + offset
    return Found(
        np.concatenate([center - half, center + half], 1).astype(np.float32),
        y[:, 4 : 4 + len(ROLES)].astype(np.float32),
        points[:, 0].astype(np.float32),
        points[:, 1].astype(np.float32),
    )


def overlap(a: Floats, b: Floats) -> Floats:
    """(N, 4), (M, 4) boxes -> (N, M) intersection over union."""
    low, high = np.maximum(a[:, None, :2], b[None, :, :2]), np.minimum(a[:, None, 2:], b[None, :, 2:])
    inter = (high - low).clip(0).prod(2)
    area_a, area_b = ((q[:, 2:] - q[:, :2]).clip(0).prod(1) for q in (a, b))
    out: Floats = (inter / np.maximum(area_a[:, None] + area_b[None] - inter, 1e-9)).astype(np.float32)
    return out


def remove_doubles(found: Found, most: int = MOST_PEOPLE) -> Found:
    """Keep the surest find of each man, in order of confidence. A sure find never goes by overlap short of SAME_BOX.

    A network gives some 20 candidates a man: all of them are looked at, ``most`` bounds the people only.
    """
    found = found.take(np.argsort(-found.confidence, kind="stable"))
    left = np.arange(len(found.score))
    kept: list[int] = []
    while len(left) and len(kept) < most:
        kept.append(int(left[0]))
        left = left[1:][~_same(found, int(left[0]), left[1:])]
    return found.take(np.array(kept, np.int64))


def agree(a: Found, b: Found) -> Found:
    """Two passes over the same part of a picture, each without doubles, made one.

    A man both passes found counts with the mean of what they say; whom only one found counts for ALONE of it. Men
    are paired one to one by their points, so that neighbours in a pile are never taken for one.
    """
    apart = _apart(a, b)
    cost = np.where(apart < PASSES_APART, apart - 0.3 * overlap(a.box_px, b.box_px), 9.0)
    rows, columns = linear_sum_assignment(cost)
    both = [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if apart[i, j] < PASSES_APART]
    i, j = (np.array([p[k] for p in both], np.int64) for k in (0, 1))
    x, y = a.take(i), b.take(j)
    parts = [Found(*((getattr(x, k) + getattr(y, k)) / 2 for k in PARTS))]
    for f, used in ((a, i), (b, j)):
        rest = f.take(np.setdiff1d(np.arange(len(f.score)), used))
        parts.append(Found(rest.box_px, rest.score * np.float32(ALONE), rest.ground_px, rest.head_px))
    return remove_doubles(join(parts))


def _apart(a: Found, b: Found) -> Floats:
    """(N, M) distance of heads and ground points together, in units of the larger of two boxes."""
    size = [np.sqrt((f.box_px[:, 2:] - f.box_px[:, :2]).clip(1).prod(1)) for f in (a, b)]
    unit = np.maximum(size[0][:, None], size[1][None])
    head = np.linalg.norm(a.head_px[:, None] - b.head_px[None], axis=2) / unit
    ground = np.linalg.norm(a.ground_px[:, None] - b.ground_px[None], axis=2) / unit
    return np.asarray(np.hypot(head, ground), np.float32)


def _same(f: Found, i: int, others: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(N,) True where a find at these indices and find i are taken for one man."""
    size = np.sqrt((f.box_px[others, 2:] - f.box_px[others, :2]).clip(1).prod(1))
    unit = np.maximum(size, np.sqrt((f.box_px[i, 2:] - f.box_px[i, :2]).clip(1).prod()))
    head = np.linalg.norm(f.head_px[others] - f.head_px[i], axis=1) / unit
    ground = np.linalg.norm(f.ground_px[others] - f.ground_px[i], axis=1) / unit
    iou = overlap(f.box_px[i : i + 1], f.box_px[others])[0]
    apart = np.hypot(head, ground)
    unsure = f.score[others].max(1, initial=0) < NEAR_CONFIDENCE
    same: NDArray[np.bool_] = (
        (apart < SAME_POINTS)
        | ((head < SAME_HEAD) & (iou > SAME_HEAD_OVERLAP))
        | (iou > SAME_BOX)
        | (unsure & ((apart < NEAR_POINTS) | (iou > NEAR_OVERLAP)))
    )
    return same


def cut_by_edge(found: Found, width_px: int, height_px: int, margin_px: float = 2.0) -> NDArray[np.bool_]:
    """(N,) True where the picture's edge cuts the person: the box touches it or the ground point lies outside."""
    b, g = found.box_px, found.ground_px
    touches = (b[:, 0] < margin_px) | (b[:, 1] < margin_px)
    touches |= (b[:, 2] > width_px - 1 - margin_px) | (b[:, 3] > height_px - 1 - margin_px)
    outside = (g < -0.5).any(1) | (g[:, 0] > width_px - 0.5) | (g[:, 1] > height_px - 0.5)
    cut: NDArray[np.bool_] = touches | outside
    return cut
