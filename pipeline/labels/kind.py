"""What kind of play it is: dropback, run, special (kick formations, kneel-downs), no_snap."""

from __future__ import annotations

import numpy as np

from pipeline import formation
from pipeline.labels import features
from pipeline.labels.before import blank, graded
from pipeline.labels.scene import Scene
from pipeline.labels.score import chances
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
    f = features.kind(scene)
    scene.facts["kind"] = {k: round(v, 2) for k, v in f.items()}
    why = (
        f"linemen {f['line_push']:+.1f} yd, passer dropped {f['passer_drop']:.1f} yd, "
        f"linebackers {f['near_back']:+.1f} yd by {s('kind.look_s'):.1f} s"
    )
    p = _kinds(scene, f, special)
    value = max(p, key=lambda k: p[k])
    return graded(scene, value, p[value], why)


def _kinds(scene: Scene, f: dict[str, float], special: float) -> dict[str, float]:
    """Chances of dropback, run, special: from the learned forest, else from the rules."""
    learned = scene.forests.get("kind")
    if learned is not None:
        return dict(zip(learned.classes, (float(v) for v in learned.chances([f])[0]), strict=True))
    p = chances(scene, "kind", [f])[0]
    return {"dropback": p * (1 - special), "run": (1 - p) * (1 - special), "special": special}


def kick_formation(scene: Scene) -> tuple[float, str]:
    """Chance of a punt or placekick, from the set formation."""
    depth, across = scene.set_depth, scene.set_across
    off = scene.off[np.isfinite(depth[scene.off])]
    if len(off) < 6:
        return 0.0, "too few of the offence found"
    d, a = depth[off], across[off]
    punter = (d < -scene.settings("special.punter_yd")) & (np.abs(a) < 3.0)
    if punter.any():
        return 0.95, f"a man stands {-d[punter].min():.1f} yd behind the ball"
    if formation.kick_score(a, d) > 0:
        return 0.93, f"a tight line and a holder {-d[d < -6.6].max():.1f} yd back"
    return 0.02, ""
