"""How sure each label and each row is, learned: whether answers like it were right on plays nobody fitted on.

The score a label starts with (its rules' or its forest's) enters as ``raw``; beside it stands how well the play was
seen. More raw score never makes a label less sure (monotone trees). Without a learned table the raw score stays.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from pipeline.labels import features
from pipeline.labels.scene import Scene
from pipeline.records import Label

Array = NDArray[np.float64]
SECTION = "trust_"
LABELS = (
    "play_kind", "deep_safeties", "middle_of_field", "corner_picture", "box_defenders", "motion", "motion_response",
    "deep_safeties_after", "rotation", "rotation_from", "disguised", "rushers", "blockers", "spare_rushers",
    "read_window", "coverage_before", "coverage_after",
)  # fmt: skip
# Labels of what is shown before the snap: nothing seen after it may change how sure they are.
SHOWN = (
    "deep_safeties", "middle_of_field", "corner_picture", "box_defenders", "motion", "motion_response",
    "coverage_before",
)  # fmt: skip
# What the confidence of a whole row is about: the chance that every one of these which the row shows is right. What
# follows from them (middle of the field, spare rushers, ...) and the forecast before the snap are not counted again.
ROW = "row"
ROW_LABELS = (
    "play_kind", "deep_safeties", "corner_picture", "motion", "motion_response", "deep_safeties_after", "rotation",
    "rushers", "coverage_after",
)  # fmt: skip
SEEN_BEFORE = ("position_sd", "missing_defense", "missing_offense", "line_sure", "room", "scale")


def seeing(scene: Scene) -> dict[str, float]:
    """How well the play was seen, the same for all labels."""
    after = (scene.time_s > 0.1) & (scene.time_s < 1.6)
    both = np.r_[scene.off, scene.dfn].astype(int)
    at_set = np.isfinite(scene.set_depth[both])
    lost = at_set & ~np.isfinite(scene.at(1.0)[0][both])
    health = [features.health(scene, int(i)) for i in scene.dfn]
    jerks = np.array([h["jerked"] for h in health])
    jerks = np.sort(jerks[np.isfinite(jerks)])[::-1]
    room = scene.visible_depth_yd - scene.settings("deep.depth_yd") * scene.depth_scale
    return {
        "position_sd": scene.sd_yd,
        "missing_defense": float(scene.missing_def),
        "missing_offense": float(scene.missing_off),
        "line_sure": scene.confidence,
        "room": float(room) if np.isfinite(room) else features.NAN,
        "seen_defense": _share(scene.seen[after][:, scene.dfn]),
        "seen_offense": _share(scene.seen[after][:, scene.off]),
        "lost": float(lost.sum()),
        "late_defense": float((~np.isfinite(scene.set_depth[scene.dfn])).sum()),
        "jerked_1": float(jerks[0]) if len(jerks) else features.NAN,
        "jerked_3": float(jerks[2]) if len(jerks) > 2 else features.NAN,
        "scale": scene.depth_scale,
    }


def _share(seen: NDArray[np.bool_]) -> float:
    return float(seen.mean()) if seen.size else features.NAN


def measured(name: str, label: Label, seen: Mapping[str, float], kind_sure: float) -> dict[str, float]:
    """What the trust in one label rests on. kind_sure: the play kind's own score."""
    p = float(np.clip(label.confidence, 1e-4, 1 - 1e-4))
    number = isinstance(label.value, int) and not isinstance(label.value, bool)
    out = {
        "raw": float(np.log(p / (1 - p))),
        "count": float(label.value) if number and label.value is not None else features.NAN,
    }
    if name in SHOWN:
        return out | {k: seen[k] for k in SEEN_BEFORE}
    return out | {"kind_raw": kind_sure} | dict(seen)


def apply(scene: Scene, labels: Mapping[str, Label]) -> dict[str, Label]:
    """The labels with what was learned about answers like them; status follows the confidence anew."""
    out = dict(labels)
    kind_sure = labels["play_kind"].confidence
    seen = seeing(scene)
    scene.facts["seeing"] = {k: round(float(v), 3) for k, v in seen.items()}
    scene.facts["raw_confidence"] = {n: round(labels[n].confidence, 4) for n in LABELS if n in labels}
    for name in LABELS:
        label, learned = labels.get(name), scene.forests.get(SECTION + name)
        if label is None or label.value is None or learned is None:
            continue
        p = float(learned.chances([measured(name, label, seen, kind_sure)])[0, 1])
        status = label.status
        if status in ("ok", "unsure"):
            # A close call stays unsure, however often such calls are right.
            sure = scene.settings("status.unsure_below")
            status = "ok" if p >= sure and label.confidence >= (0.5 + sure) / 2 else "unsure"
        out[name] = Label(label.value, float(np.clip(p, 0.0, 1.0)), status, label.reason)
    return out


def shown(labels: Mapping[str, Label]) -> list[str]:
    """Those of ROW_LABELS that the row shows a value of."""
    return [
        n for n in ROW_LABELS
        if n in labels and labels[n].value is not None and labels[n].status in ("ok", "unsure")
    ]  # fmt: skip


def measured_row(labels: Mapping[str, Label], seen: Mapping[str, float]) -> dict[str, float]:
    """What the trust in a whole row rests on: its labels' confidences together, the least of them, the coverage's."""
    p = {n: float(np.clip(labels[n].confidence, 1e-3, 1 - 1e-4)) for n in shown(labels)}
    log = float(sum(np.log(v) for v in p.values()))
    return {
        "together": log, "least": min(p.values(), default=features.NAN), "labels": float(len(p)),
        "coverage": p.get("coverage_after", features.NAN), "deep": p.get("deep_safeties", features.NAN),
        "rush": p.get("rushers", features.NAN), **seen,
    }  # fmt: skip


def row(scene: Scene, labels: Mapping[str, Label]) -> float:
    """Chance that every label of ROW_LABELS which the row shows is right, 0..1; 0 where it shows none.

    Learned on whole rows that nobody fitted on; more of any label's confidence never makes a row less sure. Without
    a learned table: the product of the labels' confidences and that of the line of scrimmage, as if independent.
    """
    if not shown(labels):
        return 0.0
    what = measured_row(labels, seeing(scene))
    learned = scene.forests.get(SECTION + ROW)
    if learned is None:
        return float(np.exp(what["together"]) * scene.confidence)
    return float(np.clip(learned.chances([what])[0, 1], 0.0, 1.0))


def tempered(p: Mapping[str, float], top: float) -> dict[str, float]:
    """Probabilities flattened or sharpened, their order kept, until the largest is ``top`` (bisection)."""
    if not p:
        return {}
    names = list(p)
    log = np.log(np.maximum(np.array([p[n] for n in names]), 1e-9))
    top = float(np.clip(top, 1.0 / len(names) + 0.005, 0.9995))
    low, high = -4.0, 4.0  # log of the exponent

    def at(power: float) -> Array:
        z = np.exp(power) * (log - log.max())
        e = np.exp(z)
        return np.asarray(e / e.sum())

    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if at(middle).max() < top else (low, middle)
    return {n: float(v) for n, v in zip(names, at((low + high) / 2), strict=True)}
