"""What kind of play it is: dropback, run, special (kick formations, kneel-downs), no_snap."""

from __future__ import annotations

import numpy as np

from pipeline.labels.before import blank, graded
from pipeline.labels.scene import Scene
from pipeline.labels.score import log_odds
from pipeline.records import Label


def play_kind(scene: Scene, has_snap: bool = True) -> Label:
    """Kick formations from where people stand; pass or run from what the linemen, passer and backs do."""
    if not has_snap:
        return Label("no_snap", 0.9, "ok", "no snap was found")
    special, why = kick_formation(scene)
    if special > 0.5:
        return graded(scene, "special", special, why)
    s = scene.settings
    if not scene.until(s("kind.look_s")):
        return blank("the film ends too soon after the snap")
    score, why = dropback_score(scene)
    p = float(1 / (1 + np.exp(-np.clip(score, -10, 10))))
    value = "dropback" if p > 0.5 else "run"
    return graded(scene, value, max(p, 1 - p) * (1 - 0.5 * special), why)


def kick_formation(scene: Scene) -> tuple[float, str]:
    """Chance of a punt or placekick, from the set formation."""
    depth, across = scene.set_depth, scene.set_across
    off = scene.off[np.isfinite(depth[scene.off])]
    if len(off) < 6:
        return 0.0, "too few of the offence found"
    d, a = depth[off], across[off]
    s = scene.settings
    punter = (d < -s("special.punter_yd")) & (np.abs(a) < 3.0)
    if punter.any():
        return 0.95, f"a man stands {-d[punter].min():.1f} yd behind the ball"
    on_line = (d > -2.4) & (np.abs(a) < 8.0)
    holder = (d < -s("special.holder_yd")) & (d > -9.5) & (np.abs(a) < 2.0)
    passer_near = ((d < -0.9) & (d > -6.3) & (np.abs(a) < 1.0)).any()
    if on_line.sum() >= 8 and holder.any() and not passer_near:
        return 0.93, f"{int(on_line.sum())} tight on the line and a holder {-d[holder].max():.1f} yd back"
    return 0.02, ""


def kind_features(scene: Scene) -> dict[str, float]:
    """Measured movement by the look time: yards, NaN where unknown."""
    s = scene.settings
    look = s("kind.look_s")
    (half, _), (d, a) = scene.at(0.5 * look), scene.at(look)
    d0, a0 = scene.set_depth, scene.set_across
    five = list(scene.roles.linemen)
    backs = [int(i) for i in scene.off if scene.position[i] == "back"]
    near = [int(i) for i in scene.dfn if 3.0 < d0[i] < 8.0]
    deep = [int(i) for i in scene.dfn if d0[i] >= 8.0]
    q = scene.roles.passer
    nan = float("nan")
    return {
        "line_push": _median(d[five] - d0[five]),
        "line_early": _median(half[five] - d0[five]),
        "line_flow": abs(_median(a[five] - a0[five])),
        "passer_drop": nan if q is None else float(d0[q] - d[q]),
        "passer_across": nan if q is None else float(abs(a[q] - a0[q])),
        "back_forward": float(np.nanmax(d[backs] - d0[backs])) if _any(d, backs) else nan,
        "back_mesh": _mesh(scene, q, backs),
        "near_back": _median(d[near] - d0[near]),
        "deep_back": _median(d[deep] - d0[deep]),
    }


def _mesh(scene: Scene, passer: int | None, backs: list[int]) -> float:
    """Least distance of a back and the passer in the first second: a hand-off or a fake."""
    if passer is None or not backs:
        return float("nan")
    best = [
        float(np.hypot(d[backs] - d[passer], a[backs] - a[passer]).min())
        for d, a in (scene.at(t) for t in (0.25, 0.5, 0.75, 1.0))
    ]
    good = [b for b in best if np.isfinite(b)]
    return min(good) if good else float("nan")


def dropback_score(scene: Scene) -> tuple[float, str]:
    """Log odds of a dropback against a run."""
    f = kind_features(scene)
    scene.facts["kind"] = {k: round(v, 2) for k, v in f.items()}
    why = (
        f"linemen {f['line_push']:+.1f} yd, passer dropped {f['passer_drop']:.1f} yd, "
        f"linebackers {f['near_back']:+.1f} yd by {scene.settings('kind.look_s'):.1f} s"
    )
    return log_odds(scene.settings, "kind", f), why


def _any(values: np.ndarray, index: list[int]) -> bool:
    return bool(index) and bool(np.isfinite(values[index]).any())


def _median(values: np.ndarray) -> float:
    good = values[np.isfinite(values)]
    return float(np.median(good)) if len(good) else float("nan")
