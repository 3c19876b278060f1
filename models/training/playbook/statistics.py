"""Compares the plays with measured film: ``python -m models.training.playbook.statistics [plays] [level]``.

The measured figures are the table 'Alignment before the snap' of film_statistics.md (60 professional plays,
chosen for contact: the mix of formations and calls there is not typical and is not copied, so the depths of
the deep men are expected to differ; spacing inside a unit should not).
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from models.training.playbook.play import Play, make_play

# min / 10 % / median / 90 % / max, yards; shares in percent stand below.
MEASURED: dict[str, tuple[float, ...]] = {
    "defender depth": (0.2, 0.7, 2.0, 8.2, 20.0),
    "deepest defender": (3.0, 7.2, 13.5, 17.3, 20.0),
    "second deepest": (2.9, 4.0, 6.9, 9.1, 11.2),
    "third deepest": (1.9, 3.5, 4.9, 7.3, 8.4),
    "deepest, sideways from the ball": (0.1, 0.8, 3.1, 6.3, 9.5),
    "corner over a wide receiver, depth": (0.4, 1.1, 4.2, 7.9, 9.8),
    "corner sideways from him (+ outside)": (-2.7, -0.9, 0.3, 2.4, 5.1),
    "line split": (1.33, 1.44, 1.56, 1.68, 1.74),
    "neutral zone": (1.1, 1.4, 1.6, 2.8, 3.2),
    "box defenders": (5, 6, 7, 8, 10),
    "passer depth, not under centre": (4.3, 4.3, 4.8, 6.1, 6.3),
    "deepest back": (4.9, 6.1, 7.3, 7.8, 8.5),
    "widest man to his sideline": (7.5, 9.2, 13, 20, 22),
    "nearest neighbour": (0.55, 1.2, 2.0, 5.9, 17),
    "span along, all players": (8, 14, 21, 24, 28),
    "span across, all players": (12, 19, 26, 29, 33),
}
SHARES: dict[str, float] = {
    "defenders under 1.5 yd deep": 46, "defenders 1.5-3 yd": 9, "defenders 3-5 yd": 22, "defenders 5-7 yd": 8,
    "defenders 7-8 yd": 4, "defenders 8-10 yd": 3, "defenders 10-15 yd": 5, "defenders over 15 yd": 3,
    "corners under 2.5 yd": 42, "corners 2.5-5 yd": 12, "corners 5 yd and more": 46, "corners 7 yd and more": 26,
    "neighbours under 1 yd": 5, "neighbours under 1.5 yd": 28,
}  # fmt: skip


def measure(play: Play, seconds: float = -0.15) -> dict[str, list[float]]:
    """The table's quantities of one play, shortly before the snap."""
    if play.snap_index is None:
        return {}
    k = int(np.searchsorted(play.time_s, seconds))
    xy = play.to_play_frame(play.xy_yd[k])
    who = {
        s: [i for i, p in enumerate(play.people) if p.side == s and p.role == "player"] for s in ("offense", "defense")
    }
    o, d = xy[who["offense"]], xy[who["defense"]]
    op = [play.people[i].position for i in who["offense"]]
    depth = np.sort(d[:, 0])[::-1]
    line = np.array([m for m, p in zip(o, op, strict=True) if p in ("center", "guard", "tackle")])
    inside = line[np.argsort(line[:, 1])]
    both = np.concatenate([o, d])
    gap = np.hypot(*(both[:, None] - both[None]).transpose(2, 0, 1)) + 99 * np.eye(len(both))
    half_width = {"canadian": 65.0}.get(play.level, 160 / 3)
    out: dict[str, list[float]] = {
        "defender depth": list(d[:, 0]), "deepest defender": [depth[0]], "second deepest": [depth[1]],
        "third deepest": [depth[2]], "deepest, sideways from the ball": [abs(d[d[:, 0].argmax(), 1])],
        "line split": list(np.diff(inside[:, 1])),
        "neutral zone": [float(np.sort(d[:, 0])[:3].mean() - line[:, 0].mean())],
        "nearest neighbour": list(gap.min(1)),
        "span along, all players": [float(np.ptp(both[:, 0]))], "span across, all players": [float(np.ptp(both[:, 1]))],
        "box defenders": [] if play.labels["box_defenders"] is None else [play.labels["box_defenders"]],
    }  # fmt: skip
    y = play.xy_yd[k][who["offense"], 1]
    out["widest man to his sideline"] = [float(min(y.min(), half_width - y.max()))]
    _backs_and_corners(out, o, d, op, [play.people[i].position for i in who["defense"]])
    return out


def _backs_and_corners(out: dict[str, list[float]], o: NDArray[np.float64], d: NDArray[np.float64], op: list[str],
                       dp: list[str]) -> None:  # fmt: skip
    passer = o[op.index("passer"), 0]
    if passer < -3:
        out["passer depth, not under centre"] = [-passer]
    backs = [-m[0] for m, p in zip(o, op, strict=True) if p == "back"]
    if backs:
        out["deepest back"] = [max(backs)]
    out["corner over a wide receiver, depth"], out["corner sideways from him (+ outside)"] = [], []
    for c in d[[p == "corner" for p in dp]]:
        s = np.sign(c[1])
        wide = [m for m, p in zip(o, op, strict=True) if p == "receiver" and m[1] * s > 6]
        if wide:
            r = max(wide, key=lambda m: m[1] * s)
            out["corner over a wide receiver, depth"].append(c[0])
            out["corner sideways from him (+ outside)"].append(float((c[1] - r[1]) * s))


def shares(pool: dict[str, list[float]]) -> dict[str, float]:
    """Percent shares as in the table."""
    d = np.array(pool["defender depth"])
    c = np.array(pool["corner over a wide receiver, depth"])
    n = np.array(pool["nearest neighbour"])
    edges = [-9, 1.5, 3, 5, 7, 8, 10, 15, 99]
    rows = [100 * float(np.mean((d >= a) & (d < b))) for a, b in pairwise(edges)]
    tests: list[Callable[[], float]] = [
        lambda: float(np.mean(c < 2.5)), lambda: float(np.mean((c >= 2.5) & (c < 5))), lambda: float(np.mean(c >= 5)),
        lambda: float(np.mean(c >= 7)), lambda: float(np.mean(n < 1)), lambda: float(np.mean(n < 1.5)),
    ]  # fmt: skip
    return dict(zip(SHARES, rows + [100 * f() for f in tests], strict=True))


def pool_of(plays: int, level: str, first_seed: int = 0) -> dict[str, list[float]]:
    """Quantities over many scrimmage plays."""
    pool: dict[str, list[float]] = {k: [] for k in MEASURED}
    rng = np.random.default_rng(first_seed)
    for s in range(first_seed, first_seed + plays):
        kind = "run" if rng.random() < 0.35 else "dropback"
        for k, v in measure(make_play(s, level, kind=kind)).items():
            pool[k] += v
    return pool


def main(argv: list[str]) -> int:
    """Print made and measured side by side."""
    plays, level = int(argv[0]) if argv else 300, argv[1] if len(argv) > 1 else "professional"
    pool = pool_of(plays, level)
    print(f"{plays} plays, {level}. min / 10 % / median / 90 % / max, yards: made, then measured")
    for name, want in MEASURED.items():
        got = np.quantile(pool[name], [0, 0.1, 0.5, 0.9, 1])
        print(f"{name:38s} " + " ".join(f"{v:6.2f}" for v in got) + "  | " + " ".join(f"{v:6.2f}" for v in want))
    print("shares, percent: made, then measured")
    for name, made in shares(pool).items():
        print(f"{name:38s} {made:6.1f}  | {SHARES[name]:6.1f}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
