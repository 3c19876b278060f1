"""``snapledger evaluate``: a run held against the truth, rendered or charted by hand.

A figure that nothing can be said about (no such column, no such play) is left out of the table, never zero.
Blank answers count as wrong in shares called exact; the share answered stands beside them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline import compare, label_figures, stats
from pipeline.compare import Pair
from pipeline.errors import UsageError
from pipeline.evaluate_tables import Tables, pair_all, read_tables
from pipeline.ledger import Row

__all__ = ["WORDS", "Figure", "LabelFigure", "Report", "Tables", "evaluate", "pair_all", "read_tables"]

Array = NDArray[np.float64]
WORST = 10
SNAP_FRAMES, SNAP_RATE = 2, 30.0

# Rows of the table: what it is called, and what it must reach (issue "Figures"); "<" for at most.
WORDS: dict[str, tuple[str, str]] = {
    "clips_charted": ("clips charted without a crash or a silent gap", "100 %"),
    "snap_within_2_frames": ("snap within 2 frames at 30 fps", ">= 95 %"),
    "no_snap_left_alone": ("no snap invented on clips without one", ">= 98 %"),
    "people_recall_sideline": ("people on the field at the snap, sideline: recall", ">= 98 %"),
    "people_precision_sideline": ("people on the field at the snap, sideline: precision", ">= 98 %"),
    "registration_usable_sideline": ("registration usable, sideline", ">= 97 %"),
    "registration_median_yd": ("registration inside the hashes: median", "<= 0.15 yd"),
    "registration_p95_inside_hashes_yd": ("registration inside the hashes: 95th percentile", "<= 0.6 yd"),
    "registration_p95_far_numbers_yd": ("registration at the far numbers: 95th percentile", "<= 0.8 yd"),
    "absolute_wrong": ("wrong absolute yard line when claimed", "<= 0.5 %"),
    "position_median_yd": ("defender at the snap: median error", "<= 0.3 yd"),
    "position_p95_yd": ("defender at the snap: 95th percentile", "<= 0.9 yd"),
    "side_accuracy": ("side of the ball", ">= 99.5 %"),
    "deep_safeties_exact": ("deep safeties exact", ">= 95 %"),
    "corner_depth_mean_error_yd": ("corner depth: mean error", "<= 0.5 yd"),
    "rushers_exact": ("rushers exact", ">= 90 %"),
    "deep_safeties_after_exact": ("deep safeties after exact", ">= 90 %"),
}
LABELS = (
    "play_kind", "offense_direction", "deep_safeties", "middle_of_field", "corner_picture", "box_defenders", "motion",
    "motion_response", "deep_safeties_after", "rotation", "rotation_from", "disguised", "rushers", "blockers",
    "spare_rushers", "read_window", "coverage_before", "coverage_after",
)  # fmt: skip
CORNERS = ("corner_depth_offense_left_yd", "corner_depth_offense_right_yd")
LABEL_NUMBERS = (*CORNERS, "line_of_scrimmage_yd", "ball_across_yd")


@dataclass(frozen=True)
class Figure:
    """One row of the table. value and interval: a share 0..1 or yards; n: what it is counted over."""

    key: str
    value: float
    low: float
    high: float
    n: int
    unit: str  # share, yd


@dataclass(frozen=True)
class LabelFigure:
    """Agreement on one label: answered and exact shares, the latter of all and of the answered; kappa."""

    name: str
    n: int
    answered: float
    exact: float
    low: float
    high: float
    exact_answered: float
    kappa: float
    confusion: dict[str, int]
    brier: float = math.nan
    calibration_error: float = math.nan
    wrong_at_90: float = math.nan  # of the answered, when the surest 90 % of the answers are kept
    answered_at_5: float = math.nan  # share of the answers that can be kept with at most 5 % of them wrong
    by_group: dict[str, list[float]] = field(default_factory=dict)  # group -> [plays, exact share, low, high]


def unit_of(key: str) -> str:
    """Unit of a figure by its key."""
    return "yd" if key.endswith("_yd") else "share"


@dataclass
class Report:
    """Everything ``evaluate`` found."""

    figures: list[Figure] = field(default_factory=list)
    labels: list[LabelFigure] = field(default_factory=list)
    distributions: dict[str, dict[str, float]] = field(default_factory=dict)
    worst: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    label_figures: list[label_figures.Value] = field(default_factory=list)

    def value(self, key: str) -> float | None:
        """Value of a figure, None where nothing could be said."""
        return next((f.value for f in self.figures if f.key == key), None)

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "figures": {f.key: {"value": f.value, "low": f.low, "high": f.high, "n": f.n} for f in self.figures},
            "labels": [vars(x) for x in self.labels],
            "distributions": self.distributions,
            "worst": self.worst,
            "notes": self.notes,
            "label_figures": [vars(v) for v in self.label_figures],
        }

    @staticmethod
    def from_dict(raw: dict[str, Any]) -> Report:
        """Inverse of :meth:`as_dict`, for figures that were kept as JSON (where NaN is null)."""
        def number(value: Any) -> Any:
            return math.nan if value is None else value

        figures = [
            Figure(k, number(v["value"]), number(v["low"]), number(v["high"]), v["n"], unit_of(k))
            for k, v in raw["figures"].items()
        ]
        labels = [LabelFigure(**{k: number(v) for k, v in x.items()}) for x in raw["labels"]]
        shares = [
            label_figures.Value(**{k: number(v) for k, v in x.items()}) for x in raw.get("label_figures", [])
        ]
        return Report(figures, labels, raw["distributions"], raw["worst"], raw["notes"], shares)


def _share(key: str, hits: Sequence[bool]) -> list[Figure]:
    if not len(hits):
        return []
    n, k = len(hits), int(sum(hits))
    return [Figure(key, k / n, *stats.wilson(k, n), n, "share")]


def _yards(key: str, groups: Sequence[Array], statistic: Callable[[Array], float]) -> list[Figure]:
    values = np.concatenate(groups) if len(groups) else np.zeros(0)
    if not len(values):
        return []
    return [Figure(key, statistic(values), *stats.bootstrap(groups, statistic), len(values), "yd")]


def _percentile(q: float) -> Callable[[Array], float]:
    return lambda v: float(np.percentile(v, q))


_median, _p95 = _percentile(50), _percentile(95)


def _clips_and_snaps(pairs: Sequence[Pair], truth: Tables, pred: Tables, report: Report) -> None:
    answers = compare.by_clip(pred.snaps)
    failed = {compare.stem(r["file"]) for r in pred.failures}
    charted = [c in answers and c not in failed for c in compare.by_clip(truth.snaps)] if truth.snaps else []
    if any(r.get("clip") for r in truth.snaps):
        report.figures += _share("clips_charted", charted)
    timed = [p for p in pairs if p.truth.get("snap_time_s") is not None]
    errors = np.array([p.snap_error_s for p in timed], float)
    report.figures += _share(
        "snap_within_2_frames", list(np.abs(np.nan_to_num(errors, nan=99.0)) <= SNAP_FRAMES / SNAP_RATE + 1e-3)
    )
    report.distributions["snap error, frames at 30 fps"] = stats.distribution(
        np.abs(errors[np.isfinite(errors)]) * SNAP_RATE
    )
    _worst(report, "snap off by frames", [(p, abs(p.snap_error_s) * SNAP_RATE) for p in timed if p.pred])
    _worst(report, "snap not found", [(p, 1.0) for p in timed if p.pred is None])
    clips = compare.by_clip(truth.snaps)
    quiet = [c for c, rows in clips.items() if not any(compare.has_snap(r) for r in rows)]
    left = [not any(compare.has_snap(r) for r in answers.get(c, [])) for c in quiet if c in answers]
    report.figures += _share("no_snap_left_alone", left)


def _people(pairs: Sequence[Pair], report: Report, view: str) -> None:
    hit = true_n = found_n = 0
    sides: list[bool] = []
    position: list[Array] = []
    misses: list[tuple[Pair, float]] = []
    offs: list[tuple[Pair, float]] = []
    for pair in pairs:
        if not pair.same_moment or not pair.truth_people:
            continue
        matched = compare.match_people(pair.truth_people, pair.pred_people)
        both = [(pair.truth_people[i], pair.pred_people[j]) for i, j in matched]
        sides += [t["side"] == p["side"] for t, p in both if t["role"] == "player"]
        if pair.truth.get("view") != view:
            continue
        hits, wanted, finds = compare.people_counted(pair, matched)
        hit, true_n, found_n = hit + hits, true_n + wanted, found_n + finds
        misses.append((pair, float(wanted + finds - 2 * hits)))
        defenders = [(t, p) for t, p in both if t["side"] == "defense" and t["role"] == "player"]
        errors = compare.position_errors(defenders, both)
        if len(errors):
            position.append(errors)
            offs.append((pair, float(errors.max())))
    if true_n:
        interval = stats.wilson(hit, true_n)
        report.figures.append(Figure("people_recall_sideline", hit / true_n, *interval, true_n, "share"))
    if found_n:
        interval = stats.wilson(hit, found_n)
        report.figures.append(Figure("people_precision_sideline", hit / found_n, *interval, found_n, "share"))
    report.figures += _yards("position_median_yd", position, _median) + _yards("position_p95_yd", position, _p95)
    report.figures += _share("side_accuracy", sides)
    if position:
        report.distributions["defender at the snap, yd"] = stats.distribution(np.concatenate(position))
    _worst(report, "people missed or invented", misses)
    _worst(report, "defender off by yd", offs)


def _registration(truth: Tables, pred: Tables, report: Report, view: str) -> None:
    views = {compare.stem(r["clip"]): r.get("view") for r in truth.registration if r.get("view")}
    true_rows: dict[str, dict[int, Row]] = {}
    for r in truth.registration:
        true_rows.setdefault(compare.stem(r["clip"]), {})[int(r["frame"])] = r
    rows = [r for r in pred.registration if views.get(compare.stem(r["clip"])) == view]
    report.figures += _share("registration_usable_sideline", [r["status"] == "ok" for r in rows])
    errors: list[compare.RegistrationError] = []
    for row in rows:
        true = compare.truth_at(true_rows[compare.stem(row["clip"])], int(row["frame"]))
        if true is None or row["status"] != "ok":
            continue
        size = (int(row.get("picture_width_px") or 1280), int(row.get("picture_height_px") or 720))
        error = compare.registration_error(true, row, size)
        if error is not None:
            errors.append(error)
    _registration_figures(errors, report)


def _registration_figures(errors: Sequence[compare.RegistrationError], report: Report) -> None:
    if not errors:
        return
    clips: dict[str, list[compare.RegistrationError]] = {}
    for e in errors:
        clips.setdefault(e.clip, []).append(e)
    inside = [np.concatenate([e.inside_hashes for e in es]) for es in clips.values()]
    far = [g for g in (np.concatenate([e.far_numbers for e in es]) for es in clips.values()) if len(g)]
    report.figures += _yards("registration_median_yd", inside, _median)
    report.figures += _yards("registration_p95_inside_hashes_yd", inside, _p95)
    report.figures += _yards("registration_p95_far_numbers_yd", far, _p95)
    report.figures += _share("absolute_wrong", [e.shift_yd != 0 for e in errors if e.claimed])
    report.distributions["registration inside the hashes, yd"] = stats.distribution(np.concatenate(inside))
    if far:
        report.distributions["registration at the far numbers, yd"] = stats.distribution(np.concatenate(far))
    ranked = sorted(clips.items(), key=lambda item: -max(float(np.median(e.inside_hashes)) for e in item[1]))
    for clip, es in ranked[:WORST]:
        worst = max(es, key=lambda e: float(np.median(e.inside_hashes)))
        report.worst.append({
            "what": "registration off by yd", "clip": clip, "frame": worst.frame, "snap_id": None,
            "value": round(float(np.median(worst.inside_hashes)), 3),
        })  # fmt: skip


def _labels(pairs: Sequence[Pair], pred: Tables, report: Report, view: str) -> None:
    played = [p for p in pairs if compare.has_snap(p.truth)]
    sure = pred.confidence
    groups = label_figures.groups(played)
    for name in LABELS:
        given = [p for p in played if p.truth.get(name) is not None]
        if given:
            report.labels.append(label_figure(name, given, sure, groups))
    sideline = [p for p in played if p.truth.get("view") in (view, None)]
    report.label_figures = label_figures.figures(sideline, sure)
    for key, name in (
        ("deep_safeties_exact", "deep_safeties"),
        ("rushers_exact", "rushers"),
        ("deep_safeties_after_exact", "deep_safeties_after"),
    ):
        given = [p for p in sideline if p.truth.get(name) is not None]
        exact = [p.pred is not None and p.pred.get(name) is not None and p.truth[name] == p.pred[name]
                 for p in given]  # fmt: skip
        report.figures += _share(key, exact)
        _worst(report, f"{name} wrong", [(p, 1.0) for p, ok in zip(given, exact, strict=True) if not ok])
    _numbers(played, sideline, report)


def label_figure(
    name: str, pairs: Sequence[Pair], sure: label_figures.Confidence | None = None,
    groups: dict[str, list[Pair]] | None = None,
) -> LabelFigure:  # fmt: skip
    """Agreement on one label over plays whose truth has it. sure: confidences; groups: plays to count apart."""
    answered = [p for p in pairs if p.pred is not None and p.pred.get(name) is not None]
    true = [str(p.truth[name]) for p in answered]
    said = [str(p.pred[name]) for p in answered if p.pred is not None]
    hits = sum(t == s for t, s in zip(true, said, strict=True))
    confusion: dict[str, int] = {}
    for t, s in zip(true, said, strict=True):
        confusion[f"{t} -> {s}"] = confusion.get(f"{t} -> {s}", 0) + 1
    n = len(pairs)
    return LabelFigure(
        name, n, len(answered) / n, hits / n, *stats.wilson(hits, n), hits / len(answered) if answered else math.nan,
        stats.kappa(true, said), dict(sorted(confusion.items())), *_trust(name, pairs, sure or {}),
        {g: _exact_of(name, some) for g, some in (groups or {}).items()
         if any(p.truth.get(name) is not None for p in some)},
    )  # fmt: skip


def _trust(name: str, pairs: Sequence[Pair], sure: label_figures.Confidence) -> tuple[float, float, float, float]:
    """Brier score, calibration error, wrong with 90 % answered, answered with 5 % wrong."""
    right, p = label_figures.scored(name, pairs, sure).known
    return (
        stats.brier(right, p), stats.calibration_error(right, p), stats.risk_when(right, p), stats.answered_at(right, p)
    )  # fmt: skip


def _exact_of(name: str, pairs: Sequence[Pair]) -> list[float]:
    s = label_figures.scored(name, pairs, {})
    hits = int(sum(s.right))
    return [float(s.n), hits / s.n, *stats.wilson(hits, s.n)]


def _numbers(played: Sequence[Pair], sideline: Sequence[Pair], report: Report) -> None:
    corner: list[Array] = []
    for name in LABEL_NUMBERS:
        chosen = sideline if name.startswith("corner") else played
        both = [
            p for p in chosen if p.truth.get(name) is not None and p.pred is not None and p.pred.get(name) is not None
        ]
        errors = np.array([abs(float(p.truth[name]) - float((p.pred or {})[name])) for p in both], float)
        if name == "line_of_scrimmage_yd":
            errors = np.minimum(errors % 5.0, 5.0 - errors % 5.0)
            report.distributions["line_of_scrimmage_yd, yd (modulo 5)"] = stats.distribution(errors)
        else:
            report.distributions[f"{name}, yd"] = stats.distribution(errors)
        if name.startswith("corner"):
            corner += [errors[i : i + 1] for i in range(len(errors))]
            _worst(report, f"{name} off by yd", list(zip(both, errors.tolist(), strict=True)))
    report.figures += _yards("corner_depth_mean_error_yd", corner, lambda v: float(np.mean(v)))


def _worst(report: Report, what: str, scored: Sequence[tuple[Pair, float]]) -> None:
    """Keep the ten worst of a kind."""
    ranked = sorted((s for s in scored if math.isfinite(s[1]) and s[1] > 0), key=lambda s: -s[1])[:WORST]
    for pair, value in ranked:
        report.worst.append({
            "what": what, "clip": pair.clip, "snap_id": (pair.pred or {}).get("snap_id"),
            "frame": (pair.pred or {}).get("snap_frame"), "value": round(value, 3),
        })  # fmt: skip


def evaluate(pred: Path, truth: Path, view: str = "sideline") -> Report:
    """Compare a run folder with a truth folder or a hand-charted spreadsheet. Raises UsageError, InputError.

    view: whose clips the figures named after the sideline view, positions, depths and counts are taken from.
    """
    for path in (pred, truth):
        if not path.exists():
            raise UsageError("There is no such file or folder.", where=path, hint="Check the path.")
    report = Report()
    true, found = read_tables(truth, report.notes), read_tables(pred, report.notes)
    pairs = pair_all(true, found, report.notes)
    _clips_and_snaps(pairs, true, found, report)
    _people(pairs, report, view)
    _registration(true, found, report, view)
    _labels(pairs, found, report, view)
    report.figures.sort(key=lambda f: list(WORDS).index(f.key))
    report.distributions = {k: v for k, v in report.distributions.items() if v}
    return report
