"""The camera: a pinhole with square pixels, a centred principal point and one radial term.

Field frame in yards, right-handed, z up (see :mod:`pipeline.field`). Pixels: origin at the centre of the
top left pixel, x right, y down. The radial term scales the undistorted offset from the picture's centre by
``1 + k1 * r**2`` with r in half picture widths; positive moves points outwards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ShapeError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """A calibrated view of the field.

    position_yd: (3,) of the optical centre. pan_deg: 0 looks along +y (square to the sideline from behind
    the near one), positive turns right (towards +x); -90 would look along -x, +90 along +x (from behind an
    end zone). tilt_deg: positive looks down. roll_deg: positive turns the picture clockwise as seen on screen
    (the camera anticlockwise). focal_px: focal length in pixels of this picture. k1: radial term.
    """

    width_px: int
    height_px: int
    focal_px: float
    position_yd: tuple[float, float, float]
    pan_deg: float
    tilt_deg: float
    roll_deg: float = 0.0
    k1: float = 0.0

    def __post_init__(self) -> None:
        if len(self.position_yd) != 3:
            raise ShapeError(f"Camera.position_yd: expected 3 values, got {len(self.position_yd)}.")
        if not (self.focal_px > 0 and self.width_px > 0 and self.height_px > 0):
            raise ShapeError("Camera: focal length and picture size must be positive.")

    @property
    def center_px(self) -> Array:
        """(2,) principal point: the picture's centre."""
        return np.array([(self.width_px - 1) / 2.0, (self.height_px - 1) / 2.0])

    @property
    def rotation(self) -> Array:
        """(3, 3) field to camera axes (right, down, forward), rows are the camera's axes in the field frame."""
        a, t, r = np.deg2rad([self.pan_deg, self.tilt_deg, self.roll_deg])
        fwd = np.array([np.sin(a) * np.cos(t), np.cos(a) * np.cos(t), -np.sin(t)])
        right0 = np.array([np.cos(a), -np.sin(a), 0.0])
        down0 = np.cross(fwd, right0)
        right = np.cos(r) * right0 - np.sin(r) * down0
        down = np.sin(r) * right0 + np.cos(r) * down0
        return np.stack([right, down, fwd])

    def project(self, xyz_yd: Array) -> Array:
        """(..., 3) yards -> (..., 2) px. Points behind the camera give NaN."""
        p = np.asarray(xyz_yd, float)
        c = (p - np.asarray(self.position_yd)) @ self.rotation.T
        z = np.where(c[..., 2] > 1e-6, c[..., 2], np.nan)
        u = c[..., :2] / z[..., None] * self.focal_px
        return self.distort_px(u + self.center_px)

    def ground_to_px(self, xy_yd: Array) -> Array:
        """(..., 2) yards on the ground (z = 0) -> (..., 2) px."""
        xy = np.asarray(xy_yd, float)
        return self.project(np.concatenate([xy, np.zeros(xy.shape[:-1] + (1,))], -1))

    def px_to_ground(self, xy_px: Array, z_yd: float = 0.0) -> Array:
        """(..., 2) px -> (..., 2) yards where the ray meets height z_yd. At or above the horizon: NaN."""
        u = (self.undistort_px(np.asarray(xy_px, float)) - self.center_px) / self.focal_px
        ray = np.concatenate([u, np.ones(u.shape[:-1] + (1,))], -1) @ self.rotation
        drop = np.where(ray[..., 2] < -1e-9, ray[..., 2], np.nan)
        k = (z_yd - self.position_yd[2]) / drop
        k = np.where(k > 0, k, np.nan)
        return np.asarray(self.position_yd)[:2] + ray[..., :2] * k[..., None]

    def distort_px(self, xy_px: Array) -> Array:
        """Ideal pinhole px -> px of the film."""
        c, h = self.center_px, self.width_px / 2.0
        d = np.asarray(xy_px, float) - c
        r2 = (d**2).sum(-1, keepdims=True) / h**2
        return c + d * (1.0 + self.k1 * r2)

    def undistort_px(self, xy_px: Array) -> Array:
        """Px of the film -> ideal pinhole px (fixed-point iteration, exact to about 1e-6 px for |k1| < 0.1)."""
        c, h = self.center_px, self.width_px / 2.0
        d = (np.asarray(xy_px, float) - c) / h
        u = d.copy()
        for _ in range(12):
            u = d / (1.0 + self.k1 * (u**2).sum(-1, keepdims=True))
        return c + u * h

    @property
    def yd_to_px(self) -> Array:
        """(3, 3) homography ground yards -> ideal (undistorted) px. Exact only where k1 is 0."""
        r, c = self.rotation, np.asarray(self.position_yd)
        k = np.array([[self.focal_px, 0, self.center_px[0]], [0, self.focal_px, self.center_px[1]], [0, 0, 1.0]])
        return k @ np.stack([r[:, 0], r[:, 1], -r @ c], 1)

    def scaled(self, width_px: int, height_px: int) -> Camera:
        """The same view in a picture of another size and the same aspect."""
        return replace(
            self, width_px=width_px, height_px=height_px, focal_px=self.focal_px * width_px / self.width_px
        )

    def shifted(self, x_yd: float) -> Camera:
        """The same view with the field's x moved by x_yd (yard lines repeat every 5)."""
        x, y, z = self.position_yd
        return replace(self, position_yd=(x + x_yd, y, z))
