"""Prints what ``snapledger evaluate`` found."""

from __future__ import annotations

import math

from rich.console import Console
from rich.table import Table as RichTable

from pipeline import stats
from pipeline.evaluate import WORDS, Report


def shown(value: float, unit: str) -> str:
    """A value as text with its unit."""
    if not math.isfinite(value):
        return "-"
    return f"{100 * value:.1f} %" if unit == "share" else f"{value:.2f} yd"


def print_report(report: Report, console: Console) -> None:
    """Print the tables."""
    figures = RichTable("what", "value", "95 % interval", "n", "must reach", title="Figures")
    for f in report.figures:
        words, target = WORDS[f.key]
        figures.add_row(words, shown(f.value, f.unit), f"{shown(f.low, f.unit)} to {shown(f.high, f.unit)}", str(f.n),
                        target)  # fmt: skip
    labels = RichTable("label", "n", "answered", "exact of all", "95 % interval", "exact of answered", "kappa",
                       title="Labels")  # fmt: skip
    for x in report.labels:
        kappa = "-" if math.isnan(x.kappa) else f"{x.kappa:.2f}"
        interval = f"{shown(x.low, 'share')} to {shown(x.high, 'share')}"
        labels.add_row(x.name, str(x.n), shown(x.answered, "share"), shown(x.exact, "share"), interval,
                       shown(x.exact_answered, "share"), kappa)  # fmt: skip
    spread = RichTable("distribution", "n", "mean", *[f"{p} %" for p in stats.PERCENTILES], "max")
    for name, d in report.distributions.items():
        keys = ["mean", *[f"p{p}" for p in stats.PERCENTILES], "max"]
        spread.add_row(name, f"{d['n']:.0f}", *[f"{d[k]:.2f}" for k in keys])
    worst = RichTable("what", "clip", "snap_id", "frame", "value", title="Worst cases")
    for w in report.worst:
        worst.add_row(w["what"], w["clip"], str(w["snap_id"] or ""), str(w["frame"] or ""), f"{w['value']:g}")
    for table in (figures, labels, spread, worst):
        if table.row_count:
            console.print(table)
    for note in report.notes:
        console.print(note, markup=False)
