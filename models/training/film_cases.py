"""A collected bench as cases to fit and measure labels on: rendered film as the finders really saw it, with its truth.

``python -m models.training.film_cases --collected DIR --out CASES``: the stages behind the finders run again on the
stored finds (as ``bench --replay`` does), the plays are built again from their seeds, and each track is told whom it
follows. CASES is read by ``label_data.read``: ``fit_labels --film CASES`` learns from one half of it,
``evaluate_labels --cases CASES`` reports on the other.
"""

from __future__ import annotations

import argparse
import gzip
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from models.training import test_set
from models.training.bench_replay import evidence_of, play_of, read_evidence
from models.training.label_data import Case, named_corners, read, to_json
from models.training.playbook.play import Play
from pipeline import chart, compare, tools
from pipeline import config as configs
from pipeline.ledger import ClipResult, read_csv
from pipeline.records import Alignment, Tracks

Array = NDArray[np.float64]
NEAR_YD = 1.6  # a track this near to a man, in the middle of its moments, follows him
FEWEST = 12  # men told apart, below which a play frame was not read the right way round


def learns(seed: int) -> bool:
    """Whether a play is of the half that is learned from; the other half is for reporting."""
    return seed // 2 % 2 == 0


def followed(play: Play, tracks: Tracks, alignment: Alignment, late_s: float) -> NDArray[np.int64]:
    """(N,) person id each track follows, -1 for nobody. late_s: by how much the snap was told late."""
    at = [int(np.argmin(np.abs(play.time_s - (t + late_s)))) for t in tracks.time_s]
    true = play.to_play_frame(play.xy_yd[at])  # (T, P, 2)
    mine = np.stack([alignment.depth_yd, alignment.across_yd], -1)
    gap = np.linalg.norm(mine[:, :, None] - true[:, None], axis=-1)  # (T, N, P)
    known = np.isfinite(gap).any(0)
    cost = np.full(gap.shape[1:], 99.0)
    cost[known] = np.nanmedian(gap[:, known], axis=0)
    owner = np.full(len(tracks.side), -1)
    for k, p in zip(*linear_sum_assignment(np.minimum(cost, 9.0)), strict=True):
        if cost[k, p] < NEAR_YD:
            owner[k] = play.people[p].id
    return owner


def case(play: Play, tracks: Tracks, alignment: Alignment, late_s: float, view: str) -> Case:
    """One charted play beside its truth. Its direction is the alignment's where that was read the right way round."""
    owner = followed(play, tracks, alignment, late_s)
    flags = np.array([[p.rusher, p.blocker, p.deep, p.deep_after] for p in play.people], bool)
    right = int((owner >= 0).sum()) >= FEWEST
    return Case(
        play.seed, "film", view, dict(play.labels), owner, flags, tuple(p.side for p in play.people),
        alignment.direction if right else -alignment.direction, tracks, alignment, named_corners(play),
    )  # fmt: skip


def charted(collected: Path) -> Iterator[Case]:
    """Cases of a collected bench: plays with a snap, found within a second of where it was."""
    config = configs.load().with_("execution", threads=1).with_("pictures", enabled=False)
    loaded = tools.load(config)
    stages = replace(loaded, over_time=lambda frames, registrations, to_first: list(registrations))
    rows: Sequence[Mapping[str, Any]] = read_csv(collected / "truth" / "snaps.csv", "snaps")
    truth = {compare.stem(str(r["clip"])): r for r in rows}
    first = min(int(n.rsplit("_", 1)[1]) for n in truth) // 1_000_000 * 1_000_000  # sets begin at round seeds
    clips = {c.name: c for c in test_set.plan(5000, first)}
    for snap_id, path in evidence_of(collected / "run").items():
        base, number = snap_id.rsplit("-p", 1)
        if base not in truth or truth[base].get("snap_time_s") is None:
            continue
        p = play_of(read_evidence(path), int(number))
        chain = chart._chain(p, stages, config, ClipResult(base))
        if chain.tracks is None or chain.alignment is None or p.snap.time_s is None:
            continue
        late = float(p.snap.time_s) - float(truth[base]["snap_time_s"])
        play = test_set.whole_play(clips[base])
        if abs(late) < 1.0 and play.snap_index is not None:
            yield case(play, chain.tracks, chain.alignment, late, clips[base].view)


def halves(folder: Path) -> tuple[list[Case], list[Case]]:
    """Cases to learn from, and cases to report on."""
    every = list(read(folder))
    return [c for c in every if learns(c.seed)], [c for c in every if not learns(c.seed)]


def main() -> None:
    """Write the cases of a collected bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--collected", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    count = 0
    with gzip.open(options.out / "film.jsonl.gz", "wt", compresslevel=4, encoding="utf-8") as f:
        for c in charted(options.collected):
            f.write(json.dumps(to_json(c), separators=(",", ":")) + "\n")
            count += 1
    print(f"{count} cases in {options.out}")


if __name__ == "__main__":
    main()
