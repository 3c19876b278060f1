"""Which coverages a picture leaves possible, as probabilities: Bayes' rule over tables a coach can read.

Each table in configs/labels.toml gives, for a coverage, how often a fact is seen (one deep, two deep, ...). Facts
are taken as independent given the coverage; a fact measured uncertainly enters with its distribution.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.labels.before import corner_classes, graded
from pipeline.labels.scene import Scene, beyond
from pipeline.records import COVERAGES, Label

Array = NDArray[np.float64]
CORNERS = ("both_press", "both_off", "mixed", "soft")
RESPONSES = ("no_motion", "followed", "bumped", "stayed")


def posterior(scene: Scene, facts: dict[str, Array | None], prior: str) -> dict[str, float]:
    """Probability by coverage. facts: table name -> probability over its columns, None where not known."""
    s = scene.settings
    log = np.array([np.log(max(s(f"{prior}.{c}"), 1e-6)) for c in COVERAGES])
    for table, seen in facts.items():
        if seen is None:
            continue
        weight = s(f"coverage_weight.{table}")
        for k, c in enumerate(COVERAGES):
            row = np.asarray(s.row(f"{table}.{c}"))
            log[k] += weight * np.log(max(float(row @ seen), 1e-4))
    p = np.exp(log - log.max())
    p /= p.sum()
    return {c: float(v) for c, v in zip(COVERAGES, p, strict=True)}


def learned(scene: Scene, section: str, features: dict[str, float], rules: dict[str, float]) -> dict[str, float]:
    """Probability by coverage from the learned forest, drawn a little to the rules; the rules where there is none."""
    p = _forest(scene, section, features)
    if p is None:
        return rules
    share = scene.settings("learned.share")
    return _even({c: p[c] ** share * max(rules[c], 1e-4) ** (1 - share) for c in COVERAGES})


def learned_before(
    scene: Scene, features: dict[str, float], rules: dict[str, float], response: Array | None
) -> dict[str, float]:
    """Probability by coverage before the snap from the learned forest; the rules where there is none.

    Only the answer to a motion (distribution over RESPONSES) is counted once more, with a small weight: on pictures
    unlike any of the playbook it says more than the rest, and the trade goes by it.
    """
    p = _forest(scene, "coverage_before", features)
    if p is None or response is None:
        return rules if p is None else p
    prior = posterior(scene, {}, "coverage_prior_before")
    told = posterior(scene, {"shown_response": response}, "coverage_prior_before")
    weight = scene.settings("learned.motion_again")
    return _even({c: p[c] * (told[c] / max(prior[c], 1e-6)) ** weight for c in COVERAGES})


def _forest(scene: Scene, section: str, features: dict[str, float]) -> dict[str, float] | None:
    forest = scene.forests.get(section)
    if forest is None:
        return None
    p = dict.fromkeys(COVERAGES, 0.0)
    p.update(zip(forest.classes, (float(v) for v in forest.chances([features])[0]), strict=True))
    return p


def _even(p: dict[str, float]) -> dict[str, float]:
    total = sum(p.values())
    return {c: v / total for c, v in p.items()}


def folded(dist: Array, size: int) -> Array:
    """A distribution over 0, 1, 2, ... with everything past the end put into the last column."""
    out = np.zeros(size)
    for n, q in enumerate(dist):
        out[min(n, size - 1)] += q
    return out / max(out.sum(), 1e-9)


def corners_before(scene: Scene, left: Label, right: Label) -> Array | None:
    """Distribution over CORNERS."""
    if left.value is None or right.value is None:
        return None
    a, b = corner_classes(scene, left), corner_classes(scene, right)
    both_press, both_off = a["press"] * b["press"], a["off"] * b["off"]
    mixed = a["press"] * b["off"] + a["off"] * b["press"]
    return np.array([both_press, both_off, mixed, max(1 - both_press - both_off - mixed, 0.0)])


def response_fact(motion: Label, response: Label) -> Array | None:
    """Distribution over RESPONSES."""
    if motion.value is None:
        return None
    out = np.full(4, 0.02)
    if motion.value is False:
        out[0] = motion.confidence
    elif isinstance(response.value, str):
        out[0] = 1 - motion.confidence
        out[RESPONSES.index(response.value)] += response.confidence
    else:
        return None
    return out / out.sum()


def threat_fact(scene: Scene) -> Array:
    """Distribution over how many defenders stand on the line: up to 4, 5, 6, 7 or more."""
    depth, across = scene.set_depth[scene.dfn], scene.set_across[scene.dfn]
    near = np.isfinite(depth) & (np.abs(across) < scene.settings("threat.across_yd"))
    p = 1 - beyond(depth[near], scene.settings("threat.depth_yd"), scene.sd_yd)
    n = p.sum()
    centres = np.array([4.0, 5.0, 6.0, 7.0])
    out = np.exp(-0.5 * ((np.clip(n, 4, 7) - centres) / 0.45) ** 2)
    return np.asarray(out / out.sum())


def corners_after(scene: Scene) -> Array | None:
    """Distribution over no, one, two corners who sank deep by the late look."""
    s = scene.settings
    p = []
    for t in (s("after.until_s"), s("after.look_s") + 0.5):
        d, _ = scene.at(t)
        p = [
            float(beyond(np.array(d[c]), s("after.corner_sunk_yd") * scene.depth_scale, 1.5 * scene.sd_yd))
            for c in (scene.roles.corner_left, scene.roles.corner_right)
            if c is not None and np.isfinite(d[c])
        ]
        if len(p) == 2:
            break
    if len(p) < 2:
        return None
    return np.array([(1 - p[0]) * (1 - p[1]), p[0] * (1 - p[1]) + p[1] * (1 - p[0]), p[0] * p[1]])


def man_share(scene: Scene, rushers: tuple[int, ...]) -> float:
    """Share of released receivers whom one defender goes with: 1 all, 0 none; NaN when too few are seen."""
    s = scene.settings
    t = s("man.look_s")
    d, a = scene.at(t)
    d0, a0 = scene.set_depth, scene.set_across
    routes = [
        i for i in scene.off
        if scene.position[i] in ("receiver", "tight_end", "back") and np.isfinite(d[i] + d0[i])
        and np.hypot(d[i] - d0[i], a[i] - a0[i]) > s("man.released_yd") and d[i] > -1.0
    ]  # fmt: skip
    free = [i for i in scene.dfn if i not in rushers and np.isfinite(d[i] + d0[i])]
    if len(routes) < 2 or len(free) < 3:
        return float("nan")
    held = []
    for i in routes:
        gap_end = np.hypot(d[free] - d[i], a[free] - a[i])
        move = np.hypot(d[i] - d0[i], a[i] - a0[i])
        with_him = np.hypot((d[free] - d0[free]) - (d[i] - d0[i]), (a[free] - a0[free]) - (a[i] - a0[i]))
        cost = np.maximum(gap_end / s("man.close_yd"), with_him / (s("man.with_share") * move + 1.0))
        held.append(float(np.clip(1.5 - cost.min(), 0, 1)))
    return float(np.mean(held))


def man_fact(scene: Scene, rushers: tuple[int, ...]) -> Array | None:
    """Distribution over little, some, much man-to-man."""
    share = man_share(scene, rushers)
    if not np.isfinite(share):
        return None
    scene.facts["man_share"] = round(share, 2)
    lo, hi = scene.settings("man.little_below"), scene.settings("man.much_above")
    up = 1 / (1 + np.exp(-(share - hi) / 0.04))
    down = 1 / (1 + np.exp((share - lo) / 0.04))
    return np.array([down, max(1 - up - down, 0.0), up])


def best_label(scene: Scene, p: dict[str, float], why: str) -> Label:
    """The likeliest coverage as a label; unsure below the configured probability."""
    value = max(p, key=lambda c: p[c])
    return graded(scene, value, p[value], why)


FAMILY = {
    "cover_0": "none", "cover_1": "one", "cover_3": "one", "cover_2": "two", "cover_2_man": "two",
    "cover_4": "two", "cover_6": "two", "other": "other",
}  # fmt: skip


def disguised(scene: Scene, before: Label, after: Label, p_after: dict[str, float]) -> Label:
    """Whether the pictures before and after belong to different families (none, one or two deep)."""
    if not isinstance(before.value, int) or not isinstance(after.value, int):
        worse = before if before.value is None else after
        return Label(None, 0.0, worse.status, worse.reason)
    def family(n: int) -> str:
        return "none" if n == 0 else "two" if n == 2 else "one"

    changed = family(before.value) != family(after.value)
    return graded(
        scene, changed, before.confidence * after.confidence,
        f"{before.value} deep shown, {after.value} deep played",
    )  # fmt: skip
