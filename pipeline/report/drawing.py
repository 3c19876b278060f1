"""SVG of a report: bars with intervals, distributions, matrices, top-down maps. Lengths in px of the drawing."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np

from pipeline.report.counting import Share
from pipeline.report.plays import Play

BAR = 220
MAP_SCALE = 8.2  # px a yard
ACROSS, DEPTH = (-28.0, 28.0), (-8.0, 27.0)


def bar(found: Share) -> str:
    """A bar from 0 to 100 % with its interval as a line."""
    low, high = (BAR * v for v in found.interval)
    width = BAR * found.value
    return (
        f'<svg class="bar" viewBox="0 0 {BAR} 16" width="{BAR}" height="16" aria-hidden="true">'
        f'<rect class="rail" width="{BAR}" height="10" y="3"/>'
        f'<rect class="fill" width="{width:.1f}" height="10" y="3"/>'
        f'<path class="whisker" d="M{low:.1f} 8H{high:.1f}M{low:.1f} 4V12M{high:.1f} 4V12"/></svg>'
    )


def histogram(values: np.ndarray, limits: Sequence[tuple[str, float]], unit: str, most: float = 14.0) -> str:
    """Counts of values in steps of 1, the last one open; limits are marked with their name."""
    steps = int(most)
    counts = np.bincount(np.clip(values, 0, steps - 0.5).astype(int), minlength=steps)
    top = max(int(counts.max()), 1)
    step, height, base = 30, 100, 146
    parts = [f'<svg class="histogram" viewBox="0 0 {step * steps + 46} 182" role="img" '
             f'aria-label="Distribution of {len(values)} values">']  # fmt: skip
    for name, at in limits:
        x = 20 + at * step
        parts.append(f'<path class="limit" d="M{x:.1f} 20V{base}"/><text class="limit" x="{x + 4:.1f}" y="14">'
                     f"{escape(name)}</text>")  # fmt: skip
    for k, count in enumerate(counts):
        h = height * int(count) / top
        parts.append(f'<rect class="fill" x="{k * step + 22}" y="{base - h:.1f}" width="{step - 4}" height="{h:.1f}"/>')
        if count:
            parts.append(f'<text class="count" x="{k * step + 35}" y="{base - h - 4:.1f}">{int(count)}</text>')
        name = f"{k}+" if k == steps - 1 else str(k)
        parts.append(f'<text class="tick" x="{k * step + 20}" y="{base + 15}">{name}</text>')
    parts.append(f'<path class="axis" d="M18 {base}H{step * steps + 26}"/>')
    parts.append(f'<text class="tick" x="{step * steps / 2}" y="178">{escape(unit)}</text></svg>')
    return "".join(parts)


def _point(across: float, depth: float) -> tuple[float, float]:
    x = (np.clip(across, *ACROSS) - ACROSS[0]) * MAP_SCALE
    y = (DEPTH[1] - np.clip(depth, *DEPTH)) * MAP_SCALE
    return float(x), float(y)


def _ground(title: str) -> list[str]:
    width, height = (ACROSS[1] - ACROSS[0]) * MAP_SCALE, (DEPTH[1] - DEPTH[0]) * MAP_SCALE
    parts = [f'<svg class="map" viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="{escape(title)}">',
             f'<rect class="turf" width="{width:.0f}" height="{height:.0f}"/>']  # fmt: skip
    for depth in range(-5, 26, 5):
        _, y = _point(0, depth)
        parts.append(f'<path class="{"scrimmage" if depth == 0 else "yard"}" d="M0 {y:.1f}H{width:.0f}"/>')
        if depth > 0:
            parts.append(f'<text class="yards" x="4" y="{y - 3:.1f}">{depth} yd</text>')
    x, _ = _point(0, 0)
    parts.append(f'<path class="yard" d="M{x:.1f} 0V{height:.0f}"/>')
    for across in (-3.2, -1.6, 0.0, 1.6, 3.2):
        px, py = _point(across, -1.0)
        parts.append(f'<rect class="line" x="{px - 4:.1f}" y="{py - 4:.1f}" width="8" height="8"/>')
    return parts


def safeties(plays: Sequence[Play], moment: str, title: str) -> tuple[str, int]:
    """Top-down map of the deep men of all plays at a moment; the offence below, attacking up; and how many plays.

    Of the moment after the snap a thin line shows where each man came from.
    """
    parts, shown = _ground(title), 0
    for play in plays:
        people = [r for r in play.people.get(moment, ()) if r.get("deep") and r.get("across_yd") is not None]
        before = {r["person_id"]: r for r in play.people.get("snap", ()) if r.get("across_yd") is not None}
        shown += bool(people)
        for r in people:
            x, y = _point(float(r["across_yd"]), float(r["depth_yd"]))
            start = before.get(r["person_id"])
            if moment == "after" and start is not None:
                a, b = _point(float(start["across_yd"]), float(start["depth_yd"]))
                parts.append(f'<path class="way" d="M{a:.1f} {b:.1f}L{x:.1f} {y:.1f}"/>')
            parts.append(f'<circle class="man" cx="{x:.1f}" cy="{y:.1f}" r="5"/>')
    parts.append("</svg>")
    return "".join(parts), shown
