"""Prints what ``snapledger evaluate`` found."""

from __future__ import annotations

import math

from rich.console import Console
from rich.table import Table as RichTable

from pipeline import label_figures, stats
from pipeline.evaluate import WORDS, Report


def shown(value: float, unit: str) -> str:
    """A value as text with its unit."""
    if not math.isfinite(value):
        return "-"
    if unit == "ece":
        return f"{value:.3f}"
    return f"{100 * value:.1f} %" if unit == "share" else f"{value:.2f} yd"


def print_report(report: Report, console: Console) -> None:
    """Print the tables."""
    figures = RichTable("what", "value", "95 % interval", "n", "must reach", title="Figures")
    for f in report.figures:
        words, target = WORDS[f.key]
        figures.add_row(words, shown(f.value, f.unit), f"{shown(f.low, f.unit)} to {shown(f.high, f.unit)}", str(f.n),
                        target)  # fmt: skip
    asked = RichTable("what", "value", "95 % interval", "n", "must reach", title="Labels, blank counts as wrong")
    for v in report.label_figures:
        name, with_eyes, _ = label_figures.WORDS[v.key]
        asked.add_row(name, shown(v.value, v.unit), f"{shown(v.low, v.unit)} to {shown(v.high, v.unit)}", str(v.n),
                      with_eyes)  # fmt: skip
    labels = RichTable("label", "n", "answered", "exact of all", "95 % interval", "exact of answered", "kappa", "Brier",
                       "calibration error", "wrong, surest 90 %", "kept at 5 % wrong", title="Labels")  # fmt: skip
    for x in report.labels:
        kappa = "-" if math.isnan(x.kappa) else f"{x.kappa:.2f}"
        interval = f"{shown(x.low, 'share')} to {shown(x.high, 'share')}"
        trust = [shown(x.brier, "ece"), shown(x.calibration_error, "ece"), shown(x.wrong_at_90, "share"),
                 shown(x.answered_at_5, "share")]  # fmt: skip
        labels.add_row(x.name, str(x.n), shown(x.answered, "share"), shown(x.exact, "share"), interval,
                       shown(x.exact_answered, "share"), kappa, *trust)  # fmt: skip
    names = sorted({g for x in report.labels for g in x.by_group})
    apart = RichTable("label", *names, title="Exact of all, by group (plays)")
    mixed = RichTable("label", "true -> said, times", title="What was taken for what")
    for x in report.labels:
        cells = [f"{100 * x.by_group[g][1]:.0f} % ({x.by_group[g][0]:.0f})" if g in x.by_group else "" for g in names]
        apart.add_row(x.name, *cells)
        wrong = {k: n for k, n in x.confusion.items() if len(set(k.split(" -> "))) > 1}
        ranked = sorted(wrong.items(), key=lambda item: -item[1])[:8]
        if ranked:
            mixed.add_row(x.name, ", ".join(f"{k} {n}" for k, n in ranked))
    spread = RichTable("distribution", "n", "mean", *[f"{p} %" for p in stats.PERCENTILES], "max")
    for name, d in report.distributions.items():
        keys = ["mean", *[f"p{p}" for p in stats.PERCENTILES], "max"]
        spread.add_row(name, f"{d['n']:.0f}", *[f"{d[k]:.2f}" for k in keys])
    worst = RichTable("what", "clip", "snap_id", "frame", "value", title="Worst cases")
    for w in report.worst:
        worst.add_row(w["what"], w["clip"], str(w["snap_id"] or ""), str(w["frame"] or ""), f"{w['value']:g}")
    for table in (figures, asked, labels, apart if names else RichTable(), mixed, spread, worst):
        if table.row_count:
            console.print(table)
    for note in report.notes:
        console.print(note, markup=False)
