"""A value that is not sure must not stand in a row without a reason to look."""

from __future__ import annotations

import csv
from pathlib import Path

LEDGER = Path(__file__).parents[2] / "sample_frames" / "expected"
SAID = ("deep_safeties", "corner_picture", "deep_safeties_after", "rotation", "rushers", "coverage_after")


def _rows(name: str) -> list[dict[str, str]]:
    with open(LEDGER / name, encoding="utf-8-sig", newline="") as f:
        return list(csv.DictReader(f))


def test_rows_with_an_unsure_value_ask_for_a_look() -> None:
    snaps = {r["snap_id"]: r for r in _rows("snaps.csv")}
    unsure = [r for r in _rows("labels.csv") if r["label"] in SAID and r["status"] == "unsure"]
    assert unsure, "the samples hold at least one unsure label"
    for label in unsure:
        row = snaps[label["snap_id"]]
        assert row["review"] == "true" and label["label"] in row["review_reasons"]
