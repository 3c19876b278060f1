"""Fits the weights and tables of configs/labels.toml, and the forests beside them, on simulated observations.

``python -m models.training.fit_labels --data DIR [--write]``, DIR from ``models.training.label_data``: logistic
regressions for section rush, block, deep_after and kind; tables of facts by coverage (Bayes' rule, smoothed counts)
with one weight a fact; forests for the same and for coverage; and per label a forest that says how sure it is, fitted
on answers of forests that never saw the play. Thresholds of the trade are not touched.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression

from models.training import film_cases, label_data, openings
from models.training.label_data import Case
from models.training.label_files import prune, write, write_forests
from models.training.label_rows import (
    RULED,
    Collected,
    Halves,
    collect,
    collect_coverage,
    collect_pictures,
    collect_rows,
    collect_shown,
    collect_trust,
)
from pipeline.labels import corners, forest, trust
from pipeline.records import COVERAGES

Array = NDArray[np.float64]
SMOOTHING = 4.0  # plays added evenly to every row of a table
LEAST_OF_A_KIND = 25  # answers right and answers wrong that a table of trust needs
MANY_ROWS = 6000  # from here on a forest may be larger
RISING = ("together", "least", "coverage", "deep", "rush")  # confidences a row rests on: more makes it no less sure
CHECKED = 2000  # rows on which a forest written down is held against scikit-learn's
STRENGTH = 0.3  # inverse regularisation of the logistic regressions (scikit-learn's C)


def fit_section(rows: list[dict[str, float]], truth: list[bool]) -> dict[str, Any]:
    """start, per_f, f_range and without_f of a section; log odds."""
    names = list(rows[0])
    x = np.array([[r[n] for n in names] for r in rows])
    out: dict[str, Any] = {}
    columns = []
    for k, n in enumerate(names):
        good = x[np.isfinite(x[:, k]), k]
        lo, hi = np.round(np.percentile(good, [1, 99]), 1) if len(good) else (0.0, 1.0)
        out[f"{n}_range"] = [float(lo), float(max(hi, lo + 0.1))]
        columns.append(np.where(np.isfinite(x[:, k]), np.clip(np.nan_to_num(x[:, k]), lo, max(hi, lo + 0.1)), 0.0))
        columns.append((~np.isfinite(x[:, k])).astype(float))
    z = np.stack(columns, 1)
    scale = np.maximum(z.std(0), 1e-6)
    model = LogisticRegression(C=STRENGTH, max_iter=2000).fit(z / scale, truth)
    w = model.coef_[0] / scale
    w[z.std(0) < 1e-6] = 0.0
    out["start"] = round(float(model.intercept_[0]), 3)
    for k, n in enumerate(names):
        out[f"per_{n}"] = round(float(w[2 * k]), 3)
        out[f"without_{n}"] = round(float(np.clip(w[2 * k + 1], -5, 5)), 3)
    accuracy = float(((z @ w + model.intercept_[0] > 0) == np.array(truth)).mean())
    print(f"  rules: {accuracy:.4f} right of {len(truth)}, {np.mean(truth):.3f} true")
    return out


def fit_tables(c: Collected, when: str) -> dict[str, Any]:
    """Rows of every table, the prior, and one weight a fact. when: before or after."""
    every = c.facts[when]
    index = np.array([COVERAGES.index(x) for x in c.coverage[when]])
    prior = np.bincount(index, minlength=len(COVERAGES)) + SMOOTHING
    share = prior / prior.sum()
    out: dict[str, Any] = {f"coverage_prior_{when}.{k}": float(v) for k, v in zip(COVERAGES, share, strict=True)}
    tables = list(every[0])
    logs = np.zeros((len(tables), len(index), len(COVERAGES)))
    for n, table in enumerate(tables):
        size = next(len(f[table]) for f in every if f[table] is not None)  # type: ignore[arg-type]
        count = np.full((len(COVERAGES), size), SMOOTHING / size)
        for f, k in zip(every, index, strict=True):
            if f[table] is not None:
                count[k] += f[table]
        rows = count / count.sum(1, keepdims=True)
        for k, name in enumerate(COVERAGES):
            out[f"{table}.{name}"] = [round(float(v), 4) for v in rows[k] / rows[k].sum()]
        seen = np.array([f[table] if f[table] is not None else np.full(size, np.nan) for f in every])
        logs[n] = np.nan_to_num(np.log(np.maximum(seen @ rows.T, 1e-4)))
    start = np.log(prior / prior.sum())

    def loss(w: Array) -> float:
        z = start + np.tensordot(w, logs, 1)
        z -= z.max(1, keepdims=True)
        p = np.exp(z) / np.exp(z).sum(1, keepdims=True)
        return float(-np.log(p[np.arange(len(index)), index]).mean() + 0.002 * ((w - 1) ** 2).sum())

    w = minimize(loss, np.ones(len(tables)), bounds=[(0.2, 2.0)] * len(tables)).x
    for table, v in zip(tables, w, strict=True):
        out[f"coverage_weight.{table}"] = round(float(v), 3)
    said = ", ".join(f"{t} {v:.2f}" for t, v in zip(tables, w, strict=True))
    print(f"  log loss {loss(np.ones(len(tables))):.3f} with equal weights, {loss(w):.3f} with {said}")
    return out


# Sizes of a forest: rounds, leaves, samples a leaf, rate.
SIZES = {
    "large": (240, 16, 12, 0.08), "middle": (160, 12, 12, 0.08), "small": (60, 8, 12, 0.08),
    "cover": (120, 8, 12, 0.08), "shown": (150, 12, 16, 0.06),
    "trust": (70, 6, 20, 0.06),
}  # fmt: skip


def grow(rows: list[dict[str, float]], truth: list[Any], size: str | None = None, rising: Sequence[str] = ()) -> dict[
    str, Any
]:
    """A forest as plain numbers, from scikit-learn's histogram gradient boosting.

    size: a key of SIZES, by the number of rows where left out; rising: features that may only raise the chance.
    """
    names = [n for n in rows[0] if any(np.isfinite(r[n]) for r in rows)]
    x = np.array([[r[n] for n in names] for r in rows], float)
    rounds, leaves, least, rate = SIZES[size or ("large" if len(rows) > MANY_ROWS else "middle")]
    model = HistGradientBoostingClassifier(
        max_iter=rounds, learning_rate=rate, max_leaf_nodes=leaves, min_samples_leaf=least, l2_regularization=4.0,
        early_stopping=False, random_state=0, monotonic_cst=[int(n in rising) for n in names] if rising else None,
    )  # fmt: skip
    model.fit(x, np.array(truth))
    trees = []
    for round_ in model._predictors:  # the fitted trees have no public name
        for k, predictor in enumerate(round_):
            trees.append(_plain(predictor.nodes, k))
    classes = [str(c) for c in model.classes_]
    entry = {
        "features": names, "classes": classes,
        "start": [round(float(v), 6) for v in np.ravel(model._baseline_prediction)], "trees": trees,
    }  # fmt: skip
    mine = forest.parse(json.dumps({"forests": {"x": entry}}).encode())["x"].chances(rows[:CHECKED])
    worst = float(np.abs(mine - model.predict_proba(x[:CHECKED])).max())
    print(f"  {len(trees)} trees on {len(rows)} rows; reads back within {worst:.1e} of scikit-learn", flush=True)
    return entry


def _plain(nodes: Any, of_class: int) -> dict[str, Any]:
    leaf = nodes["is_leaf"].astype(bool)
    return {
        "class": of_class,
        "feature": [-1 if out else int(f) for f, out in zip(nodes["feature_idx"], leaf, strict=True)],
        "threshold": [0.0 if out else float(v) for v, out in zip(nodes["num_threshold"], leaf, strict=True)],
        "left": [int(v) for v in nodes["left"]],
        "right": [int(v) for v in nodes["right"]],
        "unknown_left": [int(v) for v in nodes["missing_go_to_left"]],
        "value": [round(float(v), 6) if out else 0.0 for v, out in zip(nodes["value"], leaf, strict=True)],
    }


FOREST_SIZES = {
    "corner": "large", "kind": "small", "response": "cover", "coverage_before": "shown", "coverage_after": "cover",
}  # fmt: skip


class Growing:
    """Forests by section: on all plays, and two more sets that each leave one half of the plays out."""

    def __init__(self) -> None:
        self.all: dict[str, Any] = {}
        self._halves: tuple[dict[str, Any], dict[str, Any]] = ({}, {})

    def grow(self, c: Collected, section: str, size: str | None = None, rising: Sequence[str] = ()) -> None:
        """Grow one section three times."""
        print(section, flush=True)
        size = size or FOREST_SIZES.get(section)
        self.all[section] = grow(*c.part(section, None), size, rising)
        for half in (0, 1):
            self._halves[half][section] = grow(*c.part(section, half), size, rising)

    def read(self) -> Mapping[str, forest.Forest]:
        """The set on all plays, as the program reads it."""
        return forest.parse(json.dumps({"forests": self.all}).encode())

    @property
    def halves(self) -> Halves:
        """The two sets, read as the program reads them: ``halves[seed % 2]`` never saw the play."""
        read = [forest.parse(json.dumps({"forests": h}).encode()) for h in self._halves]
        return read[0], read[1]


def fit_all(cases: Sequence[Case], pictures: int = 0) -> tuple[dict[str, Any], dict[str, Any]]:
    """Values for configs/labels.toml, and forests by section."""
    values: dict[str, Any] = {}
    growing = Growing()
    c = collect(cases)
    shown = list(openings.make(pictures))
    collect_pictures(shown, c)
    for section in (corners.SECTION, *RULED, "kind", "response"):
        growing.grow(c, section)
        if section in RULED:
            values |= {f"{section}.{k}": v for k, v in fit_section(*c.part(section, None)).items()}
    rows, kinds = c.part("kind", None)
    scrimmage = [i for i, k in enumerate(kinds) if k != "special"]
    fitted = fit_section([rows[i] for i in scrimmage], [kinds[i] == "dropback" for i in scrimmage])
    values |= {f"kind.{k}": v for k, v in fitted.items()}
    collect_coverage(cases, growing.halves, values, c)
    for when in c.facts:
        print("coverage", when)
        values.update(fit_tables(c, when))
    collect_shown(shown, growing.read(), c)
    for section in ("coverage_before", "coverage_after"):
        growing.grow(c, section)
    rows_seen = collect_trust(cases, growing.halves, values, c)
    for name in trust.LABELS:
        _grow_trust(name, c, growing)
    collect_rows(rows_seen, growing.halves, c)
    _grow_trust(trust.ROW, c, growing)
    return values, growing.all


def _grow_trust(name: str, c: Collected, growing: Growing) -> None:
    section = trust.SECTION + name
    if section in c.rows and min(np.bincount(c.truth[section], minlength=2)) >= LEAST_OF_A_KIND:
        growing.grow(c, section, "trust", RISING if name == trust.ROW else ("raw",))


def main() -> None:
    """Fit and, with --write, put the values into configs/labels.toml and models/labels."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, required=True, nargs="+", help="folders of models.training.label_data")
    parser.add_argument("--plays", type=int, help="take only so many")
    parser.add_argument("--pictures", type=int, default=20_000, help="pictures before the snap made beside them")
    parser.add_argument("--film", type=Path, help="cases of charted film (film_cases), of which half is learned from")
    parser.add_argument("--times", type=int, default=2, help="how often a play of film counts")
    parser.add_argument("--out", type=Path, help="write the forests alone into this file instead")
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    cases = [c for folder in args.data for c in label_data.read(folder, args.plays)]
    film = film_cases.halves(args.film)[0] if args.film else []
    values, forests = fit_all([*cases, *film * args.times], args.pictures)
    if args.out is not None:
        args.out.write_text(json.dumps({"forests": forests, "values": values}), encoding="utf-8")
    if args.write:
        more = f" and {len(film)} rendered and charted" if film else ""
        said = f"{len(cases)} simulated plays from seed {cases[0].seed}{more} (models.training.fit_labels)"
        prune(values)
        write(values, f"fitted on {said}")
        write_forests(forests, said, {"plays": float(len(cases))})


if __name__ == "__main__":
    main()
