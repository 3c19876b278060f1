"""The figures of the bench as Markdown, and the block of the README that holds them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from models.training import eyes_figures
from pipeline import label_figures
from pipeline.evaluate import WORDS, Report
from pipeline.evaluate_show import shown
from pipeline.label_figures import Value
from pipeline.ledger import write_bytes

BEGIN, END = "<!-- figures: written by make bench -->", "<!-- figures: end -->"
EVERY_VIEW = ("clips_charted", "snap_within_2_frames", "no_snap_left_alone", "side_accuracy")
# Rows of the table that evaluate does not know: words, unit, what must be reached.
MORE: dict[str, tuple[str, str, str]] = {
    "people_recall_real": (
        "people, held-back real frames of another sport: recall at precision 94 %", "share", ">= 97 %",
    ),
    "people_recall_unseen_sport": (
        "people, a real sport never trained on: recall at precision 70 %", "share", ">= 90 %",
    ),
    "work_s_per_film_s": ("seconds of work for a second of 1080p30 film, a folder of clips, two cores", "s", "<= 1.0"),
    "work_one_process_s_per_film_s": ("the same, clip by clip in one process", "s", ""),
    "saving_over_every_frame": ("times less work than finding and tracking on every frame", "times", ">= 8"),
    "peak_memory_gib": ("peak memory, a long file", "GiB", "<= 1.5"),
}  # fmt: skip


def interval(low: float, high: float, unit: str) -> str:
    """'a to b', blank where there is none."""
    return f"{shown(low, unit)} to {shown(high, unit)}" if math.isfinite(low) else ""


def endzone_table(report: Report) -> str:
    """What the same set gives from behind the end zone, where nothing is asked for."""
    lines = ["| from behind the end zone | measured | 95 % interval | over |", "|---|---|---|---|"]
    for f in report.figures:
        if f.key not in EVERY_VIEW:
            words = WORDS[f.key][0].replace(", sideline", "")
            lines.append(f"| {words} | {shown(f.value, f.unit)} | {interval(f.low, f.high, f.unit)} | {f.n} |")
    return "\n".join(lines)


def table(report: Report, more: dict[str, float]) -> str:
    """The table of the README."""
    lines = ["| what | measured | 95 % interval | over | must reach |", "|---|---|---|---|---|"]
    figures = {f.key: f for f in report.figures}
    for key, (words, target) in WORDS.items():
        if key not in figures:
            lines.append(f"| {words} | not measured | | | {target} |")
            continue
        f = figures[key]
        lines.append(f"| {words} | {shown(f.value, f.unit)} | {interval(f.low, f.high, f.unit)} | {f.n} | {target} |")
    for key, (words, unit, target) in MORE.items():
        value = more.get(key)
        text = "not measured" if value is None else f"{100 * value:.1f} %" if unit == "share" else f"{value:.2f} {unit}"
        lines.append(f"| {words} | {text} | | | {target} |")
    return "\n".join(lines)


def spread(report: Report) -> str:
    """The distributions."""
    keys = ["n", "mean", "p50", "p75", "p90", "p95", "p99", "max"]
    lines = ["| distribution | " + " | ".join(keys) + " |", "|---" * (len(keys) + 1) + "|"]
    for name, d in report.distributions.items():
        lines.append(f"| {name} | " + " | ".join(f"{d[k]:.0f}" if k == "n" else f"{d[k]:.2f}" for k in keys) + " |")
    return "\n".join(lines)


def agreement(report: Report) -> str:
    """Agreement on each label."""
    lines = ["| label | plays | answered | exact of all | exact of answered | kappa |", "|---|---|---|---|---|---|"]
    for x in report.labels:
        kappa = "" if math.isnan(x.kappa) else f"{x.kappa:.2f}"
        cells = [x.name, str(x.n), *(shown(v, "share") for v in (x.answered, x.exact, x.exact_answered)), kappa]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def labels_table(values: Sequence[Value], true_positions: dict[str, Any]) -> str:
    """The labels through the whole chain, beside what perfect positions give (from metrics.json, where measured)."""
    head = "labels, sideline; a blank counts as wrong"
    lines = [f"| {head} | measured | 95 % interval | over | must reach | from perfect positions | must reach |",
             "|---|---|---|---|---|---|---|"]  # fmt: skip
    for v in values:
        words, target, perfect = label_figures.WORDS[v.key]
        other = true_positions.get(f"{v.key}_true_positions")
        text = "not measured" if other is None else shown(float(other), v.unit)
        cells = (words, shown(v.value, v.unit), interval(v.low, v.high, v.unit), v.n, target, text, perfect)
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    seen, drawn = (true_positions.get(f"labels_coverage_before_{k}_top2") for k in ("seen", "drawn"))
    if seen is not None and drawn is not None:
        lines += ["", "Disguise is real: a perfect observer of everything before the snap, at true positions, has the "
                      f"coverage played among his first two in {shown(float(seen), 'share')} of these plays; told how "
                      f"the picture was drawn, more than anybody can see, in {shown(float(drawn), 'share')} "
                      "(`evaluate_labels --knowable`)."]  # fmt: skip
    return "\n".join(lines)


def write_readme(
    root: Path, report: Report, more: dict[str, float], values: dict[str, Any], behind: Report | None = None,
    eyes: Sequence[Value] = (),
) -> None:  # fmt: skip
    """Put the tables between the README's markers."""
    path = root / "README.md"
    text = path.read_text(encoding="utf-8")
    head, rest = text.split(BEGIN, 1)
    _, tail = rest.split(END, 1)
    about = (
        f"{values['plays']} plays, seeds {values['seeds']}, commit {values['commit']}, {values['date']}. The field "
        "level was given (`--field`). A blank answer counts as wrong in what is called exact."
    )
    parts = [about, table(report, more)]
    parts += [eyes_figures.table(eyes)] if eyes else []
    parts += [labels_table(report.label_figures, values)] if report.label_figures else []
    parts += [endzone_table(behind)] if behind else []
    block = "\n\n".join([*parts, agreement(report), spread(report)])
    write_bytes(path, f"{head}{BEGIN}\n{block}\n{END}{tail}".encode())
