"""Measures rendered stills as real film was measured and prints both side by side.

``python -m models.training.film.statistics [--folder DIR | --count N --seed S] [--view sideline|endzone|low]``

The film's numbers are min / p10 / median / p90 / max over stills of league film seen from the press box (60)
and the end zone (34), 1280x720; L is CIE lightness. Measured ranges, not targets to hit to the digit.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.film.still import StillTruth

FILM: dict[str, dict[str, tuple[float, ...]]] = {
    "sideline": {
        "focal / width": (2.53, 3.17, 3.96, 5.39, 7.11), "tilt": (8.6, 18.6, 23.3, 27.7, 30.1),
        "pan": (-29.8, -14.3, 1.6, 20.7, 32.7), "k1": (0.001, 0.014, 0.021, 0.030, 0.033),
        "height": (13.2, 39.7, 51.0, 60.8, 64.0), "behind": (44.5, 72.1, 87.2, 96.4, 104.3),
        "along, middle row": (17.4, 23.2, 30.8, 34.5, 40.4), "2-yd upright px": (53, 62, 74, 99, 129),
        "players in picture": (22, 22, 22, 22, 22), "turf hue": (72, 76, 88, 114, 128),
        "turf saturation": (0.21, 0.24, 0.40, 0.53, 0.65), "turf value": (0.43, 0.47, 0.54, 0.65, 0.70),
        "turf L": (44, 48, 54, 64, 69), "texture": (0.4, 0.8, 1.1, 1.7, 2.8), "slow shading": (3.9, 4.6, 6.8, 13, 24),
        "contrast near": (22, 27, 39, 45, 50), "contrast far": (20, 26, 36, 43, 46),
        "line width near px": (2.8, 3.6, 4.5, 5.0, 5.5), "line rise near px": (1.3, 1.6, 1.9, 2.4, 2.8),
        "line width far px": (2.0, 2.9, 3.8, 4.3, 5.0), "line rise far px": (1.1, 1.4, 1.7, 2.0, 2.5),
        "Laplacian variance": (196, 253, 370, 564, 1233), "turf Laplacian": (71, 107, 196, 254, 533),
        "autocorrelation": (0.36, 0.56, 0.67, 0.75, 0.89),
    },
    "endzone": {
        "focal / width": (4.9, 5.1, 7.0, 9.8, 11.4), "tilt": (10.7, 13.5, 19.1, 30.1, 31.6),
        "height": (24, 31, 40, 53, 59),
        "2-yd upright px": (112, 123, 146, 157, 173), "players in picture": (15, 17, 18, 19, 20),
        "turf hue": (np.nan, np.nan, 88, np.nan, np.nan), "turf saturation": (np.nan, np.nan, 0.42, np.nan, np.nan),
        "turf value": (np.nan, np.nan, 0.50, np.nan, np.nan), "texture": (np.nan, np.nan, 1.65, np.nan, np.nan),
        "Laplacian variance": (np.nan, np.nan, 432, np.nan, np.nan),
    },
    "low": {
        "focal / width": (1.03, np.nan, np.nan, np.nan, 1.47), "tilt": (13, np.nan, np.nan, np.nan, 19),
        "height": (7.9, np.nan, np.nan, np.nan, 12.6), "behind": (8, np.nan, np.nan, np.nan, 17),
        "2-yd upright px": (41, np.nan, np.nan, np.nan, 50),
        "turf saturation": (0.11, np.nan, 0.28, np.nan, 0.46), "turf value": (0.20, np.nan, 0.25, np.nan, 0.46),
        "turf hue": (72, np.nan, np.nan, np.nan, 97), "Laplacian variance": (181, np.nan, np.nan, np.nan, 1621),
    },
}  # fmt: skip


def _turf_mask(truth: StillTruth, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """(H, W) True on bare turf between the goal lines: off lines, hash rows, numbers, people."""
    f, cam = truth.field, truth.camera
    h, w = shape
    step = 4
    gx, gy = np.meshgrid(np.arange(0, w, step), np.arange(0, h, step))
    p = cam.px_to_ground(np.stack([gx, gy], -1))
    x, y = p[..., 0], p[..., 1]
    with np.errstate(invalid="ignore"):
        ok = (x > f.end_zone + 0.6) & (x < f.length - f.end_zone - 0.6) & (y > 1.2) & (y < f.width - 1.2)
        ok &= np.abs((x - f.end_zone + 2.5) % 5 - 2.5) > 0.45
        ok &= np.abs(np.abs(y - f.width / 2) - (f.width / 2 - f.hash_rows[0])) > 0.8
        n = np.minimum(y, f.width - y)
        ok &= (n < truth.paint.number_bottom_yd - 0.4) | (
            n > truth.paint.number_bottom_yd + truth.paint.number_height_yd + 0.4
        )
    m = cv2.resize(ok.astype(np.uint8), (w, h), interpolation=cv2.INTER_NEAREST)
    for b in truth.box_px[np.isfinite(truth.box_px[:, 0])]:
        m[max(int(b[1]) - 6, 0) : int(b[3]) + 8, max(int(b[0]) - 8, 0) : int(b[2]) + 8] = 0
    return m.astype(bool)


def _profiles(light: NDArray[np.float32], truth: StillTruth, low: float, high: float) -> NDArray[np.float64]:
    """(K, 3) contrast L, width px, 10-85 % rise px of the yard lines between two y."""
    cam, f = truth.camera, truth.field
    rows = []
    boxes = truth.box_px[np.isfinite(truth.box_px[:, 0])]
    for x in f.yard_lines[1:-1]:
        for y in np.linspace(low, high, 7):
            c = cam.ground_to_px(np.array([x, y]))
            if not ((c > 30) & (c < (cam.width_px - 30, cam.height_px - 30))).all():
                continue
            if (
                (c[0] > boxes[:, 0] - 25)
                & (c[0] < boxes[:, 2] + 25)
                & (c[1] > boxes[:, 1] - 12)
                & (c[1] < boxes[:, 3] + 12)
            ).any():
                continue
            d = cam.ground_to_px(np.array([x, y + 0.3])) - c
            n = np.array([-d[1], d[0]]) / np.hypot(*d)
            s = np.arange(-14, 14.01, 0.25)
            q = (c + s[:, None] * n).astype(np.float32)
            along = d / np.hypot(*d)
            prof = np.mean(
                [
                    cv2.remap(
                        light,
                        q[None, :, 0] + np.float32(k * along[0]),
                        q[None, :, 1] + np.float32(k * along[1]),
                        cv2.INTER_LINEAR,
                    )[0]
                    for k in range(-3, 4)
                ],
                0,
            )
            base = np.median(prof[(np.abs(s) > 8)])
            mid = np.abs(s) < 5
            top = prof[mid].max()
            amp = top - base
            if amp < 8:
                continue
            v = (prof - base) / amp
            k = int(np.flatnonzero(mid)[np.argmax(prof[mid])])
            left = np.flatnonzero(v[:k] < 0.5)
            right = np.flatnonzero(v[k:] < 0.5)
            a, b = np.flatnonzero(v[:k] < 0.10), np.flatnonzero(v[:k] < 0.85)
            if len(left) and len(right) and len(a) and len(b):
                rows.append((amp, (k + right[0] - left[-1] - 1) * 0.25, max(b[-1] - a[-1], 1) * 0.25))
    return np.array(rows).reshape(-1, 3)


def measure(picture: NDArray[np.uint8], truth: StillTruth) -> dict[str, float]:
    """The statistics of one still; NaN where something is not in the picture."""
    cam, f = truth.camera, truth.field
    out: dict[str, float] = {
        "focal / width": cam.focal_px / cam.width_px, "tilt": cam.tilt_deg, "k1": cam.k1, "height": cam.position_yd[2],
        "pan": cam.pan_deg, "behind": -cam.position_yd[1] if truth.view == "sideline" else -cam.position_yd[0],
        "players in picture": float(((truth.role == 0) & truth.in_picture).sum()),
    }  # fmt: skip
    row = cam.px_to_ground(np.array([[0, cam.center_px[1]], [cam.width_px - 1, cam.center_px[1]]]))
    out["along, middle row"] = float(np.hypot(*(row[1] - row[0])))
    mid = (
        np.append(np.nanmean(truth.feet_yd[truth.role == 0], 0), 0.0)
        if (truth.role == 0).any()
        else np.array([60, 26, 0])
    )
    if truth.view == "sideline":
        mid[1] = f.width / 2
    out["2-yd upright px"] = float(cam.project(mid)[1] - cam.project(mid + (0, 0, 2.0))[1]) * 1280 / cam.width_px
    bgr = picture.astype(np.float32) / 255
    light = cv2.cvtColor(bgr, cv2.COLOR_BGR2Lab)[..., 0]
    hsv = cv2.cvtColor(bgr, cv2.COLOR_BGR2HSV)
    m = _turf_mask(truth, picture.shape[:2])
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    lap = cv2.Laplacian(grey, cv2.CV_32F)
    out["Laplacian variance"] = float(lap.var())
    if m.sum() > 5000:
        for i, name in enumerate(("turf hue", "turf saturation", "turf value")):
            out[name] = float(np.median(hsv[..., i][m]))
        out["turf L"] = float(np.median(light[m]))
        detail = light - cv2.GaussianBlur(light, (0, 0), 4)
        d = detail[m]
        out["texture"] = float(np.median(np.abs(d - np.median(d))) * 1.4826)
        slow = cv2.GaussianBlur(light, (0, 0), 8)[m]
        out["slow shading"] = float(np.percentile(slow, 90) - np.percentile(slow, 10))
        out["turf Laplacian"] = float(lap[m].var())
        both = m[:, 1:] & m[:, :-1]
        out["autocorrelation"] = float(np.corrcoef(detail[:, 1:][both], detail[:, :-1][both])[0, 1])
    if truth.view == "sideline":
        for name, low, high in (("near", 4, 16), ("far", f.width - 16, f.width - 3)):
            prof = _profiles(light, truth, low, high)
            if len(prof) >= 3:
                out[f"contrast {name}"], out[f"line width {name} px"], out[f"line rise {name} px"] = np.median(prof, 0)
    return out


def table(rows: list[dict[str, float]], view: str) -> str:
    """Rendered against film, five numbers each."""
    lines = [f"{view}: {len(rows)} stills", f"{'quantity':22s} {'rendered min/p10/med/p90/max':>44s}   film"]
    for name, film in FILM[view].items():
        v = np.array([r.get(name, np.nan) for r in rows])
        v = v[np.isfinite(v)]
        if not len(v):
            continue
        q = np.percentile(v, [0, 10, 50, 90, 100])
        show: Callable[[Iterable[float]], str] = lambda xs: " ".join(f"{x:8.3g}" for x in xs)  # noqa: E731
        lines.append(f"{name:22s} {show(q)}   {show(film)}")
    return "\n".join(lines)


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--folder", type=Path)
    p.add_argument("--count", type=int, default=24)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--view", choices=tuple(FILM), default="sideline")
    p.add_argument("--level")
    a = p.parse_args()
    stills: Iterable[tuple[Any, StillTruth]]
    if a.folder:
        from models.training.film.shards import read_all

        stills = ((cv2.imread(str(q)), t) for q, t in read_all(a.folder))
    else:
        from models.training.film.effects import compress
        from models.training.film.stills import one_still

        made = (one_still(a.seed, k, "train", (1280, 720), a.view, a.level) for k in range(a.count))
        stills = ((compress(pic, q), t) for pic, t, q in made)
    want = {"sideline": "high", "endzone": "endzone", "low": "low"}[a.view]
    rows = [measure(pic, t) for pic, t in stills if t.kind == want]
    print(table(rows, a.view))


if __name__ == "__main__":
    main()
