"""Do tracks keep who is who? From 3 s before the snap to 2 s after it, men who stay visible.

A man counts where the truth shows at least VISIBLE of him, inside the picture, in every frame looked at. His identity
is kept when one track holds him at the first look that has him on a track, at the snap, and at the last such look.
A man who is on no track at the snap has lost it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from models.training.bench_replay import evidence_of, play_of, read_evidence
from models.training.eyes_figures import share
from pipeline import chart, tracks
from pipeline.compare import GROUND_OF_HEIGHT, IOU, iou
from pipeline.label_figures import Value
from pipeline.records import ROLES

VISIBLE = 0.3  # of a man's outline; less, and nobody could say where he is
SPAN_S = (-3.05, 2.05)
Seen = Mapping[str, NDArray[Any]]


def owners(box: NDArray[Any], ground: NDArray[Any], seen: Seen, frame: int) -> NDArray[np.int64]:
    """(N,) person shown by each find of one frame, -1 where nobody of the truth: best overlap overall."""
    rows = np.flatnonzero(seen["frame"] == frame)
    out = np.full(len(box), -1, np.int64)
    true, at = seen["box_px"][rows].astype(float), seen["ground_px"][rows].astype(float)
    good = np.isfinite(true).all(1)
    rows, true, at = rows[good], true[good], at[good]
    if not len(rows) or not len(box):
        return out
    overlap = iou(box.astype(float), true)
    tall = max(float(np.median(true[:, 3] - true[:, 1])), 1.0)
    apart = np.linalg.norm(ground[:, None].astype(float) - at[None], axis=-1) / tall
    allowed = (overlap >= IOU) | (apart <= GROUND_OF_HEIGHT)
    a, b = linear_sum_assignment(-np.where(allowed, 1 + overlap + np.exp(-4 * np.minimum(apart, 50)), 0.0))
    for i, j in zip(a, b, strict=True):
        if allowed[i, j]:
            out[i] = int(seen["person_id"][rows[j]])
    return out


def stayed(seen: Seen, frames: Sequence[int]) -> set[int]:
    """Players of whom enough shows in every one of these frames."""
    player = ROLES.index("player")
    good = (seen["visible"] >= VISIBLE) & (seen["role"] == player) & (seen["in_picture"] > 0)
    groups = [set(seen["person_id"][good & (seen["frame"] == f)].tolist()) for f in frames]
    return set.intersection(*groups) if groups else set()


def kept(samples: Sequence[chart.Sample], seen: Seen) -> list[bool]:
    """One entry a man who stays visible: True where his identity is kept."""
    built = tracks.build([tracks.Sample(s.frame, s.time_s, s.people, s.registration) for s in samples])
    chosen = [i for i, s in enumerate(samples) if SPAN_S[0] <= s.time_s <= SPAN_S[1]]
    at_snap = int(np.argmin([abs(s.time_s) for s in samples]))
    on: dict[int, dict[int, int]] = {}  # look -> track -> person
    for i in chosen:
        row = list(built.frame).index(samples[i].frame) if samples[i].frame in built.frame else None
        if row is not None:
            # Of the finds on tracks: a second box beside a man, on no track, must not take him from the track.
            held = np.flatnonzero(built.found[row] >= 0)
            finds = built.found[row, held]
            who = owners(samples[i].people.box_px[finds], samples[i].people.ground_px[finds], seen, samples[i].frame)
            on[i] = {int(k): int(p) for k, p in zip(held, who, strict=True)}
    out = []
    for person in sorted(stayed(seen, [samples[i].frame for i in chosen])):
        tracks_of_him = [k for i in sorted(on) for k, p in on[i].items() if p == person]
        at = [k for k, p in on.get(at_snap, {}).items() if p == person]
        out.append(bool(at) and {tracks_of_him[0], at[0], tracks_of_him[-1]} == {at[0]})
    return out


def of_snap(path: Path, truth: Path) -> list[bool]:
    """:func:`kept` of one snap, from its evidence and the truth of the frames looked at."""
    raw = read_evidence(path)
    if not truth.exists() or raw["snap"]["frame"] is None:
        return []
    with np.load(truth) as z:
        seen = {k: z[k] for k in z.files}
    samples = play_of(raw, 1).samples
    return kept(samples, seen) if any(s.registration.status == "ok" for s in samples) else []


def figure(collected: Path, workers: int = 2) -> list[Value]:
    """``eyes_identity_kept`` over a collected bench; nothing where the seen truth was not kept."""
    files = evidence_of(collected / "run")
    truths = [collected / "seen" / f"{snap_id.rsplit('-p', 1)[0]}.npz" for snap_id in files]
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        found = list(pool.map(of_snap, files.values(), truths, chunksize=8))
    return share("eyes_identity_kept", [hit for hits in found for hit in hits])
