"""A gate on the committed sample clips, whose cameras are known exactly: looked at fully, then followed.

Margins are about three times what is measured, so that new networks pass and a broken fit does not.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from pipeline import field as fields
from pipeline import film
from pipeline.camera import Camera
from pipeline.registration import Registrar

FOLDER = Path(__file__).resolve().parents[2] / "sample_frames"
CLIPS = sorted(p.name for p in FOLDER.glob("*.mp4"))
FRAMES = (40, 50)


def truth() -> dict[tuple[str, int], tuple[Camera, str, str]]:
    out = {}
    with open(FOLDER / "truth" / "registration.csv", encoding="utf-8-sig", newline="") as handle:
        for r in csv.DictReader(handle):
            if int(r["frame"]) in FRAMES:
                position = (float(r["camera_x_yd"]), float(r["camera_y_yd"]), float(r["camera_z_yd"]))
                camera = Camera(
                    int(r["picture_width_px"]), int(r["picture_height_px"]), float(r["camera_focal_px"]), position,
                    float(r["camera_pan_deg"]), float(r["camera_tilt_deg"]), float(r["camera_roll_deg"]),
                    float(r["camera_k1"]),
                )  # fmt: skip
                out[r["clip"], int(r["frame"])] = (camera, r["level"], r["view"])
    return out


def off_yd(true: Camera, got: Camera, level: str) -> float:
    """Median distance between the hash rows, a multiple of 5 yd along the field taken out."""
    f = fields.load(level)
    px = np.stack(np.meshgrid(np.linspace(60, 1220, 13), np.linspace(60, 660, 9)), -1).reshape(-1, 2)
    want = true.px_to_ground(px)
    inside = (want[:, 1] > f.hash_rows[0]) & (want[:, 1] < f.hash_rows[1])
    d = got.px_to_ground(px[inside]) - want[inside]
    d[:, 0] -= 5 * np.round(np.median(d[:, 0]) / 5)
    return float(np.median(np.linalg.norm(d, axis=1)))


@pytest.fixture(scope="module")
def registrars() -> dict[str, Registrar]:
    known = {level for _, level, _ in truth().values()}
    return {level: Registrar(level) for level in known}


@pytest.mark.parametrize("clip", CLIPS)
def test_sample_clip_is_registered_and_followed(clip: str, registrars: dict[str, Registrar]) -> None:
    cameras = truth()
    images = {k: image for k, _, image in film.decode(FOLDER / clip, wanted=list(FRAMES))}
    first, level, view = cameras[clip, FRAMES[0]]
    look = registrars[level].register(images[FRAMES[0]])
    assert look.view == view
    assert look.status == "ok", look.reason
    assert look.camera is not None
    assert off_yd(first, look.camera, level) < 0.5
    then, _, _ = cameras[clip, FRAMES[1]]
    next_look = registrars[level].register(images[FRAMES[1]], hint=look)
    assert next_look.status == "ok", next_look.reason
    assert next_look.camera is not None
    assert off_yd(then, next_look.camera, level) < 0.5
