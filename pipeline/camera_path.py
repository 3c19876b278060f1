"""The camera's motion between small grey pictures, as homographies that do not drift.

Each picture is measured straight against an anchor picture with sparse optical flow (B. Lucas, T. Kanade,
1981, in a pyramid: J.-Y. Bouguet, 2000) and a robust fit; a new anchor is taken only when the view has moved
on, so errors add up per anchor, not per frame. People are outliers, and no feature is taken where something
moves. Where the thread is lost, a homography without a guess is tried (MAGSAC: D. Barath et al., 2019).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Small = NDArray[np.uint8]
Grid = NDArray[np.float32]

FEATURES = 240
FEATURE_GAP_PX = 7
WINDOW_PX = 13  # of the optical flow
QUALITY = 0.004  # of the strongest corner
MOVING = 0.7  # activity from which a cell is no place for a feature
INLIER_PX = 1.0  # of the robust fit, small px
MIN_INLIERS = 14
ANCHOR_SHARE = 0.45  # new anchor when less of its features still fit
LOST_SHARE = 0.2  # fewer agreeing features than this may agree by chance
RANSAC_PX = 1.5
NOISE_PX = 0.6  # of a feature, small px; larger than what optical flow claims, for its errors go together
PRIOR_PX = 0.15  # stretch, shear and keystone between two pictures, at the edge
HOLD_TIMES = 1.08  # no motion is taken when its error is at most this times the best one's
HOLD_PX = 0.025  # or this much larger
ANCHOR_OVERLAP = 0.62  # or less of the picture is still in sight of it
ANCHOR_ZOOM = 1.22  # or the scale differs by more


@dataclass(frozen=True)
class Fit:
    """A robust fit: matrix (3, 3) from px of one picture to px of another, the share of the features asked
    for that agree, and those: here (N, 2) in the first, there (N, 2) in the second picture."""

    matrix: Array
    share: float
    here: Grid
    there: Grid

    def error(self, matrix: Array) -> float:
        """Root mean square px of the agreeing features under another matrix."""
        moved = cv2.perspectiveTransform(self.here[:, None], matrix)[:, 0]
        return float(np.sqrt(((moved - self.there) ** 2).sum(1).mean()))


class CameraPath:
    """Follows the camera on small pictures: homography of each picture to the first one since ``restart``."""

    def __init__(self) -> None:
        self.anchor: Small | None = None
        self.anchor_to_first = np.eye(3)
        self.points = np.zeros((0, 1, 2), np.float32)
        self.fit0 = 1.0
        self.to_anchor = np.eye(3)
        self.step = np.eye(3)  # motion from the last picture to this one, the guess for the next
        self.share = 1.0  # of the last fit
        self.anchors = 0

    def restart(self, grey: Small) -> None:
        """Begin a shot: this picture is the first and the anchor."""
        self.step = np.eye(3)
        self.set_anchor(grey, np.eye(3), None)
        self.anchors = 0

    def set_anchor(self, grey: Small, to_first: Array, moving: Grid | None) -> None:
        """Measure from this picture on; to_first: its px to the first picture's."""
        self.anchor, self.to_anchor, self.anchor_to_first = grey, np.eye(3), to_first
        self.points, self.fit0 = _features(grey, moving), 0.0
        self.anchors += 1

    def follow(self, last: tuple[Small, Array], grey: Small, moving: Grid | None) -> Array | None:
        """(3, 3) small px of this picture -> small px of the first; None where the camera is lost."""
        fit = _fit(self.anchor, grey, self.points, self.to_anchor @ self.step)
        if fit is None or fit.share < max(ANCHOR_SHARE * self.fit0, LOST_SHARE):
            self.set_anchor(last[0], last[1], moving)
            fit = _fit(last[0], grey, self.points, self.step)
            if fit is None or fit.share < LOST_SHARE:
                return None
        self.share = fit.share
        self.fit0 = self.fit0 or fit.share
        best = fit.error(fit.matrix)
        still = fit.error(self.to_anchor) < max(HOLD_TIMES * best, best + HOLD_PX)
        to_anchor = self.to_anchor if still else fit.matrix
        self.step = np.linalg.inv(self.to_anchor) @ to_anchor
        self.step /= self.step[2, 2]
        self.to_anchor = to_anchor
        to_first = self.anchor_to_first @ to_anchor
        to_first /= to_first[2, 2]
        if _worn(to_anchor, grey.shape):
            self.set_anchor(grey, to_first, moving)
        return np.asarray(to_first)


def _features(grey: Small, moving: Grid | None) -> Grid:
    """(N, 1, 2) corners spread over the picture, none where things move (grid of activity)."""
    mask = None
    if moving is not None:
        busy = cv2.resize(cv2.dilate(moving, np.ones((3, 3), np.uint8)), grey.shape[::-1])
        mask = (busy < MOVING).astype(np.uint8) * 255
    found = _corners(grey, mask)
    if len(found) < FEATURES // 3 and mask is not None:
        found = _corners(grey, (busy < 2 * MOVING).astype(np.uint8) * 255)
    return found


def _corners(grey: Small, mask: Small | None) -> Grid:
    """Corners (J. Shi, C. Tomasi, 1994)."""
    found = cv2.goodFeaturesToTrack(grey, FEATURES, QUALITY, FEATURE_GAP_PX, mask=mask, blockSize=5)
    return np.zeros((0, 1, 2), np.float32) if found is None else found.astype(np.float32)


def _fit(anchor: Small | None, grey: Small, points: Grid, guess: Array) -> Fit | None:
    """Fit grey -> anchor, or None. guess: grey px -> anchor px."""
    if anchor is None or len(points) < MIN_INLIERS:
        return None
    start = cv2.perspectiveTransform(points, np.linalg.inv(guess)).astype(np.float32)
    height, width = grey.shape
    inside = ((start >= 4) & (start < np.array([width - 4, height - 4]))).all(axis=(1, 2))
    if inside.sum() < MIN_INLIERS:
        return None
    source, start = points[inside], start[inside]
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 12, 0.02)
    moved, ok, _ = cv2.calcOpticalFlowPyrLK(
        anchor, grey, source, start.copy(), winSize=(WINDOW_PX, WINDOW_PX), maxLevel=2, criteria=stop,
        flags=cv2.OPTFLOW_USE_INITIAL_FLOW, minEigThreshold=1e-4,
    )  # fmt: skip
    good = ok.ravel() == 1
    if good.sum() < MIN_INLIERS:
        return None
    return refit(moved[good][:, 0], source[good][:, 0], guess, int(inside.sum()), width)


def refit(now: Grid, then: Grid, guess: Array, asked: int, width: int) -> Fit | None:
    """Homography now -> then close to a guess: guess @ (a small step).

    The step is linear in eight numbers. A long lens that pans, tilts, rolls and zooms a little gives a similarity;
    the four numbers beyond it (stretch, shear, keystone) are held near 0 by a prior of PRIOR_PX at the picture's
    edge, or men who run would bend them. Outliers: a similarity by RANSAC, then Tukey's weights (J. Tukey, 1977).
    """
    half = width / 2.0
    here = now.astype(float)
    goal = cv2.perspectiveTransform(then[:, None].astype(float), np.linalg.inv(guess))[:, 0]
    cv2.setRNGSeed(1)
    part, fits = cv2.estimateAffinePartial2D(here, goal, ransacReprojThreshold=RANSAC_PX, maxIters=300)
    if part is None or fits is None or fits.sum() < MIN_INLIERS:
        return None
    center = here[fits.ravel() == 1].mean(0)
    x, y = ((here - center) / half).T
    one, zero = np.ones_like(x), np.zeros_like(x)
    # px of displacement per: shift (2), turn, zoom, stretch, shear, keystone (2)
    along = np.stack([one, zero, -y, x, x, y, x * x, x * y], 1)
    across = np.stack([zero, one, x, y, -y, x, x * y, y * y], 1)
    design, moved = np.concatenate([along, across]), (goal - here).T.ravel()
    ridge = np.diag([0.0, 0, 0, 0, 1, 1, 1, 1]) * (NOISE_PX / PRIOR_PX) ** 2
    weight = fits.ravel().astype(float)
    numbers = np.zeros(8)
    for _ in range(5):
        both = np.concatenate([weight, weight])[:, None] * design
        numbers = np.linalg.solve(both.T @ design + ridge + 1e-9 * np.eye(8), both.T @ moved)
        left = np.hypot(*(moved - design @ numbers).reshape(2, -1))
        scale = float(np.clip(4.685 * 1.4826 * np.median(left[weight > 0]), 0.3, 2.0))
        weight = np.clip(1 - (left / scale) ** 2, 0, None) ** 2
        if (weight > 0).sum() < MIN_INLIERS:
            return None
    fits_now = left < INLIER_PX
    if fits_now.sum() < MIN_INLIERS:
        return None
    u, v, turn, zoom, stretch, shear, k1, k2 = numbers / half
    step = np.array(
        [[1 + zoom + stretch, shear - turn, u], [shear + turn, 1 + zoom - stretch, v], [-k1, -k2, 1]]
    )
    unit = np.array([[1 / half, 0, -center[0] / half], [0, 1 / half, -center[1] / half], [0, 0, 1]])
    matrix = guess @ np.linalg.inv(unit) @ step @ unit
    share = float(fits_now.sum()) / max(asked, 1)
    return _plausible(Fit(matrix / matrix[2, 2], share, now[fits_now], then[fits_now]))


def robust(now: Grid, then: Grid, asked: int) -> Fit | None:
    """Homography now -> then without a guess (MAGSAC)."""
    cv2.setRNGSeed(1)
    matrix, fits = cv2.findHomography(now, then, cv2.USAC_MAGSAC, INLIER_PX, maxIters=300, confidence=0.995)
    if matrix is None or fits is None or not np.isfinite(matrix).all():
        return None
    inlier = fits.ravel() == 1
    if inlier.sum() < MIN_INLIERS:
        return None
    share = float(inlier.sum()) / max(asked, 1)
    return _plausible(Fit(np.asarray(matrix / matrix[2, 2], float), share, now[inlier], then[inlier]))


def _plausible(fit: Fit) -> Fit | None:
    zoom = np.sqrt(abs(np.linalg.det(fit.matrix[:2, :2])))
    return fit if np.isfinite(fit.matrix).all() and 0.5 < zoom < 2.0 else None


def _worn(to_anchor: Array, shape: tuple[int, ...]) -> bool:
    """True when the picture has moved too far from its anchor."""
    height, width = shape[:2]
    zoom = float(np.sqrt(abs(np.linalg.det(to_anchor[:2, :2]))))
    middle = to_anchor @ np.array([width / 2, height / 2, 1.0])
    dx, dy = np.abs(middle[:2] / middle[2] - [width / 2, height / 2]) / [width, height]
    overlap = max(0.0, 1 - dx) * max(0.0, 1 - dy)
    return overlap < ANCHOR_OVERLAP or not 1 / ANCHOR_ZOOM < zoom < ANCHOR_ZOOM
