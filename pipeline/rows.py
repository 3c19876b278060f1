"""Rows of the ledger from what the stages hand on: one place that says which record fills which column."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import field as fields
from pipeline.camera import Camera
from pipeline.ledger import Row
from pipeline.records import ROLES, SIDES, Alignment, Labels, People, Registration, Snap, Tracks
from pipeline.schema import SCHEMA_VERSION, table

# Columns of snaps.csv that a label fills when it is ok or unsure.
LABEL_COLUMNS = (
    "play_kind", "deep_safeties", "middle_of_field", "corner_depth_offense_left_yd",
    "corner_depth_offense_right_yd", "corner_picture", "box_defenders", "motion", "motion_response",
    "deep_safeties_after", "rotation", "rotation_from", "disguised", "rushers", "blockers", "spare_rushers",
    "read_window", "coverage_before", "coverage_after",
)  # fmt: skip


def blank_nan(value: float | None) -> float | None:
    """NaN and infinities as missing."""
    return None if value is None or not math.isfinite(value) else float(value)


def fitted_px_to_yd(camera: Camera, level: str) -> NDArray[np.float64] | None:
    """(3, 3) homography px -> yards that fits the whole view, lens term included, scaled to h33 = 1.

    Least squares over a grid of the field inside the picture (OpenCV's normalised direct linear method).
    With a lens term no homography is exact: the camera's own columns are. None where too little is in view.
    """
    f = fields.load(level)
    gx, gy = np.meshgrid(np.linspace(0, camera.width_px - 1, 33), np.linspace(0, camera.height_px - 1, 21))
    px = np.stack([gx.ravel(), gy.ravel()], 1)
    yd = camera.px_to_ground(px)
    inside = np.isfinite(yd).all(1)
    inside &= (np.abs(yd[:, 0] - f.length / 2) < f.length) & (np.abs(yd[:, 1] - f.width / 2) < f.width)
    if inside.sum() < 12:
        return None
    h, _ = cv2.findHomography(px[inside], yd[inside], 0)
    if h is None or abs(h[2, 2]) < 1e-12:
        return None
    return np.asarray(h / h[2, 2], float)


def homography_cells(registration: Registration) -> Row:
    """h11 to h33 of a registration; blank unless ok."""
    h = None
    if registration.camera is not None and registration.status == "ok":
        h = fitted_px_to_yd(registration.camera, registration.level)
    return {f"h{r + 1}{c + 1}": None if h is None else float(h[r, c]) for r in range(3) for c in range(3)}


def registration_row(clip: str, frame: int, registration: Registration) -> Row:
    """One row of registration.csv."""
    row: Row = {
        "clip": clip,
        "frame": frame,
        "status": registration.status,
        "view": registration.view if registration.view in ("sideline", "endzone") else None,
        "level": registration.level if registration.level in fields.LEVELS else None,
        "absolute_x_known": bool(registration.absolute_x_known),
        "error_px": blank_nan(registration.error_px),
        "error_yd": blank_nan(registration.error_yd),
        **homography_cells(registration),
        "level_told": registration.level_told if registration.status != "failed" else None,
    }
    c = registration.camera if registration.status == "ok" else None
    if c is not None:
        row.update(
            camera_focal_px=c.focal_px,
            camera_pan_deg=c.pan_deg,
            camera_tilt_deg=c.tilt_deg,
            camera_roll_deg=c.roll_deg,
            camera_k1=c.k1,
            camera_x_yd=c.position_yd[0],
            camera_y_yd=c.position_yd[1],
            camera_z_yd=c.position_yd[2],
            picture_width_px=c.width_px,
            picture_height_px=c.height_px,
        )
    return row


def moment_index(tracks: Tracks, time_s: float) -> int:
    """Index of the sampled moment nearest to a time from the snap."""
    return int(np.argmin(np.abs(tracks.time_s - time_s)))


def box_cells(people: People | None, index: int) -> Row:
    """Box, ground point and confidence of one found person; blank where not found in this frame."""
    if people is None or index < 0:
        return {}
    box, ground = people.box_px[index], people.ground_px[index]
    return {
        "box_left_px": round(float(box[0]), 2),
        "box_top_px": round(float(box[1]), 2),
        "box_right_px": round(float(box[2]), 2),
        "box_bottom_px": round(float(box[3]), 2),
        "ground_x_px": round(float(ground[0]), 2),
        "ground_y_px": round(float(ground[1]), 2),
        "confidence": round(float(people.confidence[index]), 4),
    }


def ground_cells(camera: Camera | None, xy_yd: NDArray[np.float64]) -> Row:
    """Ground point in px of a position, where a camera is known and shows it."""
    px = camera.ground_to_px(xy_yd) if camera is not None else np.array([np.nan, np.nan])
    if camera is None or not ((px >= 0) & (px < (camera.width_px, camera.height_px))).all():
        return {}
    return {"ground_x_px": round(float(px[0]), 2), "ground_y_px": round(float(px[1]), 2)}


def found_cells(
    people: People | None, index: int, camera: Camera | None, xy_yd: NDArray[np.float64]
) -> Row:
    """Box and ground point of a found person; of one cut by the picture's edge the point may lie outside it."""
    cells = box_cells(people, index)
    if people is None or camera is None or not people.cut[index] or not np.isfinite(xy_yd).all():
        return cells
    px = camera.ground_to_px(xy_yd)
    if np.isfinite(px).all():
        cells.update(ground_x_px=round(float(px[0]), 2), ground_y_px=round(float(px[1]), 2))
    return cells


def place_error(tracks: Tracks, t: int, n: int) -> float:
    """Typical error of one person's position in yards: his own where known, else the registration's."""
    return float(tracks.error_yd[t] if tracks.place_error_yd is None else tracks.place_error_yd[t, n])


def position_rows(
    snap_id: str,
    clip: str,
    moment: str,
    t: int,
    tracks: Tracks,
    alignment: Alignment | None,
    labels: Labels | None,
    people: People | None,
    camera: Camera | None = None,
) -> list[Row]:
    """Rows of positions.csv for one moment: everybody on the field found there, or known from the frames around.

    The latter has no box; his ground point is where the camera shows his position.
    """
    deep = set() if labels is None else set(labels.deep if moment == "snap" else labels.deep_after)
    rushers = set() if labels is None else set(labels.rushers)
    blockers = set() if labels is None else set(labels.blockers)
    # The labels may have found another man to be the corner.
    named = None if labels is None else labels.evidence.get("position")
    position = named or (None if alignment is None else alignment.position)
    rows: list[Row] = []
    for n in range(len(tracks.role)):
        found = int(tracks.found[t, n])
        xy = tracks.xy_yd[t, n]
        role = ROLES[int(tracks.role[n])]
        if role == "bystander" or (found < 0 and not np.isfinite(xy).all()):
            continue
        row: Row = {
            "snap_id": snap_id, "clip": clip, "moment": moment, "frame": int(tracks.frame[t]),
            "time_s": float(tracks.time_s[t]), "person_id": n, "role": role, "side": SIDES[int(tracks.side[n])],
            "position": "unknown" if position is None else position[n],
            "x_yd": blank_nan(xy[0]), "y_yd": blank_nan(xy[1]), "error_yd": blank_nan(place_error(tracks, t, n)),
            "deep": n in deep, "rusher": n in rushers, "blocker": n in blockers,
            **(found_cells(people, found, camera, xy) if found >= 0 else ground_cells(camera, xy)),
        }  # fmt: skip
        if alignment is not None:
            row["depth_yd"] = blank_nan(alignment.depth_yd[t, n])
            row["across_yd"] = blank_nan(alignment.across_yd[t, n])
        rows.append(row)
    return rows


def unplaced_rows(snap_id: str, clip: str, moment: str, frame: int, time_s: float, people: People) -> list[Row]:
    """Rows of positions.csv where people were found but the field was not registered: pixels only."""
    rows: list[Row] = []
    for n in range(len(people)):
        role = ROLES[int(people.role[n])]
        if role == "bystander":
            continue
        side = "official" if role == "official" else "unknown"
        rows.append({
            "snap_id": snap_id, "clip": clip, "moment": moment, "frame": frame, "time_s": time_s,
            "person_id": n, "role": role, "side": side, "position": "official" if role == "official" else "unknown",
            "deep": False, "rusher": False, "blocker": False, **box_cells(people, n),
        })  # fmt: skip
    return rows


def label_rows(snap_id: str, labels: Labels) -> list[Row]:
    """Rows of labels.csv."""
    rows: list[Row] = []
    for name, label in labels.by_name.items():
        value = label.value
        text = None if value is None else ("true" if value is True else "false" if value is False else str(value))
        rows.append({
            "snap_id": snap_id, "label": name, "value": text, "confidence": round(label.confidence, 4),
            "status": label.status, "reason": label.reason or None,
        })  # fmt: skip
    return rows


def candidates_text(probability: dict[str, float]) -> str | None:
    """Coverages of at least 5 % with their probability, likeliest first: 'cover_3:0.62 cover_1:0.31'."""
    ranked = sorted(probability.items(), key=lambda item: -item[1])
    return " ".join(f"{name}:{p:.2f}" for name, p in ranked if p >= 0.05) or None


def direction_text(view: str, direction: int) -> str | None:
    """Where the offence attacks in the picture: right/left from the sideline, away/toward from behind."""
    if direction not in (-1, 1):
        return None
    return {("sideline", 1): "right", ("sideline", -1): "left", ("endzone", 1): "away"}.get(
        (view, direction), "toward"
    )


def side_count(rows: Sequence[Row], side: str) -> int:
    """People of a side among rows of positions.csv."""
    return sum(1 for r in rows if r.get("side") == side and r.get("role") == "player")


def snap_row(
    snap_id: str,
    clip: str,
    snap: Snap,
    registration: Registration | None,
    alignment: Alignment | None,
    labels: Labels | None,
    at_snap: Sequence[Row],
) -> Row:
    """One row of snaps.csv; what is not known stays blank."""
    row: Row = {"snap_id": snap_id, "clip": clip, "schema_version": SCHEMA_VERSION}
    if snap.frame is not None and snap.time_s is not None:
        row.update(snap_frame=snap.frame, snap_time_s=float(snap.time_s))
    else:
        row["play_kind"] = "no_snap"
    if registration is not None and registration.status == "ok":
        row.update(
            view=registration.view, field_level=registration.level,
            registration_error_yd=blank_nan(registration.error_yd),
        )  # fmt: skip
    if alignment is not None:
        # Yard lines repeat: without the numbers the line of scrimmage is one of several, so the cell is blank.
        known = registration is not None and registration.absolute_x_known
        row.update(
            line_of_scrimmage_yd=blank_nan(alignment.line_of_scrimmage_yd) if known else None,
            ball_across_yd=blank_nan(alignment.ball_y_yd),
            visible_depth_yd=blank_nan(alignment.visible_depth_yd),
            offense_direction=direction_text(row.get("view", ""), alignment.direction),
            offense_players=side_count(at_snap, "offense"),
            defense_players=side_count(at_snap, "defense"),
        )
    if labels is not None and snap.frame is not None:
        row.update(label_cells(labels))
    return row


def label_cells(labels: Labels) -> Row:
    """Columns of snaps.csv that labels fill."""
    cells: Row = {}
    for name in LABEL_COLUMNS:
        label = labels.by_name.get(name)
        if label is not None and label.status in ("ok", "unsure"):
            cells[name] = label.value
    if cells.get("play_kind") == "dropback" or labels.coverage_after:
        cells["coverage_after_candidates"] = candidates_text(labels.coverage_after)
    cells["coverage_before_candidates"] = candidates_text(labels.coverage_before)
    return cells


def known_columns() -> tuple[str, ...]:
    """Columns of snaps.csv."""
    return table("snaps").names
