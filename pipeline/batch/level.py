"""Which field a game is played on, told before its clips are charted: a frame or two of a few clips are looked at.

A clip alone may not tell (from behind the end zone the levels differ in little but the rows of hash marks), and all
levels are tried in each of its frames as long as none is told. Which clips are looked at depends on the list of clips
alone, never on who is done first.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from pipeline import film
from pipeline.config import Config
from pipeline.errors import OutputError
from pipeline.ledger import WORK, write_bytes
from pipeline.tools import Tools

FEWEST_CLIPS = 8  # of a run; with fewer, charting all and comparing costs no more
ROUND, ROUNDS = 4, 3  # clips looked at in a round, and the most rounds
VOTES, SHARE = 3, 0.8  # clips that must tell the same, and their share of all that tell
LOOKS = (30, 90)  # frames looked at until one tells: early ones, which cost little to decode, but no title before them
GOLDEN = 0.6180339887498949  # steps of this share spread any number of clips over the list, whatever its order


def order(clips: int) -> list[int]:
    """All indices of a list of clips, any first few of them spread over it."""
    out = dict.fromkeys(int(clips * (k * GOLDEN % 1.0)) for k in range(4 * clips))
    return [*out, *(i for i in range(clips) if i not in out)]


def look(path: Path, config: Config, tools: Tools) -> str | None:
    """The level that a clip shows, or None. Whatever goes wrong is left for charting the clip to tell."""
    try:
        reader = film.decode(
            path, wanted=LOOKS, threads=config.execution.threads or None, longest_s=config.film.longest_s
        )
        for _, _, image in reader:
            found = tools.registrar.register(image, people=tools.finder.find(image))
            if found.status == "ok" and found.level_told != "unsure":
                return str(found.level)
    except OutputError:
        raise
    except Exception:
        return None
    return None


def _file(out: Path, snap_base: str) -> Path:
    return out / WORK / "levels" / f"{snap_base}.txt"


def leave(out: Path, snap_base: str, level: str | None) -> None:
    """Leave a clip's answer in the run folder. Raises OutputError."""
    write_bytes(_file(out, snap_base), (level or "").encode())


def collect(out: Path, snap_bases: Sequence[str]) -> Iterator[str]:
    """Take the answers of these clips out of the run folder; a clip that told nothing, or was lost, has none."""
    for base in snap_bases:
        path = _file(out, base)
        try:
            told = path.read_text(encoding="utf-8")
            path.unlink()
        except OSError:
            continue
        if told:
            yield told


def agreed(votes: Sequence[str]) -> str | None:
    """The level that enough clips tell, and nearly all that tell any."""
    level, count = Counter(votes).most_common(1)[0] if votes else ("", 0)
    return level if count >= max(VOTES, SHARE * len(votes)) else None
