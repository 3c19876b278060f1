"""A quiz sheet for teaching: the frame of the snap first, what it was and became after all questions."""

from __future__ import annotations

import random
from collections.abc import Sequence
from html import escape

import cv2
import numpy as np

from pipeline.pictures import HEADER_PX
from pipeline.report.page import name, text
from pipeline.report.plays import Play
from pipeline.report.thumbs import QUIZ_PX, Bare, Thumbs

QUESTIONS = ("How many are deep?", "Which corner is closer?", "What will the deep picture become?", "How many rush?")
MARKED = "The film is not there: this picture carries the marks of the reading."


def choose(plays: Sequence[Play], count: int, seed: int = 1) -> list[Play]:
    """Plays to ask: dropbacks read in full, those checked by an analyst first, then the surest; mixed."""
    full = [
        p for p in plays
        if p.row.get("play_kind") == "dropback" and p.row.get("deep_safeties") is not None
        and p.row.get("deep_safeties_after") is not None and (p.row.get("checked") or not p.row.get("review"))
    ]  # fmt: skip
    full.sort(key=lambda p: (not p.row.get("checked"), -float(p.row.get("confidence") or 0.0), p.key))
    chosen = full[: max(count, 0)]
    random.Random(seed).shuffle(chosen)
    return chosen


def _question_picture(play: Play, bare: Bare, thumbs: Thumbs) -> str:
    """Name of the picture of a question, and a remark where it is not the bare frame."""
    image = bare.snap(play)
    label = f"q-{play.key}"
    if image is not None:
        thumbs.put(label, image, min(QUIZ_PX, image.shape[1]))
        return ""
    path = play.picture("snap")
    marked = None if path is None else cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)
    if marked is not None and marked.shape[0] > 3 * HEADER_PX:
        film = marked[HEADER_PX:]
        film = film[:, : min(film.shape[1], round(film.shape[0] * 16 / 9))]  # without the diagram beside it
        thumbs.put(label, np.asarray(film, np.uint8), QUIZ_PX)
    return MARKED


def _answer(play: Play) -> str:
    row = play.row
    said = [f"{row['deep_safeties']} deep at the snap, {row['deep_safeties_after']} after"]
    left, right = (row.get(f"corner_depth_offense_{s}_yd") for s in ("left", "right"))
    if left is not None and right is not None:
        closer = "left" if left < right else "right"
        said.append(f"corners {left:.1f} yd left, {right:.1f} yd right of the offence: the {closer} one is closer")
    if row.get("rushers") is not None:
        block = f", {row['blockers']} block" if row.get("blockers") is not None else ""
        said.append(f"{row['rushers']} rush{block}")
    if row.get("coverage_after"):
        said.append(f"likeliest: {str(row['coverage_after']).replace('_', ' ')}")
    checked = f"Checked by {row.get('checked_by')}." if row.get("checked") else "Not checked by an analyst."
    return f"<p>{text('; '.join(said))}.</p><p class='marks'>{text(checked)}</p>"


def section(plays: Sequence[Play], thumbs: Thumbs, bare: Bare, count: int) -> str:
    """The quiz as HTML: all questions, then all answers."""
    chosen = choose(plays, count)
    if not chosen:
        said = '<p class="few">No dropback was read in full: nothing to ask.</p>'
        return f'<section id="quiz" class="quiz"><h2>Quiz</h2>{said}</section>'
    asked, answered = [], []
    for number, play in enumerate(chosen, start=1):
        remark = _question_picture(play, bare, thumbs)
        lines = "".join(f"<li>{escape(q)} <span class='blank'></span></li>" for q in QUESTIONS)
        note = f"<p class='marks'>{escape(remark)}</p>" if remark else ""
        asked.append(
            f'<article class="ask" id="ask-{number}"><h3>{number}</h3>'
            f'{thumbs.use(f"q-{play.key}", f"Question {number}")}{note}'
            f'<ol>{lines}</ol><p class="turn"><a href="#answer-{number}">Answer</a></p></article>'
        )
        pair = "".join(thumbs.use(f"{play.key}-{m}", escape(f"{name(play)} {m}")) for m in ("snap", "after"))
        answered.append(
            f'<article class="answer" id="answer-{number}"><h3>{number}: {text(name(play))}</h3>'
            f'<div class="pair">{pair}</div>{_answer(play)}'
            f'<p class="turn"><a href="#ask-{number}">Back to the question</a></p></article>'
        )
    return (
        '<section id="quiz" class="quiz"><h2>Quiz</h2><p class="lead">The frame of the snap first. Answers follow '
        f"after the last question.</p>{''.join(asked)}</section>"
        f'<section id="answers" class="answers"><h2>Answers</h2>{"".join(answered)}</section>'
    )
