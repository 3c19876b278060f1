"""The truth of a collected bench told again by this checkout's playbook, where the play is still the same one.

Labels of the truth follow definitions, and a definition may be mended after a set was rendered. Where nobody of the
play stands elsewhere than when it was rendered, its labels are taken from the playbook as it is now.
"""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from models.training import test_set
from pipeline.ledger import Row, read_csv, write_csv
from pipeline.schema import table

SAME_YD = 0.25  # feet stand beside the play's point, and frames fall between its moments: at most 0.1 measured
# Not the play's: what the camera shows, the clip, the moment.
KEPT = ("snap_id", "clip", "view", "field_level", "snap_frame", "snap_time_s", "offense_direction", "visible_depth_yd",
        "registration_error_yd", "schema_version")  # fmt: skip


def same_play(play: Any, positions: Sequence[Row]) -> bool:
    """True where everybody of the truth at the snap, and a second after, stands where the play has him."""
    where = {p.id: k for k, p in enumerate(play.people)}
    if play.snap_index is None:
        return not positions
    for row in positions:
        k = where.get(int(row["person_id"]))
        i = int(np.argmin(np.abs(play.time_s - float(row["time_s"]))))
        if k is None:
            continue
        if np.hypot(*(play.xy_yd[i, k] - [row["x_yd"], row["y_yd"]])) > SAME_YD:
            return False
    return bool(positions)


def retold(row: Row, positions: Sequence[Row], clip: test_set.Clip) -> tuple[Row, bool]:
    """(row of snaps.csv with the play's labels of today, whether it could be told again)."""
    play = test_set.whole_play(clip)
    if play.snap_index is None or not same_play(play, positions):
        return row, play.snap_index is None
    known = set(table("snaps").names) - set(KEPT)
    told = {k: v for k, v in play.labels.items() if k in known and not isinstance(v, (list, tuple, dict))}
    return {**row, **told}, True


def tell_again(collected: Path, out: Path, workers: int = 2) -> Path:
    """Truth tables with labels of today in ``out``; returns it. Plays that have changed keep the labels they had."""
    truth = collected / "truth"
    rows, everybody = read_csv(truth / "snaps.csv", "snaps"), read_csv(truth / "positions.csv", "positions")
    people: dict[str, list[Row]] = {}
    for r in everybody:
        if r["role"] == "player":
            people.setdefault(str(r["snap_id"]), []).append(r)
    stems = [str(r["clip"]).rsplit(".", 1)[0] for r in rows]
    first = min(int(n.rsplit("_", 1)[1]) for n in stems) // 10_000_000 * 10_000_000  # sets begin at round seeds
    clips = {c.name: c for c in test_set.plan(5000, first)}
    named = [clips[n] for n in stems]
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        found = list(pool.map(retold, rows, [people.get(str(r["snap_id"]), []) for r in rows], named, chunksize=8))
    out.mkdir(parents=True, exist_ok=True)
    for path in truth.glob("*.csv"):
        shutil.copyfile(path, out / path.name)
    write_csv(out / "snaps.csv", "snaps", [r for r, _ in found])
    cells = table("snaps").cells
    changed = sum(cells(a) != cells(b) for a, (b, _) in zip(rows, found, strict=True))
    told = sum(ok for _, ok in found)
    print(f"truth: {told} of {len(rows)} plays told again, {changed} with other labels", flush=True)
    return out
