"""Crude first play (to be replaced)."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.training.playbook.play import HZ, STANCES, Person, Play
from pipeline.field import load


def build_play(seed: int, level: str, **overrides: Any) -> Play:
    rng = np.random.default_rng(seed)
    f = load(level)
    d = int(overrides.get("direction", rng.choice([-1, 1])))
    los = float(overrides.get("los", rng.uniform(f.end_zone + 15, f.length - f.end_zone - 15)))
    by = float(rng.choice([f.hash_inner, f.width / 2, f.width - f.hash_inner]))
    neutral = 1.0 if level == "canadian" else 0.0
    rows = [  # side, position, depth, across, stance, route (depth, across) after 3.5 s, rusher, blocker, deep
        ("offense", "center", -0.9, 0, "three_point", (-3, 0), 0, 1, 0),
        ("offense", "guard", -1.0, -1.6, "three_point", (-3.5, -2.2), 0, 1, 0),
        ("offense", "guard", -1.0, 1.6, "three_point", (-3.5, 2.2), 0, 1, 0),
        ("offense", "tackle", -1.2, -3.2, "two_point", (-4.5, -4.4), 0, 1, 0),
        ("offense", "tackle", -1.2, 3.2, "two_point", (-4.5, 4.4), 0, 1, 0),
        ("offense", "tight_end", -1.1, 4.8, "two_point", (12, 4), 0, 0, 0),
        ("offense", "receiver", -1.0, -13, "two_point", (16, -13), 0, 0, 0),
        ("offense", "receiver", -1.0, 13, "two_point", (16, 13), 0, 0, 0),
        ("offense", "receiver", -2.0, -8, "two_point", (8, -2), 0, 0, 0),
        ("offense", "passer", -4.9, 0, "shotgun", (-8, 0), 0, 0, 0),
        ("offense", "back", -5.3, -1.7, "two_point", (-5, 1.5), 0, 1, 0),
        ("defense", "edge", 0.9, -4.9, "three_point", (-3.8, -4.6), 1, 0, 0),
        ("defense", "tackle_inside", 0.8, -1.2, "three_point", (-2.6, -2), 1, 0, 0),
        ("defense", "tackle_inside", 0.8, 2.2, "three_point", (-2.5, 2.2), 1, 0, 0),
        ("defense", "edge", 0.9, 6.4, "three_point", (-3.8, 5.4), 1, 0, 0),
        ("defense", "linebacker", 4.5, -2.5, "two_point", (9, -5), 0, 0, 0),
        ("defense", "linebacker", 4.5, 2.5, "two_point", (9, 4), 0, 0, 0),
        ("defense", "slot_defender", 4.5, -8, "two_point", (9, -10), 0, 0, 0),
        ("defense", "safety", 7.5, 7, "two_point", (8, 9), 0, 0, 0),
        ("defense", "corner", 7, -13, "two_point", (19, -12.5), 0, 0, 0),
        ("defense", "corner", 7, 13, "two_point", (19, 12.5), 0, 0, 0),
        ("defense", "safety", 13, 0, "two_point", (22, 0), 0, 0, 1),
    ]
    if level == "canadian":
        rows.insert(10, ("offense", "receiver", -4.0, 8, "two_point", (14, 6), 0, 0, 0))
        rows.append(("defense", "linebacker", 5, 0, "two_point", (9, 0), 0, 0, 0))
    for k, (dep, acr) in enumerate([(11, 6), (-14, 3), (0, -26), (0, 25), (18, -18)]):
        rows.append(("official", "official", dep, acr, "standing", (dep + 3, acr), 0, 0, 0))
    t = np.arange(-150, 106) / HZ
    s = np.clip(t / 3.5, 0, 1)
    s = s * s * (3 - 2 * s)
    people, paths, stance = [], [], []
    for i, (side, pos, dep, acr, st, to, r, b, deep) in enumerate(rows):
        dep = dep + (neutral if side == "defense" else 0)
        p0, p1 = np.array([dep, acr]), np.array(to)
        paths.append(p0 + s[:, None] * (p1 - p0) + 0.02 * np.sin(t * 2 + i)[:, None])
        moving = STANCES.index("engaged" if (r or b) and abs(acr) < 6 else "moving")
        stance.append(np.where((t > 0) & (side != "official"), moving, STANCES.index(st)))
        role = "official" if side == "official" else "player"
        people.append(Person(i, side, role, pos, int(rng.integers(1, 99)), float(rng.normal(2.05, 0.06)), 1.0,
                             bool(r), bool(b), bool(deep), bool(deep)))
    path = np.stack(paths, 1)
    xy = np.stack([los + d * path[..., 0], by - d * path[..., 1]], -1)
    face = np.where([p.side == "offense" for p in people], 0.0, np.pi) + (np.pi if d < 0 else 0)
    ball = np.stack([np.where(t < 0, los, los - d * 6), np.full(len(t), by), np.where(t < 0, 0.15, 1.4)], -1)
    n = 12 if level == "canadian" else 11
    labels = dict(play_kind="dropback", field_level=level, line_of_scrimmage_yd=los, offense_players=n,
                  defense_players=n, deep_safeties=1, middle_of_field="closed", deep_safeties_after=1,
                  rotation="none", disguised=False, rushers=4, blockers=6, spare_rushers=-2, read_window="long",
                  motion="none", motion_response=None, coverage_before="cover_3", coverage_after="cover_3")
    return Play(seed, level, t, 150, tuple(people), xy, np.broadcast_to(face, xy.shape[:2]).copy(),
                np.stack(stance, 1).astype(np.int8), ball, los, by, d, labels, {"kind": "dropback"})
