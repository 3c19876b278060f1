"""``snapledger import-edits``: says what an edited file holds and writes it, whole or not at all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from pipeline.audit.server import default_who
from pipeline.errors import InputError, SomeFailedError
from pipeline.export import edits

MOST_SHOWN = 40


def run(
    run_dir: Path, file: Path, who: str | None, dry_run: bool, ignore_unknown: bool, say: Callable[[str], None]
) -> None:
    """Read, show, write. Raises InputError where a cell is refused, SomeFailedError (exit 3) for conflicts."""
    found = edits.read(run_dir, file, ignore_unknown)
    for remark in found.remarks:
        say(remark)
    if found.refusals:
        _show("Refused", [r.text() for r in found.refusals], say)
        raise InputError(
            f"{len(found.refusals)} cell(s) cannot be taken over; nothing was written.", where=file,
            hint="Correct them in the file and import it again.",
        )  # fmt: skip
    _show("Edits", [e.text() for e in found.edits], say)
    conflicts = [f"{edit.text()}   ({rival})" for edit, rival in found.conflicts]
    if not dry_run:
        for late in edits.write(run_dir, found, who or default_who()):
            conflicts.append(f"{late.event.snap_id}  {late.event.subject}: {late.message} just now")
    _show("Conflicts, not written", conflicts, say)
    wrote = len(found.edits) - (len(conflicts) - len(found.conflicts))
    verb = "would be" if dry_run else "were"
    say(f"{found.rows} row(s) read; {wrote} edit(s) {verb} taken over, {len(conflicts)} conflict(s).")
    if conflicts:
        raise SomeFailedError(
            f"{len(conflicts)} edit(s) stand against what others changed since the export.", where=file,
            hint="Look at these snaps in `snapledger audit`, or export anew and edit that.",
        )  # fmt: skip


def _show(title: str, lines: list[str], say: Callable[[str], None]) -> None:
    if not lines:
        return
    say(f"{title}:")
    for line in lines[:MOST_SHOWN]:
        say(f"    {line}")
    if len(lines) > MOST_SHOWN:
        say(f"    and {len(lines) - MOST_SHOWN} more")
