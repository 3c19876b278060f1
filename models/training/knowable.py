"""How much of the coverage can be known before the snap, in the playbook: disguise is real.

Two bounds on the share of dropbacks whose coverage is among the first two guesses made before the snap:

- ``seen``: boosted trees on what a perfect observer sees until the snap (everybody's true place, level and movement,
  leverage on the receivers, the answer to a motion), cross-validated. Whoever reads the picture can reach this much.
- ``drawn``: the same trees told how the picture was drawn (the shell and the coverage it imitates, the answer to a
  motion, who creeps with which job). Places follow from these draws, so no reader of places can do better for long.

``python -m models.training.evaluate_labels --knowable 12000 [--write]`` prints both beside what counting alone says.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier

from models.training.playbook.build import Opening, opening
from models.training.playbook.play import HZ
from models.training.playbook.roster import Man
from pipeline import stats
from pipeline.field import LEVELS
from pipeline.ledger import write_bytes
from pipeline.models import models_dir

Array = NDArray[np.float64]
NAN = float("nan")
SEED = 5_000_000
FOLDS = 3
BEGIN = "<!-- knowable: written by python -m models.training.evaluate_labels --knowable -->"
END = "<!-- knowable: end -->"
RESPONSES = ("none", "followed", "bumped", "stayed")
SHOWN = ("cover_0", "cover_1", "cover_2", "cover_2_man", "cover_3", "cover_4", "cover_6", "other")
KEPT = 3  # safeties and slot defenders listed one by one


@dataclass(frozen=True)
class Bound:
    """Shares of held-out plays whose coverage is the first guess, or among the first two, with 95 % intervals."""

    name: str
    plays: int
    first: float
    first_two: float
    low: float
    high: float


def draw(plays: int, seed: int = SEED) -> Iterator[Opening]:
    """Dropbacks up to their snap, in the mix of levels of the test set."""
    for s in range(seed, seed + plays):
        level = str(np.random.default_rng([s, 9]).choice(LEVELS, p=[0.35, 0.3, 0.25, 0.1]))
        yield opening(s, level, kind="pass")


def _answer(o: Opening) -> str:
    return o.motion.response if o.motion.man >= 0 else "none"


def _sides(men: Sequence[Man]) -> float:
    """+1 or -1: the offence's side with more eligible men outside the tackles (ties: where they stand wider)."""
    wide = [m.across for m in men if m.eligible and abs(m.across) > 2.6]
    score = sum(np.sign(wide)) + 0.01 * sum(wide)
    return 1.0 if score >= 0 else -1.0


def seen(o: Opening) -> dict[str, float]:
    """What a perfect observer sees until the snap; yards, the strong side turned to the right, depths by the scale
    of the deep limit."""
    s, n = o.scene, o.scene.n_off
    flip, k = _sides(s.offense), s.spot.deep_limit() / 9.0
    now = o.before[-1]
    early, late = (o.before[max(len(o.before) - 1 - round(t * HZ), 0)] for t in (1.0, 0.3))
    d, a = now[n:, 0], now[n:, 1] * flip
    out = {"scale": k, "width": s.spot.width, "lean": (s.spot.room_right - s.spot.room_left) * flip / 2,
           "men": float(len(s.defense))}  # fmt: skip
    by: dict[str, list[int]] = {}
    for i, m in enumerate(s.defense):
        by.setdefault(m.position, []).append(i)
    wide = {sign: _outside(s.offense, flip, sign) for sign in (-1, 1)}
    for sign, side in ((-1, "weak"), (1, "strong")):
        out[f"{side}_receivers"] = float(len(wide[sign]))
        out[f"{side}_widest"] = wide[sign][0] if wide[sign] else NAN
    moved = {name: np.stack([now[n:, 0] - was[n:, 0], (now[n:, 1] - was[n:, 1]) * flip], 1)
             for name, was in (("early", early), ("late", late))}  # fmt: skip

    def put(name: str, i: int | None) -> None:
        receiver = min((abs(a[i] - sign * w) for sign in wide for w in wide[sign]), default=NAN) if i is not None else 0
        values = (NAN,) * 7 if i is None else (
            d[i] / k, a[i], receiver, *moved["early"][i], *moved["late"][i],
        )  # fmt: skip
        keys = ("depth", "across", "from_receiver", "deeper_1", "across_1", "deeper_03", "across_03")
        out.update({f"{name}_{key}": float(v) for key, v in zip(keys, values, strict=True)})

    for position, order in (("safety", -d), ("slot_defender", -a), ("corner", a)):
        men = sorted(by.get(position, []), key=order.__getitem__)
        out[f"{position}_men"] = float(len(men))
        for j in range(KEPT if position != "corner" else 2):
            put(f"{position}_{j}", men[j] if j < len(men) else None)
    for sign, corner in zip((-1, 1), sorted(by.get("corner", []), key=a.__getitem__), strict=False):
        out[f"leverage_{sign}"] = float(abs(a[corner]) - wide[sign][0]) if wide[sign] else NAN
    safeties = sorted(by.get("safety", []), key=lambda i: -d[i])[:2]
    out["safeties_apart"] = float(abs(np.diff(a[safeties])[0])) if len(safeties) == 2 else NAN
    out["safeties_middle"] = float(np.mean(a[safeties])) - 0.3 * out["lean"]
    out["corners_unlike"] = float(abs(np.diff(d[by["corner"]])[0])) / k if len(by.get("corner", [])) == 2 else NAN
    backers = by.get("linebacker", [])
    out["linebackers"], out["mugged"] = float(len(backers)), float((d[backers] < s.spot.neutral + 1.9).sum())
    out["linebackers_depth"] = float(np.median(d[backers])) if backers else NAN
    out["linebackers_width"] = float(np.abs(a[backers]).max()) if backers else NAN
    out["box"] = float(((d < 6.5) & (np.abs(a) < 5.5)).sum())
    crept = moved["early"][:, 0]
    out["came_up"] = float((crept < -0.4).sum())
    out["came_up_most"], out["went_back_most"] = float(crept.min()), float(crept.max())
    order = np.sort(np.abs(o.before[-1, n:, 1] - o.before[max(len(o.before) - 1 - round(3 * HZ), 0), n:, 1]))[::-1]
    out |= {f"shifted_{j}": float(order[j]) for j in range(4)}
    out |= {f"answer_{r}": float(_answer(o) == r) for r in RESPONSES}
    return out


def _outside(offense: Sequence[Man], flip: float, sign: int) -> list[float]:
    """Distances from the ball of the eligible men outside the tackle of a side, widest first."""
    side = [abs(m.across) for m in offense if m.eligible and m.across * flip * sign > 2.6]
    return sorted(side, reverse=True)


def drawn(o: Opening) -> dict[str, float]:
    """How the picture was drawn: what a disguise leaves of the call in it, and nothing else of the call."""
    s, n = o.scene, o.scene.n_off
    deeper = o.before[-1, n:, 0] - o.before[max(len(o.before) - 1 - round(0.8 * HZ), 0), n:, 0]
    jobs = o.plan.jobs
    backers = [i for i, m in enumerate(s.defense) if m.position == "linebacker"]
    safeties = sorted((m.depth for m in s.defense if m.position == "safety"), reverse=True)
    up = [k for k, j in jobs.items() if j.kind == "rush" and deeper[k] < -0.4]
    bailed = [k for k, j in jobs.items() if j.kind == "deep" and s.defense[k].position == "corner" and deeper[k] > 0.3]
    turned = [float(deeper[k]) for k, j in jobs.items() if j.moved and s.defense[k].position == "safety"]
    scale = s.spot.deep_limit() / 9.0
    out = {
        "shell": float(s.call.shell), "safeties": float(len(safeties)), "mugged": float(s.call.mugged),
        **{f"safety_{j}": safeties[j] / scale if j < len(safeties) else NAN for j in range(KEPT)},
        "linebackers": float(len(backers)), "came_up": float(len(up)), "bailed": float(len(bailed)),
        "turned_up": float(sum(t < -0.15 for t in turned)), "turned_back": float(sum(t > 0.15 for t in turned)),
    }  # fmt: skip
    out |= {f"shown_{c}": float(o.shown == c) for c in SHOWN}
    return out | {f"answer_{r}": float(_answer(o) == r) for r in RESPONSES}


def _matrix(rows: Sequence[dict[str, float]]) -> Array:
    names = list(rows[0])
    return np.array([[r[k] for k in names] for r in rows])


def bound(name: str, rows: Sequence[dict[str, float]], truth: Sequence[str], folds: int = FOLDS) -> Bound:
    """First guesses of boosted trees on plays held out, one fold after the other."""
    x, y = _matrix(rows), np.array(truth)
    first = np.zeros(len(y), bool)
    two = np.zeros(len(y), bool)
    for fold in range(folds):
        test = np.arange(len(y)) % folds == fold
        model = HistGradientBoostingClassifier(
            max_iter=90, learning_rate=0.06, max_leaf_nodes=14, min_samples_leaf=30, l2_regularization=5.0,
            max_bins=96, random_state=fold,
        ).fit(x[~test], y[~test])  # fmt: skip
        best = model.classes_[np.argsort(-model.predict_proba(x[test]), 1)]
        first[test], two[test] = best[:, 0] == y[test], (best[:, :2] == y[test][:, None]).any(1)
    low, high = stats.wilson(int(two.sum()), len(two))
    return Bound(name, len(y), float(first.mean()), float(two.mean()), low, high)


def measure(plays: int, seed: int = SEED) -> list[Bound]:
    """Both bounds, over the same dropbacks."""
    pictures: dict[str, list[dict[str, float]]] = {"seen": [], "drawn": []}
    truth: list[str] = []
    for o in draw(plays, seed):
        pictures["seen"].append(seen(o))
        pictures["drawn"].append(drawn(o))
        truth.append(o.scene.call.family)
    return [bound(name, rows, truth) for name, rows in pictures.items()]


def lines(bounds: Sequence[Bound]) -> list[str]:
    """One line a bound."""
    return [
        f"  {b.name:6s} first guess {100 * b.first:.1f} %, among the first two {100 * b.first_two:.1f} % "
        f"({100 * b.low:.1f} to {100 * b.high:.1f}) of {b.plays} dropbacks"
        for b in bounds
    ]


def keys(bounds: Sequence[Bound]) -> dict[str, float]:
    """Flat numbers for models/metrics.json."""
    out: dict[str, float] = {}
    for b in bounds:
        out |= {f"labels_coverage_before_{b.name}_top1": b.first, f"labels_coverage_before_{b.name}_top2": b.first_two}
    return out


def write_card(bounds: Sequence[Bound]) -> None:
    """Put the bounds between the markers of models/labels/card.md."""
    path = models_dir() / "labels" / "card.md"
    text = path.read_text(encoding="utf-8")
    head, rest = text.split(BEGIN, 1)
    tail = rest.split(END, 1)[1]
    rows = ["| told before the snap from | first guess right | among the first two | 95 % interval | dropbacks |",
            "|---|---|---|---|---|"]  # fmt: skip
    words = {
        "seen": "everything a perfect observer sees until the snap (boosted trees, cross-validated)",
        "drawn": "how the picture was drawn, jobs of those who move included: more than anybody can see",
    }
    for b in bounds:
        interval = f"{100 * b.low:.1f} % to {100 * b.high:.1f} %"
        rows.append(f"| {words[b.name]} | {100 * b.first:.1f} % | {100 * b.first_two:.1f} % | {interval} | {b.plays} |")
    write_bytes(path, f"{head}{BEGIN}\n{chr(10).join(rows)}\n{END}{tail}".encode())
