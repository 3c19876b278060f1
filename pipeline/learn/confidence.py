"""How sure labels are, fitted anew on what an analyst found right and wrong.

A label's confidence p becomes sigmoid(a logit(p) + b) (J. Platt, 1999), a and b near 1 and 0 unless the checked rows
say otherwise (Gaussian prior). The shipped tables of trust end in a sigmoid over a sum of trees, so a and b go into
them exactly: nothing else changes, and no row is ranked otherwise.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline.labels.trust import SECTION
from pipeline.learn.checked import CheckedRow

FEWEST = 15  # judged answers of a label, in the part to learn from
SPREAD_A, SPREAD_B = 0.5, 1.0  # how far a and b may go before the prior pulls: one spread costs as much as half a nat


@dataclass(frozen=True)
class Answers:
    """Judged answers of one label: confidence 0..1, right or wrong."""

    sure: NDArray[np.float64]
    right: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.sure)


@dataclass(frozen=True)
class Recalibrated:
    """One label: a, b, and on the held-back part the log loss before and after (NaN where it has no answers)."""

    label: str
    a: float
    b: float
    learned_from: int
    held_back: int
    right: int
    sure_before: float
    sure_after: float
    loss_before: float
    loss_after: float

    @property
    def better(self) -> bool:
        """True where it is not worse on the held-back part."""
        return self.held_back > 0 and self.loss_after <= self.loss_before

    def text(self) -> str:
        """In words."""
        return (
            f"{self.label}: {self.right} of {self.held_back} right on the held-back part; said to be sure "
            f"{100 * self.sure_before:.0f} % before, {100 * self.sure_after:.0f} % after; log loss "
            f"{self.loss_before:.3f} before, {self.loss_after:.3f} after"
        )


def answers(rows: Sequence[CheckedRow], label: str, held_back: bool) -> Answers:
    """What the program said of a label on checked rows, and whether it held."""
    sure, right = [], []
    for row in rows:
        for r in row.labels:
            known = r["label"] == label and r.get("value_predicted") is not None
            if row.held_back == held_back and known and r.get("confidence_predicted") is not None:
                sure.append(float(r["confidence_predicted"]))
                right.append(_same(r["value_predicted"], r.get("value_final")))
    return Answers(np.array(sure, float), np.array(right, bool))


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, float) and b is not None:
        return abs(a - float(b)) < 0.5
    return bool(a == b)


def _logit(p: NDArray[np.float64]) -> NDArray[np.float64]:
    q = np.clip(p, 1e-4, 1 - 1e-4)
    return np.asarray(np.log(q / (1 - q)))


def changed(p: NDArray[np.float64], a: float, b: float) -> NDArray[np.float64]:
    """Confidences after recalibration."""
    return np.asarray(1 / (1 + np.exp(-(a * _logit(p) + b))))


def log_loss(found: Answers, a: float = 1.0, b: float = 0.0) -> float:
    """Mean over answers; NaN where there are none."""
    if not len(found):
        return float("nan")
    p = np.clip(changed(found.sure, a, b), 1e-6, 1 - 1e-6)
    return float(-np.where(found.right, np.log(p), np.log(1 - p)).mean())


def fit(found: Answers) -> tuple[float, float]:
    """a and b with the largest posterior."""

    def cost(x: NDArray[np.float64]) -> float:
        prior = ((x[0] - 1) / SPREAD_A) ** 2 / 2 + (x[1] / SPREAD_B) ** 2 / 2
        return len(found) * log_loss(found, float(x[0]), float(x[1])) + float(prior)

    best = minimize(cost, np.array([1.0, 0.0]), bounds=[(0.1, 3.0), (-4.0, 4.0)], method="L-BFGS-B").x
    return float(best[0]), float(best[1])


def recalibrate(data: bytes, rows: Sequence[CheckedRow]) -> tuple[bytes, list[Recalibrated]]:
    """The learned labels with the tables of trust changed where that is no worse on the held-back part."""
    raw = json.loads(data)
    forests = copy.deepcopy(raw["forests"])
    made: list[Recalibrated] = []
    for section, entry in forests.items():
        if not section.startswith(SECTION):
            continue
        label = section.removeprefix(SECTION)
        learn, back = answers(rows, label, False), answers(rows, label, True)
        if len(learn) < FEWEST or not len(back):
            continue
        a, b = fit(learn)
        found = Recalibrated(
            label, a, b, len(learn), len(back), int(back.right.sum()), float(back.sure.mean()),
            float(changed(back.sure, a, b).mean()), log_loss(back), log_loss(back, a, b),
        )  # fmt: skip
        made.append(found)
        if found.better:
            entry["start"] = [a * float(v) + b for v in entry["start"]]
            for tree in entry["trees"]:
                tree["value"] = [a * float(v) for v in tree["value"]]
    raw["forests"] = forests
    return json.dumps(raw, separators=(",", ":")).encode(), made
