"""What the labels measure of simulated plays beside what is true: the rows that ``fit_labels`` fits on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.training import openings
from models.training.label_data import Case
from pipeline import labels
from pipeline.labels import after, before, corners, features, scene, trust
from pipeline.labels.forest import Forest
from pipeline.records import Label, Labels

Array = NDArray[np.float64]
Halves = tuple[Mapping[str, Forest], Mapping[str, Forest]]
RULED = ("rush", "block", "deep_after")  # sections whose rules in configs/labels.toml are fitted too


@dataclass
class Collected:
    """Rows per section (features, truth, seed of the play) and facts per play (distributions, coverage)."""

    rows: dict[str, list[dict[str, float]]] = field(default_factory=dict)
    truth: dict[str, list[Any]] = field(default_factory=dict)
    seed: dict[str, list[int]] = field(default_factory=dict)
    facts: dict[str, list[dict[str, Array | None]]] = field(default_factory=dict)
    coverage: dict[str, list[str]] = field(default_factory=dict)

    def add(self, section: str, features: dict[str, float], truth: Any, seed: int) -> None:
        """One row of a section, and the play it is from."""
        self.seed.setdefault(section, []).append(seed)
        self.rows.setdefault(section, []).append(features)
        self.truth.setdefault(section, []).append(truth)

    def part(self, section: str, half: int | None) -> tuple[list[dict[str, float]], list[Any]]:
        """Rows and truth of a section; half: without the plays whose seed is even (0) or odd (1)."""
        keep = [i for i, seed in enumerate(self.seed[section]) if half is None or seed % 2 != half]
        return [self.rows[section][i] for i in keep], [self.truth[section][i] for i in keep]


@dataclass(frozen=True)
class RowSeen:
    """What a row showed: its labels with raw scores, what the trust in each rests on, whether all shown was right."""

    seed: int
    seen: Mapping[str, float]
    labels: Mapping[str, Label]
    rests: dict[str, dict[str, float]]
    right: bool


def usable(c: Case) -> bool:
    """A scrimmage play that was read the right way round."""
    known = c.truth.get("play_kind") in ("dropback", "run", "special")
    a = c.alignment
    return bool(known and np.isfinite(a.line_of_scrimmage_yd) and a.direction == c.direction)


def collect(cases: Iterable[Case]) -> Collected:
    """Keep what the labels measure of people and plays beside what is true."""
    out = Collected()
    for c in cases:
        if usable(c):
            _one(c, out)
    return out


def collect_coverage(cases: Iterable[Case], forests: Halves, values: Mapping[str, Any], out: Collected) -> None:
    """Add facts and features of coverage. forests: two sets, each grown without the plays it is used on here;
    values: what was fitted so far."""
    fresh = {k: tuple(v) if isinstance(v, list) else v for k, v in values.items()}
    # Whatever it looks like, label it as a dropback.
    settings = labels.Settings({**labels.load().values, **fresh}).with_(kind__start=1e6)
    for c in cases:
        if not usable(c):
            continue
        some = {k: v for k, v in forests[c.seed % 2].items() if k in (corners.SECTION, *RULED, "response")}
        got = labels.label(c.tracks, c.alignment, settings, forests=some)
        for when, facts in got.evidence["coverage_facts"].items():
            want = c.truth.get(f"coverage_{when}")
            if want:
                out.facts.setdefault(when, []).append(facts)
                out.coverage.setdefault(when, []).append(want)
        played = c.truth.get("coverage_after")
        for when in ("before", "after"):
            measured = got.evidence.get(f"coverage_{when}_features")
            if played and measured is not None:
                out.add(f"coverage_{when}", measured, played, c.seed)


def collect_trust(
    cases: Iterable[Case], forests: Halves, values: Mapping[str, Any], out: Collected
) -> list[RowSeen]:
    """Add what each label rests on beside whether it was right, told by forests that never saw the play; returned is
    what each row showed."""
    fresh = {k: tuple(v) if isinstance(v, list) else v for k, v in values.items()}
    settings = labels.Settings({**labels.load().values, **fresh})
    rows = []
    for c in cases:
        if c.truth.get("play_kind") in (None, "no_snap") or not np.isfinite(c.alignment.line_of_scrimmage_yd):
            continue
        got = labels.label(c.tracks, c.alignment, settings, forests=forests[c.seed % 2])
        seen, raw = got.evidence["seeing"], got.evidence["raw_confidence"]
        row = RowSeen(c.seed, seen, {n: replace(x, confidence=raw.get(n, x.confidence)) for n, x in
                                     got.by_name.items() if n in trust.ROW_LABELS}, {}, row_right(c.truth, got))
        for name in trust.LABELS:
            want = c.truth.get("coverage_after" if name == "coverage_before" else name)
            label = got.by_name.get(name)
            if label is None or label.value is None:
                continue
            said = Label(label.value, raw[name], label.status, label.reason)
            row.rests[name] = trust.measured(name, said, seen, raw["play_kind"])
            if want is not None and want != "":
                out.add(trust.SECTION + name, row.rests[name], label.value == want, c.seed)
        rows.append(row)
    return rows


def row_right(truth: Mapping[str, Any], got: Labels) -> bool:
    """Whether every label of trust.ROW_LABELS that a row shows is true. What the truth has no word for is left out:
    of a rush shown on a run the play kind is what is wrong."""
    said = [n for n in trust.shown(got.by_name) if truth.get(n) is not None]
    return all(truth[n] == got.by_name[n].value for n in said)


def collect_rows(rows: Sequence[RowSeen], forests: Halves, out: Collected) -> None:
    """Add what the trust in whole rows rests on, its labels as sure as tables of trust that never saw the play say."""
    for row in rows:
        learned = forests[row.seed % 2]
        sure = dict(row.labels)
        for name, label in row.labels.items():
            table = learned.get(trust.SECTION + name)
            if table is not None and name in row.rests:
                sure[name] = replace(label, confidence=float(table.chances([row.rests[name]])[0, 1]))
        if trust.shown(sure):
            out.add(trust.SECTION + trust.ROW, trust.measured_row(sure, row.seen), row.right, row.seed)


def collect_pictures(pictures: Iterable[openings.Picture], out: Collected) -> None:
    """Add corners and answers to motions of pictures before the snap."""
    for p in pictures:
        view = scene.build(p.tracks, p.alignment, labels.load())
        before.motion(view)
        if p.response and "mover" in view.facts:
            out.add("response", _response(view), p.response, p.seed)
        _corners(view, p.owner, p.corners, p.seed, out)


def collect_shown(pictures: Iterable[openings.Picture], forests: Mapping[str, Forest], out: Collected) -> None:
    """Add what the coverage told before the snap looks at, of many more plays than are played to their end."""
    for p in pictures:
        view = corners.learned(scene.build(p.tracks, p.alignment, labels.load(), forests))
        out.add("coverage_before", labels.before_features(view, before.motion(view)), p.coverage, p.seed)


def _response(view: scene.Scene) -> dict[str, float]:
    moments = np.flatnonzero((view.time_s >= -3.01) & (view.time_s <= 0.02))
    return features.response(view, view.facts["mover"], moments)


def _one(c: Case, out: Collected) -> None:
    t = c.tracks
    view = scene.build(t, c.alignment, labels.load())
    answer = c.truth.get("motion_response")
    before.motion(view)
    if answer and "mover" in view.facts:
        out.add("response", _response(view), answer, c.seed)
    out.add("kind", features.kind(view), c.truth["play_kind"], c.seed)
    if c.truth["play_kind"] != "special":
        _corners(view, c.owner, c.corners, c.seed, out)
    if c.truth["play_kind"] != "dropback":
        return
    rusher, blocker, _, deep_after = c.flags.T
    known = {k: int(o) for k, o in enumerate(c.owner) if o >= 0}
    for i in (int(k) for k in view.dfn):
        if i in known and c.side[known[i]] == "defense" and np.isfinite(view.set_depth[i]):
            out.add("rush", features.rush(view, i), bool(rusher[known[i]]), c.seed)
    for i in (int(k) for k in view.off):
        if i in known and c.side[known[i]] == "offense" and view.position[i] in ("back", "tight_end"):
            out.add("block", features.block(view, i), bool(blocker[known[i]]), c.seed)
    rush = tuple(i for i, o in known.items() if rusher[o])
    for i in after.deep_candidates(view, rush):
        if i in known and c.side[known[i]] == "defense" and np.isfinite(view.at(1.0)[0][i]):
            out.add("deep_after", features.deep_after(view, i), bool(deep_after[known[i]]), c.seed)


def _corners(
    view: scene.Scene, owner: NDArray[np.int64], named: tuple[int, int], seed: int, out: Collected
) -> None:
    """Candidates of each side whose corner is among them, and which of them it is."""
    for who, (_, sign) in zip(named, corners.SIDES, strict=True):
        men = corners.candidates(view, sign)
        if who < 0 or not any(int(owner[i]) == who for i in men):
            continue
        for i, measured in zip(men, corners.rows(view, sign, men), strict=True):
            out.add(corners.SECTION, measured, bool(owner[i] == who), seed)
