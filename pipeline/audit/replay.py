"""From the evidence of a snap, with corrections of people and snap applied, to rows: without film.

People finds are those of the run; deleted ones are taken out before the tracks are built, moved and added ones are
put into the tracks, then alignment, labels and rows follow as when charting. A snap moved by more than
``NEAR_S`` wants the film read again (``pipeline.audit.reread``), because its moments were not looked at.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline import alignment as alignment_stage
from pipeline import field as fields
from pipeline import labels as label_stage
from pipeline import play_list, review, rows
from pipeline import tracks as track_stage
from pipeline.audit import evidence as evidences
from pipeline.audit import view
from pipeline.audit.events import Event
from pipeline.audit.evidence import Evidence
from pipeline.audit.runs import RunFacts
from pipeline.audit.view import ADDED_FROM, Chain
from pipeline.chart import NEAR_SNAP_S
from pipeline.errors import AuditError
from pipeline.labels.settings import Settings
from pipeline.ledger import Row, plain
from pipeline.records import ROLES, SIDES, Alignment, Snap, Tracks
from pipeline.tracks import Sample

Array = NDArray[np.float64]
# Columns of snaps.csv that reading the film fills; the others (the staff's list, the other view) stand as they are.
READ_COLUMNS = (
    "snap_frame", "snap_time_s", "view", "field_level", "line_of_scrimmage_yd", "offense_direction",
    "ball_across_yd", "offense_players", "defense_players", "visible_depth_yd", "registration_error_yd",
    "coverage_before_candidates", "coverage_after_candidates", *rows.LABEL_COLUMNS,
)  # fmt: skip
NEAR_S = 0.12  # a snap moved by no more than this is served by the moments already looked at
MATCH_YD = 0.6  # a person is the one corrected where he stands this near to where he stood then
REACH_S = {"snap": (-0.6, 0.12), "after": (-0.3, 0.3)}  # moments that a corrected place holds for, from its own
FADE_S = {"snap": 0.6, "after": 0.4}  # over which the correction then fades


@dataclass(frozen=True)
class Basis:
    """What a replay starts from: snap, sampled frames with times from the snap, and notes on both."""

    snap: Snap
    samples: list[Sample]
    original: Evidence
    notes: tuple[str, ...] = ()
    after_s: float = 1.0
    situation: Mapping[str, float] = field(default_factory=dict)


class FilmNeeded(AuditError):
    """The moved snap's moments were not looked at: the film has to be read again."""


def recompute(run_dir: Path, snap_id: str, geometry: Sequence[Event]) -> dict[str, Any]:
    """Rows of a snap after its corrections: ``row`` (snaps.csv), ``labels``, ``positions``, ``view``, ``notes``.

    Uses frames that ``reread`` looked at for a moved snap where they are there. Raises FilmNeeded, InputError.
    """
    facts = RunFacts.read(run_dir)
    found = evidences.load(run_dir, snap_id)
    settings = label_stage.load(facts.labels_file or None)
    basis = replace(_moved_snap(run_dir, found, geometry), after_s=facts.after_s,
                    situation=situation_of(facts.row(snap_id), settings))  # fmt: skip
    chain, notes = rebuild(basis, geometry, settings)
    made = rows_of(snap_id, facts.clip_of(snap_id), basis, chain, facts)
    if facts.row(snap_id).get("other_view_clip") and geometry:
        made = _changed(made, recompute(run_dir, snap_id, ()))
    return {**made, "notes": [*basis.notes, *notes]}


def _changed(made: dict[str, Any], before: dict[str, Any]) -> dict[str, Any]:
    """Of a row put together from two views: only what the corrections changed, the rest may be the other view's."""
    was = {r["label"]: r["value"] for r in before["labels"]}
    labels = [r for r in made["labels"] if r["value"] != was.get(r["label"])]
    names = {r["label"] for r in labels} | {f"{r['label']}_candidates" for r in labels}
    own = ("snap_frame", "snap_time_s", "offense_players", "defense_players")
    row = {k: v for k, v in made["row"].items() if k in names or (k in own and v != before["row"].get(k))}
    return {**made, "row": row, "labels": labels}


def situation_of(row: Row, settings: Settings) -> dict[str, float]:
    """What the staff's play list tells of a play that makes its depths shrink, as ``pipeline.context`` has it."""
    f = fields.load(str(row.get("field_level") or "college"))
    to_goal = play_list.yards_to_goal(row.get("field_position"), f.length - 2 * f.end_zone)
    told: dict[str, float] = {}
    if row.get("distance_yd") is not None:
        told["distance_yd"] = float(row["distance_yd"])
    if to_goal is not None and row.get("line_of_scrimmage_yd") is None:
        told["yards_to_goal"] = to_goal
    near = told.get("yards_to_goal", 99.0) < settings("red_zone.from_yd")
    return told if near or told.get("distance_yd", 99.0) <= settings("short_yardage.up_to_yd") else {}


def _moved_snap(run_dir: Path, found: Evidence, geometry: Sequence[Event]) -> Basis:
    """The snap and the samples to use, times counted from the moved snap."""
    move = next((e for e in geometry if e.kind == "snap_moved"), None)
    if move is None:
        return Basis(found.snap, found.samples, found)
    frame = move.to.get("frame")
    if frame is None:
        snap = Snap("ok", None, None, 1.0, f"{move.who}: no snap")
        return Basis(snap, found.samples, found)
    path = reread_path(run_dir, found.snap_id, frame)
    if path.is_file():
        again = evidences.read(path, found.snap_id)
        return Basis(replace(again.snap, confidence=1.0, reason=f"set by {move.who}"), again.samples, again)
    shift = seconds_to(found, frame)
    looked = shift is not None and min(abs(s.time_s - shift) for s in found.samples) <= NEAR_S
    if shift is None or abs(shift) > NEAR_S or not looked:
        raise FilmNeeded(f"Frame {frame} is too far from the frames looked at: the film is needed to read it again.")
    old = found.snap.time_s
    time = None if old is None else old + Fraction(shift).limit_denominator(90000)
    snap = Snap("ok", frame, time, 1.0, f"set by {move.who}")
    return Basis(snap, [replace(s, time_s=s.time_s - shift) for s in found.samples], found)


def reread_path(run_dir: Path, snap_id: str, frame: int) -> Path:
    """Where the frames looked at for a moved snap are kept."""
    from pipeline.audit.final import evidence_path

    path = evidence_path(run_dir, snap_id)
    return path.with_name(f"{path.stem}@{frame}.json")


def seconds_to(found: Evidence, frame: int) -> float | None:
    """Seconds from the moment the samples count from to a frame, by their times; None without two of them."""
    if len(found.samples) < 2:
        return None
    frames = np.array([s.frame for s in found.samples], float)
    times = np.array([s.time_s for s in found.samples])
    order = np.argsort(frames)
    frames, times = frames[order], times[order]
    if frames[0] <= frame <= frames[-1]:
        return float(np.interp(frame, frames, times))
    rate = (frames[-1] - frames[0]) / max(float(times[-1] - times[0]), 1e-6)
    edge = 0 if frame < frames[0] else -1
    return float(times[edge] + (frame - frames[edge]) / max(rate, 1e-6))


def rebuild(basis: Basis, geometry: Sequence[Event], settings: Settings) -> tuple[Chain, list[str]]:
    """Tracks, alignment and labels of a basis with corrections of people; and what could not be applied."""
    acts = [e for e in geometry if e.kind != "snap_moved"]
    near = [s for s in basis.samples if s.registration.status == "ok" and abs(s.time_s) <= NEAR_SNAP_S]
    if basis.snap.frame is None or not near:
        return Chain(), ["people cannot be placed: the field is not registered here"] if acts else []
    notes: list[str] = []
    finds = _finds_of(basis.original, acts, notes)
    samples, kept = _without(basis.samples, [finds[e.subject] for e in acts
                                             if e.kind == "person_deleted" and e.subject in finds])  # fmt: skip
    tracks = track_stage.build(samples)
    found = _original_index(tracks, kept)
    ids = _ids(found, tracks, basis.original)
    tracks, ids = _edit(tracks, ids, finds, acts, notes, {"snap": 0.0, "after": basis.after_s})
    alignment = alignment_stage.align(tracks, {s.frame: s.registration for s in samples})
    alignment = _named(alignment, ids, acts)
    alignment = replace(alignment, evidence={**alignment.evidence, **basis.situation})
    labels = label_stage.label(tracks, alignment, settings) if alignment.confidence > 0 else None
    return Chain(samples, tracks, alignment if labels is not None else None, labels, ids), notes


Finds = frozenset[tuple[int, int]]  # (frame, index into that frame's People as written)


def _finds_of(found: Evidence, acts: Sequence[Event], notes: list[str]) -> dict[str, Finds]:
    """The finds of each corrected person, by the ids of the ledger; a person who is not there any more is noted."""
    out: dict[str, Finds] = {}
    tracks = found.tracks
    for act in acts:
        if act.subject.startswith("a") or act.subject in out:
            continue
        n = int(act.subject)
        if tracks is None or n >= len(tracks.role) or not _same(tracks, n, act):
            notes.append(f"person {n} of this correction by {act.who} is not there any more: charted again since?")
            continue
        out[act.subject] = frozenset(
            (int(f), int(i)) for f, i in zip(tracks.frame, tracks.found[:, n], strict=True) if i >= 0
        )
    return out


def _same(tracks: Tracks, n: int, act: Event) -> bool:
    """Whether track n stands where the analyst saw the person, by the act's ``from``."""
    x, y = act.before.get("x_yd"), act.before.get("y_yd")
    if x is None or y is None or act.before.get("recomputed"):
        return True
    frame = act.before.get("frame")
    at = np.flatnonzero(tracks.frame == frame) if frame is not None else np.array([], int)
    t = int(at[0]) if len(at) else int(np.argmin(np.abs(tracks.time_s)))
    gap = float(np.hypot(*(tracks.xy_yd[t, n] - (x, y))))
    return not np.isfinite(gap) or gap < MATCH_YD


def _without(samples: Sequence[Sample], deleted: Sequence[Finds]) -> tuple[list[Sample], dict[int, NDArray[np.int64]]]:
    """Samples without the finds of deleted people; by frame, which finds were kept."""
    gone = {find for finds in deleted for find in finds}
    out, kept = [], {}
    for s in samples:
        keep = np.array([i for i in range(len(s.people)) if (s.frame, i) not in gone], np.int64)
        kept[s.frame] = keep
        out.append(s if len(keep) == len(s.people) else replace(s, people=evidences.subset(s.people, keep)))
    return out, kept


def _original_index(tracks: Tracks, kept: Mapping[int, NDArray[np.int64]]) -> NDArray[np.int64]:
    """``tracks.found`` as indices into the People as written."""
    out = np.full(tracks.found.shape, -1, np.int64)
    for t, frame in enumerate(tracks.frame):
        hit = tracks.found[t] >= 0
        out[t, hit] = kept[int(frame)][tracks.found[t, hit]]
    return out


def _ids(found: NDArray[np.int64], tracks: Tracks, original: Evidence) -> list[int]:
    """Ids of the ledger for new tracks: of the track as written that shares most finds, else a number not used yet."""
    n = found.shape[1]
    if original.tracks is None:
        return list(range(n))
    old = {(int(f), int(i)): k for f, row in zip(original.tracks.frame, original.tracks.found, strict=True)
           for k, i in enumerate(row) if i >= 0}  # fmt: skip
    votes: list[tuple[int, int, int]] = []
    for k in range(n):
        count: dict[int, int] = {}
        for f, i in zip(tracks.frame, found[:, k], strict=True):
            owner = old.get((int(f), int(i)))
            if owner is not None:
                count[owner] = count.get(owner, 0) + 1
        votes += [(-c, owner, k) for owner, c in count.items()]
    ids: dict[int, int] = {}
    for _, owner, k in sorted(votes):
        if k not in ids and owner not in ids.values():
            ids[k] = owner
    spare = iter(range(len(original.tracks.role), len(original.tracks.role) + n + 1))
    return [ids[k] if k in ids else next(spare) for k in range(n)]


def _edit(
    tracks: Tracks, ids: list[int], finds: Mapping[str, Finds], acts: Sequence[Event], notes: list[str],
    at_s: Mapping[str, float],
) -> tuple[Tracks, list[int]]:  # fmt: skip
    """Tracks with added people and moved places and sides."""
    ids = list(ids)
    for act in (a for a in acts if a.kind == "person_added"):
        tracks = _appended(tracks, act, at_s)
        ids.append(ADDED_FROM + int(act.subject[1:]))
    order = {"snap": 0, "after": 1}
    moves = sorted((a for a in acts if a.kind == "person_moved"), key=lambda a: order.get(a.to.get("moment", ""), 0))
    for act in moves:
        if not act.subject.startswith("a") and act.subject not in finds:
            continue  # noted already
        wanted = ADDED_FROM + int(act.subject[1:]) if act.subject.startswith("a") else int(act.subject)
        if wanted not in ids:
            notes.append(f"person {act.subject} has no track after the other corrections")
            continue
        tracks = _moved(tracks, ids.index(wanted), act, at_s)
    return tracks, ids


def _at(tracks: Tracks, time_s: float) -> int:
    return int(np.argmin(np.abs(tracks.time_s - time_s)))


def _appended(tracks: Tracks, act: Event, at_s: Mapping[str, float]) -> Tracks:
    """Tracks with one person more, known around the moment he was put at."""
    t = len(tracks.time_s)
    moment = act.to["moment"]
    low, high = REACH_S[moment]
    away = tracks.time_s - tracks.time_s[_at(tracks, at_s[moment])]
    xy = np.full((t, 1, 2), np.nan)
    xy[(away >= low - 1e-6) & (away <= high + 1e-6), 0] = (act.to["x_yd"], act.to["y_yd"])
    side = SIDES.index(act.to["side"])
    error = tracks.place_error_yd
    role = ROLES.index("official" if act.to["side"] == "official" else "player")
    return replace(
        tracks, xy_yd=np.concatenate([tracks.xy_yd, xy], 1),
        seen=np.concatenate([tracks.seen, np.isfinite(xy[..., 0])], 1), role=np.append(tracks.role, role),
        side=np.append(tracks.side, side), side_confidence=np.append(tracks.side_confidence, 1.0),
        found=np.concatenate([tracks.found, np.full((t, 1), -1, np.int64)], 1),
        place_error_yd=None if error is None else np.concatenate([error, tracks.error_yd[:, None]], 1),
    )  # fmt: skip


def _moved(tracks: Tracks, n: int, act: Event, at_s: Mapping[str, float]) -> Tracks:
    """Tracks with one person's place at a moment, and or his side, as the analyst says."""
    out = tracks
    if "side" in act.to:
        side, role, sure = tracks.side.copy(), tracks.role.copy(), tracks.side_confidence.copy()
        side[n], sure[n] = SIDES.index(act.to["side"]), 1.0
        role[n] = ROLES.index("official" if act.to["side"] == "official" else "player")
        out = replace(out, side=side, role=role, side_confidence=sure)
    if "x_yd" not in act.to:
        return out
    moment = act.to["moment"]
    low, high = REACH_S[moment]
    xy, seen = out.xy_yd.copy(), out.seen.copy()
    t = _at(tracks, at_s[moment])
    target = np.array([act.to["x_yd"], act.to["y_yd"]])
    away = tracks.time_s - tracks.time_s[t]
    beyond = np.maximum(np.maximum(low - away, away - high), 0.0)
    weight = np.clip(1.0 - beyond / FADE_S[moment], 0.0, 1.0)
    if np.isfinite(xy[t, n]).all():
        xy[:, n] += weight[:, None] * (target - xy[t, n])
    else:
        xy[weight >= 1, n] = target
        _bridge(xy[:, n], tracks.time_s)
    xy[t, n] = target
    seen[t, n] = True
    return replace(out, xy_yd=xy, seen=seen)


def _bridge(xy: Array, times: Array) -> None:
    """Fill the hole between known moments of a person, in place: straight on, as nobody knows better."""
    known = np.flatnonzero(np.isfinite(xy[:, 0]))
    if len(known) < 2:
        return
    inside = np.arange(known[0], known[-1] + 1)
    for axis in (0, 1):
        xy[inside, axis] = np.interp(times[inside], times[known], xy[known, axis])


def _named(alignment: Alignment, ids: Sequence[int], acts: Sequence[Event]) -> Alignment:
    """Positions as the analyst names them; a corner named by hand is the corner of his side."""
    names = {e.subject: e.to["position"] for e in acts if e.kind != "person_deleted" and e.to.get("position")}
    if not names or not alignment.position:
        return alignment
    position = list(alignment.position)
    roles = alignment.evidence.get("roles")
    across = np.asarray(alignment.evidence.get("set_across_yd", []), float)
    for subject, name in names.items():
        wanted = ADDED_FROM + int(subject[1:]) if subject.startswith("a") else int(subject)
        if wanted not in ids:
            continue
        n = list(ids).index(wanted)
        position[n] = name
        if name == "corner" and roles is not None and n < len(across) and np.isfinite(across[n]):
            roles = replace(roles, **{"corner_left" if across[n] < 0 else "corner_right": n})
    return replace(alignment, position=tuple(position), evidence={**alignment.evidence, "roles": roles})


def rows_of(snap_id: str, clip: str, basis: Basis, chain: Chain, facts: RunFacts) -> dict[str, Any]:
    """Rows of the ledger of a replayed snap, as ``chart`` writes them, and what the page shows."""
    snap, positions = basis.snap, _position_rows(snap_id, clip, basis, chain, facts.after_s)
    center = min(basis.samples, key=lambda s: abs(s.time_s), default=None)
    registration = center.registration if center is not None else None
    at_snap = [r for r in positions if r["moment"] == "snap"]
    row = rows.snap_row(snap_id, clip, snap, registration, chain.alignment, chain.labels, at_snap)
    row = {**dict.fromkeys(READ_COLUMNS), **row}
    against = () if chain.tracks is None else chain.tracks.doubts
    why = review.reasons(snap, registration, chain.alignment, chain.labels, against)
    row["confidence"] = review.confidence(snap, chain.alignment, chain.labels)
    if snap.frame is not None and row["confidence"] < facts.review_below:
        why.append(f"confidence below {facts.review_below:g}")
    row.update(review=bool(why), review_reasons="; ".join(why) or None)
    label_rows = rows.label_rows(snap_id, chain.labels) if chain.labels is not None else []
    return {"row": plain(row), "labels": plain(label_rows), "positions": plain(positions),
            "view": plain(view.of_chain(basis.samples, chain))}  # fmt: skip


def _position_rows(snap_id: str, clip: str, basis: Basis, chain: Chain, after_s: float) -> list[Row]:
    out: list[Row] = []
    if basis.snap.frame is None or chain.tracks is None:
        return out
    for moment, at_s in (("snap", 0.0), ("after", after_s)):
        t = rows.moment_index(chain.tracks, at_s)
        if abs(float(chain.tracks.time_s[t]) - at_s) > 0.25:
            continue
        sample = next(s for s in chain.samples if s.frame == int(chain.tracks.frame[t]))
        made = rows.position_rows(snap_id, clip, moment, t, chain.tracks, chain.alignment, chain.labels, sample.people,
                                  sample.registration.camera)  # fmt: skip
        out += [{**r, "person_id": chain.ids[int(r["person_id"])]} for r in made]
    return out
