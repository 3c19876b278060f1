"""The figures of the stills by look: Markdown and plain numbers, intervals beside them, nothing on too few stills."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from models.training.eyes_stills import Seen
from models.training.film.tags import KEYS
from pipeline import stats

UNSURE = "unsure"  # a level that the program does not tell
LEAST = 20  # stills; on fewer nothing is said
CLAIM_YD = 0.5
TITLES = {
    "light": "light", "size": "resolution", "camera": "camera height", "view": "view", "kits": "kit contrast",
    "turf": "turf", "weather": "weather", "blur": "blur", "lines": "extra sport lines", "crown": "crown",
}  # fmt: skip
Ratio = Callable[[Seen], tuple[float, float]]  # (hits, of)


def ratio(records: Sequence[Seen], of: Ratio, rounds: int = 300) -> dict[str, float] | None:
    """Share over all stills with a 95 % interval: stills are drawn anew (percentiles), for people of one still share
    its look; where all or none hit, Wilson's interval over the stills that count. None where nothing is counted."""
    pairs = np.array([of(r) for r in records], float).reshape(-1, 2)
    pairs = pairs[pairs[:, 1] > 0]
    hits, n = pairs.sum(0) if len(pairs) else (0.0, 0.0)
    if not n:
        return None
    if hits in (0, n):
        low, high = stats.wilson(round(len(pairs) * hits / n), len(pairs))
    else:
        rng = np.random.default_rng(1)
        sums = pairs[rng.integers(0, len(pairs), (rounds, len(pairs)))].sum(1)
        low, high = np.percentile(sums[:, 0] / np.maximum(sums[:, 1], 1e-9), [2.5, 97.5])
    return {"value": float(hits / n), "low": float(low), "high": float(high), "n": float(n)}


def _spread(groups: Sequence[Sequence[float]]) -> dict[str, float] | None:
    filled = [np.asarray(g, float) for g in groups if len(g)]
    if not filled:
        return None
    values = np.concatenate(filled)
    low, high = stats.bootstrap(filled, lambda v: float(np.median(v)), rounds=200)
    return {"median": float(np.median(values)), "low": low, "high": high, "p95": float(np.percentile(values, 95)),
            "n": float(len(values))}  # fmt: skip


def figures(records: Sequence[Seen]) -> dict[str, Any]:
    """All figures of some stills; those that cannot be told are left out."""
    ok = [r for r in records if r.status == "ok"]
    out: dict[str, Any] = {
        "stills": len(records),
        "recall": ratio(records, lambda r: (r.hit, r.wanted)),
        "precision": ratio(records, lambda r: (r.hit, r.finds)),
        "doubles_a_still": float(np.mean([r.doubles for r in records])),
        "ground_px": _spread([r.ground_px for r in records]),
        "ground_yd": _spread([r.ground_yd for r in records]),
        "usable": ratio(records, lambda r: (r.usable, 1)),
        "registered": ratio(records, lambda r: (r.status == "ok", 1)),
        "registration_yd": _spread([[r.inside_yd] for r in ok if math.isfinite(r.inside_yd)]),
        "level_told": ratio(records, lambda r: (r.level == r.level_told, 1)),
        "level_wrong": ratio(records, lambda r: (r.level_told not in (r.level, UNSURE), 1)),
        "view_told": ratio(records, lambda r: (r.view_right, 1)),
        "absolute_known": ratio(ok, lambda r: (r.absolute_known, 1)),
        "absolute_wrong": ratio(ok, lambda r: (r.absolute_wrong, r.absolute_known)),
        "honest": ratio(ok, lambda r: (r.claimed_yd < CLAIM_YD and r.inside_yd < CLAIM_YD, r.claimed_yd < CLAIM_YD)),
    }
    return {k: v for k, v in out.items() if v is not None}


def by_look(records: Sequence[Seen]) -> dict[str, dict[str, Any]]:
    """'key=word' -> figures, and 'all'; words on fewer than LEAST stills have their count alone."""
    groups: dict[str, list[Seen]] = defaultdict(list)
    for r in records:
        groups["all"].append(r)
        for key in KEYS:
            groups[f"{key}={r.tags.get(key, 'unknown')}"].append(r)
    return {k: figures(v) if len(v) >= LEAST else {"stills": len(v)} for k, v in groups.items()}


def _share(f: Mapping[str, Any], key: str, with_interval: bool = True) -> str:
    if key not in f:
        return ""
    v = f[key]
    text = f"{100 * v['value']:.1f} %"
    return f"{text} ({100 * v['low']:.1f} to {100 * v['high']:.1f})" if with_interval else text


def _yards(f: Mapping[str, Any], key: str, unit: str, digits: int) -> str:
    if key not in f:
        return ""
    v = f[key]
    between = f" ({v['low']:.{digits}f} to {v['high']:.{digits}f})" if math.isfinite(v["low"] or math.nan) else ""
    return f"{v['median']:.{digits}f} / {v['p95']:.{digits}f} {unit}{between}"


def row(name: str, f: Mapping[str, Any]) -> str:
    """One line of the table."""
    if "recall" not in f:
        return f"| {name} | {f['stills']} | too few |" + " |" * 9
    known = _share(f, "absolute_known", False)
    wrong = f"{known}, {_share(f, 'absolute_wrong', False)}" if "absolute_wrong" in f else known
    level = f"{_share(f, 'level_told')}, {_share(f, 'level_wrong', False)}"
    cells = (
        name, str(f["stills"]), _share(f, "recall"), _share(f, "precision"), f"{f['doubles_a_still']:.2f}",
        _yards(f, "ground_px", "px", 1), _yards(f, "ground_yd", "yd", 2), _share(f, "usable"),
        _yards(f, "registration_yd", "yd", 2), level, wrong, _share(f, "honest", False),
    )  # fmt: skip
    return "| " + " | ".join(cells) + " |"


HEAD = (
    "| look | stills | people: recall | precision | doubles a still | ground point: median / p95 (at 1280 px width) "
    "| on the field | registration usable | its error: median / p95 | level told right, told wrong "
    "| absolute line known, wrong of these "
    "| claims under 0.5 yd kept |"
)


def table(found: Mapping[str, Mapping[str, Any]]) -> str:
    """Every look, key by key, as Markdown."""
    lines = [HEAD, "|---" * 12 + "|", row("**all**", found["all"])]
    for key in KEYS:
        words = sorted((k for k in found if k.startswith(f"{key}=")), key=lambda k: -found[k]["stills"])
        lines += [row(f"{TITLES[key]}: {w.split('=', 1)[1].replace('_', ' ')}", found[w]) for w in words]
    return "\n".join(lines)
