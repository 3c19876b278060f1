"""Pictures of a decision: the frame with people, grid and line of scrimmage, beside a top-down diagram.

Side is told by colour and by mark, so that the picture also reads without colour: the offence has bracket
corners and square marks, the defence a full frame and wedge marks that point at the offence. A deep defender has
a bar over his head, a rusher a double chevron below it. The palette differs in lightness as well as in hue.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import diagram
from pipeline import field as fields
from pipeline.camera import Camera
from pipeline.diagram import COLOURS, INK, PAPER, text
from pipeline.errors import OutputError
from pipeline.ledger import Row
from pipeline.records import SIDES, Alignment, Labels, People, Registration, Tracks

Image = NDArray[np.uint8]
GRID = (214, 228, 196)
HEADER_PX = 58
FOOTER_LINE_PX = 19


def jpeg(image: Image, quality: int = 88) -> bytes:
    """Encode as JPEG. Raises OutputError where the picture cannot be encoded."""
    ok, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not ok:
        raise OutputError("The picture could not be encoded.")
    return bytes(data.tobytes())


def fit_width(image: Image, width_px: int) -> tuple[Image, float]:
    """The picture at a width, and the scale from its own pixels to the new ones."""
    scale = width_px / image.shape[1]
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    size = (width_px, max(1, round(image.shape[0] * scale)))
    return np.ascontiguousarray(cv2.resize(image, size, interpolation=how)), scale


def ground_line(image: Image, camera: Camera, a: Any, b: Any, colour: Any, scale: float, thick: int) -> None:
    """Draw a straight line on the ground, a and b in yards, bent as the lens bends it; hidden parts left out."""
    points = np.linspace(np.asarray(a, float), np.asarray(b, float), 61)
    px = camera.ground_to_px(points)
    low, high = -0.5 * np.array([camera.width_px, camera.height_px]), 1.5 * np.array(
        [camera.width_px, camera.height_px]
    )
    ok: NDArray[np.bool_] = np.asarray(np.isfinite(px).all(1) & (px > low).all(1) & (px < high).all(1))
    # Only where the lens term still grows outwards: far outside the picture it folds back.
    for i in range(len(px) - 1):
        if ok[i] and ok[i + 1]:
            p, q = (px[i] * scale * 16).round().astype(int), (px[i + 1] * scale * 16).round().astype(int)
            cv2.line(image, tuple(map(int, p)), tuple(map(int, q)), colour, thick, cv2.LINE_AA, 4)


def draw_grid(image: Image, registration: Registration, scale: float, strong: bool = False) -> None:
    """The field drawn back over the picture: yard lines, hash rows, sidelines; numbers where they are known."""
    camera = registration.camera
    if camera is None:
        return
    f = fields.load(registration.level)
    layer = image.copy()
    thick = 2 if strong else 1
    for x in f.yard_lines:
        ground_line(layer, camera, (x, 0), (x, f.width), GRID, scale, thick)
    for y in f.hash_rows:
        ground_line(layer, camera, (0, y), (f.length, y), (160, 220, 255), scale, thick)
    for y in (0.0, f.width):
        ground_line(layer, camera, (0, y), (f.length, y), (255, 235, 120), scale, 2)
    for x in (0.0, f.length):
        ground_line(layer, camera, (x, 0), (x, f.width), (255, 235, 120), scale, 2)
    cv2.addWeighted(layer, 0.6, image, 0.4, 0, dst=image)
    if registration.absolute_x_known:
        _draw_numbers(image, camera, f, scale)


def _draw_numbers(image: Image, camera: Camera, f: fields.Field, scale: float) -> None:
    for x in f.yard_lines:
        number = f.number_at(x)
        for y in f.number_rows:
            px = camera.ground_to_px(np.array([x, y])) * scale
            if number and np.isfinite(px).all() and 0 < px[0] < image.shape[1] and 0 < px[1] < image.shape[0]:
                text(image, f"{number}", (int(px[0]) - 10, int(px[1]) + 5), 0.5, (255, 255, 255), chip=INK)


def mark_person(
    image: Image, box: Any, side: str, caption: str, *, deep: bool = False, rusher: bool = False
) -> None:
    """Mark one person: bracket corners or a frame by side, caption below, bar or chevrons above."""
    x0, y0, x1, y1 = (int(round(float(v))) for v in box)
    colour = COLOURS[side]
    thick = 3 if deep or rusher else 2
    if side == "defense":
        cv2.rectangle(image, (x0, y0), (x1, y1), colour, thick, cv2.LINE_AA)
    else:
        arm = max(4, min(x1 - x0, y1 - y0) // 4)
        for cx, sx in ((x0, 1), (x1, -1)):
            for cy, sy in ((y0, 1), (y1, -1)):
                cv2.line(image, (cx, cy), (cx + sx * arm, cy), colour, thick, cv2.LINE_AA)
                cv2.line(image, (cx, cy), (cx, cy + sy * arm), colour, thick, cv2.LINE_AA)
    mid = (x0 + x1) // 2
    if deep:
        cv2.line(image, (x0 - 5, y0 - 9), (x1 + 5, y0 - 9), diagram.DEEP, 5, cv2.LINE_AA)
    if rusher:
        for k in (0, 7):
            points = np.array([[mid - 9, y0 - 20 + k], [mid, y0 - 12 + k], [mid + 9, y0 - 20 + k]], np.int32)
            cv2.polylines(image, [points], False, diagram.RUSH, 3, cv2.LINE_AA)
    if caption:
        width = 7 * len(caption)
        letters = PAPER if side == "defense" else INK
        text(image, caption, (mid - width // 2, y1 + 13), 0.42, letters, chip=colour)


# Usual short names of the trade, so that men side by side stay readable.
SHORT = {
    "center": "C", "guard": "G", "tackle": "T", "tight_end": "TE", "receiver": "WR", "back": "RB", "passer": "QB",
    "edge": "DE", "tackle_inside": "DT", "linebacker": "LB", "corner": "CB", "slot_defender": "NB", "safety": "S",
    "kicker": "K", "official": "official",
}  # fmt: skip


def caption_of(position: str) -> str:
    """Short text of a position for a picture; empty where it is not known."""
    return SHORT.get(position, "")


def _mark_people(
    image: Image, scale: float, people: People, tracks: Tracks | None, alignment: Alignment | None,
    labels: Labels | None, frame: int, moment: str,
) -> None:  # fmt: skip
    if tracks is None or frame not in tracks.frame:
        for n in range(len(people)):
            if people.role[n] != 2:
                side = "official" if people.role[n] == 1 else "unknown"
                mark_person(image, people.box_px[n] * scale, side, "")
        return
    t = int(np.flatnonzero(tracks.frame == frame)[0])
    deep = set() if labels is None else set(labels.deep if moment == "snap" else labels.deep_after)
    rushers = set(labels.rushers) if labels is not None and moment == "after" else set()
    for n in range(len(tracks.role)):
        found = int(tracks.found[t, n])
        if found < 0 or tracks.role[n] == 2:
            continue
        named = None if labels is None else labels.evidence.get("position")
        position = named or (None if alignment is None else alignment.position)
        caption = "" if position is None else caption_of(position[n])
        mark_person(
            image, people.box_px[found] * scale, SIDES[int(tracks.side[n])], caption,
            deep=n in deep, rusher=n in rushers,
        )  # fmt: skip


def facts_lines(row: Row, moment: str) -> tuple[str, str]:
    """Two lines over the picture: which play and moment, and what was read."""
    name = "at the snap" if moment == "snap" else "one second after the snap"
    first = f"{row['snap_id']}   {name}   {row.get('view') or ''} {row.get('field_level') or ''}".rstrip()

    def show(label: str, key: str, unit: str = "") -> str | None:
        value = row.get(key)
        if value is None:
            return None
        shown = f"{value:.1f}" if isinstance(value, float) else str(value).replace("_", " ")
        return f"{label} {shown}{unit}"

    before = [
        show("deep", "deep_safeties"), show("corner left", "corner_depth_offense_left_yd", " yd"),
        show("corner right", "corner_depth_offense_right_yd", " yd"), show("box", "box_defenders"),
        show("motion", "motion_response"), show("shows", "coverage_before"),
    ]  # fmt: skip
    after = [
        show("deep after", "deep_safeties_after"), show("rotation", "rotation"), show("rushers", "rushers"),
        show("blockers", "blockers"), show("window", "read_window"), show("became", "coverage_after"),
    ]  # fmt: skip
    facts = [f for f in (before if moment == "snap" else after) if f]
    if row.get("review"):
        facts.append("REVIEW: " + str(row.get("review_reasons")))
    return first, "   ".join(facts) or "nothing could be read"


def play_picture(
    image: Image, frame: int, people: People, registration: Registration, tracks: Tracks | None,
    alignment: Alignment | None, labels: Labels | None, row: Row, moment: str, *,
    width_px: int = 1280, quality: int = 88, why: Sequence[str] = (),
) -> bytes:  # fmt: skip
    """JPEG of one moment of a play: the marked frame and, where the field is known, the diagram beside it; below,
    what the labels rest on, a line each (``pipeline.explain.lines``)."""
    film_part, scale = fit_width(image, width_px)
    if registration.status == "ok" and registration.camera is not None:
        draw_grid(film_part, registration, scale)
        if alignment is not None:
            f = fields.load(registration.level)
            x = alignment.line_of_scrimmage_yd
            for colour, thick in ((PAPER, 5), (INK, 3)):
                ground_line(film_part, registration.camera, (x, 0), (x, f.width), colour, scale, thick)
    _mark_people(film_part, scale, people, tracks, alignment, labels, frame, moment)
    parts = [film_part]
    if tracks is not None and alignment is not None and frame in tracks.frame:
        t = int(np.flatnonzero(tracks.frame == frame)[0])
        height = film_part.shape[0]
        parts.append(diagram.draw(tracks, alignment, labels, t, moment, registration.level, height))
    body = np.concatenate(parts, axis=1)
    header = np.full((HEADER_PX, body.shape[1], 3), PAPER, np.uint8)
    first, second = facts_lines(row, moment)
    text(header, first, (12, 23), 0.55, INK)
    text(header, second, (12, 46), 0.5, INK)
    return jpeg(np.concatenate([header, body, _footer(why, body.shape[1])], axis=0), quality)


def _footer(why: Sequence[str], width_px: int) -> Image:
    """Lines of text on paper, cut at the picture's edge; no height without lines."""
    room = max((width_px - 24) // 8, 20)
    strip = np.full((FOOTER_LINE_PX * len(why) + (10 if why else 0), width_px, 3), PAPER, np.uint8)
    for n, line in enumerate(why):
        shown = line if len(line) <= room else line[: room - 3] + "..."
        text(strip, shown, (12, 18 + FOOTER_LINE_PX * n), 0.42, INK)
    return strip


def still_picture(
    image: Image, people: People, sides: list[str], keep: NDArray[np.bool_], registration: Registration, *,
    width_px: int, quality: int,
) -> bytes:  # fmt: skip
    """JPEG of a still with the field drawn back over it and everybody on the field marked by side."""
    out, scale = fit_width(image, min(width_px, max(640, image.shape[1])))
    if registration.status == "ok":
        draw_grid(out, registration, scale, strong=True)
    for n in np.flatnonzero(keep & (people.role != 2)):
        side = "official" if people.role[n] == 1 else sides[n]
        mark_person(out, people.box_px[n] * scale, side, "")
        gx, gy = (int(v) for v in people.ground_px[n] * scale)
        cv2.drawMarker(out, (gx, gy), COLOURS[side], cv2.MARKER_TILTED_CROSS, 9, 2, cv2.LINE_AA)
    header = np.full((34, out.shape[1], 3), PAPER, np.uint8)
    known = "yard line read" if registration.absolute_x_known else "yard line not read"
    why = f" ({registration.reason})" if registration.reason else ""
    state = f"registration {registration.status}{why}"
    if registration.status == "ok":
        state += f", {registration.level}, {registration.view}, about {registration.error_yd:.2f} yd, {known}"
    text(header, state, (12, 22), 0.5, INK)
    return jpeg(np.concatenate([header, out], axis=0), quality)
