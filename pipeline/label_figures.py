"""The labels held against the truth: the figures named labels_*, and how far each label's confidence can be trusted.

A blank answer counts as wrong in every share here; what is said of confidences is said of the answered.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from pipeline import compare, stats
from pipeline import field as fields
from pipeline.compare import Pair

MAN = ("cover_0", "cover_1", "cover_2_man")
CORNERS = ("corner_depth_offense_left_yd", "corner_depth_offense_right_yd")
PRESS_YD, OFF_YD = 3.0, 5.5  # DESIGN section 4
Confidence = Mapping[tuple[str, str], float]  # (snap_id, label) -> confidence of labels.csv

# What it is called, what must be reached with eyes and with perfect positions (issue "Figures").
WORDS: dict[str, tuple[str, str, str]] = {
    "labels_deep_safeties_exact": ("deep safeties before the snap exact", ">= 97 %", ">= 99 %"),
    "labels_deep_safeties_after_exact": ("deep safeties after the snap exact", ">= 94 %", ">= 97 %"),
    "labels_corner_depth_mean_error_yd": ("corner depth: mean error", "<= 0.4 yd", "<= 0.1 yd"),
    "labels_corner_class_accuracy": ("corner class: press, soft or off", ">= 95 %", ">= 98 %"),
    "labels_rotation_accuracy": ("rotation", ">= 92 %", ">= 96 %"),
    "labels_rushers_exact": ("rushers exact", ">= 93 %", ">= 97 %"),
    "labels_motion_response_accuracy": ("motion response", ">= 95 %", ">= 98 %"),
    "labels_play_kind_accuracy": ("play kind", ">= 97 %", ">= 99 %"),
    "labels_coverage_after_top1": ("coverage after: first guess", ">= 85 %", ">= 90 %"),
    "labels_coverage_after_top2": ("coverage after: among the first two", ">= 95 %", ">= 98 %"),
    "labels_man_zone_accuracy": ("man or zone", ">= 94 %", ">= 96 %"),
    "labels_coverage_before_top2": ("coverage played among the first two said before", ">= 80 %", ">= 80 %"),
    "labels_worst_ece": ("largest calibration error of a label", "< 0.04", "< 0.04"),
}
EXACT = {
    "labels_deep_safeties_exact": "deep_safeties",
    "labels_deep_safeties_after_exact": "deep_safeties_after",
    "labels_rotation_accuracy": "rotation",
    "labels_rushers_exact": "rushers",
    "labels_motion_response_accuracy": "motion_response",
    "labels_play_kind_accuracy": "play_kind",
}
CALIBRATED = (
    "play_kind", "deep_safeties", "corner_picture", "motion", "motion_response", "deep_safeties_after", "rotation",
    "rushers", "blockers", "coverage_after", "coverage_before",
)  # fmt: skip


@dataclass
class Scored:
    """Answers to one question: asked of n plays; per answer whether right and how sure."""

    n: int = 0
    right: list[bool] = field(default_factory=list)
    sure: list[float] = field(default_factory=list)

    def add(self, right: bool | None, sure: float | None = None) -> None:
        """Take one play in; right is None for a blank answer."""
        self.n += 1
        if right is not None:
            self.right.append(bool(right))
            self.sure.append(math.nan if sure is None else float(sure))

    @property
    def known(self) -> tuple[np.ndarray, np.ndarray]:
        """right and sure of the answers whose confidence is known."""
        r, s = np.array(self.right, float), np.array(self.sure, float)
        good = np.isfinite(s)
        return r[good], s[good]


def candidates(text: Any) -> list[tuple[str, float]]:
    """'cover_3:0.62 cover_1:0.31' as pairs, likeliest first; empty for a blank or an odd cell."""
    out = []
    for part in str(text or "").split():
        name, _, p = part.partition(":")
        try:
            out.append((name, float(p)))
        except ValueError:
            return []
    return out


def corner_class(depth: Any, scale: float = 1.0) -> str | None:
    """press, soft or off (DESIGN section 4); None without a depth. scale: smaller near the goal line."""
    if depth is None:
        return None
    return "press" if depth < PRESS_YD * scale else "off" if depth > OFF_YD * scale else "soft"


def yards_to_goal(row: Mapping[str, Any]) -> float:
    """From the line of scrimmage to the goal line attacked; NaN where the row does not say."""
    x, way, level = row.get("line_of_scrimmage_yd"), row.get("offense_direction"), row.get("field_level")
    if x is None or way is None or level not in fields.LEVELS:
        return math.nan
    f = fields.load(str(level))
    return float(f.length - f.end_zone - x if way in ("right", "away") else x - f.end_zone)


def _sure(pair: Pair, name: str, confidence: Confidence) -> float | None:
    return None if pair.pred is None else confidence.get((str(pair.pred.get("snap_id")), name))


def scored(name: str, pairs: Sequence[Pair], confidence: Confidence) -> Scored:
    """One label over the plays whose truth has it."""
    out = Scored()
    for p in pairs:
        want = p.truth.get(name)
        if want is None:
            continue
        said = None if p.pred is None else p.pred.get(name)
        out.add(None if said is None else said == want, _sure(p, name, confidence))
    return out


def _played_before(pairs: Sequence[Pair], confidence: Confidence) -> Scored:
    """The first guess before the snap against what was played."""
    out = Scored()
    for p in pairs:
        want = p.truth.get("coverage_after")
        if want is not None:
            said = None if p.pred is None else p.pred.get("coverage_before")
            out.add(None if said is None else said == want, _sure(p, "coverage_before", confidence))
    return out


def _among(pairs: Sequence[Pair], column: str, first: int) -> Scored:
    """Whether what was played is among the first guesses of a column of candidates."""
    out = Scored()
    for p in pairs:
        want = p.truth.get("coverage_after")
        if want is not None:
            said = candidates((p.pred or {}).get(column))
            out.add(want in [name for name, _ in said[:first]] if said else None)
    return out


def _man_or_zone(pairs: Sequence[Pair]) -> Scored:
    out = Scored()
    for p in pairs:
        want = p.truth.get("coverage_after")
        if want is not None and want != "other":
            said = candidates((p.pred or {}).get("coverage_after_candidates"))
            out.add((sum(q for c, q in said if c in MAN) > 0.5 * sum(q for _, q in said)) == (want in MAN)
                    if said and (p.pred or {}).get("coverage_after") is not None else None)  # fmt: skip
    return out


def _corners(pairs: Sequence[Pair]) -> tuple[list[float], Scored]:
    errors, classes = [], Scored()
    for p in pairs:
        to_goal = yards_to_goal(p.truth)
        scale = float(np.clip(to_goal / 15.0, 0.4, 1.0)) if math.isfinite(to_goal) else 1.0
        for name in CORNERS:
            want = p.truth.get(name)
            if want is None:
                continue
            said = None if p.pred is None else p.pred.get(name)
            if said is not None:
                errors.append(abs(float(said) - float(want)))
            same = corner_class(said, scale) == corner_class(want, scale)
            classes.add(None if said is None else same)
    return errors, classes


@dataclass(frozen=True)
class Value:
    """One figure: share 0..1 or yards, its 95 % interval, how many it is counted over, and the unit."""

    key: str
    value: float
    low: float
    high: float
    n: int
    unit: str  # share, yd, ece


def _share(key: str, s: Scored) -> list[Value]:
    if not s.n:
        return []
    hits = int(sum(s.right))
    return [Value(key, hits / s.n, *stats.wilson(hits, s.n), s.n, "share")]


def figures(pairs: Sequence[Pair], confidence: Confidence) -> list[Value]:
    """The figures labels_* that can be told, in the order of WORDS.

    pairs: plays of one view, truth and answer; confidence: of labels.csv, {} where there is none.
    """
    played = [p for p in pairs if compare.has_snap(p.truth)]
    out: list[Value] = []
    for key, name in EXACT.items():
        out += _share(key, scored(name, played, confidence))
    errors, classes = _corners(played)
    if errors:
        groups = [np.array([e]) for e in errors]
        interval = stats.bootstrap(groups, lambda v: float(np.mean(v)))
        out.append(Value("labels_corner_depth_mean_error_yd", float(np.mean(errors)), *interval, len(errors), "yd"))
    out += _share("labels_corner_class_accuracy", classes)
    out += _share("labels_coverage_after_top1", scored("coverage_after", played, confidence))
    after2 = _among(played, "coverage_after_candidates", 2)
    out += _share("labels_coverage_after_top2", after2)
    out += _share("labels_man_zone_accuracy", _man_or_zone(played))
    out += _share("labels_coverage_before_top2", _among(played, "coverage_before_candidates", 2))
    worst = calibration(played, confidence)
    if worst:
        name = max(worst, key=lambda k: worst[k])
        nan = math.nan
        out.append(Value("labels_worst_ece", worst[name], nan, nan, len(worst), "ece"))
    return sorted(out, key=lambda v: list(WORDS).index(v.key))


def calibration(pairs: Sequence[Pair], confidence: Confidence, least: int = 30) -> dict[str, float]:
    """Expected calibration error by label, where at least ``least`` answers have a confidence."""
    out = {}
    for name in CALIBRATED:
        s = _played_before(pairs, confidence) if name == "coverage_before" else scored(name, pairs, confidence)
        right, sure = s.known
        if len(right) >= least:
            out[name] = stats.calibration_error(right, sure)
    return out


def keys(pairs: Sequence[Pair], confidence: Confidence) -> dict[str, float]:
    """:func:`figures` as flat numbers for models/metrics.json."""
    return {v.key: v.value for v in figures(pairs, confidence)}


def groups(pairs: Sequence[Pair]) -> dict[str, list[Pair]]:
    """Plays by view, by play kind and by field position, from the truth; groups nobody is in are left out."""

    def place(p: Pair) -> str | None:
        to_goal = yards_to_goal(p.truth)
        if not math.isfinite(to_goal):
            return None
        return "goal line" if to_goal <= 5 else "red zone" if to_goal <= 20 else "open field"

    rules: tuple[tuple[str, Callable[[Pair], Any]], ...] = (
        ("view", lambda p: p.truth.get("view")), ("play kind", lambda p: p.truth.get("play_kind")), ("place", place),
    )  # fmt: skip
    out: dict[str, list[Pair]] = {}
    for name, rule in rules:
        for p in pairs:
            value = rule(p)
            if value is not None:
                out.setdefault(f"{name}: {value}", []).append(p)
    return dict(sorted(out.items()))
