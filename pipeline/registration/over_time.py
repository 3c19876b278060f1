"""Fuses the registrations of one shot: one level, one absolute x, and a camera for every frame.

Between frames the field is carried on the film's own motion (a homography of the picture). Frames agree on a level
and, by carrying, on how their yard lines correspond; what was read of the numbers adds up; a frame that failed or
disagrees takes its camera from its neighbours.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline import field as fields
from pipeline.camera import Camera
from pipeline.errors import ShapeError
from pipeline.records import Registration
from pipeline.registration import judge, numbers, solve, solver, start

Array = NDArray[np.float64]

GRID = (9, 6)  # points over a picture that carry the field
MIN_SHARED = 6  # of them that must lie in both pictures
REACH_PX = 160.0  # camera motion over which a neighbour's word fades, of a 1280-wide picture
REACH_FRAMES = 240
CARRY_YD_PER_REACH = 0.25  # error added by carrying that far
OUTLIER_YD = 0.8  # a frame farther from what its neighbours say is replaced
MOST_EVIDENCE = 4.0  # frames' worth of evidence on absolute x, however many frames there are
CARRY_SD_YD = 0.1
MOST_LEVEL_EVIDENCE = 1.5  # the same of the field level, where frames err alike
RIVAL = 6.0  # log evidence: a level behind by more is not named
MOST_AGAINST = 30.0  # most that one frame may say against a level


@dataclass
class _Look:
    """One frame while fusing. shift_yd: what to add to its x to agree with the first usable frame."""

    frame: int
    own: Registration
    to_first: Array
    camera: Camera | None
    way: dict[str, Any] = field(default_factory=dict)
    shift_yd: float = 0.0
    error_yd: float = float("inf")


def over_time(
    frames: Sequence[int], registrations: Sequence[Registration], to_first_px: Sequence[Array]
) -> list[Registration]:
    """Registrations of the sampled frames of a shot made to agree.

    frames: indices; to_first_px: (3, 3) per frame, px of it -> px of the shot's first frame (camera motion).
    Raises ShapeError when the counts differ.
    """
    if not len(frames) == len(registrations) == len(to_first_px):
        raise ShapeError(
            f"over_time: expected equal counts, got {len(frames)} frames, {len(registrations)} registrations and "
            f"{len(to_first_px)} transforms."
        )
    kind = _kind(registrations)
    if kind is None:
        return list(registrations)
    level, view, doubt, sure, others = kind
    looks = [
        _look(int(f), r, np.asarray(t, float), level, view)
        for f, r, t in zip(frames, registrations, to_first_px, strict=True)
    ]
    if all(k.camera is None for k in looks):
        return list(registrations)
    order = sorted(range(len(looks)), key=lambda i: looks[i].frame)
    _agree_on_lines([looks[i] for i in order])
    shift, probability, read = _absolute(looks)
    witnessed = any(k.way.get("witnessed", bool(k.way.get("numbers"))) for k in looks if k.camera is not None)
    known = probability > numbers.KNOWN and witnessed
    fused = [_fuse(i, looks, level, view) for i in range(len(looks))]
    out = []
    for look, (camera, error, carried) in zip(looks, fused, strict=True):
        evidence = {
            **look.own.evidence, "shot_shift_probability": probability, "shot_numbers_read": read,
            "level_probability": sure,
        }  # fmt: skip
        if camera is None:
            out.append(replace(look.own, evidence=evidence))
            continue
        if carried:
            evidence["carried"] = True
        out.append(_record(look, camera.shifted(shift), view, level, known, error, doubt, others, evidence))
    return out


def _record(
    look: _Look, camera: Camera, view: str, level: str, known: bool, error: float, doubt: float, others: list[str],
    evidence: dict[str, Any],
) -> Registration:  # fmt: skip
    """A frame's registration; error: of its camera, doubt: of the level, both yards; others: see :class:`_Kind`."""
    evidence["best_guess"] = camera
    both = float(np.hypot(error, doubt))
    if both < judge.OK_ERROR_YD or (error < judge.OK_ERROR_YD and not others):
        return Registration("ok", camera, view, level, known, look.own.error_px, both, "", evidence)
    reason = f"{judge.ESTIMATED} {both:.1f} yd" if error >= judge.OK_ERROR_YD else judge.not_certain(level, others)
    return Registration("abstained", None, view, level, known, look.own.error_px, both, reason, evidence)


def _ways(r: Registration) -> list[dict[str, Any]]:
    """The ways a registration may be read: its own alternatives, or itself."""
    ways = r.evidence.get("alternatives")
    if ways:
        return [w for w in ways if w["view"] == r.view]
    if r.status != "ok":
        return []
    return [{"level": r.level, "rows": "both", "score": 0.0, "camera": r.camera, "apart_yd": 0.0, "fit_reason": "",
             "fit_error_yd": r.error_yd, **{k: r.evidence[k] for k in ("shifts", "shift_log_weight", "shift", "numbers")
                                            if k in r.evidence}}]  # fmt: skip


class _Kind(NamedTuple):
    """What a shot's frames agree on: doubt in yards, probability sure of the level, and the other levels that are too
    likely to use this one (none where it is likely enough)."""

    level: str
    view: str
    doubt: float
    sure: float
    others: list[str]


def _kind(registrations: Sequence[Registration]) -> _Kind | None:
    """What all the evidence speaks for; None: nothing usable.

    Scores of a level add up over the frames (at most MOST_LEVEL_EVIDENCE of them count as independent).
    """
    views: dict[str, int] = defaultdict(int)
    for r in registrations:
        views[r.view] += 1 if _ways(r) else 0
    if not views or max(views.values()) == 0:
        return None
    view = max(views, key=lambda k: views[k])
    total: dict[str, float] = defaultdict(float)
    apart: dict[tuple[str, str], list[float]] = defaultdict(list)
    count = 0
    all_followed = all(r.evidence.get("followed") for r in registrations if _ways(r))
    for r in registrations:
        ways = _ways(r) if r.view == view else []
        sound = [w for w in ways if w["fit_reason"] == "" or w is ways[0]]
        if r.evidence.get("followed") and not all_followed:  # its level is another frame's word
            continue
        if not sound or sound[0]["fit_reason"]:
            continue
        count += 1
        best = {n: max((w["score"] for w in sound if w["level"] == n), default=None) for n in fields.LEVELS}
        top = max(v for v in best.values() if v is not None)
        for n, v in best.items():
            total[n] += max(v - top, -MOST_AGAINST) if v is not None else -MOST_AGAINST
        for w in sound[1:]:
            apart[(sound[0]["level"], w["level"])].append(w["apart_yd"])
    if not count:
        return None
    scale = min(1.0, MOST_LEVEL_EVIDENCE / count)
    level = max(total, key=lambda n: total[n])
    others = [n for n in total if n != level]
    off = [float(np.median(apart.get((level, n)) or apart.get((n, level)) or [0.0])) for n in others]
    scores = [0.0, *((total[n] - total[level]) * scale for n in others)]
    sure = judge.level_probability([level, *others], scores, level)
    if all(r.evidence.get("one_row", False) for r in registrations if _ways(r)):
        sure = min(sure, judge.ONE_ROW_SURE)
    rivals = [n for n, d, v in zip(others, off, scores[1:], strict=True) if d > judge.OK_ERROR_YD and v > -RIVAL]
    likely = judge.near_probability(scores, [0.0, *off]) >= judge.LIKELY
    return _Kind(level, view, judge.doubt_yd(scores, [0.0, *off]), sure, [] if likely else sorted(rivals))


def _look(frame: int, r: Registration, to_first: Array, level: str, view: str) -> _Look:
    """A frame as the shot's level reads it; without a camera where that reading has a flaw."""
    ways = [w for w in _ways(r) if w["level"] == level and not w["fit_reason"]] if r.view == view else []
    if not ways:
        return _Look(frame, r, to_first, None)
    best = max(ways, key=lambda w: w["score"])
    # Doubt between the two hash rows of this level stays with the frame.
    doubt = judge.doubt_yd([w["score"] for w in ways], [abs(w["apart_yd"] - best["apart_yd"]) for w in ways])
    error = best["fit_error_yd"] if np.isfinite(best["fit_error_yd"]) else 1.0
    return _Look(frame, r, to_first, best["camera"], way=best, error_yd=float(np.hypot(error, doubt)))


def _grid(camera: Camera) -> Array:
    x, y = np.meshgrid(np.linspace(0.06, 0.94, GRID[0]), np.linspace(0.15, 0.95, GRID[1]))
    return np.stack([x.ravel() * (camera.width_px - 1), y.ravel() * (camera.height_px - 1)], 1)


def _carry(px: Array, a: Array, b: Array) -> Array:
    """Px of a frame with motion a -> px of the frame with motion b."""
    h = np.linalg.solve(b, a)
    q = np.concatenate([px, np.ones((len(px), 1))], 1) @ h.T
    z = np.where(np.abs(q[:, 2:]) > 1e-9, q[:, 2:], np.nan)
    return np.asarray(q[:, :2] / z)


def _ground(camera: Camera, px: Array, slack: float = 0.08) -> Array:
    """Field points of px inside (or a little outside) the picture, else NaN."""
    w, h = camera.width_px, camera.height_px
    inside = (
        (px[:, 0] > -slack * w)
        & (px[:, 0] < (1 + slack) * w)
        & (px[:, 1] > -slack * h)
        & (px[:, 1] < (1 + slack) * h)
    )
    g = camera.px_to_ground(np.where(inside[:, None], px, 0.0))
    far = np.linalg.norm(g - np.asarray(camera.position_yd)[:2], axis=1) > 260
    g[~inside | far] = np.nan
    return np.asarray(g)


def _agree_on_lines(looks: list[_Look]) -> None:
    """Sets shift_yd of every usable frame, in order of time, against the usable frames before it."""
    done: list[_Look] = []
    for look in looks:
        if look.camera is None:
            continue
        votes: dict[float, float] = defaultdict(float)
        px = _grid(look.camera)
        g = _ground(look.camera, px)
        for other in done[-6:]:
            seen_by = other.camera
            if seen_by is None:
                continue
            d = _ground(seen_by, _carry(px, look.to_first, other.to_first)) - g
            d = d[np.isfinite(d).all(1)]
            if len(d) < MIN_SHARED:
                d = np.array([[seen_by.position_yd[0] - look.camera.position_yd[0], 0.0]])
            off = float(np.median(d[:, 0]))
            step = 5.0 * round(off / 5.0)
            votes[step + other.shift_yd] += float(np.exp(-(((off - step) / 1.2) ** 2))) / max(other.error_yd, 0.1)
        look.shift_yd = max(votes, key=lambda k: votes[k]) if votes else 0.0
        done.append(look)


def _absolute(looks: list[_Look]) -> tuple[float, float, int]:
    """(shift of the whole shot to absolute x, its probability, numbers read in all)."""
    total: dict[float, float] = defaultdict(float)
    seen: dict[float, int] = defaultdict(int)
    count, read = 0, 0
    for look in looks:
        e = look.way
        if look.camera is None or "shifts" not in e:
            continue
        if look.own.evidence.get("followed") and not e.get("witnessed"):  # read nothing: says nothing
            continue
        count += 1
        read += sum(1 for _, _, tens, p, _ in e.get("numbers", ()) if tens and p > 0.8)
        weight = np.asarray(e["shift_log_weight"], float)
        floor = float(weight.min())
        # The camera came out shifted by e["shift"]; a shift s of the raw fit is s - e["shift"] of that camera, and
        # the shot's frame of reference lies another shift_yd away.
        for s, w in zip(e["shifts"], weight - weight.max(), strict=True):
            key = round(s - e["shift"] - look.shift_yd, 3)
            total[key] += float(w) - (floor - weight.max())
            seen[key] += 1
    if not total:
        return 0.0, 0.0, 0
    # A shift some frames do not even allow gets the floor of those frames: nothing added for them above.
    scale = min(1.0, MOST_EVIDENCE / max(count, 1))
    keys = list(total)
    w = np.array([total[k] for k in keys]) * scale
    p = np.exp(w - w.max())
    p /= p.sum()
    i = int(np.argmax(p))
    return keys[i], float(p[i]), read


def _fuse(i: int, looks: list[_Look], level: str, view: str) -> tuple[Camera | None, float, bool]:
    """(camera in the shot's own x, error in yards, carried): one frame with its neighbours' word."""
    look = looks[i]
    pattern = look.camera or next((v.camera for v in looks if v.camera is not None), None)
    if pattern is None:
        return None, float("inf"), False
    px = _grid(pattern)
    words, weights, errors = [], [], []
    for other in looks:
        if other.camera is None or abs(other.frame - look.frame) > REACH_FRAMES:
            continue
        moved = _carry(px, look.to_first, other.to_first)
        gone = (
            float(np.nanmedian(np.linalg.norm(moved - px, axis=1))) * 1280 / pattern.width_px
            if other is not look
            else 0.0
        )
        if not np.isfinite(gone):
            continue
        g = _ground(other.camera, moved)
        g[:, 0] += other.shift_yd
        error = float(np.hypot(max(other.error_yd, 0.05), CARRY_YD_PER_REACH * gone / REACH_PX))
        words.append(g)
        weights.append(error**-2.0 * np.exp(-0.5 * (gone / REACH_PX) ** 2))
        errors.append(error)
    if not words:
        return None, float("inf"), False
    return _settle(look, pattern, px, np.array(words), np.array(weights), np.array(errors), level, view)


def _settle(
    look: _Look, pattern: Camera, px: Array, words: Array, weights: Array, errors: Array, level: str, view: str
) -> tuple[Camera | None, float, bool]:
    """Robust mean of what the frames say about points (F, N, 2), and the camera that shows it."""
    with np.errstate(invalid="ignore", all="ignore"):
        center = np.nanmedian(words, 0)
        off = np.nanmedian(np.linalg.norm(words - center, axis=-1), 1)
    trust = weights / (1 + (np.nan_to_num(off, nan=9.0) / 0.3) ** 2)
    w = np.where(np.isfinite(words[..., 0]), trust[:, None], 0.0)
    total = w.sum(0)
    mean = (np.nan_to_num(words) * w[..., None]).sum(0) / np.maximum(total, 1e-12)[:, None]
    good = total > 0.2 * np.median(total[total > 0]) if (total > 0).any() else total > 0
    if good.sum() < MIN_SHARED:
        own = look.camera
        return (own.shifted(look.shift_yd) if own else None), look.error_yd, False
    error = float((errors * trust).sum() / trust.sum())
    own_off = float("inf")
    if look.camera is not None:
        d = _ground(look.camera, px) + (look.shift_yd, 0.0) - mean
        own_off = float(np.nanmedian(np.linalg.norm(d, axis=1)))
    camera = _fit(look.camera or pattern, px[good], mean[good], level, view)
    if camera is None:
        own = look.camera
        return (own.shifted(look.shift_yd) if own else None), look.error_yd, False
    return camera, min(error, look.error_yd) if own_off < OUTLIER_YD else error, own_off > OUTLIER_YD


def _fit(near: Camera, px: Array, xy: Array, level: str, view: str) -> Camera | None:
    """The camera nearest to a known one that shows field points (N, 2) at px (N, 2)."""
    size = (near.width_px, near.height_px)
    row = solver.row_of(near)
    row[4] += float(np.median(xy[:, 0] - np.nan_to_num(solver.unproject(row[None], px, size)[0][:, 0])))
    known = start.prior(view, fields.load(level))
    # The position and the lens are those of the known camera: only little may they move.
    sd = np.array([0.5, 0.6, 0.3, 0.05, 3.0, 3.0, 2.0, 0.01])
    near_prior = solver.Prior(np.where(np.isfinite(sd), row, known.mean), sd)
    target = np.broadcast_to(xy, (1, *xy.shape))
    for _ in range(3):
        normal = solve.point_normals(row[None], target, np.full(xy.shape, CARRY_SD_YD), np.ones((1, len(xy))), size)
        rows, _ = solver.refine(row[None], solver.Sightings(px, target, normal), near_prior, size, steps=6)
        row = rows[0]
    g = solver.unproject(row[None], px, size)[0]
    off = float(np.nanmedian(np.linalg.norm(g - xy, axis=1)))
    return solver.camera_of(row, size) if off < 0.5 else None
