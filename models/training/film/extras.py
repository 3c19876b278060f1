"""What training stills get on top of a drawn look and play: piles, paint under people, edges of shade through the
play, full benches and things along the sidelines. Looks of the split 'test' never pass here, so that figures on
them stay comparable. Positions and shares by eye, no source, where nothing is said.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.training.film import surfaces
from models.training.film.look import Colour, Decal, Lens, Light, Look, Venue
from models.training.playbook.play import STANCES, Play

Rng = np.random.Generator
Floats = NDArray[np.float64]

BLOCK_SHARE, PILE_SHARE = 0.6, 0.4  # of the moments after the snap; a third of all stills lies there
TIGHT_SHARE = 0.2  # of the moments before it: men in front of each other moved close
PAINT_SHARE, SHADE_SHARE, BENCH_SHARE, WIRE_SHARE = 0.3, 0.3, 0.25, 0.08
FINE_SHARE, BRIGHT_SHARE = 0.55, 0.6  # drawn looks came out with too little fine detail and too faint lines
AROUND_S = 0.07  # the moments around the still that move with it: its neighbours give speed and blur
MEMORY_S = 0.5  # a stance held this long is taken on entirely
REACH_YD, HELD_YD = 2.4, (0.5, 0.85)  # blocks: who meets, and how far apart their middles stand
CLOSEST_YD, LYING_YD = 0.48, 0.34  # between men on their feet, and who lies; shoulders are about 0.55 yd wide
PILE_YD = 7.0


def _apart(xy: Floats, loose: NDArray[np.bool_], least: Floats, rounds: int = 12) -> Floats:
    """Push men apart until each pair keeps the mean of their least distances; only loose ones move."""
    xy = xy.copy()
    need = (least[:, None] + least[None]) / 2
    for _ in range(rounds):
        d = xy[:, None] - xy[None]
        n = np.linalg.norm(d, axis=-1) + np.eye(len(xy)) * 9
        push = np.where((n < need)[..., None], d / np.maximum(n, 0.05)[..., None] * (need - n)[..., None] / 2, 0)
        xy += np.where(loose[:, None], push.sum(1), 0.0)
    return xy


def _moved(play: Play, index: int, xy: Floats, face: Floats, stance: NDArray[np.int8]) -> Play:
    """The play with new places (P, 2), facings and stances at a moment; speeds around it are kept but for those who
    lie or hold somebody."""
    n = max(1, round(AROUND_S * play.hz))
    a, b = max(index - n, 0), min(index + n + 1, len(play.time_s))
    new = play.xy_yd.copy()
    held = np.isin(stance, [STANCES.index(s) for s in ("down", "engaged")]) & (stance != play.stance[index])
    still = np.where(held, 0.25, 1.0)[None, :, None]
    new[a:b] = xy + (play.xy_yd[a:b] - play.xy_yd[index]) * still
    facing, stances = play.facing_rad.copy(), play.stance.copy()
    facing[a:b] = face
    first = max(index - round(MEMORY_S * play.hz), 0)
    changed = stance != play.stance[index]
    stances[first:b, changed] = stance[changed]
    return replace(play, xy_yd=new, facing_rad=facing, stance=stances)


def _angle(d: Floats) -> Any:
    return np.arctan2(d[..., 1], d[..., 0])


def _sides(play: Play) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    k = [[i for i, p in enumerate(play.people) if p.role == "player" and p.side == s] for s in ("offense", "defense")]
    return np.array(k[0], int), np.array(k[1], int)


def blocked(play: Play, index: int, rng: Rng) -> Play:
    """Every opposing pair closer than REACH_YD meets chest to chest, hands on each other; some are doubled."""
    off, dfn = _sides(play)
    xy, face, stance = play.xy_yd[index].copy(), play.facing_rad[index].copy(), play.stance[index].copy()
    if not len(off) or not len(dfn):
        return play
    d = np.linalg.norm(xy[off][:, None] - xy[dfn][None], axis=2)
    used = np.zeros(len(xy), int)
    for k in np.argsort(d, axis=None):
        i, j = off[k // len(dfn)], dfn[k % len(dfn)]
        if d.flat[k] > REACH_YD:
            break
        double = used[j] == 1 and used[i] == 0 and rng.random() < 0.35
        if not double and (used[i] or used[j] or rng.random() < 0.12):
            continue
        gap = float(rng.uniform(*HELD_YD))
        line = xy[j] - xy[i]
        line = line / max(float(np.linalg.norm(line)), 1e-3)
        mid = (xy[i] + xy[j]) / 2 if not double else xy[j] - line * gap / 2
        if not double:
            xy[j] = mid + line * gap / 2
            face[j] = _angle(-line) + rng.normal(0, 0.3)
        xy[i] = mid - line * gap / 2
        face[i] = _angle(line) + rng.normal(0, 0.3)
        stance[[i, j]] = STANCES.index("engaged")
        used[[i, j]] += 1
    xy = _apart(xy, used > 0, np.full(len(xy), CLOSEST_YD))
    return _moved(play, index, xy, face, stance)


def piled(play: Play, index: int, rng: Rng) -> Play:
    """A tackle: the nearest 3 to 9 men fall on and run up to one of them, some on the ground, the rest bent over
    them, at or near the ball."""
    off, dfn = _sides(play)
    men = np.concatenate([off, dfn])
    xy, face, stance = play.xy_yd[index].copy(), play.facing_rad[index].copy(), play.stance[index].copy()
    if len(men) < 6:
        return play
    ball = play.ball_xyz_yd[index, :2]
    carrier = men[np.argmin(np.linalg.norm(xy[men] - ball, axis=1))]
    if rng.random() < 0.2:  # one away from the ball: a block that ended on the ground
        carrier = int(rng.choice(men))
    center = xy[carrier].copy()
    dist = np.linalg.norm(xy[men] - center, axis=1)
    near = men[np.argsort(dist)][: int(rng.integers(3, 10))]
    near = near[np.linalg.norm(xy[near] - center, axis=1) < PILE_YD]
    least = np.full(len(xy), CLOSEST_YD)
    lying = int(rng.integers(0, 4)) if rng.random() < 0.75 else 0
    names = ("engaged", "crouched", "two_point", "moving")
    for rank, m in enumerate(near):
        down = rank < lying
        r = float(rng.uniform(0.0, 0.6) if down else 0.35 + 0.22 * rank * rng.uniform(0.5, 1.3))
        a = float(rng.uniform(0, 2 * np.pi))
        if rank:
            xy[m] = center + r * np.array([np.cos(a), np.sin(a)])
        inward = _angle(center - xy[m]) if rank else face[m]
        face[m] = float(rng.uniform(0, 2 * np.pi)) if down else inward + rng.normal(0, 0.5)
        stance[m] = STANCES.index("down" if down else str(rng.choice(names, p=[0.5, 0.2, 0.15, 0.15])))
        least[m] = LYING_YD if down else CLOSEST_YD
    loose = np.isin(np.arange(len(xy)), near)
    return _moved(play, index, _apart(xy, loose, least), face, stance)


def tight(play: Play, index: int, rng: Rng) -> Play:
    """Before the snap: linemen of both sides and a few pairs in the open stand closer, down to 0.7 yd."""
    off, dfn = _sides(play)
    men = np.concatenate([off, dfn])
    xy = play.xy_yd[index].copy()
    d = np.linalg.norm(xy[men][:, None] - xy[men][None], axis=2) + np.eye(len(men)) * 99
    for a, b in zip(men, men[np.argmin(d, 1)], strict=True):
        gap = float(np.linalg.norm(xy[a] - xy[b]))
        if 0.8 < gap < 4.0 and rng.random() < 0.3:
            want = float(rng.uniform(0.65, 1.1))
            step = (xy[b] - xy[a]) * max(gap - want, 0.0) / gap
            xy[a], xy[b] = xy[a] + step / 2, xy[b] - step / 2
    loose = np.isin(np.arange(len(xy)), men)
    xy = _apart(xy, loose, np.full(len(xy), 0.6))
    return _moved(play, index, xy, play.facing_rad[index], play.stance[index])


def crowded(play: Play, index: int, rng: Rng) -> Play:
    """One of the above by the moment, or the play as it is."""
    if play.snap_index is None or index <= play.snap_index:
        return tight(play, index, rng) if rng.random() < TIGHT_SHARE else play
    late = float(play.time_s[index])
    if late > 0.25 and rng.random() < BLOCK_SHARE:
        play = blocked(play, index, rng)
    return piled(play, index, rng) if late > 0.8 and rng.random() < PILE_SHARE else play


def under_people(look: Look, play: Play, index: int, rng: Rng) -> tuple[Decal, ...]:
    """Emblems and words painted where the players are, besides those that are there anyway."""
    men = play.xy_yd[index][[p.role == "player" for p in play.people]]
    f = look.field
    out: list[Decal] = []
    for _ in range(int(rng.choice([1, 2, 3], p=[0.6, 0.3, 0.1]))):
        x, y = men[int(rng.integers(len(men)))] + rng.normal(0, 1.5, 2)
        x, y = float(np.clip(x, f.end_zone, f.length - f.end_zone)), float(np.clip(y, 2, f.width - 2))
        c1, c2 = surfaces.vivid(rng), surfaces.vivid(rng) if rng.random() < 0.6 else (0.92, 0.92, 0.9)
        turn = float(rng.choice([0.0, np.pi, np.pi / 2, -np.pi / 2], p=[0.5, 0.2, 0.15, 0.15]))
        alpha = float(rng.uniform(0.5, 0.98))
        if rng.random() < 0.6:
            size = float(np.exp(rng.uniform(np.log(2.5), np.log(24))))
            cell = f"emblem:{int(rng.integers(10**6))}:0"
            out.append(Decal(cell, (x, y), (size, size * float(rng.uniform(0.6, 1.0))), turn, c1, c2, alpha))
        else:
            tall = float(rng.uniform(1.2, 7.0))
            text = surfaces.invented_word(rng)
            if rng.random() < 0.3:  # round forms look like heads and shoulders from above
                text = "".join(str(c) for c in rng.choice(list("0468OQAB"), int(rng.integers(2, 6))))
            cell = f"word:{text}:{int(rng.integers(5))}:{rng.choice([0.0, 0.03, 0.06])}"
            out.append(Decal(cell, (x, y), (tall * float(rng.uniform(3, 6)), tall), turn, c1, c2, alpha))
    return tuple(out)


def shaded(light: Light, at_yd: Floats, rng: Rng) -> Light:
    """A sun with the hard edge of a stand's shadow through the play."""
    a = np.pi / 2 + rng.normal(0, 0.4) + (np.pi if rng.random() < 0.5 else 0.0)
    if rng.random() < 0.3:
        a += np.pi / 2
    n = np.array([np.cos(a), np.sin(a)])
    soft = float(np.exp(rng.uniform(np.log(0.04), np.log(0.6))))
    edge = (float(n[0]), float(n[1]), float(n @ (at_yd + rng.normal(0, 4, 2))), soft)
    return replace(
        light,
        shadow_edges=(edge, *light.shadow_edges[:1]),
        direct=max(light.direct, float(rng.uniform(0.6, 0.85))),
        shade=float(rng.uniform(0.85, 1.0)),
    )


def fuller(venue: Venue, rng: Rng) -> Venue:
    """Benches as full as those of large squads."""
    return replace(venue, bench_people=int(rng.integers(40, 75)))


def finer(lens: Lens, rng: Rng) -> Lens:
    """More fine grain that compression has left: the film's variance of the Laplacian is 253 / 370 / 564."""
    return replace(
        lens,
        noise=max(lens.noise, float(rng.uniform(2.5, 5.0))),
        noise_px=float(rng.choice([0.45, 0.65])),
        blur_px=min(lens.blur_px, 0.95),
        jpeg=lens.jpeg if lens.jpeg > 70 else 0,
        quality=max(lens.quality, 88),
    )


def brighter(colour: Colour, rng: Rng) -> Colour:
    """Paint nearer to white."""
    k = float(rng.uniform(0.0, 0.45))
    return (1 - k * (1 - colour[0]), 1 - k * (1 - colour[1]), 1 - k * (1 - colour[2]))


def enriched(look: Look, play: Play, index: int, rng: Rng) -> tuple[Look, Play]:
    """Look and play of a training still with more of what real film shows and chance seldom draws."""
    play = crowded(play, index, rng)
    men = play.xy_yd[index][[p.role == "player" for p in play.people]]
    if rng.random() < PAINT_SHARE:
        paint = look.paint
        look = replace(look, paint=replace(paint, decals=(*paint.decals, *under_people(look, play, index, rng))))
    if look.light.kind == "sun" and rng.random() < SHADE_SHARE:
        look = replace(look, light=shaded(look.light, men.mean(0), rng))
    if rng.random() < BENCH_SHARE:
        look = replace(look, venue=fuller(look.venue, rng))
    if rng.random() < WIRE_SHARE:
        look = replace(look, venue=replace(look.venue, wire_camera=True))
    if rng.random() < FINE_SHARE:
        grain = look.turf.grain * float(rng.uniform(0.4, 0.8))  # the coarse one was too strong
        look = replace(look, lens=finer(look.lens, rng), turf=replace(look.turf, grain=grain))
    if rng.random() < BRIGHT_SHARE:
        look = replace(look, paint=replace(look.paint, colour=brighter(look.paint.colour, rng)))
    return look, play
