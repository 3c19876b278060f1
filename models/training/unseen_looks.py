"""What an unseen look costs: short trainings of equal steps, each without one look, measured on stills of that look.

``python -m models.training.unseen_looks --plan`` prints one line a training: its name and the arguments of
models.training.train_people. ``--table FILE`` reads what ``evaluate_people --looks --json FILE`` measured of them
and prints each beside the one that saw everything; ``--json OUT`` writes the same.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import InputError

BASE = "trunk_short"


@dataclass(frozen=True)
class Short:
    """One training: what it goes without, its arguments, and where that shows (a word of the look, or a set)."""

    without: str
    arguments: str
    shows: tuple[str, ...]


PLAN = (
    Short("night", "--candidate trunk --without light=night", ("light=night",)),
    Short("endzone", "--candidate trunk --without view=endzone", ("view=endzone",)),
    Short("low", "--candidate trunk --without camera=low", ("camera=low",)),
    Short("worn", "--candidate trunk --without turf=worn turf=snow", ("turf=worn",)),
    Short("real", "--candidate trunk_rendered", ("wide_camera_people", "rugby_night", "rendered")),
    Short("wear", "--candidate trunk --worn 0", ("wide_camera_people", "rugby_night", "rendered")),
    Short("hard_shadow", "--candidate trunk --without light=hard_shadow", ("light=hard_shadow",)),
)  # fmt: skip
KEYS = ("ap50", "recall", "precision", "recall_at_precision_0.7", "recall_at_precision_0.94")


def plan() -> list[str]:
    """Lines 'NAME ARGUMENTS', the comparison's base first."""
    return [f"{BASE} --candidate trunk", *(f"{BASE}_without_{s.without} {s.arguments}" for s in PLAN)]


def _figures(measured: dict[str, Any], where: str) -> dict[str, float] | None:
    """The few figures of one finder on a look or a set; None where it was not measured there."""
    f = measured.get("looks", {}).get(where) or measured.get(where)
    if f is None:
        return None
    flat = {**f, **f.get("at_0.25", {})}
    return {k: round(float(flat[k]), 4) for k in KEYS} | {"frames": float(flat["frames"])}


def compare(results: dict[str, Any]) -> list[dict[str, Any]]:
    """Rows: without what, where it shows, figures with and without. Raises InputError without the base."""
    if BASE not in results:
        raise InputError(f"{BASE} was not measured.", hint="Train and measure the comparison's base too.")
    rows = []
    for s in PLAN:
        name = f"{BASE}_without_{s.without}"
        for where in s.shows if name in results else ():
            seen, unseen = _figures(results[BASE], where), _figures(results[name], where)
            if seen and unseen:
                rows.append({"without": s.without, "on": where, "with": seen, "left_out": unseen})
    return rows


def table(rows: list[dict[str, Any]]) -> str:
    """Markdown: trained with and without, AP50 and recall / precision at confidence .25."""
    head = "| left out in training | measured on | frames | AP50 with / without | recall/precision with | without |"
    lines = [head, "|---|---|---|---|---|---|"]
    for r in rows:
        a, b = r["with"], r["left_out"]
        lines.append(
            f"| {r['without']} | {r['on']} | {a['frames']:.0f} | {a['ap50']:.3f} / {b['ap50']:.3f} "
            f"| {a['recall']:.3f}/{a['precision']:.3f} | {b['recall']:.3f}/{b['precision']:.3f} |"
        )
    return "\n".join(lines)


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--plan", action="store_true")
    p.add_argument("--table", type=Path, help="JSON of models.training.evaluate_people --looks")
    p.add_argument("--json", type=Path, help="write the comparison here too")
    a = p.parse_args(argv)
    if a.plan:
        print("\n".join(plan()))
    if a.table:
        rows = compare(json.loads(a.table.read_text(encoding="utf-8")))
        print(table(rows))
        if a.json:
            a.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
