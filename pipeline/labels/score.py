"""Scores a coach can read: log odds that add up over measured features, weights in configs/labels.toml.

A section [name] holds ``start`` and, per feature f, ``per_f`` (log odds a unit), ``f_range`` (values past its ends
count as the end) and ``without_f`` (log odds where f could not be measured).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from pipeline.labels.settings import Settings


def log_odds(settings: Settings, section: str, features: Mapping[str, float]) -> float:
    """Sum of the section's weights over the features; NaN features enter as 'without'."""
    total = settings(f"{section}.start")
    for name, value in features.items():
        if np.isfinite(value):
            low, high = settings.row(f"{section}.{name}_range")
            total += settings(f"{section}.per_{name}") * float(np.clip(value, low, high))
        else:
            total += settings(f"{section}.without_{name}")
    return float(total)


def chance(settings: Settings, section: str, features: Mapping[str, float]) -> float:
    """Probability from the log odds."""
    return float(1 / (1 + np.exp(-np.clip(log_odds(settings, section, features), -12, 12))))
