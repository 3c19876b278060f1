"""Draws a :class:`Look`: every random choice about the picture, from one generator.

Ranges follow the measured film statistics (sideline high, end zone, low cameras) and go past their edges;
numbers beside a draw are the measured p10 / median / p90 unless said. Looks of the split 'test' come from
another stream of seeds and use number pens, emblems and venue forms that 'train' never shows.
"""

from __future__ import annotations

import colorsys
from typing import Any

import numpy as np

from models.training.film import surfaces
from models.training.film.look import KINDS, SPLITS, Colour, Lens, Light, Look, Rig, Turf, Venue
from pipeline import field as fields
from pipeline.errors import UsageError

Rng = np.random.Generator


def clipped(rng: Rng, mean: float, sd: float, low: float, high: float) -> float:
    """A normal draw clipped to [low, high]."""
    return float(np.clip(rng.normal(mean, sd), low, high))


def chance(rng: Rng, p: float) -> bool:
    return bool(rng.random() < p)


def draw_look(rng: Rng, view: str, level: str, split: str) -> Look:
    """view: 'sideline' (press box, high), 'low' (sideline, low) or 'endzone'. Raises UsageError otherwise."""
    kind = {"sideline": "high", "high": "high", "low": "low", "endzone": "endzone"}.get(view, "")
    if kind not in KINDS or split not in SPLITS:
        raise UsageError(f"Unknown view {view!r} or split {split!r}.", hint="Views: sideline, low, endzone.")
    seed = int(rng.integers(2**62))
    rng = np.random.default_rng([seed, SPLITS.index(split)])
    f = fields.load(level)
    light = _light(rng, kind, f)
    turf = _turf(rng, kind, light, level)
    return Look(
        split=split,
        kind=kind,
        view="endzone" if kind == "endzone" else "sideline",
        field=f,
        crown_yd=float(rng.uniform(0.05, 0.35)) if chance(rng, 0.4) else 0.0,
        rig=_rig(rng, kind, f),
        paint=surfaces.draw_paint(rng, kind, f, turf, light, split),
        turf=turf,
        light=light,
        venue=_venue(rng, kind, level, split),
        lens=_lens(rng, kind, light),
        wardrobe_seed=int(rng.integers(2**31)) * 2 + SPLITS.index(split),
    )


WIDE_SHARE = 0.2  # of the cameras: up to some 30 % past the edges of what was measured


def _rig(rng: Rng, kind: str, f: fields.Field) -> Rig:
    wide = chance(rng, WIDE_SHARE)
    common: dict[str, Any] = {
        "kind": kind,
        "k1_offset": float(rng.uniform(-0.02, 0.02)) if chance(rng, 0.2) else clipped(rng, 0, 0.003, -0.01, 0.01),
        "delay_s": float(rng.uniform(0.15, 0.8)),
        "lag_s": float(rng.uniform(0.2, 0.7)),
        "shake_px": float(rng.choice([0.0, 0.1, 0.3, 0.8], p=[0.5, 0.3, 0.15, 0.05])),
        "drift_deg": float(rng.choice([0.0, 0.3, 1.0], p=[0.6, 0.3, 0.1])),
        "seed": int(rng.integers(2**31)),
    }
    if kind == "high":
        mean, sd = [(40, 0.8), (46.5, 1.2), (52, 1.3), (62, 1.3), (26, 4), (15, 2)][
            int(rng.choice(6, p=[0.18, 0.22, 0.30, 0.2, 0.07, 0.03]))
        ]
        h = float(rng.uniform(9.5, 82)) if wide else clipped(rng, mean, sd, 11, 70)
        usual = 15 + 0.165 * h if h > 20 else 12
        tilt = np.deg2rad(clipped(rng, usual, 4.5, 6.5, 40) if wide else clipped(rng, usual, 2.2, 8, 34))
        back = float(np.clip(h / np.tan(tilt) - f.width / 2, *((30, 135) if wide else (42, 104))))
        x = f.length / 2 + (float(rng.uniform(-35, 35)) if wide else clipped(rng, 1.5, 3, -9, 9))
        return Rig(
            position_yd=(x, -back, h),
            roll_deg=clipped(rng, 0, 0.5, -1.5, 1.5),
            aim=(clipped(rng, 0.5, 0.03, 0.4, 0.6), clipped(rng, 0.51, 0.05, 0.36, 0.64)),
            room_yd=float(rng.uniform(-5, 20)) if wide else float(0.6 + rng.gamma(1.6, 1.1)),
            across_yd=0.0,
            focal_width=0.0,
            focal_limits=(1.8, 9.3) if wide else (2.5, 7.2),
            zoom_in=float(rng.choice([0, rng.uniform(0.05, 0.4), rng.uniform(0.4, 1.4)], p=[0.35, 0.4, 0.25])),
            follow=float(rng.choice([0.0, 1.0], p=[0.12, 0.88])) * float(rng.uniform(0.7, 1.05)),
            **common,
        )
    if kind == "endzone":
        back = float(rng.uniform(28, 125)) if wide else clipped(rng, 65, 12, 38, 100)
        h = back * float(rng.uniform(0.2, 0.75)) if wide else clipped(rng, 40, 8, 20, 62)
        return Rig(
            position_yd=(-back, f.width / 2 + (float(rng.uniform(-9, 9)) if wide else clipped(rng, 0, 1.4, -4, 4)), h),
            roll_deg=clipped(rng, 0, 0.6, -1.6, 1.6),
            aim=(clipped(rng, 0.5, 0.06, 0.35, 0.65), clipped(rng, 0.52, 0.08, 0.32, 0.72)),
            room_yd=0.0,
            across_yd=float(rng.uniform(9, 40)) if wide else clipped(rng, 17.0, 1.8, 13.5, 24),
            focal_width=0.0,
            focal_limits=(2.0, 15.0) if wide else (2.5, 12.0),
            zoom_in=float(rng.choice([0, rng.uniform(0.05, 0.3)])),
            follow=float(rng.uniform(0.6, 1.05)),
            **common,
        )
    return Rig(
        position_yd=(
            f.length / 2 + float(rng.uniform(-14, 14)),
            -(float(rng.uniform(6, 34)) if wide else float(rng.uniform(7.5, 17.5))),
            float(rng.uniform(5, 17)) if wide else float(rng.uniform(7.5, 13)),
        ),
        roll_deg=clipped(rng, 0, 0.7, -2, 2),
        aim=(clipped(rng, 0.5, 0.09, 0.3, 0.7), clipped(rng, 0.45, 0.07, 0.3, 0.62)),
        room_yd=0.0,
        across_yd=0.0,
        focal_width=float(rng.uniform(0.8, 2.6)) if wide else float(rng.uniform(1.0, 1.5)),
        focal_limits=(0.75, 2.8),
        zoom_in=float(rng.choice([0, rng.uniform(0.05, 0.3), rng.uniform(0.3, 1.2)], p=[0.4, 0.45, 0.15])),
        follow=float(rng.uniform(0.4, 1.05)),
        **common,
    )


def _light(rng: Rng, kind: str, f: fields.Field) -> Light:
    night_share = {"high": 0.3, "endzone": 0.3, "low": 0.7}[kind]
    name = "night" if chance(rng, night_share) else ("sun" if chance(rng, 0.62) else "overcast")
    az, el = rng.uniform(0, 2 * np.pi), np.deg2rad(rng.uniform(14, 68))
    sun = (float(np.cos(az) * np.cos(el)), float(np.sin(az) * np.cos(el)), float(np.sin(el)))
    edges: list[tuple[float, float, float, float]] = []
    if name == "sun" and chance(rng, 0.38):
        for _ in range(int(rng.choice([1, 2], p=[0.75, 0.25]))):
            across = chance(rng, 0.75)
            a = (np.pi / 2 if across else 0.0) + rng.normal(0, 0.25) + (np.pi if chance(rng, 0.5) else 0.0)
            n = np.array([np.cos(a), np.sin(a)])
            at = np.array([rng.uniform(0.25, 0.75) * f.length, rng.uniform(0.15, 0.85) * f.width])
            edges.append(
                (float(n[0]), float(n[1]), float(n @ at), float(np.exp(rng.uniform(np.log(0.05), np.log(0.9)))))
            )
    lamps = []
    for k in range(3):
        side = 1 if k % 2 else -1
        lamps.append(
            (
                float(f.length * rng.uniform(0.1, 0.9)),
                float(f.width / 2 + side * rng.uniform(45, 90)),
                float(rng.uniform(22, 60)),
            )
        )
    direct = {
        "sun": rng.uniform(0.5, 0.82),
        "overcast": rng.uniform(0.0, 0.25),
        "night": rng.choice([rng.uniform(0.2, 0.5), rng.uniform(0.5, 0.75)], p=[0.75, 0.25]),
    }[name]
    t = rng.normal(0, 0.04)
    if name == "night":
        t += rng.uniform(-0.05, 0.1)
    tint = (float(1 + t), float(1 + rng.normal(0, 0.015)), float(1 - t))
    return Light(
        kind=name,
        sun_dir=sun,
        direct=float(direct),
        lamps=tuple(lamps),
        pools=float(rng.choice([rng.uniform(0, 0.25), rng.uniform(0.25, 0.8)], p=[0.5, 0.5]))
        if name == "night"
        else 0.0,
        shadow_edges=tuple(edges),
        shade=float(rng.uniform(0.75, 1.0)),
        exposure=float(np.exp(rng.normal(0, 0.1))),
        tint=tint,
        lightmap_seed=int(rng.integers(2**31)),
    )


def _turf(rng: Rng, kind: str, light: Light, level: str) -> Turf:
    hue = float(rng.choice([clipped(rng, 84, 7, 62, 100), clipped(rng, 108, 10, 92, 142)], p=[0.72, 0.28]))
    sat, val = clipped(rng, 0.43, 0.12, 0.12, 0.78), clipped(rng, 0.55, 0.08, 0.34, 0.82)
    if light.kind == "night" and kind == "low":
        hue, sat, val = (
            clipped(rng, 82, 12, 55, 130),
            clipped(rng, 0.28, 0.13, 0.06, 0.6),
            clipped(rng, 0.30, 0.09, 0.16, 0.5),
        )
    elif light.kind == "night":
        val = clipped(rng, 0.51, 0.07, 0.28, 0.66)
    elif kind == "low":
        hue, sat, val = (
            clipped(rng, 95, 12, 62, 135),
            clipped(rng, 0.3, 0.1, 0.12, 0.6),
            clipped(rng, 0.45, 0.06, 0.3, 0.6),
        )
    fake = chance(rng, 0.5)
    period = float(rng.choice([5.0, 10.0, 2.5, 3.3]))
    mow_kind = rng.choice(4, p=[0.6, 0.12, 0.1, 0.18])
    mow = ((period, 0.0), (0.0, period), (period, period), (0.0, 0.0))[int(mow_kind)]
    snow = float(rng.uniform(0.2, 1.0)) if chance(rng, 0.05) else 0.0
    g = hsv(hue / 360 + rng.normal(0, 0.02), sat * rng.uniform(0.6, 1.1), val * rng.uniform(0.7, 1.1))
    greys: Colour = tuple(float(v) for v in (np.ones(3) * rng.uniform(0.25, 0.6)))  # type: ignore[assignment]
    tracks = [hsv(rng.uniform(0, 0.05), rng.uniform(0.3, 0.6), rng.uniform(0.35, 0.6)), hsv(0.6, 0.4, 0.45), greys]
    return Turf(
        hue_deg=hue,
        saturation=sat,
        value=val,
        artificial=fake,
        mow_step=float(np.clip(rng.lognormal(np.log(0.06), 0.75), 0.0, 0.45)),
        mow_period_yd=mow,
        grain=float(np.clip(rng.lognormal(np.log(0.14), 0.45), 0.04, 0.42)) * (0.6 if fake else 1.0),
        patches=float(np.clip(rng.lognormal(np.log(0.055), 0.5), 0.015, 0.3)),
        mud=float(rng.uniform(0.1, 0.9)) if not fake and chance(rng, 0.14) else 0.0,
        snow=snow,
        wet=float(rng.uniform(0.2, 1.0)) if chance(rng, 0.12) else 0.0,
        dirt=not fake and chance(rng, 0.03),
        outside=g if chance(rng, 0.72) else greys,
        track=tracks[int(rng.integers(3))] if chance(rng, 0.5 if level == "high_school" else 0.12) else None,
    )


def hsv(h: float, s: float, v: float) -> Colour:
    r = colorsys.hsv_to_rgb(float(h) % 1.0, float(np.clip(s, 0, 1)), float(np.clip(v, 0, 1)))
    return (r[0], r[1], r[2])


def _venue(rng: Rng, kind: str, level: str, split: str) -> Venue:
    big = chance(rng, {"professional": 0.9, "college": 0.7, "canadian": 0.7, "high_school": 0.25}[level])
    deep = rng.uniform(10, 45, 4) * (1.0 if big else 0.4)
    keep = rng.random(4) < (0.95 if big else 0.6)
    sky = hsv(rng.uniform(0.54, 0.62), rng.uniform(0.05, 0.6), rng.uniform(0.55, 1.0))
    low = hsv(rng.uniform(0.05, 0.62), rng.uniform(0.0, 0.2), rng.uniform(0.6, 1.0))
    hue = rng.uniform(0, 0.5) if split == "train" else rng.uniform(0.5, 1.0)
    return Venue(
        seed=int(rng.integers(2**31)) * 2 + SPLITS.index(split),
        stands=(0.0, *(float(d) if k else 0.0 for d, k in zip(deep[1:], keep[1:], strict=True))),  # type: ignore[arg-type]
        crowd=float(rng.choice([rng.uniform(0, 0.25), rng.uniform(0.4, 1.0)])),
        boards=chance(rng, 0.6 if big else 0.25),
        fence=chance(rng, 0.3 if big else 0.6),
        trees=chance(rng, 0.15 if big else 0.6),
        buildings=chance(rng, 0.3),
        bench_people=int(rng.integers(12, 46)),
        posts=chance(rng, 0.95),
        wire_camera=chance(rng, 0.12 if level == "professional" else 0.03),
        sky=(sky, low),
        seat=hsv(hue, rng.uniform(0.1, 0.7), rng.uniform(0.25, 0.7)),
    )


WORDS = ("TAPE {n}", "PLAY {n}", "SNAP {n}", "Q{q} {d} & {n}", "CAM {q}", "{n}:{m:02d}", "REEL {n} CLIP {m}")


def _lens(rng: Rng, kind: str, light: Light) -> Lens:
    night = light.kind == "night"
    soft = chance(rng, 0.10)
    old = chance(rng, 0.16 if kind != "low" else 0.55)
    move = rng.uniform(0.5, 6, 2) * rng.choice([-1, 1], 2) * (1, 0.3) if chance(rng, 0.17) else np.zeros(2)
    text = ""
    if chance(rng, 0.10):
        text = str(rng.choice(WORDS)).format(
            n=rng.integers(1, 99), m=rng.integers(0, 59), q=rng.integers(1, 5), d=rng.integers(1, 5)
        )
    cast = rng.normal(0, 0.022, 3)
    return Lens(
        blur_px=float(rng.uniform(1.1, 1.9)) if soft else clipped(rng, 0.57, 0.13, 0.25, 0.95),
        motion_blur_px=(float(move[0]), float(move[1])),
        shutter=float(rng.uniform(0.05, 0.6) if chance(rng, 0.75) else rng.uniform(0.6, 1.0)),
        sharpen=float(rng.choice([0.0, rng.uniform(0.2, 0.9), rng.uniform(0.9, 1.9)], p=[0.25, 0.5, 0.25])),
        sharpen_px=float(rng.uniform(0.8, 1.5)),
        noise=float(np.clip(rng.lognormal(np.log(4.2 if night else 2.9), 0.5), 0.3, 13)),
        noise_px=float(rng.choice([0.45, 0.65, 0.9, 1.2], p=[0.5, 0.3, 0.15, 0.05])),
        chroma_blur_px=float(rng.uniform(0.5, 2.5)),
        fringe=float(rng.uniform(-0.0012, 0.0012)) if chance(rng, 0.25) else 0.0,
        gain=(float(1 + cast[0]), float(1 + cast[1] * 0.5), float(1 + cast[2])),
        saturation=clipped(rng, 1.0, 0.13, 0.55, 1.45),
        contrast=clipped(rng, 1.0, 0.07, 0.8, 1.25),
        black=clipped(rng, 0.0, 0.02, -0.04, 0.07),
        gamma=clipped(rng, 1.0, 0.06, 0.82, 1.2),
        vignette=float(rng.uniform(0.02, 0.22)) if chance(rng, 0.6) else 0.0,
        veil=float(rng.uniform(0.02, 0.12)) if chance(rng, 0.25) else 0.0,
        rows=int(rng.choice([480, 480, 540, 360], p=[0.4, 0.2, 0.3, 0.1])) if old else 0,
        interlace=float(rng.uniform(0.3, 2.5)) if chance(rng, 0.04) else 0.0,
        letterbox=float(rng.uniform(0.05, 0.13)) if chance(rng, 0.03) else 0.0,
        pillarbox=float(rng.uniform(0.05, 0.125)) if chance(rng, 0.02) else 0.0,
        text=text,
        text_place=int(rng.integers(6)),
        jpeg=int(rng.integers(25, 88)) if chance(rng, 0.4) else 0,
        quality=int(rng.integers(78, 96)),
        kbit=int(rng.choice([900, 1600, 3000, 6000, 9000], p=[0.12, 0.25, 0.3, 0.23, 0.1])),
        repeats=float(rng.uniform(0.0, 0.12)) if chance(rng, 0.4 if kind == "low" else 0.06) else 0.0,
        glare=float(rng.uniform(0.1, 1.0)) if chance(rng, 0.08) else 0.0,
        rain=float(rng.uniform(0.2, 1.0)) if chance(rng, 0.03) else 0.0,
    )
