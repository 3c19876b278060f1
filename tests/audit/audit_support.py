"""A run for the tests of the audit: charted from small films with stand-ins for the trained models."""

from __future__ import annotations

import shutil
from pathlib import Path

from pipeline import config as configs
from pipeline.chart import chart_clip
from pipeline.ledger import Fingerprint, RunFolder, safe_name, sha256_file
from tests import program_support as support

NAMES = ("harbor_01", "harbor_02", "harbor_03")


def chart(folder: Path, names: tuple[str, ...] = NAMES) -> Path:
    """Chart small films under folder/film into folder/run; the run folder."""
    film = folder / "film"
    film.mkdir(parents=True, exist_ok=True)
    first = support.write_film(film / f"{names[0]}.mp4", 4.0)
    config = configs.load().with_("field", level="college")
    run = RunFolder(folder / "run")
    tools = support.known_tools()
    for name in names:
        path = film / f"{name}.mp4"
        if path != first:
            shutil.copy(first, path)
        result = chart_clip(path, path.name, safe_name(name), config, tools, run.out)
        run.keep(result, Fingerprint(sha256_file(path), config.fingerprint(), tools.models_sha256))
    run.write_tables()
    films = {f"{n}.mp4": str(film / f"{n}.mp4") for n in names}
    run.write_run({"config": config.model_dump(mode="json"), "films": films})
    return run.out
