"""Scores a coach can read: log odds that add up over measured features, weights in configs/labels.toml.

A section [name] holds ``start`` and, per feature f, ``per_f`` (log odds a unit), ``f_range`` (values past its ends
count as the end) and ``without_f`` (log odds where f could not be measured).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.labels.scene import Scene
from pipeline.labels.settings import Settings


def log_odds(settings: Settings, section: str, features: Mapping[str, float]) -> float:
    """Sum of the section's weights over the features that have one; NaN features enter as 'without'."""
    total = settings(f"{section}.start")
    for name, value in features.items():
        if f"{section}.per_{name}" not in settings.values:
            continue  # measured for the learned scores alone
        if np.isfinite(value):
            low, high = settings.row(f"{section}.{name}_range")
            total += settings(f"{section}.per_{name}") * float(np.clip(value, low, high))
        else:
            total += settings(f"{section}.without_{name}")
    return float(total)


def chances(scene: Scene, section: str, rows: Sequence[Mapping[str, float]]) -> list[float]:
    """Probability of each row of features: from the learned forest where the scene has one, else from the rules."""
    if not rows:
        return []
    forest = scene.forests.get(section)
    if forest is not None:
        return [float(p) for p in forest.chances(rows)[:, 1]]
    odds = np.array([log_odds(scene.settings, section, r) for r in rows])
    return [float(p) for p in 1 / (1 + np.exp(-np.clip(odds, -12, 12)))]
