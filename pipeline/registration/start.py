"""First guesses of the camera from what the marks network saw, without any hint.

The dense answers (share of the way across, phase of the 5-yard lines) give rough field points all over the picture
once the phase is unwrapped; a robust homography of them, split into cameras of several focal lengths, starts the
fit. Where the dense answers do not hold together, typical cameras of the view are tried.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import spsolve

from pipeline.field import Field
from pipeline.registration import solver
from pipeline.registration.marks import Marks

Array = NDArray[np.float64]

FOCALS = (1.2, 2.0, 3.0, 4.2, 6.0, 9.0)  # picture widths; measured film lies in 1.0 .. 11.4
TYPICAL_K1 = 0.012
MIN_CELLS = 40
RANSAC_YD = 1.0


def prior(view: str, field: Field) -> solver.Prior:
    """What is known of any coaching camera: measured ranges of film (median, about twice the spread).

    x is free: yard lines repeat.
    """
    inf = np.inf
    if view == "endzone":
        mean = [np.log(5.5), np.pi / 2, np.deg2rad(19), 0, 0, field.width / 2, 36, 0.009]
        sd = [0.6, np.deg2rad(8), np.deg2rad(12), np.deg2rad(1.5), inf, 3.0, 18, 0.008]
    else:
        mean = [np.log(3.2), 0, np.deg2rad(21), 0, 0, -70, 42, 0.017]
        sd = [0.9, np.deg2rad(25), np.deg2rad(10), np.deg2rad(1.5), inf, 45, 25, 0.012]
    return solver.Prior(np.array(mean), np.array(sd))


def unwrap(marks: Marks) -> tuple[Array, Array]:
    """x (R, C) yards of the dense grid up to a multiple of 5, and the weight (R, C) of each cell.

    Weighted least squares on the wrapped differences of neighbours (D. Ghiglia, L. Romero, 1994), then each cell
    goes to the nearest multiple of 5 that its own phase allows.
    """
    weight = np.where(marks.field > 0.5, marks.phase_size, 0.0)
    weight = np.where(weight > 0.3, weight, 0.0)
    r, c = weight.shape
    index = np.arange(r * c).reshape(r, c)
    turns = 2 * np.pi
    rows, cols, vals, rhs = [], [], [], []
    count = 0
    for a, b in ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1], np.s_[1:])):
        w = np.minimum(weight[a], weight[b]).ravel()
        d = (marks.phase[b] - marks.phase[a]).ravel()
        d = d - turns * np.round(d / turns)
        ok = (w > 0) & (np.abs(d) < 2.2)
        w = w[ok] ** 2
        i, j = index[a].ravel()[ok], index[b].ravel()[ok]
        n = np.arange(count, count + len(w))
        rows += [n, n]
        cols += [i, j]
        vals += [-w, w]
        rhs.append(w * d[ok])
        count += len(w)
    if count < MIN_CELLS:
        return np.zeros((r, c)), np.zeros((r, c))
    m = sparse.csr_matrix((np.concatenate(vals), (np.concatenate(rows), np.concatenate(cols))), (count, r * c))
    normal = (m.T @ m + sparse.identity(r * c) * 1e-4).tocsc()
    u = spsolve(normal, m.T @ np.concatenate(rhs)).reshape(r, c)
    on = weight > 0
    shift = np.angle((np.exp(1j * (marks.phase - u)) * weight)[on].sum())
    u = u + shift
    snapped = marks.phase + turns * np.round((u - marks.phase) / turns)
    # Where smooth and own phase disagree much, the cell says nothing.
    weight = np.where(np.abs(u - snapped) < 1.4, weight, 0.0)
    return snapped * 5 / turns, weight


def pose(h: Array, focal: float, size: tuple[int, int]) -> Array | None:
    """Camera row of a homography yards -> ideal px, for one focal length (picture widths)."""
    f = focal * size[0]
    k = np.array([[f, 0, (size[0] - 1) / 2], [0, f, (size[1] - 1) / 2], [0, 0, 1.0]])
    m = np.linalg.solve(k, h)
    scale = np.linalg.norm(m[:, :2], axis=0).mean()
    m = m / scale
    u, _, vt = np.linalg.svd(np.stack([m[:, 0], m[:, 1], np.cross(m[:, 0], m[:, 1])], 1))
    r = u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt
    position = -r.T @ m[:, 2]
    if position[2] < 0:
        m = -m
        r = r @ np.diag([-1, -1, 1.0])
        position = -r.T @ m[:, 2]
    forward = r[2]
    if position[2] <= 0.5 or forward[2] > 0.2:
        return None
    tilt = np.arcsin(np.clip(-forward[2], -1, 1))
    pan = np.arctan2(forward[0], forward[1])
    right0 = np.array([np.cos(pan), -np.sin(pan), 0])
    down0 = np.cross(forward, right0)
    roll = np.arctan2(-r[0] @ down0, r[0] @ right0)
    return np.array([np.log(focal), pan, tilt, roll, *position, TYPICAL_K1])


def undistort(px: Array, k1: float, size: tuple[int, int]) -> Array:
    """Film px -> ideal px, as Camera.undistort_px."""
    mid, half = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2]), size[0] / 2
    d = (px - mid) / half
    u = d.copy()
    for _ in range(5):
        u = d / (1 + k1 * (u**2).sum(-1, keepdims=True))
    return np.asarray(mid + u * half)


def from_dense(marks: Marks, field: Field, view: str, most: int = 3) -> tuple[Array, float]:
    """(B, 8) camera rows from the dense answers, best first, and the share of cells that agree."""
    x, weight = unwrap(marks)
    on = weight > 0
    if on.sum() < MIN_CELLS:
        return np.zeros((0, 8)), 0.0
    px, xy = marks.dense_px[on], np.stack([x[on], marks.across[on] * field.width], -1)
    ideal = undistort(px, TYPICAL_K1, marks.size)
    cv2.setRNGSeed(1)
    found, agree = cv2.findHomography(xy, ideal, cv2.RANSAC, marks.px_per_yd(field.width) * RANSAC_YD, maxIters=300)
    if found is None or agree is None:
        return np.zeros((0, 8)), 0.0
    h: Array = np.asarray(found, np.float64)
    keep = agree.ravel() > 0
    known = prior(view, field)
    starts = [p for f in FOCALS if (p := pose(h, f, marks.size)) is not None]
    if not starts or keep.sum() < MIN_CELLS:
        return np.zeros((0, 8)), 0.0
    pick = np.flatnonzero(keep)[np.linspace(0, keep.sum() - 1, min(120, int(keep.sum()))).round().astype(int)]
    rows = np.array(starts)
    normal = np.broadcast_to(np.eye(2) / (0.4 * marks.px_per_yd(field.width)), (len(rows), len(pick), 2, 2))
    seen = solver.Sightings(px[pick], np.broadcast_to(xy[pick], (len(rows), len(pick), 2)), normal)
    rows, cost = solver.refine(rows, seen, known, marks.size, steps=12)
    order = np.argsort(cost)
    kept: list[int] = []
    for i in order:
        if all(np.abs(rows[i, 0] - rows[j, 0]) > 0.1 for j in kept):
            kept.append(int(i))
    return rows[kept[:most]], float(keep.mean())
