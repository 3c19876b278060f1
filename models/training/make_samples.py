"""``make samples``: renders sample_frames/, six short clips of one invented game, with truth and expected ledger.

Invented schools: Alder Creek (home) and Port Bramley (visitors). One stadium, one evening, two cameras.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from models.training.film.clips import render_clip
from models.training.film.draw import draw_look
from models.training.playbook.play import Play, make_play
from models.training.test_set import merge_truth

LEVEL = "college"
LOOK_SEED = 4_120
LIMIT_BYTES = 25_000_000
SIZE, FPS = (1280, 720), 30.0
BEFORE_S, AFTER_S = 3.6, 2.6


@dataclass(frozen=True)
class Sample:
    """One clip: number in the game, camera, what is called, and the truth that it is there to show."""

    number: int
    view: str
    call: dict[str, Any]
    truth: dict[str, Any]

    @property
    def name(self) -> str:
        return f"alder_creek_at_port_bramley_{self.number:02d}"

    def play(self) -> Play:
        """The first play from a seed of its own on whose truth is the one wanted."""
        for seed in range(100 * self.number, 100 * self.number + 100):
            play = make_play(seed, LEVEL, **self.call)
            if all(play.labels.get(k) == v for k, v in self.truth.items()):
                return play
        raise SystemExit(f"No play of a hundred shows {self.truth}.")


PASS = {"kind": "pure_dropback", "motion": "none", "shift": False, "disguise": False}
GAME = (
    Sample(1, "sideline", PASS | {"coverage": "cover_4", "pressure": 4, "los": 55.0},
           {"deep_safeties": 2, "corner_picture": "both_off", "rotation": "none", "rushers": 4}),
    Sample(2, "sideline", PASS | {"coverage": "cover_1", "pressure": 4, "los": 48.0, "motion": "across",
                                  "response": "followed"},
           {"deep_safeties": 1, "motion_response": "followed", "rushers": 4}),
    Sample(3, "sideline", PASS | {"coverage": "cover_0", "pressure": 6, "los": 62.0},
           {"deep_safeties": 0, "rushers": 6, "spare_rushers": 1}),
    Sample(4, "sideline", PASS | {"coverage": "cover_3_sky", "shell": 2, "pressure": 4, "los": 41.0},
           {"deep_safeties": 2, "deep_safeties_after": 1, "rotation": "two_to_one", "rushers": 4}),
    Sample(5, "endzone", PASS | {"coverage": "cover_1", "pressure": 5, "los": 45.0, "direction": 1},
           {"deep_safeties": 1, "rushers": 5, "blockers": 5}),
    Sample(6, "endzone", PASS | {"coverage": "cover_2", "kind": "run", "los": 52.0, "direction": 1},
           {"play_kind": "run", "deep_safeties": 2}),
)  # fmt: skip


def looks() -> dict[str, Any]:
    """The game's two cameras: one stadium, one light, one pair of kits."""
    first = draw_look(np.random.default_rng(LOOK_SEED), "sideline", LEVEL, "test")
    second = draw_look(np.random.default_rng(LOOK_SEED + 1), "endzone", LEVEL, "test")
    shared = {k: getattr(first, k) for k in ("field", "crown_yd", "paint", "turf", "light", "wardrobe_seed")}
    return {"sideline": first, "endzone": replace(second, **shared)}


def render_game(out: Path) -> None:
    """Render the six clips into ``out`` and their truth into ``out/truth``."""
    cameras = looks()
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        films = []
        for sample in GAME:
            render_clip(sample.play(), cameras[sample.view], Path(scratch), sample.name, FPS, SIZE, BEFORE_S, AFTER_S)
            films.append(Path(scratch) / f"{sample.name}.mp4")
            print(f"{sample.name}: {sample.truth}", flush=True)
        for film in films:
            shutil.copy(film, out / film.name)
        merge_truth(films, out / "truth")
    total = sum(p.stat().st_size for p in out.glob("*.mp4"))
    if total > LIMIT_BYTES:
        raise SystemExit(f"The clips take {total} bytes, more than {LIMIT_BYTES}: lower the bit rate.")


def expect(out: Path) -> None:
    """Chart the clips and keep the tables as the expected ledger."""
    from pipeline import config, tools
    from pipeline.progress import LineReporter
    from pipeline.run import Run, collect

    settings = config.load().with_("field", level=LEVEL)
    with tempfile.TemporaryDirectory() as scratch:
        run = Run(settings, tools.load(settings), Path(scratch))
        run.chart(collect([out], settings), LineReporter(sys.stdout))
        (out / "expected").mkdir(exist_ok=True)
        for name in ("snaps", "positions", "labels"):
            shutil.copy(Path(scratch) / f"{name}.csv", out / "expected" / f"{name}.csv")


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path("sample_frames"))
    parser.add_argument("--only", choices=("film", "expected"), help="only render the film, or only chart it anew")
    options = parser.parse_args(argv)
    if options.only != "expected":
        render_game(options.out)
    if options.only != "film":
        expect(options.out)


if __name__ == "__main__":
    main()
