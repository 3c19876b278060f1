"""Stills: people and field in single pictures, without a clip around them."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image as Pillow
from PIL import ImageOps, UnidentifiedImageError

from pipeline import field as fields
from pipeline import pictures, reserve, rows
from pipeline.compare import iou
from pipeline.config import Config
from pipeline.errors import InputError, NotVideoError, SnapledgerError, SomeFailedError, UsageError
from pipeline.ground import yard_px
from pipeline.ledger import Row, failure_row, safe_name, text_path, write_bytes, write_csv
from pipeline.people.looks import both, look
from pipeline.progress import Reporter
from pipeline.records import ROLES, SIDES, People, Registration
from pipeline.tools import Tools
from pipeline.tracks import Sample, build

SUFFIXES = (".jpg", ".jpeg", ".png", ".webp", ".bmp", ".tif", ".tiff")
MAX_PIXELS = 400_000_000  # header of a larger picture is taken as damage: 400 million pixels are 1.2 GB decoded
WORK_WIDTH_PX = 3840  # larger pictures are looked at in this width; results are in the file's own pixels

SIDE_SURE = 0.7  # less sure than this and a person's side stays unknown
DOUBTFUL = 0.35  # a find less sure than this that fits no side and no place is nobody
DOUBLE_YD, DOUBLE_IOU = 0.8, 0.5  # closer, or overlapping more, than two people who are both seen usually are


@dataclass(frozen=True)
class Still:
    """One picture of a call: path and name in the tables, unique in the call."""

    path: Path
    name: str


def collect(paths: Sequence[Path]) -> list[Still]:
    """Pictures of the given files and folders. Raises UsageError for a path that is not there."""
    found: list[Path] = []
    for path in paths:
        if not path.exists():
            raise UsageError("There is no such file or folder.", where=path, hint="Check the path.")
        if not path.is_dir():
            found.append(path)
            continue
        try:
            inside = sorted(p for p in path.rglob("*") if p.suffix.lower() in SUFFIXES)
        except OSError as e:
            raise InputError(f"The folder cannot be read: {e.strerror or e}.", where=path,
                             hint="Check that you may read it.") from e  # fmt: skip
        if not inside:
            raise UsageError("There is no picture in this folder.", where=path,
                             hint=f"Pictures end in: {', '.join(SUFFIXES)}.")  # fmt: skip
        found += inside
    names = [p.name for p in found]
    return [Still(p, text_path(p if names.count(p.name) > 1 else p.name)) for p in found]


def read_picture(path: Path) -> NDArray[np.uint8]:
    """(H, W, 3) BGR of any common picture file, upright by its metadata, 8 bit.

    Raises InputError where it cannot be read, NotVideoError where it is no picture or damaged.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Pillow.DecompressionBombWarning)
            Pillow.MAX_IMAGE_PIXELS = MAX_PIXELS
            with Pillow.open(path) as opened:
                opened.draft("RGB", (WORK_WIDTH_PX, WORK_WIDTH_PX)) if _very_large(opened) else None
                upright = ImageOps.exif_transpose(opened)
                return _eight_bit(upright)
    except UnidentifiedImageError as e:
        raise NotVideoError("Not a picture.", where=path, hint="Give JPEG, PNG, WebP, BMP or TIFF.") from e
    except Pillow.DecompressionBombError as e:
        raise InputError("The picture is too large.", where=path,
                         hint=f"At most {MAX_PIXELS // 1_000_000} million pixels.") from e  # fmt: skip
    except MemoryError as e:
        raise InputError("Not enough memory for this picture.", where=path, hint="Scale it down.") from e
    except (OSError, SyntaxError, ValueError) as e:
        if isinstance(e, OSError) and e.errno is not None:
            raise InputError(f"Cannot read: {e.strerror}.", where=path, hint="Check path and permissions.") from e
        raise NotVideoError(f"The picture is damaged: {e}.", where=path, hint="Copy it again.") from e


def _very_large(image: Pillow.Image) -> bool:
    return image.width > 2 * WORK_WIDTH_PX and image.format == "JPEG"


def _eight_bit(image: Pillow.Image) -> NDArray[np.uint8]:
    if image.mode in ("I", "F") or image.mode.startswith("I;16"):
        grey = np.asarray(image, np.float64)
        grey8 = np.clip(grey / (257.0 if grey.max() > 255 else 1.0), 0, 255).astype(np.uint8)
        return np.ascontiguousarray(np.repeat(grey8[:, :, None], 3, 2))
    if image.mode in ("RGBA", "LA", "PA") or (image.mode == "P" and "transparency" in image.info):
        rgba = image.convert("RGBA")
        image = Pillow.alpha_composite(Pillow.new("RGBA", rgba.size, (127, 127, 127, 255)), rgba)
    return np.ascontiguousarray(np.asarray(image.convert("RGB"), np.uint8)[:, :, ::-1])


def file_size_px(path: Path) -> tuple[int, int]:
    """(width, height) of the picture as it is shown, from its header."""
    with Pillow.open(path) as opened:
        width, height = opened.size
        turned = opened.getexif().get(0x0112, 1) in (5, 6, 7, 8)  # Exif 2.3, tag Orientation
    return (height, width) if turned else (width, height)


@dataclass(frozen=True)
class Told:
    """What one picture tells of each person found, N of them: keep (N,) False for a second find of one person;
    sides: N of offense, defense, official, unknown."""

    keep: NDArray[np.bool_]
    sides: list[str]


def tell(people: People, registration: Registration, sure: int | None = None) -> Told:
    """Doubles, faint finds and sides from one picture: by place, kit and formation where the field is known.

    sure: how many of the people count alone (None: all); the others, behind them, count where field, sides and a
    man's height bear them out. The stage that joins people over time is asked about this one moment: it knows how
    close two people can stand and how many a side plays. Whom it leaves out is a double where he stands next to
    somebody it kept, nobody where he was doubtful anyway, else a person of unknown side.
    """
    sides = ["official" if ROLES[int(r)] == "official" else "unknown" for r in people.role]
    keep = np.arange(len(people)) < (len(people) if sure is None else sure)
    on_field = np.flatnonzero(people.role != ROLES.index("bystander"))
    if registration.status != "ok" or registration.camera is None or len(on_field) < 8:
        return Told(keep, sides)
    joined = build([Sample(0, 0.0, people, registration)])
    found = [int(k) for k in joined.found[0] if k >= 0]
    for track, k in enumerate(joined.found[0]):
        side = SIDES[int(joined.side[track])] if joined.side_confidence[track] >= SIDE_SURE else "unknown"
        if k >= 0 and ROLES[int(people.role[k])] == "player":
            sides[int(k)] = side if side in ("offense", "defense") else "unknown"
    xy = registration.camera.px_to_ground(people.ground_px.astype(float))
    scale = yard_px(registration.camera, xy)
    tall = (people.box_px[:, 3] - people.box_px[:, 1]) / np.maximum(np.nan_to_num(scale), 1e-6)
    for n in on_field.tolist():
        if n in found:
            player = ROLES[int(people.role[n])] == "player"
            keep[n] |= bool(player and reserve.TALL_YD[0] <= tall[n] <= reserve.TALL_YD[1])
            continue
        near = np.linalg.norm(xy[found] - xy[n], axis=1) if found else np.zeros(0)
        overlap = iou(people.box_px[n : n + 1].astype(float), people.box_px[found].astype(float))[0]
        double = bool(((near < DOUBLE_YD) | (overlap > DOUBLE_IOU)).any())
        keep[n] &= not double and people.confidence[n] >= DOUBTFUL
    return Told(keep, sides)


def player_rows(
    name: str, people: People, told: Told, registration: Registration, scale: float
) -> list[Row]:
    """Rows of players.csv: everybody on the field once, pixels of the file (scale: file px per px looked at)."""
    made: list[Row] = []
    camera = registration.camera if registration.status == "ok" else None
    for n in range(len(people)):
        role = ROLES[int(people.role[n])]
        if role == "bystander" or not told.keep[n]:
            continue
        box = people.box_px[n].astype(float) * scale
        ground = people.ground_px[n].astype(float)
        xy = camera.px_to_ground(ground) if camera is not None else np.array([np.nan, np.nan])
        known = camera is not None and _near_field(xy, registration.level)
        made.append({
            "image": name, "role": role, "side": told.sides[n] if role == "player" else "unknown",
            "confidence": round(float(people.confidence[n]), 4),
            "box_left_px": box[0], "box_top_px": box[1], "box_right_px": box[2], "box_bottom_px": box[3],
            "ground_x_px": ground[0] * scale, "ground_y_px": ground[1] * scale,
            "x_yd": float(xy[0]) if known else None, "y_yd": float(xy[1]) if known else None,
        })  # fmt: skip
    return made


def _near_field(xy: NDArray[np.float64], level: str) -> bool:
    f = fields.load(level)
    return bool(np.isfinite(xy).all() and abs(xy[0] - f.length / 2) < f.length and abs(xy[1] - f.width / 2) < f.width)


def registration_row(name: str, registration: Registration, scale: float) -> Row:
    """A row of registration.csv for a still."""
    cells: Row = {
        "image": name, "status": registration.status, "absolute_x_known": bool(registration.absolute_x_known),
        "error_px": rows.blank_nan(registration.error_px * scale),
        "error_yd": rows.blank_nan(registration.error_yd),
        "view": registration.view if registration.status != "failed" else None,
        "level_told": registration.level_told if registration.status != "failed" else None,
    }  # fmt: skip
    camera = registration.camera
    if camera is not None and registration.status == "ok":
        width, height = round(camera.width_px * scale), round(camera.height_px * scale)
        registration = replace(registration, camera=camera.scaled(width, height))
    return {**cells, **rows.homography_cells(registration)}


def locate_one(still: Still, out: Path, config: Config, tools: Tools) -> tuple[list[Row], Row, str]:
    """One still: rows of players.csv, the row of registration.csv and a line about it; writes its picture."""
    image = read_picture(still.path)
    full_width = file_size_px(still.path)[0]
    if image.shape[1] > WORK_WIDTH_PX:
        height = max(1, round(image.shape[0] * WORK_WIDTH_PX / image.shape[1]))
        image = np.ascontiguousarray(cv2.resize(image, (WORK_WIDTH_PX, height), interpolation=cv2.INTER_AREA))
    scale = full_width / image.shape[1]
    people, faint = look(tools.finder, image)
    registration = tools.registrar.register(image, people=people, hint=None)
    told = tell(both(people, faint), registration, len(people))
    people = both(people, faint)
    made = player_rows(still.name, people, told, registration, scale)
    data = pictures.still_picture(
        image, people, told.sides, told.keep, registration,
        width_px=config.pictures.width_px, quality=config.pictures.quality,
    )  # fmt: skip
    write_bytes(out / "pictures" / f"{safe_name(still.name)}.jpg", data)
    why = f" ({registration.reason})" if registration.reason else ""
    line = f"{len(made)} people, registration {registration.status}{why}"
    return made, registration_row(still.name, registration, scale), line


def locate(stills: Sequence[Still], out: Path, config: Config, tools: Tools, reporter: Reporter) -> None:
    """Locate every still and write the tables. Raises SomeFailedError or SnapledgerError at the end where
    pictures failed, OutputError at once."""
    players: list[Row] = []
    registrations: list[Row] = []
    failures: list[Row] = []
    for number, still in enumerate(stills, start=1):
        reporter.started(still, number, len(stills))
        try:
            made, row, line = locate_one(still, out, config, tools)
        except InputError as e:
            failures.append(failure_row(still.name, e, "picture"))
            registrations.append({"image": still.name, "status": "failed", "absolute_x_known": False})
            reporter.ended(still, f"failed: {e.message} Hint: {e.hint}", False)
            continue
        players += made
        registrations.append(row)
        reporter.ended(still, line, True)
    for name, table, table_rows in (
        ("players", "players", players),
        ("registration", "still_registration", registrations),
        ("failures", "failures", failures),
    ):
        write_csv(out / f"{name}.csv", table, table_rows, bom=config.ledger.bom)
    if failures:
        hint = f"See {out / 'failures.csv'}."
        if len(failures) == len(stills):
            raise SnapledgerError("No picture could be read.", hint=hint)
        raise SomeFailedError(f"{len(failures)} of {len(stills)} pictures could not be read.", hint=hint)
