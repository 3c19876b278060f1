"""What the page shows of a snap: people and field by sampled moment, as plain JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from pipeline import field as fields
from pipeline.audit.evidence import Evidence
from pipeline.camera import Camera
from pipeline.records import ROLES, SIDES, Alignment, Labels, Tracks
from pipeline.tracks import Sample

ADDED_FROM = 1000  # ids of people added by hand: 1000 and their number


@dataclass(frozen=True)
class Chain:
    """Samples and what followed from them; ids: person_id of each track."""

    samples: Sequence[Sample] = ()
    tracks: Tracks | None = None
    alignment: Alignment | None = None
    labels: Labels | None = None
    ids: Sequence[int] = field(default_factory=list)


def subject(person_id: int) -> str:
    """The name of a person in an act."""
    return f"a{person_id - ADDED_FROM}" if person_id >= ADDED_FROM else str(person_id)


def of_chain(samples: Sequence[Sample], chain: Chain) -> dict[str, Any]:
    """The view of a replayed snap."""
    if chain.tracks is None:
        return {"moments": [_bare(s) for s in samples], "play": None}
    labels = chain.labels
    names = ("deep", "deep_after", "rushers", "blockers")
    counted: dict[str, tuple[int, ...]] = {k: () if labels is None else tuple(getattr(labels, k)) for k in names}
    a = chain.alignment
    play = None if a is None else {"line_yd": a.line_of_scrimmage_yd, "ball_y_yd": a.ball_y_yd,
                                   "direction": a.direction, "visible_depth_yd": a.visible_depth_yd}  # fmt: skip
    position = a.position if a is not None else ("unknown",) * len(chain.tracks.role)
    return _view(chain.samples, chain.tracks, list(chain.ids), position, play, counted)


def of_evidence(found: Evidence) -> dict[str, Any]:
    """The view of a snap as charted."""
    if found.tracks is None:
        return {"moments": [_bare(s) for s in found.samples], "play": None}
    raw, labels = found.raw_alignment, found.raw_labels or {}
    counted = {k: tuple(labels.get(k) or ()) for k in ("deep", "deep_after", "rushers", "blockers")}
    play = None if raw is None else {"line_yd": raw["line_of_scrimmage_yd"], "ball_y_yd": raw["ball_y_yd"],
                                     "direction": raw["direction"],
                                     "visible_depth_yd": raw.get("visible_depth_yd")}  # fmt: skip
    n = len(found.tracks.role)
    position = tuple(raw["position"]) if raw is not None else ("unknown",) * n
    return _view(found.samples, found.tracks, list(range(n)), position, play, counted)


def _view(
    samples: Sequence[Sample], tracks: Tracks, ids: Sequence[int], position: Sequence[str],
    play: dict[str, Any] | None, counted: dict[str, tuple[int, ...]],
) -> dict[str, Any]:  # fmt: skip
    by_frame = {s.frame: s for s in samples}
    moments = []
    for t, frame in enumerate(tracks.frame):
        sample = by_frame[int(frame)]
        people = []
        for n in range(len(tracks.role)):
            person = _person(tracks, t, n, sample)
            if person is None:
                continue
            later = tracks.time_s[t] > 0.5
            person.update(
                id=subject(ids[n]), position=position[n], side=SIDES[int(tracks.side[n])],
                deep=n in counted["deep_after" if later else "deep"], rusher=n in counted["rushers"],
                blocker=n in counted["blockers"], sure=float(tracks.side_confidence[n]),
            )  # fmt: skip
            people.append(person)
        moments.append({**_head(sample), "people": people})
    return {"moments": moments, "play": play}


def _person(tracks: Tracks, t: int, n: int, sample: Sample) -> dict[str, Any] | None:
    role = ROLES[int(tracks.role[n])]
    xy, found = tracks.xy_yd[t, n], int(tracks.found[t, n])
    known = bool(np.isfinite(xy).all())
    if role == "bystander" or (found < 0 and not known):
        return None
    box = sample.people.box_px[found].tolist() if found >= 0 else None
    ground = None
    camera = sample.registration.camera
    if camera is not None and known:
        px = camera.ground_to_px(xy)
        ground = px.tolist() if np.isfinite(px).all() else None
    if ground is None and found >= 0:
        ground = sample.people.ground_px[found].tolist()
    return {"role": role, "x_yd": float(xy[0]) if known else None, "y_yd": float(xy[1]) if known else None,
            "box": box, "ground": ground}  # fmt: skip


def _head(sample: Sample) -> dict[str, Any]:
    r = sample.registration
    return {
        "frame": sample.frame, "time_s": float(sample.time_s), "status": r.status, "error_yd": r.error_yd,
        "width_px": sample.people.width_px, "height_px": sample.people.height_px, "level": r.level, "view": r.view,
        "absolute_x_known": r.absolute_x_known,
        "camera": None if r.camera is None else camera_json(r.camera),
    }  # fmt: skip


def _bare(sample: Sample) -> dict[str, Any]:
    """A moment without tracks: boxes alone."""
    p = sample.people
    people = [
        {"id": None, "role": ROLES[int(p.role[i])], "side": "official" if p.role[i] == 1 else "unknown",
         "position": "unknown", "x_yd": None, "y_yd": None, "box": p.box_px[i].tolist(),
         "ground": p.ground_px[i].tolist(), "deep": False, "rusher": False, "blocker": False, "sure": 0.0}
        for i in range(len(p)) if ROLES[int(p.role[i])] != "bystander"
    ]  # fmt: skip
    return {**_head(sample), "people": people}


def camera_json(c: Camera) -> dict[str, Any]:
    """A camera as the page's own projection wants it: rotation rows (right, down, forward)."""
    return {"width_px": c.width_px, "height_px": c.height_px, "focal_px": c.focal_px, "k1": c.k1,
            "position_yd": list(c.position_yd), "rotation": c.rotation.tolist()}  # fmt: skip


def field_json(registration_level: str) -> dict[str, Any]:
    """Geometry of a field level for diagram and field lines."""
    level = registration_level if registration_level in fields.LEVELS else "college"
    f = fields.load(level)
    return {"level": level, "length": f.length, "width": f.width, "hash_rows": list(f.hash_rows),
            "yard_lines": list(f.yard_lines), "number_rows": list(f.number_rows),
            "numbers": {f"{x:g}": f.number_at(x) for x in f.yard_lines if f.number_at(x)}}  # fmt: skip


