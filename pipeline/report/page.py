"""The page around the sections: styles, pictures, the list of snaps behind each number, print."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path

from pipeline.report.counting import FEWEST, Share
from pipeline.report.plays import Play
from pipeline.report.thumbs import Thumbs

SHORT = {
    "deep_safeties": "deep", "corner_depth_offense_left_yd": "corner left", "corner_depth_offense_right_yd":
    "corner right", "deep_safeties_after": "deep after", "rushers": "rushers", "blockers": "blockers",
    "coverage_after": "became",
}  # fmt: skip


def text(value: object) -> str:
    """A value as escaped text; no direction of writing leaks out of it."""
    said = str(value).encode("utf-8", "replace").decode("utf-8")
    return f"<bdi>{escape(said)}</bdi>"


def percent(value: float) -> str:
    """A share in words."""
    return f"{100 * value:.0f} %"


class Book:
    """Collects the plays behind every number and links to them."""

    def __init__(self, thumbs: Thumbs) -> None:
        self.thumbs = thumbs
        self._sets: dict[tuple[str, ...], tuple[str, str, Sequence[Play]]] = {}

    def link(self, plays: Sequence[Play], words: str, title: str) -> str:
        """Words that lead to the pictures of these plays."""
        if not plays:
            return escape(words)
        key = tuple(sorted(p.key for p in plays))
        if key not in self._sets:
            self._sets[key] = (f"set-{len(self._sets) + 1}", title, plays)
        return f'<a class="n" href="#{self._sets[key][0]}">{escape(words)}</a>'

    def said(self, found: Share, title: str) -> str:
        """'14 of 22 · 64 % (43 to 80)', the count leading to its snaps; a sentence where there are too few."""
        if not found.enough:
            return f'<span class="few">fewer than {FEWEST} snaps ({found.n})</span>'
        low, high = found.interval
        words = f"{len(found.hits)} of {found.n}"
        shown = self.link(found.hits or found.known, words, title if found.hits else f"{title}: none of")
        interval = f'<span class="interval">({100 * low:.0f} to {100 * high:.0f})</span>'
        return f"{shown} <b>{percent(found.value)}</b> {interval}"

    def panels(self) -> str:
        """The snaps behind each number: shown when a number is followed, never printed."""
        parts = []
        for ident, title, plays in self._sets.values():
            shots = "".join(self._shot(p) for p in plays)
            parts.append(
                f'<section class="set" id="{ident}" aria-label="{escape(title)}"><header><h3>{escape(title)}: '
                f'{len(plays)} snap(s)</h3><a class="close" href="#top">Close</a></header><div>{shots}</div></section>'
            )
        return "".join(parts)

    def _shot(self, play: Play) -> str:
        picture = self.thumbs.use(f"{play.key}-snap", escape(name(play)))
        return f'<a href="#{play.key}">{picture}<span>{text(name(play))}</span></a>'


def name(play: Play) -> str:
    """How a play is called in the report."""
    return str(play.row["snap_id"])


def card(play: Play, thumbs: Thumbs, games: int) -> str:
    """One play of the gallery: both pictures and what was read."""
    row = play.row
    facts = " · ".join(f"{short} {_shown(row[c])}" for c, short in SHORT.items() if row.get(c) is not None)
    where = ", ".join(f"{k} {v}" for k, v in play.situation.items() if k in ("down and distance", "hash", "field zone"))
    marks = []
    if row.get("checked"):
        marks.append(f"checked by {row.get('checked_by') or 'an analyst'}")
    if row.get("corrected"):
        marks.append("corrected since it was drawn")
    if row.get("review") and not row.get("checked"):
        marks.append("to review")
    title = f"{play.game}: {name(play)}" if games > 1 else name(play)
    shots = "".join(
        f"<figure>{thumbs.use(f'{play.key}-{moment}', escape(f'{name(play)} {moment}'))}"
        f"<figcaption>{said}</figcaption></figure>"
        for moment, said in (("snap", "at the snap"), ("after", "after"))
    )
    return (
        f'<article class="card" id="{play.key}"><h3>{text(title)}</h3><div class="pair">{shots}</div>'
        f"<p>{text(facts)}</p><p class='where'>{text(where)}</p><p class='marks'>{text('; '.join(marks))}</p></article>"
    )


def _shown(value: object) -> str:
    return f"{value:.1f}" if isinstance(value, float) else str(value).replace("_", " ")


def document(title: str, sections: Iterable[str], book: Book) -> str:
    """The whole page."""
    style = Path(__file__).with_name("style.css").read_text(encoding="utf-8")
    body = "".join(sections)
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; img-src data:; '
        "style-src 'unsafe-inline'\">"
        f"<style>{style}</style></head><body id='top'>{book.thumbs.symbols()}<main>{body}</main>{book.panels()}"
        "</body></html>"
    )
