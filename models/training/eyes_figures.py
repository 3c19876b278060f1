"""How far the eyes can be trusted, from a charted bench: the figures eyes_* of models/metrics.json.

Registration, positions, people and honesty by view; the snap; rows that claim to need no look. Truth is the
renderer's. Clips have their field level given, so that ``eyes_level_told`` comes from the stills of
``make bench-eyes`` and not from here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline import compare, stats
from pipeline.compare import Pair, RegistrationError
from pipeline.evaluate import Tables, pair_all, read_tables
from pipeline.label_figures import Value
from pipeline.ledger import Row

Array = NDArray[np.float64]
VIEWS = ("sideline", "endzone")
USABLE_YD = 1.0  # a registration farther off than this, median between the hash rows, is no help
CLAIM_YD = 0.5  # issue "Registration": of frames claiming less, 95 % are
NEAR_YD = 1.0  # issue "Abstaining": rows without a reason have every position within 1 yd
SNAP_FRAMES, SNAP_RATE = 2, 30.0

# What a key means, unit aside, and what must be reached: sideline, then end zone where it is asked for.
WORDS: dict[str, tuple[str, str]] = {
    "eyes_registration_usable_sideline": ("registration usable (found, and right within 1 yd), sideline", ">= 98 %"),
    "eyes_registration_usable_endzone": ("the same, end zone", ">= 95 %"),
    "eyes_position_median_yd_sideline": ("players at the snap: median error, sideline", "<= 0.25 yd"),
    "eyes_position_median_yd_endzone": ("the same, end zone", "<= 0.35 yd"),
    "eyes_position_p95_yd_sideline": ("players at the snap: 95th percentile, sideline", "<= 0.8 yd"),
    "eyes_position_p95_yd_endzone": ("the same, end zone", "<= 1.0 yd"),
    "eyes_people_recall_sideline": ("people at the snap: recall, sideline", ">= 99 %"),
    "eyes_people_precision_sideline": ("people at the snap: precision, sideline", ">= 97 %"),
    "eyes_people_recall_endzone": ("people at the snap: recall, end zone", ">= 99 %"),
    "eyes_people_precision_endzone": ("people at the snap: precision, end zone", ">= 97 %"),
    "eyes_absolute_known_sideline": ("absolute yard line known at the snap, sideline clips", ">= 90 %"),
    "eyes_absolute_wrong_sideline": ("wrong of those", "< 0.3 %"),
    "eyes_absolute_known_endzone": ("absolute yard line known at the snap, end zone clips", ""),
    "eyes_absolute_wrong_endzone": ("wrong of those", ""),
    "eyes_snap_within_2_frames": ("snap within 2 frames at 30 fps, all views", ">= 97 %"),
    "eyes_honest_error_share": ("frames claiming under 0.5 yd that are", ">= 95 %"),
    "eyes_identity_kept": ("identity kept from 3 s before to 2 s after the snap, men who stay visible", ">= 97 %"),
    "eyes_rows_without_reason": ("rows that give no reason for a look", ""),
    "eyes_rows_without_reason_within_1yd": ("of these: every position within 1 yd", ">= 97 %"),
    "eyes_level_told": ("field level told from a still, none given", ">= 98 %"),
}


@dataclass(frozen=True)
class Bench:
    """A charted bench with its truth, paired."""

    truth: Tables
    found: Tables
    pairs: list[Pair]

    def of_view(self, view: str) -> list[Pair]:
        return [p for p in self.pairs if p.truth.get("view") == view]


def read(run: Path, truth: Path) -> Bench:
    """Tables of two folders. Raises UsageError, InputError."""
    notes: list[str] = []
    true, found = read_tables(truth, notes), read_tables(run, notes)
    return Bench(true, found, pair_all(true, found, notes))


def share(key: str, hits: Sequence[bool]) -> list[Value]:
    """A share with Wilson's interval; nothing where nothing was counted."""
    n, k = len(hits), int(sum(hits))
    return [Value(key, k / n, *stats.wilson(k, n), n, "share")] if n else []


def yards(key: str, groups: Sequence[Array], statistic: Callable[[Array], float]) -> list[Value]:
    """A statistic over all values with an interval from drawing whole clips."""
    filled = [g for g in groups if len(g)]
    if not filled:
        return []
    values = np.concatenate(filled)
    return [Value(key, statistic(values), *stats.bootstrap(filled, statistic), len(values), "yd")]


def median(v: Array) -> float:
    return float(np.median(v))


def p95(v: Array) -> float:
    return float(np.percentile(v, 95))


def both(pair: Pair) -> list[tuple[Row, Row]]:
    """Matched people of a play at the snap: (true row, found row)."""
    matched = compare.match_people(pair.truth_people, pair.pred_people)
    return [(pair.truth_people[i], pair.pred_people[j]) for i, j in matched]


def people(pairs: Sequence[Pair], view: str) -> list[Value]:
    """Recall and precision of people, errors of players' positions, at snaps that were found."""
    hit = wanted = finds = 0
    errors: list[Array] = []
    for pair in pairs:
        if not pair.same_moment or not pair.truth_people:
            continue
        matched = compare.match_people(pair.truth_people, pair.pred_people)
        h, w, f = compare.people_counted(pair, matched)
        hit, wanted, finds = hit + h, wanted + w, finds + f
        two = both(pair)
        errors.append(compare.position_errors([(t, p) for t, p in two if t["role"] == "player"], two))
    out = yards(f"eyes_position_median_yd_{view}", errors, median) + yards(f"eyes_position_p95_yd_{view}", errors, p95)
    for key, n in ((f"eyes_people_recall_{view}", wanted), (f"eyes_people_precision_{view}", finds)):
        if n:
            out.append(Value(key, hit / n, *stats.wilson(hit, n), n, "share"))
    return out


def frame_errors(bench: Bench) -> list[tuple[str, Row, RegistrationError | None]]:
    """(view, row, error) of every frame looked at whose truth is known; None where it was not registered."""
    views = {compare.stem(r["clip"]): str(r["view"]) for r in bench.truth.registration if r.get("view")}
    true: dict[str, dict[int, Row]] = {}
    for r in bench.truth.registration:
        true.setdefault(compare.stem(r["clip"]), {})[int(r["frame"])] = r
    out: list[tuple[str, Row, RegistrationError | None]] = []
    for row in bench.found.registration:
        clip = compare.stem(row["clip"])
        there = compare.truth_at(true.get(clip, {}), int(row["frame"])) if clip in true else None
        if there is None:
            continue
        size = (int(row.get("picture_width_px") or 1280), int(row.get("picture_height_px") or 720))
        error = compare.registration_error(there, row, size) if row["status"] == "ok" else None
        out.append((views.get(clip, "sideline"), row, error))
    return out


def registration(frames: Sequence[tuple[str, Row, RegistrationError | None]]) -> list[Value]:
    """Usable by view, honesty of the claimed error over all views."""
    out: list[Value] = []
    for view in VIEWS:
        mine = [e for v, _, e in frames if v == view]
        out += share(f"eyes_registration_usable_{view}",
                     [e is not None and median(e.inside_hashes) < USABLE_YD for e in mine])  # fmt: skip
    claims = [
        median(e.inside_hashes) < CLAIM_YD
        for _, row, e in frames if e is not None and row.get("error_yd") is not None and row["error_yd"] < CLAIM_YD
    ]  # fmt: skip
    return out + share("eyes_honest_error_share", claims)


def absolute(frames: Sequence[tuple[str, Row, RegistrationError | None]], pairs: Sequence[Pair]) -> list[Value]:
    """Absolute yard line at the snap, a clip counting once: known, and wrong of the known."""
    at = {(p.clip, int(p.pred["snap_frame"])): p for p in pairs if p.pred and p.pred.get("snap_frame") is not None}
    out: list[Value] = []
    for view in VIEWS:
        seen = [
            (bool(row.get("absolute_x_known")), e) for v, row, e in frames
            if v == view and (compare.stem(row["clip"]), int(row["frame"])) in at
        ]  # fmt: skip
        out += share(f"eyes_absolute_known_{view}", [known for known, _ in seen])
        out += share(f"eyes_absolute_wrong_{view}", [e.shift_yd != 0 for known, e in seen if known and e is not None])
    return out


def snaps(pairs: Sequence[Pair]) -> list[Value]:
    """Snap within two frames, plays without an answer counting as wrong."""
    off = np.array([p.snap_error_s for p in pairs if p.truth.get("snap_time_s") is not None], float)
    near = np.abs(np.nan_to_num(off, nan=99.0)) <= SNAP_FRAMES / SNAP_RATE + 1e-3
    return share("eyes_snap_within_2_frames", near.tolist())


def within(pair: Pair) -> bool:
    """True where every player listed at the snap stands within NEAR_YD of a true person, each of his own.

    In yards, whatever the boxes; a shift of the whole play by 5, 10, ... yd is taken out. A man listed beyond the
    picture, whom the truth does not list, is held against nobody.
    """
    if not pair.same_moment:
        return False
    two = [(t, p) for t, p in both(pair) if p.get("x_yd") is not None]
    width, height = pair.size_px or (np.inf, np.inf)
    listed = [p for p in pair.pred_people if p["role"] == "player" and p.get("x_yd") is not None]
    found = np.array([[p["x_yd"], p["y_yd"]] for p in listed], float).reshape(-1, 2)
    true = np.array([[t["x_yd"], t["y_yd"]] for t in pair.truth_people], float).reshape(-1, 2)
    if not len(found) or not len(true) or not two:
        return False
    found[:, 0] -= 5.0 * round(float(np.median([p["x_yd"] - t["x_yd"] for t, p in two])) / 5.0)
    apart = np.linalg.norm(found[:, None] - true[None], axis=-1)
    rows, columns = linear_sum_assignment(np.where(apart <= NEAR_YD, apart, 100.0))
    right = {int(i) for i, j in zip(rows, columns, strict=True) if apart[i, j] <= NEAR_YD}

    def inside(p: Row) -> bool:
        x, y = p.get("ground_x_px"), p.get("ground_y_px")
        return x is not None and y is not None and 0 <= x < width and 0 <= y < height

    return all(i in right or not inside(p) for i, p in enumerate(listed))


def without_reason(pairs: Sequence[Pair]) -> list[Value]:
    """Rows with a snap that ask for no look: how many of all, and how many of them are right within a yard."""
    rows = [p for p in pairs if p.pred is not None and p.pred.get("snap_frame") is not None and p.truth_people]
    quiet = [p for p in rows if not p.pred or not p.pred.get("review")]
    return share("eyes_rows_without_reason", [p in quiet for p in rows]) + share(
        "eyes_rows_without_reason_within_1yd", [within(p) for p in quiet]
    )


def figures(run: Path, truth: Path) -> list[Value]:
    """All figures that can be told from tables, in the order of WORDS. Raises UsageError, InputError."""
    bench = read(run, truth)
    frames = frame_errors(bench)
    out = [v for view in VIEWS for v in people(bench.of_view(view), view)]
    out += registration(frames) + absolute(frames, bench.pairs) + snaps(bench.pairs) + without_reason(bench.pairs)
    return sorted(out, key=lambda v: list(WORDS).index(v.key))


def table(values: Sequence[Value]) -> str:
    """Markdown, as far as measured."""
    from pipeline.evaluate_show import shown

    lines = ["| eyes | measured | 95 % interval | over | must reach |", "|---|---|---|---|---|"]
    by_key: dict[str, Any] = {v.key: v for v in values}
    for key, (words, target) in WORDS.items():
        if key in by_key:
            v = by_key[key]
            cells = (words, shown(v.value, v.unit), f"{shown(v.low, v.unit)} to {shown(v.high, v.unit)}", v.n, target)
            lines.append("| " + " | ".join(map(str, cells)) + " |")
    return "\n".join(lines)
