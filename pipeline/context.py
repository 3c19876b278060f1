"""After charting: the staff's play list joined, both views of a play put together, labels that depend on the
situation read again. Works on the tables of a run folder; no film.

What is asked for is kept in ``plays.json`` of the folder, so that repeating the command gives the same.
Near the goal line and with little to gain everybody stands closer: where the list tells what the film did not (the
yard line, the distance), the labels of such a play are computed again from its evidence with smaller depths.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline import field as fields
from pipeline import labels as label_stage
from pipeline import play_list, rows, two_views
from pipeline.config import Config
from pipeline.errors import InputError, UsageError
from pipeline.labels.settings import Settings
from pipeline.ledger import Row, read_csv, write_csv, write_json
from pipeline.play_list import Columns, PlayList
from pipeline.two_views import Paired


def columns_of(config: Config) -> Columns:
    """The column map of the configuration."""
    p = config.plays
    return Columns(p.clip, p.down, p.distance, p.hash, p.field_position, p.personnel, tuple(p.own))


def finish(out: Path, config: Config, plays: PlayList | None) -> list[str]:
    """Join ``plays`` (None: no list) and put views together in the tables of a run folder; says what was done.

    Raises UsageError without a run in the folder, OutputError where it cannot be written.
    """
    if not (out / "snaps.csv").is_file():
        raise UsageError("There is no snaps.csv.", where=out, hint="Give a run folder of `snapledger chart`.")
    snaps, labels = read_csv(out / "snaps.csv", "snaps"), read_csv(out / "labels.csv", "labels")
    said: list[str] = []
    settings = label_stage.load(config.labels.file or None)
    together = any(r.get("other_view_clip") for r in snaps)  # by an earlier command
    pairs, notes = two_views.pair(snaps, "none" if together else config.views.pair)
    said += notes
    hidden = {str(end["snap_id"]) for _, end in pairs}
    if plays is not None:
        kept = [r for r in snaps if str(r["snap_id"]) not in hidden]
        joined, notes = play_list.match(plays, kept)
        said += [*plays.notes, *notes, f"{len(joined)} snap(s) joined with the play list"]
        other = {str(end["snap_id"]): str(side["snap_id"]) for side, end in pairs}
        _join(out, snaps, labels, joined, other, settings)
    if pairs:
        snaps, labels = _merged(snaps, labels, pairs)
        differ = sum("views disagree" in str(r.get("review_reasons")) for r in snaps)
        said.append(f"{len(pairs)} play(s) told from both views, {differ} with a disagreement")
    if plays is not None or pairs:
        write_csv(out / "snaps.csv", "snaps", snaps, bom=config.ledger.bom)
        write_csv(out / "labels.csv", "labels", labels, bom=config.ledger.bom)
        write_json(out / "plays.json", {"joined": plays is not None, "views": config.views.pair, "said": said})
    return said


def _merged(
    snaps: Sequence[Row], labels: Sequence[Row], pairs: Sequence[tuple[Row, Row]]
) -> tuple[list[Row], list[Row]]:
    by_snap: dict[str, dict[str, Row]] = {}
    for r in labels:
        by_snap.setdefault(str(r["snap_id"]), {})[str(r["label"])] = r
    merged: dict[str, Row] = {}
    gone: set[str] = set()
    for side, end in pairs:
        a, b = str(side["snap_id"]), str(end["snap_id"])
        merged[a], by_snap[a] = two_views.merge(Paired(side, end, by_snap.get(a, {}), by_snap.get(b, {})))
        gone.add(b)
    kept = [merged.get(str(r["snap_id"]), r) for r in snaps if str(r["snap_id"]) not in gone]
    return kept, [row for rows_ in by_snap.values() for row in rows_.values()]


def _join(
    out: Path, snaps: Sequence[Row], labels: list[Row], joined: dict[str, Row], other: dict[str, str],
    settings: Settings,
) -> None:  # fmt: skip
    """Put the list's columns into the rows, in place; labels are told again where the situation shrinks depths."""
    for row in snaps:
        snap_id = str(row["snap_id"])
        told = joined.get(other.get(snap_id, snap_id))
        if told is None:
            continue
        row.update({k: told.get(k) for k in play_list.COLUMNS})
        level = str(row.get("field_level") or "college")
        f = fields.load(level)
        to_goal = play_list.yards_to_goal(told.get("field_position"), f.length - 2 * f.end_zone)
        situation: dict[str, Any] = {}
        if told.get("distance_yd") is not None:
            situation["distance_yd"] = float(told["distance_yd"])
        if to_goal is not None and row.get("line_of_scrimmage_yd") is None:
            situation["yards_to_goal"] = to_goal
        if _shrinks(situation, settings):
            _relabel(out, row, labels, situation, settings)


def _shrinks(situation: dict[str, Any], settings: Settings) -> bool:
    near = situation.get("yards_to_goal", 99.0) < settings("red_zone.from_yd")
    return near or situation.get("distance_yd", 99.0) <= settings("short_yardage.up_to_yd")


def _relabel(out: Path, row: Row, labels: list[Row], situation: dict[str, Any], settings: Settings) -> None:
    """Labels of one snap again from its evidence, in place; without evidence the row says so."""
    from pipeline.audit import evidence as evidences
    from pipeline.explain import alignment_of

    snap_id = str(row["snap_id"])
    try:
        found = evidences.load(out, snap_id)
    except InputError:
        reasons = [str(row["review_reasons"])] if row.get("review_reasons") else []
        row["review_reasons"] = "; ".join([*reasons, "depths not shrunk for the situation: no evidence"])
        row["review"] = True
        return
    if found.tracks is None or found.raw_alignment is None or row.get("play_kind") == "no_snap":
        return
    alignment = alignment_of(found.raw_alignment, found.tracks.xy_yd.shape[:2])
    alignment = replace(alignment, evidence={**alignment.evidence, **situation})
    got = label_stage.label(found.tracks, alignment, settings)
    row.update({k: None for k in rows.LABEL_COLUMNS})
    row.update(rows.label_cells(got))
    labels[:] = [r for r in labels if r["snap_id"] != snap_id] + rows.label_rows(snap_id, got)
