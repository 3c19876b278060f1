"""What kind of play it is: dropback, run, special (kick formations, kneel-downs), no_snap."""

from __future__ import annotations

import numpy as np

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
    p = chances(scene, "kind", [f])[0]
    why = (
        f"linemen {f['line_push']:+.1f} yd, passer dropped {f['passer_drop']:.1f} yd, "
        f"linebackers {f['near_back']:+.1f} yd by {s('kind.look_s'):.1f} s"
    )
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
