"""``snapledger report``: plays, pictures, sections, one file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import UsageError
from pipeline.ledger import write_bytes
from pipeline.report import page, plays, quiz, sections
from pipeline.report.thumbs import Bare, Thumbs, width_for

QUIZ_COUNT = 12


def build(run_dirs: Sequence[Path], quiz_count: int = 0, film: Path | None = None) -> str:
    """The report as HTML. quiz_count: questions of the quiz, 0 for none; film: folder of film moved since.

    Raises UsageError, InputError (a run that cannot be read).
    """
    games = plays.load(run_dirs)
    thumbs = Thumbs(width_for(len(games.plays)))
    for play in games.plays:
        for moment in ("snap", "after"):
            thumbs.add(f"{play.key}-{moment}", play.picture(moment))
    book = page.Book(thumbs)
    parts = [make(games, book) for make in (
        sections.top, sections.stands_out, sections.deep_counts, sections.lying, sections.maps, sections.corners,
        sections.rush, sections.coverages,
    )]  # fmt: skip
    if quiz_count:
        parts.append(quiz.section(games.plays, thumbs, Bare(film), quiz_count))
    cards = "".join(page.card(p, thumbs, len(games.names)) for p in games.plays)
    parts.append(f'<section id="snaps"><h2>Every snap</h2><div class="gallery">{cards}</div></section>')
    parts.append(sections.cautions())
    return page.document("Report: " + ", ".join(games.names), parts, book)


def write(run_dirs: Sequence[Path], out: Path, quiz_count: int = 0, film: Path | None = None) -> None:
    """Write the report. Raises OutputError and what ``build`` raises."""
    if out.is_dir():
        raise UsageError("--out is a folder.", where=out, hint="Name a file, for example report.html.")
    write_bytes(out, build(run_dirs, quiz_count, film).encode("utf-8", "replace"))
