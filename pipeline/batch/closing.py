"""The summary at the end of a run: what was charted, what a person should look at, what failed and why."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.ledger import ClipResult, Row

LISTING = ("unsure", "not visible")  # reasons that name labels after a colon
MOST_SHOWN = 12  # failures and reasons told one by one; failures.csv and snaps.csv have all


@dataclass(frozen=True)
class Closing:
    """Counts over a run and the rows that failed."""

    clips: int
    charted: int
    snaps: int
    review: int
    without_snap: int
    failures: tuple[Row, ...]
    reasons: tuple[tuple[str, int], ...]  # reasons for a review, most frequent first

    def lines(self) -> list[str]:
        """The summary as lines of text."""
        none = f", {self.without_snap} without a snap" if self.without_snap else ""
        said = [f"Charted:   {self.charted} of {self.clips} clip(s), {self.snaps} snap(s){none}"]
        said.append(f"To review: {self.review} of {self.snaps} snap(s)")
        said += [f"    {reason} ({count})" for reason, count in self.reasons[:5]]
        said.append(f"Failed:    {len(self.failures)}")
        for row in self.failures[:MOST_SHOWN]:
            hint = f" Hint: {row['hint']}" if row.get("hint") else ""
            said.append(f"    {row['file']} ({row['stage']}): {row['reason']}{hint}")
        if len(self.failures) > MOST_SHOWN:
            said.append(f"    and {len(self.failures) - MOST_SHOWN} more: see failures.csv")
        return said


def close(results: Sequence[ClipResult], folders: Sequence[Row], clips: int) -> Closing:
    """Count over the clips of a run. folders: rows of folders that could not be read."""
    snaps = [row for r in results for row in r.rows.get("snaps", [])]
    real = [row for row in snaps if row.get("snap_frame") is not None]
    reasons: Counter[str] = Counter()
    for row in real:
        said = str(row.get("review_reasons") or "").split(";")
        reasons.update({kind for r in said if r.strip() for kind in _kinds(r)})
    failures = [*folders, *(row for r in results for row in r.rows.get("failures", []))]
    return Closing(
        clips, sum(1 for r in results if not r.failed), len(real), sum(1 for r in real if r.get("review")),
        len(snaps) - len(real), tuple(failures), tuple(reasons.most_common()),
    )  # fmt: skip


def _kinds(reason: str) -> list[str]:
    """A reason without what changes from row to row; those that list labels give one for each."""
    head, _, rest = (part.strip() for part in reason.partition(":"))
    if head in LISTING and rest:
        return [f"{name.strip().replace('_', ' ')} {head}" for name in rest.split(",")]
    return [re.sub(r"^\d+ of ", "men of ", head)]
