"""Pairs a run with the truth: plays by clip and time, people by box, registrations by frame."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline import field as fields
from pipeline.camera import Camera
from pipeline.ledger import Row

Array = NDArray[np.float64]
PAIR_S = 5.0  # a snap found farther from the true one than this is another event
SAME_MOMENT_S = 0.25  # people and positions are compared where the snap is found this close
IOU = 0.5  # usual threshold of detection benchmarks (PASCAL VOC, M. Everingham et al., 2010)
GROUND_OF_HEIGHT = 0.25  # or ground points this close, share of the picture's median person height:
# boxes of the truth end where a man is hidden, so overlap alone would call a found man in the pile missing


@dataclass
class Pair:
    """A true play (truth row) with the row of the run that answers it, or None."""

    clip: str
    truth: Row
    pred: Row | None
    truth_people: list[Row] = field(default_factory=list)
    pred_people: list[Row] = field(default_factory=list)
    size_px: tuple[int, int] | None = None  # of the clip's pictures, where a table says it

    @property
    def snap_error_s(self) -> float:
        """Signed error of the snap's time; NaN where either has none."""
        if self.pred is None:
            return math.nan
        a, b = self.pred.get("snap_time_s"), self.truth.get("snap_time_s")
        return math.nan if a is None or b is None else float(a) - float(b)

    @property
    def same_moment(self) -> bool:
        """True where positions at the snap may be compared."""
        return abs(self.snap_error_s) <= SAME_MOMENT_S


def stem(clip: Any) -> str:
    """Clip name without folders and ending: truth and run may differ in these."""
    name = PurePosixPath(str(clip).replace("\\", "/")).name
    return name.rsplit(".", 1)[0] if "." in name else name


def by_clip(rows: Sequence[Row]) -> dict[str, list[Row]]:
    """Rows grouped by clip stem, in order."""
    groups: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        groups[stem(row.get("clip", ""))].append(row)
    return dict(groups)


def has_snap(row: Row) -> bool:
    """True for a row of a play with a snap; hand charts give no frame but a play kind or other labels."""
    if row.get("snap_frame") is not None or row.get("snap_time_s") is not None:
        return True
    return "snap_frame" not in row and "snap_time_s" not in row and row.get("play_kind") != "no_snap"


def pair_clip(truth: Sequence[Row], pred: Sequence[Row]) -> list[tuple[Row, Row | None]]:
    """Pair the plays of one clip: by snap time where both have it, else in order."""
    wanted = [r for r in truth if has_snap(r)]
    given = [r for r in pred if has_snap(r)]
    pairs: list[tuple[Row, Row | None]] = [(r, None) for r in truth if not has_snap(r)]
    if wanted and all(r.get("snap_time_s") is not None for r in wanted):
        found = _by_time(wanted, given)
    else:
        found = {i: i for i in range(min(len(wanted), len(given)))}
    return pairs + [(r, given[found[i]] if i in found else None) for i, r in enumerate(wanted)]


def _by_time(truth: Sequence[Row], pred: Sequence[Row]) -> dict[int, int]:
    if not pred:
        return {}
    gap = np.array([[abs(float(t["snap_time_s"]) - float(p["snap_time_s"])) for p in pred] for t in truth])
    rows, columns = linear_sum_assignment(gap)
    return {int(r): int(c) for r, c in zip(rows, columns, strict=True) if gap[r, c] <= PAIR_S}


def _boxes(people: Sequence[Row]) -> tuple[Array, Array]:
    box = np.array([[p.get(f"box_{k}_px") for k in ("left", "top", "right", "bottom")] for p in people], float)
    ground = np.array([[p.get("ground_x_px"), p.get("ground_y_px")] for p in people], float)
    return box.reshape(-1, 4), ground.reshape(-1, 2)


def iou(a: Array, b: Array) -> Array:
    """(N, M) intersection over union of boxes (N, 4) and (M, 4)."""
    low, high = np.maximum(a[:, None, :2], b[None, :, :2]), np.minimum(a[:, None, 2:], b[None, :, 2:])
    inside = np.clip(high - low, 0, None).prod(-1)
    area = [np.clip(x[:, 2:] - x[:, :2], 0, None).prod(-1) for x in (a, b)]
    return np.asarray(inside / np.maximum(area[0][:, None] + area[1][None] - inside, 1e-9))


def match_people(truth: Sequence[Row], pred: Sequence[Row]) -> list[tuple[int, int]]:
    """One-to-one pairs (truth index, pred index) of the people of one moment, best overlap overall.

    A pair counts with IoU of at least 0.5, or with ground points within a quarter of a person's height.
    """
    if not truth or not pred:
        return []
    (tb, tg), (pb, pg) = _boxes(truth), _boxes(pred)
    overlap = np.nan_to_num(iou(tb, pb))
    height = float(np.nanmedian(tb[:, 3] - tb[:, 1]))
    apart = np.linalg.norm(tg[:, None] - pg[None], axis=-1) / max(height, 1.0)
    apart = np.where(np.isfinite(apart), apart, np.inf)
    allowed = (overlap >= IOU) | (apart <= GROUND_OF_HEIGHT)
    score = np.where(allowed, 1.0 + overlap + np.exp(-4 * np.minimum(apart, 50.0)), 0.0)
    rows, columns = linear_sum_assignment(-score)
    return [(int(r), int(c)) for r, c in zip(rows, columns, strict=True) if allowed[r, c]]


def people_counted(pair: Pair, matched: Sequence[tuple[int, int]]) -> tuple[int, int, int]:
    """(found, to be found, finds) of people on the field.

    Not held against anybody: people beyond the lines (officials on the sideline's border, found or not), people of
    whom not a pixel shows, and finds of people cut by the picture's edge, whose ground point lies outside it and
    whom the truth does not list.
    """
    width, height = pair.size_px or (math.inf, math.inf)

    def inside(p: Row) -> bool:
        x, y = p.get("ground_x_px"), p.get("ground_y_px")
        return x is None or y is None or (0 <= x < width and 0 <= y < height)

    off = {i for i, t in enumerate(pair.truth_people) if not _within_lines(t, pair.truth.get("field_level"))}
    hits = [(i, j) for i, j in matched if i not in off]
    taken = {j for _, j in matched}
    missed = set(range(len(pair.truth_people))) - off - {i for i, _ in matched}
    seen = sum(1 for i in missed if pair.truth_people[i].get("box_left_px") is not None)
    false = sum(1 for j, p in enumerate(pair.pred_people) if j not in taken and inside(p))
    return len(hits), len(hits) + seen, len(hits) + false


def _within_lines(person: Row, level: Any) -> bool:
    x, y = person.get("x_yd"), person.get("y_yd")
    if x is None or y is None or level not in fields.LEVELS:
        return True
    f = fields.load(str(level))
    return bool(0 <= x <= f.length and 0 <= y <= f.width)


def position_errors(wanted: Sequence[tuple[Row, Row]], everybody: Sequence[tuple[Row, Row]]) -> Array:
    """(N,) yards between true and found positions; a shift of the whole play by 5, 10, ... yd is taken out.

    Yard lines repeat: whether the right one was claimed is counted by ``absolute_wrong``.
    """

    def known(pairs: Sequence[tuple[Row, Row]]) -> Array:
        keys = ("x_yd", "y_yd")
        both = [(t, p) for t, p in pairs if all(r.get(k) is not None for r in (t, p) for k in keys)]
        rows = [[p[k] - t[k] for k in keys] for t, p in both]
        return np.array(rows, float).reshape(-1, 2)

    every = known(everybody)
    if not len(every):
        return np.zeros(0)
    shift = 5.0 * round(float(np.median(every[:, 0])) / 5.0)
    return np.asarray(np.linalg.norm(known(wanted) - np.array([shift, 0.0]), axis=1))


def camera_of(row: Row, width_px: int, height_px: int) -> Camera | None:
    """The camera of a row of registration.csv, or None where it has none."""
    names = ("focal_px", "pan_deg", "tilt_deg", "roll_deg", "k1", "x_yd", "y_yd", "z_yd")
    values = [row.get(f"camera_{n}") for n in names]
    numbers = [float(v) for v in values if v is not None]
    if len(numbers) < len(names):
        return None
    focal, pan, tilt, roll, k1, x, y, z = numbers
    return Camera(width_px, height_px, focal, (x, y, z), pan, tilt, roll, k1)


TRUTH_GAP_FRAMES = 6  # truth may be written every few frames: between two such the camera is taken as even
_CAMERA = tuple(f"camera_{n}" for n in ("focal_px", "pan_deg", "tilt_deg", "roll_deg", "k1", "x_yd", "y_yd", "z_yd"))


def truth_at(rows: dict[int, Row], frame: int) -> Row | None:
    """The true registration of a frame: its row, or the camera halfway between its neighbours. None without."""
    if frame in rows:
        return rows[frame]
    before = max((f for f in rows if f < frame), default=None)
    after = min((f for f in rows if f > frame), default=None)
    if before is None or after is None or after - before > TRUTH_GAP_FRAMES:
        return None
    a, b = rows[before], rows[after]
    if any(r.get(k) is None for r in (a, b) for k in _CAMERA):
        return None
    share = (frame - before) / (after - before)
    return {**a, "frame": frame, **{k: (1 - share) * a[k] + share * b[k] for k in _CAMERA}}


@dataclass(frozen=True)
class RegistrationError:
    """Errors of one registered frame, yards; shift_yd: multiple of 5 yd taken out along the field."""

    clip: str
    frame: int
    inside_hashes: Array
    far_numbers: Array
    shift_yd: float
    claimed: bool


def registration_error(truth: Row, pred: Row, size_px: tuple[int, int]) -> RegistrationError | None:
    """Compare two registrations of one frame on field points in the picture; None where that cannot be done.

    Points every 2.5 yd along, five rows from hash row to hash row and one row through the far numbers.
    """
    a, b = camera_of(truth, *size_px), camera_of(pred, *size_px)
    if a is None or b is None:
        return None
    f = fields.load(str(truth.get("level") or pred.get("level") or "college"))
    inside = _error_on(a, b, f, np.linspace(*f.hash_rows, 5))
    if len(inside) < 3:
        return None
    shift = 5.0 * round(float(np.median(inside[:, 0])) / 5.0)
    far = _error_on(a, b, f, np.array([f.number_rows[1]]))
    clean = [np.linalg.norm(e - np.array([shift, 0.0]), axis=1) for e in (inside, far)]
    return RegistrationError(
        stem(truth["clip"]), int(truth["frame"]), clean[0], clean[1], shift, bool(pred.get("absolute_x_known"))
    )


def _error_on(a: Camera, b: Camera, f: fields.Field, rows_y: Array) -> Array:
    """(N, 2) vector errors of camera b on points of rows y that camera a has in its picture."""
    x, y = np.meshgrid(np.arange(0.0, f.length + 0.1, 2.5), rows_y)
    points = np.stack([x.ravel(), y.ravel()], 1)
    px = a.ground_to_px(points)
    seen = np.isfinite(px).all(1) & (px >= 0).all(1) & (px[:, 0] < a.width_px) & (px[:, 1] < a.height_px)
    back = b.px_to_ground(px[seen])
    error = back - points[seen]
    # A pixel that the other camera puts above its horizon is as wrong as can be: counted as 100 yd, not dropped.
    return np.where(np.isfinite(error), error, 100.0)
