"""Fits the weights and tables of configs/labels.toml on simulated observations of the playbook's plays.

``python -m models.training.fit_labels --plays 1200 [--seed 100000] [--write]``: logistic regressions for
section rush, block, deep_after and kind; tables of facts by coverage (Bayes' rule, smoothed counts) with one weight a
fact. Half of the observations have perfect positions, half the usual errors. Thresholds of the trade are not touched.
"""

from __future__ import annotations

import argparse
import tomllib
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from sklearn.linear_model import LogisticRegression

from models.training.evaluate_labels import owners
from models.training.observe import PERFECT, USUAL, observe
from models.training.playbook.play import Play, make_play
from pipeline import alignment, labels, tracks
from pipeline.field import configs_dir
from pipeline.labels import after, kind, scene
from pipeline.records import COVERAGES

Array = NDArray[np.float64]
SMOOTHING = 4.0  # plays added evenly to every row of a table
STRENGTH = 0.3  # inverse regularisation of the logistic regressions (scikit-learn's C)


@dataclass
class Collected:
    """Rows per section (features, truth) and facts per play (distributions, coverage)."""

    rows: dict[str, list[dict[str, float]]] = field(default_factory=dict)
    truth: dict[str, list[bool]] = field(default_factory=dict)
    facts: dict[str, list[dict[str, Array | None]]] = field(default_factory=dict)
    coverage: dict[str, list[str]] = field(default_factory=dict)

    def add(self, section: str, features: dict[str, float], truth: bool) -> None:
        """One row of a logistic regression."""
        self.rows.setdefault(section, []).append(features)
        self.truth.setdefault(section, []).append(bool(truth))


def collect(plays: int, seed: int, level: str = "professional") -> Collected:
    """Observe plays and keep what the labels measure beside what is true."""
    out = Collected()
    for s in range(seed, seed + plays):
        play = make_play(s, level)
        if play.snap_index is None or play.labels.get("play_kind") not in ("dropback", "run"):
            continue
        _one(play, s, out)
    return out


def _one(play: Play, seed: int, out: Collected) -> None:
    observed = observe(play, seed, PERFECT if seed % 2 else USUAL)
    t = tracks.build(observed.samples)
    a = alignment.align(t, [x.registration for x in observed.samples])
    if not np.isfinite(a.line_of_scrimmage_yd) or a.direction != play.direction:
        return
    view = scene.build(t, a, labels.load())
    who = owners(observed, t)
    by_id = {p.id: p for p in play.people}
    out.add("kind", kind.kind_features(view), play.labels["play_kind"] == "dropback")
    got = labels.label(t, a)
    for when, facts in got.evidence["coverage_facts"].items():
        want = play.labels.get(f"coverage_{when}")
        if want:
            out.facts.setdefault(when, []).append(facts)
            out.coverage.setdefault(when, []).append(want)
    if play.labels["play_kind"] != "dropback":
        return
    people = {int(k): by_id[int(who[k])] for k in range(len(who)) if who[k] >= 0}
    for i in (int(k) for k in view.dfn):
        if i in people and np.isfinite(view.set_depth[i]):
            out.add("rush", after.rush_features(view, i), people[i].rusher)
    for i in (int(k) for k in view.off):
        if i in people and view.position[i] in ("back", "tight_end"):
            out.add("block", after.block_features(view, i), people[i].blocker)
    rush = tuple(i for i, p in people.items() if p.rusher)
    for i in after.deep_candidates(view, rush):
        if i in people and np.isfinite(view.at(1.0)[0][i]):
            out.add("deep_after", after.deep_features(view, i), people[i].deep_after)


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
    print(f"  {accuracy:.4f} right of {len(truth)}, {np.mean(truth):.3f} true: {out}")
    return out


def fit_tables(c: Collected, when: str) -> dict[str, Any]:
    """Rows of every table, the prior, and one weight a fact. when: before or after."""
    every = c.facts[when]
    index = np.array([COVERAGES.index(x) for x in c.coverage[when]])
    prior = np.bincount(index, minlength=len(COVERAGES)) + SMOOTHING
    out: dict[str, Any] = {f"coverage_prior_{when}.{k}": float(v) for k, v in zip(COVERAGES, prior / prior.sum(), strict=True)}
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


def write(values: dict[str, Any], source: str) -> None:
    """Put fitted values into configs/labels.toml; everything else stays."""
    path = configs_dir() / "labels.toml"
    text = path.read_text(encoding="utf-8")
    raw = tomllib.loads(text)
    for name, value in values.items():
        section, key = name.split(".")
        entry = raw.setdefault(section, {}).setdefault(key, {"value": 0.0, "unit": _unit(section, key), "source": ""})
        entry.update(value=value, source=source)
    head = "\n".join(line for line in text.split("\n", 4)[:4] if line.startswith("#"))
    blocks = [head]
    for section, keys in raw.items():
        for key, e in keys.items():
            v = e["value"]
            said = "[" + ", ".join(f"{x:g}" for x in v) + "]" if isinstance(v, list) else f"{v:g}"
            said = said if any(ch in said for ch in ".e[") else said + ".0"
            blocks.append(f'[{section}.{key}]\nvalue = {said}\nunit = "{e["unit"]}"\nsource = "{e["source"]}"')
    path.write_text("\n\n".join(blocks) + "\n", encoding="utf-8")


def _unit(section: str, key: str) -> str:
    if key.endswith("_range"):
        return "yd or yd a second; values past the ends count as the end"
    if key.startswith("without_"):
        return "log odds where it cannot be measured"
    if key.startswith("per_"):
        return "log odds a unit"
    if section.startswith("coverage_weight"):
        return "weight of the fact"
    return "log odds" if key == "start" else "share of plays"


def prune(values: dict[str, Any]) -> None:
    """Drop weights of sections fitted here that no feature uses any more."""
    path = configs_dir() / "labels.toml"
    raw = tomllib.loads(path.read_text(encoding="utf-8"))
    sections = {n.split(".")[0] for n in values if n.endswith(".start")}
    stale = [
        f"{s}.{k}" for s in sections for k in raw.get(s, {})
        if (k.startswith(("per_", "without_")) or k.endswith("_range")) and f"{s}.{k}" not in values
    ]  # fmt: skip
    text = path.read_text(encoding="utf-8")
    for name in stale:
        at = text.index(f"[{name}]")
        end = text.find("\n[", at)
        text = text[:at] + (text[end + 1 :] if end >= 0 else "")
    path.write_text(text, encoding="utf-8")


def main() -> None:
    """Fit and, with --write, put the values into configs/labels.toml."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plays", type=int, default=1200)
    parser.add_argument("--seed", type=int, default=100_000)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    c = collect(args.plays, args.seed)
    values: dict[str, Any] = {}
    for section in c.rows:
        print(section)
        values.update({f"{section}.{k}": v for k, v in fit_section(c.rows[section], c.truth[section]).items()})
    for when in c.facts:
        print("coverage", when)
        values.update(fit_tables(c, when))
    if args.write:
        prune(values)
        write(values, f"fitted on {args.plays} simulated plays from seed {args.seed} (models.training.fit_labels)")


if __name__ == "__main__":
    main()
