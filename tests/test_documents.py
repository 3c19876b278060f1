"""What the documents and the wheel promise is there."""

from __future__ import annotations

import io
import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
from rich.console import Console
from rich.progress import Progress
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.progress import BarReporter
from pipeline.run import Clip

ROOT = Path(__file__).resolve().parent.parent


def test_commands_and_options_of_the_readme_exist() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    calls = re.findall(r"^ {4}snapledger ([\w-]+)(.*?)(?:#.*)?$", text, re.M)
    assert {name for name, _ in calls} >= {"chart", "locate", "evaluate", "explain", "join"}
    for name, rest in calls:
        shown = CliRunner().invoke(app, [name, "--help"], env={"COLUMNS": "200"})
        assert shown.exit_code == 0
        assert all(option in shown.stdout for option in re.findall(r"--[a-z-]+", rest))


def test_readme_begins_with_the_job_then_two_commands() -> None:
    lines = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    first_commands = [line.strip() for line in lines if line.startswith("    ")][:2]
    assert [c.split("#")[0].strip() for c in first_commands] == ["make demo", "make test"]


def test_cautions_are_shown_by_the_command_too() -> None:
    shown = " ".join(CliRunner().invoke(app, ["--help"]).stdout.split())
    assert "estimates" in shown and "minors" in shown


def test_figures_stand_between_their_markers_only() -> None:
    from models.training import bench_tables as bench

    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert text.count(bench.BEGIN) == 1 and text.count(bench.END) == 1
    outside = text.split(bench.BEGIN)[0] + text.split(bench.END)[1]
    assert not re.search(r"\d+(\.\d+)? ?%", outside)  # no accuracy figure typed by hand


def test_no_path_of_a_machine_is_in_a_document() -> None:
    for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "Makefile", "pyproject.toml"):
        text = (ROOT / name).read_text(encoding="utf-8")
        assert not re.search(r"(/home/|/Users/|/work/|/root/)", text), name


def test_wheel_ships_models_and_configs_but_no_training(tmp_path: Path) -> None:
    pytest.importorskip("setuptools", minversion="77")
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", tmp_path, ROOT]
    subprocess.run(command, check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    wanted = ["pipeline/cli.py", "pipeline/report/style.css",
              "pipeline/schema/snaps.json", "configs/chart.toml", "configs/labels.toml",
              "configs/fields/college.toml"]  # fmt: skip
    wanted += [p.relative_to(ROOT).as_posix() for p in ROOT.glob("models/*.toml")]
    wanted += [f"models/{e['file']}" for e in tomllib.loads((ROOT / "models/manifest.toml").read_text()).values()]
    assert set(wanted) <= names
    assert not [n for n in names if n.startswith(("models/training", "tests/", "sample_frames/"))]
    metadata = zipfile.ZipFile(wheel).read(next(n for n in names if n.endswith("METADATA"))).decode()
    assert "License-Expression: AGPL-3.0-or-later" in metadata
    base = [x for x in re.findall(r"^Requires-Dist: (.*)$", metadata, re.M) if "extra ==" not in x]
    assert base and not any(x.startswith(("torch", "ultralytics")) for x in base)
    assert all("<" in x and ">=" in x for x in base)  # pinned ranges


def test_bars_on_a_terminal_say_how_each_clip_ended() -> None:
    stream = io.StringIO()
    with Progress(console=Console(file=stream, force_terminal=True, width=100)) as progress:
        reporter = BarReporter(progress)
        for number, name in enumerate(("a[b].mp4", "c.mp4"), start=1):
            clip = Clip(Path(name), name, name)
            reporter.started(clip, number, 2)
            reporter.advanced(0.5)
            reporter.ended(clip, "1 snap(s)", number == 1)
    assert "a[b].mp4" in stream.getvalue() and "c.mp4" in stream.getvalue()
