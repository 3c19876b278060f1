"""What the report says, section by section. Each function gives HTML; every number leads to its snaps."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from html import escape
from typing import Any

import numpy as np

from pipeline.labels import load as label_settings
from pipeline.report import drawing
from pipeline.report.counting import FEWEST, Share, Test, equals, groups, matrix, numbers, share, tells
from pipeline.report.free import free, rushers
from pipeline.report.page import Book, text
from pipeline.report.plays import SITUATIONS, Games, Play

CAUTIONS = (
    "Every number is an estimate from film. Look at the snaps behind it, which each number leads to, before you lean "
    "on it.",
    "Intervals are 95 % (Wilson) for the share among snaps like these; they do not cover mistakes of the reading.",
    "What a coverage was called cannot be seen: its name here is the likeliest of those that fit.",
    "Film is used under the league's, conference's or school's rules on exchange and on use during games; this report "
    "is part of what those rules cover.",
    "Film and names of minors need the school's consent and stay local: pass this file on as you would pass on the "
    "film.",
    "Not for officiating, and not for any medical judgement.",
)
WORDS = {0: "none deep", 1: "one deep", 2: "two deep", 3: "three deep", 4: "four deep"}
FACTS: tuple[tuple[str, Test], ...] = (
    ("two deep at the snap", equals("deep_safeties", 2)),
    ("one deep at the snap", equals("deep_safeties", 1)),
    ("the deep picture changes after the snap", lambda p: lies(p)),
    ("five or more rush", lambda p: None if p.row.get("rushers") is None else int(p.row["rushers"]) >= 5),
    ("more rush than block", lambda p: None if p.row.get("spare_rushers") is None else p.row["spare_rushers"] > 0),
    ("both corners press", equals("corner_picture", "both_press")),
)


def lies(play: Play) -> bool | None:
    """True where the deep count before the snap is not the one after it."""
    before, after = play.row.get("deep_safeties"), play.row.get("deep_safeties_after")
    return None if before is None or after is None else before != after


def section(ident: str, title: str, lead: str, body: str) -> str:
    """A section with its heading and one sentence on what it rests on."""
    return f'<section id="{ident}"><h2>{escape(title)}</h2><p class="lead">{lead}</p>{body}</section>'


def table(head: Sequence[str], rows: Sequence[Sequence[str]], kind: str = "") -> str:
    """A table; cells are HTML already."""
    cells = "".join(f'<th scope="col">{escape(h)}</th>' for h in head)
    body = "".join(
        f'<tr><th scope="row">{row[0]}</th>{"".join(f"<td>{c}</td>" for c in row[1:])}</tr>' for row in rows
    )
    return f'<table class="{kind}"><thead><tr>{cells}</tr></thead><tbody>{body}</tbody></table>'


def shares(book: Book, rows: Sequence[tuple[str, Share]], about: str) -> str:
    """A table of shares with bars."""
    lines = [
        [text(label), drawing.bar(found) if found.enough else "", book.said(found, f"{about}: {label}")]
        for label, found in rows
    ]
    return table(["", "share and 95 % interval", "snaps"], lines, "shares")


def top(games: Games, book: Book) -> str:
    """Title, what was counted, how much an analyst checked."""
    plays = games.plays
    checked = share(plays, lambda p: bool(p.row.get("checked")))
    review = share(plays, lambda p: bool(p.row.get("review")) and not p.row.get("checked"))
    corrected = [p for p in plays if p.row.get("corrected")]
    left = "; ".join(f"{n} {why}" for why, n in games.left_out.items())
    drop = [p for p in plays if p.row.get("play_kind") == "dropback"]
    not_counted = f" Not counted: {escape(left)}." if left else ""
    set_right = f", {book.link(corrected, f'{len(corrected)} corrected', 'Corrected')}" if corrected else ""
    lines = [
        f"{book.link(plays, f'{len(plays)} plays', 'All plays')} of {len(games.names)} game(s), "
        f"{book.link(drop, f'{len(drop)} dropbacks', 'Dropbacks')} among them.{not_counted}",
        f"Checked by an analyst: {book.said(checked, 'Checked by an analyst')}{set_right}. "
        f"Still to review: {book.said(review, 'To review')}.",
    ]
    names = ", ".join(text(n) for n in games.names)
    return (f"<header class='title'><p class='kicker'>What they show, and what it becomes</p><h1>{names}</h1>"
            + "".join(f"<p>{line}</p>" for line in lines) + "</header>")  # fmt: skip


def stands_out(games: Games, book: Book) -> str:
    """What a situation changes by more than chance would."""
    found, looked = tells(games.plays, FACTS)
    lead = (f"Situations in which something is seen more or less often than in the others, the two intervals apart; "
            f"{looked} comparisons of at least {FEWEST} snaps each were looked at.")  # fmt: skip
    if not found:
        return section("tells", "What a situation changes", lead, "<p>Nothing that stands apart from the rest.</p>")
    items = "".join(
        f"<li><b>{escape(t.situation)}: {text(t.group)}</b> {escape(t.what)} "
        f"{book.said(t.there, f'{t.group}: {t.what}')}, "
        f"elsewhere {book.said(t.elsewhere, f'not {t.group}: {t.what}')}</li>"
        for t in found
    )
    return section("tells", "What a situation changes", lead, f"<ul class='tells'>{items}</ul>")


def _deep(value: int) -> Test:
    return lambda p: None if p.row.get("deep_safeties") is None else min(int(p.row["deep_safeties"]), 3) == value


def deep_counts(games: Games, book: Book) -> str:
    """Deep safeties at the snap: over all, and by situation."""
    rows = [(WORDS[k] if k < 3 else "three or more", share(games.plays, _deep(k))) for k in range(4)]
    unknown = sum(1 for p in games.plays if p.row.get("deep_safeties") is None)
    blank = f" Not to be seen on {unknown} of {len(games.plays)} plays." if unknown else ""
    lead = f"Deep safeties at the snap.{blank}"
    body = shares(book, rows, "Deep at the snap")
    body += by_situation(games.plays, book, [(WORDS[k], _deep(k)) for k in (1, 2)], "Deep at the snap")
    return section("deep", "The deep picture before the snap", lead, body)


def by_situation(plays: Sequence[Play], book: Book, facts: Sequence[tuple[str, Test]], about: str) -> str:
    """One table a situation: a row a group, a column a fact. Situations of which nothing is known are named."""
    parts, unknown, few = [], [], []
    for name in SITUATIONS:
        found = groups(plays, name)
        if not found:
            unknown.append(name)
            continue
        if not any(share(inside, test).enough for inside in found.values() for _, test in facts):
            few.append(name)
            continue
        rows = [
            [text(group), *(book.said(share(inside, test), f"{about}, {name} {group}: {what}") for what, test in facts)]
            for group, inside in found.items()
        ]
        parts.append(f"<div><h3>By {escape(name)}</h3>{table([name, *[w for w, _ in facts]], rows, 'groups')}</div>")
    said = f"<p class='unknown'>Not known: {escape(', '.join(unknown))}.</p>" if unknown else ""
    said += f"<p class='few'>Fewer than {FEWEST} snaps in any: {escape(', '.join(few))}.</p>" if few else ""
    return f"<div class='situations'>{''.join(parts)}</div>{said}"


def lying(games: Games, book: Book) -> str:
    """How often the picture changes, and from what to what."""
    drop = [p for p in games.plays if p.row.get("play_kind") == "dropback"]
    found = share(drop, lies)
    counted = book.said(found, "Picture changes")
    lead = f"Dropbacks on which the deep count after the snap is another than before it: {counted}."
    values, cells = matrix(drop, "deep_safeties", "deep_safeties_after")
    body = ""
    if found.enough:
        body = f"<h3>From what to what</h3>{_matrix(values, cells, book)}"
        body += shares(book, _turns(drop), "Rotation")
        body += by_situation(drop, book, [("the picture changes", lies)], "Picture changes")
    return section("lies", "How often the picture lies", lead, body)


def _turns(drop: Sequence[Play]) -> list[tuple[str, Share]]:
    names = {"two_to_one": "two become one", "one_to_two": "one becomes two", "to_none": "none stays deep",
             "to_three": "three get deep"}  # fmt: skip
    rows = [(said, share(drop, equals("rotation", value))) for value, said in names.items()]
    rows = [(said, found) for said, found in rows if found.hits]
    sides = [p for p in drop if p.row.get("rotation_from")]
    for side in ("left", "right") if len(sides) >= FEWEST else ():
        rows.append((f"of these, the safety on the offence's {side} comes down",
                     share(sides, equals("rotation_from", f"offense_{side}"))))  # fmt: skip
    return rows


def _matrix(values: list[Any], cells: dict[tuple[Any, Any], list[Play]], book: Book) -> str:
    rows = []
    for before in values:
        known = [p for (a, _), plays in cells.items() if a == before for p in plays]
        line = [f"{escape(WORDS.get(before, str(before)))} shown"]
        for after in values:
            found = Share(tuple(cells.get((before, after), ())), tuple(known))
            shade = 0 if not found.enough else round(found.value * 100)
            same = " same" if before == after else ""
            counted = book.said(found, f"{before} deep to {after} deep")
            line.append(f'<div class="cell{same}" style="--v:{shade}">{counted}</div>')
        rows.append(line)
    return table(["at the snap", *[f"{WORDS.get(v, v)} after" for v in values]], rows, "matrix")


def corners(games: Games, book: Book) -> str:
    """How deep the corners stand, by side."""
    limits = label_settings()
    marks = [("press", limits("corner.press_yd")), ("off", limits("corner.off_yd"))]
    parts = []
    for side in ("left", "right"):
        known, values = numbers(games.plays, f"corner_depth_offense_{side}_yd")
        head = f"<h3>Corner on the offence's {side}</h3>"
        if len(known) < FEWEST:
            parts.append(f"<div>{head}<p class='few'>fewer than {FEWEST} snaps ({len(known)})</p></div>")
            continue
        low, middle, high = np.percentile(values, [25, 50, 75])
        count = book.link(known, f"{len(known)} snaps", f"Corner on the offence's {side}")
        said = f"{count}: half of them between {low:.1f} and {high:.1f} yd, the middle one at {middle:.1f} yd."
        drawn = drawing.histogram(values, marks, "yards past the line of scrimmage")
        parts.append(f"<div>{head}{drawn}<p>{said}</p></div>")
    pictures = ("both_press", "both_off", "mixed", "soft")
    rows = [(p.replace("_", " "), share(games.plays, equals("corner_picture", p))) for p in pictures]
    body = f"<div class='situations'>{''.join(parts)}</div>{shares(book, rows, 'Corners')}"
    body += by_situation(games.plays, book, [("both press", equals("corner_picture", "both_press"))], "Corners")
    return section("corners", "Corners", "Depth of each corner at the snap, and both together.", body)


def rush(games: Games, book: Book) -> str:
    """How many come, when more come than block, and who comes free."""
    drop = [p for p in games.plays if p.row.get("play_kind") == "dropback"]
    counts = sorted({int(p.row["rushers"]) for p in drop if p.row.get("rushers") is not None})
    rows = [(f"{k} rush", share(drop, equals("rushers", k))) for k in counts]
    more: Test = lambda p: None if p.row.get("spare_rushers") is None else p.row["spare_rushers"] > 0  # noqa: E731
    five: Test = lambda p: None if p.row.get("rushers") is None else int(p.row["rushers"]) >= 5  # noqa: E731
    rows.append(("more rush than block", share(drop, more)))
    body = shares(book, rows, "Rush")
    body += by_situation(drop, book, [("five or more rush", five), ("more rush than block", more)], "Rush")
    body += _who(drop, book)
    return section("rush", "The rush, and who is free", "Dropbacks on which rushers could be counted.", body)


def _who(drop: Sequence[Play], book: Book) -> str:
    known = [p for p in drop if p.row.get("rushers") is not None and rushers(p)]
    seen = Counter(name for p in known for name in set(rushers(p)))
    body = "<h3>Who rushes</h3>"
    rows = [(n.replace("_", " "), share(known, _has(rushers, n))) for n, _ in seen.most_common()]
    body += shares(book, rows, "Rushes")
    outnumbered = [p for p in drop if free(p) is not None]
    body += "<h3>Who is free when more rush than block</h3>"
    if len(outnumbered) < FEWEST:
        return body + f"<p class='few'>fewer than {FEWEST} snaps ({len(outnumbered)})</p>"
    who = Counter((f.position, f.side) for p in outnumbered for f in set(free(p) or ()))
    rows = [
        (f"{position.replace('_', ' ')}, {'middle' if side == 'middle' else f'the offence{chr(39)}s {side}'}",
         share(outnumbered, _is_free(position, side)))
        for (position, side), _ in who.most_common()
    ]  # fmt: skip
    said = "<p>Free: left over when each blocker is given the rusher nearest to him, all together.</p>"
    return body + said + shares(book, rows, "Free")


def _has(names: Callable[[Play], list[str]], wanted: str) -> Test:
    return lambda p: wanted in names(p)


def _is_free(position: str, side: str) -> Test:
    return lambda p: any((f.position, f.side) == (position, side) for f in free(p) or ())


def maps(games: Games, book: Book) -> str:
    """Where the deep men stand, before and after."""
    parts = []
    for moment, title in (("snap", "At the snap"), ("after", "After, with the way from the snap")):
        plays = [p for p in games.plays if any(r.get("deep") for r in p.people.get(moment, ()))]
        head = f"<h3>{title}</h3>"
        if len(plays) < FEWEST:
            parts.append(f"<div>{head}<p class='few'>fewer than {FEWEST} snaps ({len(plays)})</p></div>")
            continue
        drawn, shown = drawing.safeties(plays, moment, f"Deep men, {title.lower()}, {len(plays)} snaps")
        count = book.link(plays, f"{shown} snaps", f"Deep men, {title.lower()}")
        parts.append(f"<div>{head}{drawn}<p>{count}</p></div>")
    lead = "From above, the offence below and attacking up the page; each dot is a man counted as deep."
    return section("maps", "Where the deep men are", lead, f"<div class='situations'>{''.join(parts)}</div>")


def coverages(games: Games, book: Book) -> str:
    """Likeliest coverage after the snap."""
    drop = [p for p in games.plays if p.row.get("coverage_after") is not None]
    counted = Counter(str(p.row["coverage_after"]) for p in drop)
    rows = [(n.replace("_", " "), share(drop, equals("coverage_after", n))) for n, _ in counted.most_common()]
    lead = f"The likeliest of the coverages that fit, on the {len(drop)} dropbacks on which one could be named."
    body = shares(book, rows, "Became") if len(drop) >= FEWEST else f"<p class='few'>fewer than {FEWEST} snaps</p>"
    return section("coverages", "What it became", lead, body)


def cautions() -> str:
    """At the foot."""
    items = "".join(f"<li>{escape(c)}</li>" for c in CAUTIONS)
    return f'<footer id="cautions"><h2>Before you use this</h2><ul>{items}</ul></footer>'
