"""The field level of a game, told by a few clips before the others are charted."""

from __future__ import annotations

import io
import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline import config as configs
from pipeline.batch import level
from pipeline.ledger import read_csv
from pipeline.progress import LineReporter
from pipeline.records import Registration
from pipeline.run import Run, collect
from tests import program_support as support

CLIPS = 9
FIRST = [0, 5, 2, 7]  # clips of nine that are looked at first


class ByLook:
    """Tells the level by how bright the film's top rows are, as far as it is not given: canadian, college or none."""

    given: list[str] = []

    def __init__(self, told: str | None = None) -> None:
        self.told = told
        if told is not None:
            self.given.append(told)

    def register(self, image_bgr: np.ndarray, people: object = None, hint: object = None) -> Registration:
        top = float(image_bgr[:20].mean())
        if top < 40:
            raise RuntimeError("this film breaks the registrar")
        if self.told is None and 110 < top < 160:
            return Registration("abstained", None, "sideline", "college", reason="field level not certain")
        alone = "canadian" if top > 200 else "college"
        return Registration("ok", support.CAMERA, "sideline", self.told or alone, True, 0.4, 0.1)


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("films")
    brightness = {"college": 90, "canadian": 250, "unsure": 135, "broken": 5}
    return {k: support.write_film(folder / f"{k}.mp4", 2.4, brightness=v) for k, v in brightness.items()}


def _chart(films: dict[str, Path], kinds: list[str], out: Path) -> tuple[list[str | None], str, dict[str, int]]:
    """Levels of the snaps, what was said, the votes."""
    folder = out / "game"
    folder.mkdir(parents=True)
    for i, kind in enumerate(kinds):
        shutil.copy(films[kind], folder / f"{i}.mp4")
    ByLook.given = []
    tools = replace(support.known_tools((1.2,)), registrar=ByLook(), registrar_at=ByLook)
    quick = configs.load().with_("sampling", times_s=[-0.3, 0.0, 0.25], after_s=0.25, register_every=1)
    quick = quick.with_("pictures", enabled=False)
    stream = io.StringIO()
    Run(quick, tools, out / "run").chart(collect([folder], quick), LineReporter(stream))
    rows = read_csv(out / "run" / "snaps.csv", "snaps")
    votes = json.loads((out / "run" / "run.json").read_text(encoding="utf-8"))["level_votes"]
    assert not list((out / "run" / "work" / "levels").glob("*"))
    return [r["field_level"] for r in rows], stream.getvalue(), votes


def test_any_first_few_are_spread_over_the_game() -> None:
    assert level.order(CLIPS)[:4] == FIRST
    for n in (1, 2, 8, 150):
        assert sorted(level.order(n)) == list(range(n))
    for n in (40, 151):
        first = np.sort(level.order(n)[:12])
        assert np.diff(first).max() < n / 4
        assert set(first % 2) == {0, 1}  # two cameras that take turns in the list are both among them


def test_votes_must_be_enough_and_agree() -> None:
    assert level.agreed(["college"] * 3) == "college"
    assert level.agreed(["college"] * 2) is None
    assert level.agreed(["college"] * 3 + ["canadian"]) is None
    assert level.agreed(["college"] * 7 + ["canadian"]) == "college"
    assert level.agreed([]) is None


def test_level_told_first_holds_for_clips_that_alone_cannot_tell(films: dict[str, Path], tmp_path: Path) -> None:
    kinds = ["college"] * CLIPS
    kinds[1], kinds[5], kinds[8] = "unsure", "unsure", "canadian"
    told, said, votes = _chart(films, kinds, tmp_path)
    assert told == ["college"] * CLIPS and votes == {"college": 3}
    assert "told by 3 clips" in said and "again" not in said
    assert ByLook.given == ["college"]  # one registrar for all clips of a process


def test_clips_that_disagree_leave_it_to_the_vote_of_all(films: dict[str, Path], tmp_path: Path) -> None:
    kinds = ["college"] * CLIPS
    kinds[2], kinds[7], kinds[4] = "canadian", "canadian", "unsure"
    told, said, votes = _chart(films, kinds, tmp_path)
    assert told == ["college"] * CLIPS and votes == {"college": 6, "canadian": 2}
    assert "told by" not in said and said.count("again, as college") == 3


def test_a_clip_that_breaks_while_it_is_looked_at_is_told_of_once(films: dict[str, Path], tmp_path: Path) -> None:
    kinds = ["college"] * CLIPS
    kinds[0] = "broken"
    with pytest.raises(Exception, match="1 of 9"):
        _chart(films, kinds, tmp_path)
    failures = read_csv(tmp_path / "run" / "failures.csv", "failures")
    assert [r["file"] for r in failures] == ["0.mp4"] and "breaks" in str(failures[0]["reason"])
    assert [r["field_level"] for r in read_csv(tmp_path / "run" / "snaps.csv", "snaps")] == ["college"] * (CLIPS - 1)


def test_few_clips_are_not_looked_at_first_but_an_unsure_one_is_charted_again(
    films: dict[str, Path], tmp_path: Path
) -> None:
    told, said, votes = _chart(films, ["college", "unsure", "college", "college"], tmp_path)
    assert told == ["college"] * 4 and not votes
    assert said.count("again, as college") == 1
