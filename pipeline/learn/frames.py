"""Training frames from checked rows: the picture at the snap and after, with everybody the analyst let stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline import film
from pipeline.audit import evidence as evidences
from pipeline.audit.events import Event
from pipeline.audit.runs import RunFacts
from pipeline.camera import Camera
from pipeline.errors import SnapledgerError
from pipeline.learn.checked import CheckedRow
from pipeline.records import ROLES, People

PLAYER, OFFICIAL = ROLES.index("player"), ROLES.index("official")
MOST_FRAMES = {False: 400, True: 160}  # pictures in memory: to learn from, held back
TALL_YD = 1.95  # a standing player's head over the ground, as the renderer's figures have it
BOX_SHARE = 0.5  # width of a box that has to be made up, share of its height: rendered figures, median


@dataclass(frozen=True)
class People2d:
    """N people of a picture, px. sure (N,): an analyst let the person stand or put him there; the others are finds
    of people nobody judged (at the sideline): neither wanted nor unwanted."""

    box_px: NDArray[np.float32]
    role: NDArray[np.int64]
    ground_px: NDArray[np.float32]
    head_px: NDArray[np.float32]
    sure: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.role)


@dataclass(frozen=True)
class LearnFrame:
    """A picture (H, W, 3) uint8 BGR with its people."""

    clip: str
    frame: int
    image: NDArray[np.uint8]
    people: People2d
    held_back: bool
    corrected: bool


def build(rows: Sequence[CheckedRow], film_folder: Path | None = None) -> tuple[list[LearnFrame], list[str]]:
    """Frames of checked rows, and what was left out and why."""
    made: list[LearnFrame] = []
    notes: list[str] = []
    facts: dict[Path, RunFacts] = {}
    for row in sorted(rows, key=lambda r: not r.people_corrected):  # the ones that say most, where not all fit
        if sum(f.held_back == row.held_back for f in made) >= MOST_FRAMES[row.held_back]:
            continue
        try:
            made += _frames(row, facts.setdefault(row.run_dir, RunFacts.read(row.run_dir)), film_folder)
        except SnapledgerError as e:
            notes.append(f"{row.row['snap_id']}: {e}")
    return made, notes


def _frames(row: CheckedRow, facts: RunFacts, folder: Path | None) -> list[LearnFrame]:
    """The two frames of a row. Raises InputError: evidence or film are not there, or are others."""
    found = evidences.load(row.run_dir, str(row.row["snap_id"]))
    if found.tracks is None or any(e.kind == "snap_moved" for e in row.geometry):
        return []
    path = facts.film(str(row.row["clip"]), folder)
    facts.check_film(str(row.row["clip"]), path)
    wanted: dict[int, People2d] = {}
    for moment, at in (("snap", 0.0), ("after", facts.after_s)):
        sample = min(found.samples, key=lambda s: abs(s.time_s - at))
        t = np.flatnonzero(found.tracks.frame == sample.frame)
        if abs(sample.time_s - at) > 0.25 or not len(t) or sample.frame in wanted:
            continue
        indices = {str(n): int(f) for n, f in enumerate(found.tracks.found[int(t[0])])}
        camera = sample.registration.camera if sample.registration.status == "ok" else None
        wanted[sample.frame] = corrected(sample.people, indices, row.geometry, moment, camera)
    made = []
    for index, _, image in film.Reader(path, sorted(wanted)):
        made.append(LearnFrame(row.clip, index, image, wanted[index], row.held_back, row.people_corrected))
    return made


def corrected(
    people: People, indices: dict[str, int], geometry: Sequence[Event], moment: str, camera: Camera | None
) -> People2d:
    """The people of a picture after the analyst's acts. indices: find of each person id in this picture, or -1."""
    box, ground, head = people.box_px.copy(), people.ground_px.copy(), people.head_px.copy()
    keep = np.ones(len(people), bool)
    sure = np.zeros(len(people), bool)
    sure[[i for i in indices.values() if i >= 0]] = True
    added: list[tuple[NDArray[np.float32], int, NDArray[np.float32], NDArray[np.float32]]] = []
    for act in geometry:
        find = indices.get(act.subject, -1)
        if act.kind == "person_deleted" and find >= 0:
            keep[find] = False
        elif act.kind == "person_moved" and act.to.get("moment", "snap") == moment and "x_yd" in act.to and camera:
            place = camera.ground_to_px(np.array([act.to["x_yd"], act.to["y_yd"]]))
            if find >= 0:
                shift = (place - ground[find]).astype(np.float32)
                box[find] += np.tile(shift, 2)
                ground[find] += shift
                head[find] += shift
        elif act.kind == "person_added" and act.to.get("moment", "snap") == moment and camera:
            made = made_up(act, camera)
            if made is not None:
                added.append(made)
    parts = [(box[keep], people.role[keep], ground[keep], head[keep], sure[keep])]
    if added:
        boxes, roles, grounds, heads = (np.array(v) for v in zip(*added, strict=True))
        parts.append((boxes.astype(np.float32), roles.astype(np.int64), grounds.astype(np.float32),
                      heads.astype(np.float32), np.ones(len(roles), bool)))  # fmt: skip
    return People2d(*(np.concatenate([p[k] for p in parts]) for k in range(5)))


def made_up(
    act: Event, camera: Camera
) -> tuple[NDArray[np.float32], int, NDArray[np.float32], NDArray[np.float32]] | None:
    """Box, role, ground and head point of a person an analyst put on the field; None outside the picture."""
    spot = np.array([float(act.to["x_yd"]), float(act.to["y_yd"])])
    ground = camera.ground_to_px(spot)
    head = camera.project(np.array([*spot, TALL_YD]))
    height = float(ground[1] - head[1])
    inside = (ground >= 0).all() and ground[0] < camera.width_px and ground[1] < camera.height_px
    if not inside or not np.isfinite(height) or height < 4:
        return None
    half = BOX_SHARE * height / 2
    box = np.array([ground[0] - half, head[1] - 0.06 * height, ground[0] + half, ground[1]], np.float32)
    role = OFFICIAL if act.to.get("side") == "official" else PLAYER
    return box, role, ground.astype(np.float32), head.astype(np.float32)
