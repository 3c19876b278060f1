"""The table of thresholds: strict names, units and sources, a user's file over the defaults."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pipeline.errors import ConfigError
from pipeline.field import configs_dir
from pipeline.labels import load
from pipeline.records import COVERAGES


def test_every_threshold_has_unit_and_source() -> None:
    raw = tomllib.loads((configs_dir() / "labels.toml").read_text(encoding="utf-8"))
    for section, keys in raw.items():
        for key, entry in keys.items():
            assert set(entry) == {"value", "unit", "source"}, f"{section}.{key}"
            assert entry["source"].strip() and entry["unit"].strip()


def test_tables_are_probabilities() -> None:
    s = load()
    for when in ("before", "after"):
        assert sum(s(f"coverage_prior_{when}.{c}") for c in COVERAGES) == pytest.approx(1.0, abs=0.011)
    tables = {k.split(".")[0] for k in s.values if k.endswith(".cover_1") and not k.startswith("coverage")}
    assert len(tables) >= 6
    for table in tables:
        for c in COVERAGES:
            assert sum(s.row(f"{table}.{c}")) == pytest.approx(1.0, abs=0.011), f"{table}.{c}"


def test_a_users_file_goes_over_the_defaults(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text("[deep]\ndepth_yd = 8.0\n", encoding="utf-8")
    assert load(mine)("deep.depth_yd") == 8.0
    assert load(mine)("corner.press_yd") == load()("corner.press_yd")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[deep]\ndept_yd = 8", "Did you mean 'deep.depth_yd'"),
        ("[deep]\ndepth_yd = 'x'", "expected a number"),
        ("[deep]\ndepth_yd = true", "expected a number"),
        ("depth_yd = 8", "Write \\[depth_yd\\]"),
        ("[deep\n", "Not a TOML file"),
        ("[shown_deep]\ncover_1 = 0.5", "expected a list of 4 numbers"),
    ],
)
def test_mistakes_are_named(tmp_path: Path, text: str, said: str) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=said):
        load(mine)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="Cannot read the label thresholds"):
        load(tmp_path / "none.toml")
