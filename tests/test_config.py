"""Configuration: one table of defaults, misspelt keys named with their neighbour."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline import config
from pipeline.errors import ConfigError


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def test_defaults_are_the_file_that_ships() -> None:
    found = config.load()
    assert 0.0 in found.sampling.times_s and list(found.sampling.times_s) == sorted(found.sampling.times_s)
    assert found.film.longest_s < 20 * 3600


def test_a_users_file_replaces_single_keys(tmp_path: Path) -> None:
    mine = write(tmp_path / "m.toml", '[field]\nlevel = "high_school"\n')
    found = config.load(mine)
    assert found.field.level == "high_school" and found.sampling == config.load().sampling


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[sampling]\naftr_s = 1\n", ("'aftr_s'", "'after_s'")),
        ("[samplng]\nafter_s = 1\n", ("'samplng'", "'sampling'")),
        ("after_s = 1.0\n", ("'after_s'", "[sampling]")),
        ("sampling = 3\n", ("[sampling]",)),
        ('[field]\nlevel = "collage"\n', ("field.level", "high_school")),
        ("[pictures]\nquality = 300\n", ("pictures.quality", "300")),
        ("[sampling]\ntimes_s = [-1.0, 1.0]\n", ("0.0",)),
        ("[field\n", ("TOML",)),
        ('[labels]\nfile = "nowhere.toml"\n', ("nowhere.toml",)),
    ],
)
def test_wrong_files_say_what_and_how(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    path = write(tmp_path / "mine.toml", text)
    with pytest.raises(ConfigError) as caught:
        config.load(path)
    message = str(caught.value)
    assert "mine.toml" in message and "Hint:" in message and caught.value.exit_code == 2
    assert all(w in message for w in words), message


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"none\.toml"):
        config.load(tmp_path / "none.toml")


def test_fingerprint_follows_results_not_speed(tmp_path: Path) -> None:
    base = config.load()
    assert base.fingerprint() == config.load().fingerprint()
    assert base.with_("execution", threads=7).fingerprint() == base.fingerprint()
    assert base.with_("sampling", after_s=1.25).fingerprint() != base.fingerprint()
    labels = write(tmp_path / "l.toml", "")
    mine = write(tmp_path / "m.toml", f'[labels]\nfile = "{labels.name}"\n')
    assert config.load(mine).fingerprint() != base.fingerprint()
