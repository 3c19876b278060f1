"""RUN/evidence/<snap>.json read back into the records it was written from."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.audit.final import evidence_path
from pipeline.camera import Camera
from pipeline.errors import InputError
from pipeline.records import People, Registration, Snap, Tracks
from pipeline.tracks import Sample

_HINT = "Chart the clip again: its evidence is written then."


@dataclass(frozen=True)
class Evidence:
    """What a snap was charted from. tracks and alignment, labels as written: None where the chain stopped before."""

    snap_id: str
    snap: Snap
    samples: list[Sample]
    tracks: Tracks | None
    raw_alignment: Mapping[str, Any] | None
    raw_labels: Mapping[str, Any] | None
    shot: tuple[int, int] = (0, 0)  # first and last frame


def load(run_dir: Path, snap_id: str) -> Evidence:
    """The evidence of a snap. Raises InputError where it is missing or cannot be read."""
    return read(evidence_path(run_dir, snap_id), snap_id)


def read(path: Path, snap_id: str) -> Evidence:
    """Evidence from one file; see ``load``."""
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))
        samples = [sample_of(s) for s in raw["samples"]]
        tracks = None if raw["tracks"] is None else tracks_of(raw["tracks"])
        shot = (int(raw["shot"]["first_frame"]), int(raw["shot"]["last_frame"]))
        return Evidence(snap_id, snap_of(raw["snap"]), samples, tracks, raw["alignment"], raw["labels"], shot)
    except FileNotFoundError as e:
        raise InputError("The evidence of this snap is not there.", where=path, hint=_HINT) from e
    except OSError as e:
        raise InputError(f"The evidence cannot be read: {e.strerror or e}.", where=path, hint=_HINT) from e
    except (ValueError, KeyError, TypeError) as e:
        raise InputError(f"The evidence is damaged: {type(e).__name__}: {e}.", where=path, hint=_HINT) from e


def floats(value: Any, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Nested lists with None for NaN as an array of a shape (empty lists lose theirs)."""
    return np.array(value, dtype=object).astype(np.float64).reshape(shape)


def people_of(raw: Mapping[str, Any]) -> People:
    """People as written."""
    n = len(raw["role"])
    kit = np.array(raw["kit"], np.float32).reshape(n, -1) if n else np.zeros((0, 0), np.float32)
    return People(
        int(raw["width_px"]), int(raw["height_px"]), floats(raw["box_px"], (n, 4)).astype(np.float32),
        np.array(raw["role"], np.int64).reshape(n), floats(raw["confidence"], (n,)).astype(np.float32),
        floats(raw["ground_px"], (n, 2)).astype(np.float32), floats(raw["head_px"], (n, 2)).astype(np.float32),
        np.array(raw["cut"], bool).reshape(n), kit,
    )  # fmt: skip


def camera_of(raw: Mapping[str, Any] | None) -> Camera | None:
    """Camera as written."""
    if raw is None:
        return None
    return Camera(
        int(raw["width_px"]), int(raw["height_px"]), float(raw["focal_px"]),
        (float(raw["position_yd"][0]), float(raw["position_yd"][1]), float(raw["position_yd"][2])),
        float(raw["pan_deg"]), float(raw["tilt_deg"]), float(raw["roll_deg"]), float(raw["k1"]),
    )  # fmt: skip


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)


def registration_of(raw: Mapping[str, Any]) -> Registration:
    """Registration as written; of its own evidence the single values."""
    return Registration(
        raw["status"], camera_of(raw["camera"]), raw["view"], raw["level"], bool(raw["absolute_x_known"]),
        _number(raw["error_px"]), _number(raw["error_yd"]), raw.get("reason") or "",
        {k: v for k, v in (raw.get("evidence") or {}).items() if isinstance(v, (bool, int, float, str))},
    )  # fmt: skip


def sample_of(raw: Mapping[str, Any]) -> Sample:
    """One sampled frame as written."""
    return Sample(
        int(raw["frame"]), float(raw["time_s"]), people_of(raw["people"]), registration_of(raw["registration"])
    )


def snap_of(raw: Mapping[str, Any]) -> Snap:
    """Snap as written."""
    time = None if raw["time_s"] is None else Fraction(str(raw["time_s"]))
    return Snap(raw["status"], raw["frame"], time, float(raw["confidence"]), raw.get("reason") or "")


def tracks_of(raw: Mapping[str, Any]) -> Tracks:
    """Tracks as written."""
    t, n = len(raw["time_s"]), len(raw["role"])
    return Tracks(
        floats(raw["time_s"], (t,)), np.array(raw["frame"], np.int64).reshape(t), floats(raw["xy_yd"], (t, n, 2)),
        np.array(raw["seen"], bool).reshape(t, n), np.array(raw["role"], np.int64).reshape(n),
        np.array(raw["side"], np.int64).reshape(n), floats(raw["side_confidence"], (n,)),
        np.array(raw["found"], np.int64).reshape(t, n), floats(raw["error_yd"], (t,)),
    )  # fmt: skip


def subset(people: People, keep: Sequence[int] | NDArray[np.int64]) -> People:
    """Some of the people of a picture."""
    k = np.asarray(keep, np.int64)
    return People(
        people.width_px, people.height_px, people.box_px[k], people.role[k], people.confidence[k],
        people.ground_px[k], people.head_px[k], people.cut[k], people.kit[k],
    )  # fmt: skip
