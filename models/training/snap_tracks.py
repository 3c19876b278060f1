"""What the people's tracks say of snaps and of what is none: ``python -m models.training.snap_tracks --plays 40``.

Tracks of simulated plays, with errors as large as asked for, are shown to ``pipeline.confirm``: plays at their snap,
and stories without a snap (``snap_plays``) at the moment at which most men start to move. Printed by kind: how often a
candidate stays sure, is flagged, is withdrawn; and how often a faint one would be kept. No film is needed.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from models.training import snap_plays
from models.training.playbook.play import Play, make_play
from models.training.train_snap import interval
from pipeline import config as configs
from pipeline import confirm
from pipeline.records import ROLES, SIDES, Snap, Tracks

SEED = 960_000
LEVELS = ("college", "professional", "high_school", "canadian")
PLAYS = ("pass", "run", "punt", "field_goal", "kneel")
STORIES = ("stand_up", "dead_ball", "leave", "huddle_break", "walk_back", "shift", "look_over", "encroach", "flinch")
STEP = 12  # moments before and after one at which men may start to move


def tracks_of(play: Play, at_s: float, error_yd: float, rng: np.random.Generator) -> Tracks:
    """Tracks about a second of a play's clock, sampled as the chart does. error_yd: standard deviation of a place; most
    of it is a man's own and new in each look or stays with him, some is the whole look's. A few looks miss a man,
    a few are far off."""
    times = np.array(configs.load().sampling.times_s)
    t = at_s + times
    k = np.clip(((t - play.time_s[0]) * play.hz).round().astype(int), 0, len(play.time_s) - 1)
    shape = (len(t), len(play.people))
    xy = play.xy_yd[k] + rng.normal(0, 0.6 * error_yd, (*shape, 2)) + rng.normal(0, 0.7 * error_yd, (1, shape[1], 2))
    xy = xy + rng.normal(0, 0.4 * error_yd, (len(t), 1, 2))
    xy = xy + (rng.random(shape) < 0.03)[..., None] * rng.normal(0, 0.8, (*shape, 2))
    xy[(t < play.time_s[0]) | (t > play.time_s[-1])] = np.nan
    xy[rng.random(shape) < 0.05] = np.nan
    side = np.array([SIDES.index(p.side) for p in play.people])
    both = np.array([SIDES.index(s) for s in confirm.SIDES_OF_PLAY])
    wrong = (rng.random(shape[1]) < 0.03) & np.isin(side, both)
    return Tracks(
        times, np.arange(len(t)), xy, np.isfinite(xy).all(-1), np.array([ROLES.index(p.role) for p in play.people]),
        np.where(wrong, both.sum() - side, side), np.ones(shape[1]), np.full(shape, -1), np.full(len(t), error_yd),
    )  # fmt: skip


def starts(play: Play) -> float:
    """The second at which the mean speed of all men rises most."""
    step = np.linalg.norm(np.diff(play.xy_yd, axis=0), axis=-1).mean(1)
    step = np.convolve(step, np.ones(5) / 5, "same")
    mean = np.convolve(step, np.ones(STEP) / STEP, "valid")
    rise: NDArray[np.float64] = mean[STEP:] - mean[:-STEP]
    return float(play.time_s[int(rise.argmax()) + STEP])


def candidates(plays: int, first_seed: int) -> Iterator[tuple[str, Play, float]]:
    """(kind, play, second of its clock) of candidates."""
    for i in range(plays):
        seed, level = first_seed + i, LEVELS[i % len(LEVELS)]
        rng = np.random.default_rng(seed)
        for kind in PLAYS:
            yield kind, make_play(seed, level, kind=kind), float(rng.normal(0, 0.03))
        play = make_play(seed + 10_000, level, kind=("pass", "run")[i % 2])
        for kind in STORIES:
            story, _ = snap_plays.quiet(play, rng, kind)
            yield kind, story, starts(story)
        none = make_play(seed + 20_000, level, kind="no_snap")
        yield "no_snap", none, starts(none)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--plays", type=int, default=40, help="of each kind")
    parser.add_argument("--first-seed", type=int, default=SEED)
    parser.add_argument("--errors", type=float, nargs="+", default=[0.15, 0.4], help="yards")
    options = parser.parse_args()
    counts: Counter[tuple[str, str]] = Counter()
    for kind, play, at_s in candidates(options.plays, options.first_seed):
        for error in options.errors:
            tracks = tracks_of(play, at_s, error, np.random.default_rng([play.seed, round(1000 * error)]))
            for faint in (False, True):
                snap = Snap("ok", 100, Fraction(10, 3), 0.7, "", {"faint": faint})
                status = confirm.confirm(snap, tracks).status
                counts[kind, f"faint {status}" if faint else status] += 1
    print("| kind | sure | flagged | withdrawn | faint kept |\n|---|---|---|---|---|")
    for kind in (*PLAYS, *STORIES, "no_snap"):
        n = sum(counts[kind, s] for s in ("ok", "unsure", "failed"))
        kept = n - counts[kind, "faint failed"]
        cells = [interval(v, n) for v in (*(counts[kind, s] for s in ("ok", "unsure", "failed")), kept)]
        print(f"| {kind} | " + " | ".join(cells) + " |")


if __name__ == "__main__":
    main()
