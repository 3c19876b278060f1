"""The manifest loader: strict keys, checksums, and that a network's file runs the same in both runtimes."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

import numpy as np
import pytest

from pipeline import config, models, tools
from pipeline.errors import ConfigError, ModelError

# ONNX bytes of y = 2 x + 1 on (1, 3, h, w), written once with the onnx package's helper functions.
TINY = "".join(
    [
        "CAg6igEKEAoBeAoDdHdvEgFtIgNNdWwKEAoBbQoDb25lEgF5IgNBZGQSBHRpbnkqDwgBEAFCA3R3b0oEAAAAQCoPCAEQAUIDb25l",
        "SgQAAIA/Wh0KAXgSGAoWCAESEgoCCAEKAggDCgMSAWgKAxIBd2IdCgF5EhgKFggBEhIKAggBCgIIAwoDEgFoCgMSAXdCBAoAEBE=",
    ]
)


def tiny_network() -> bytes:
    return base64.b64decode(TINY)


def write(folder: Path, data: bytes, **changes: str) -> Path:
    values = {"file": '"a.onnx"', "sha256": f'"{hashlib.sha256(data).hexdigest()}"', "licence": '"X"',
              "trained_on": '["nothing"]', **changes}  # fmt: skip
    lines = [f"{k} = {v}" for k, v in values.items() if v]
    (folder / "manifest.toml").write_text("[a]\n" + "\n".join(lines) + "\n")
    (folder / "a.onnx").write_bytes(data)
    return folder


def test_loads_and_runs(tmp_path: Path) -> None:
    write(tmp_path, tiny_network())
    x = np.arange(3 * 2 * 4, dtype=np.float32).reshape(1, 3, 2, 4)
    (y,) = models.load("a", tmp_path, threads=1)(x)
    assert np.array_equal(y, 2 * x + 1)


def test_openvino_agrees_with_onnxruntime(tmp_path: Path) -> None:
    pytest.importorskip("openvino", reason="openvino is optional")
    data = tiny_network()
    x = np.random.default_rng(0).random((1, 3, 8, 6), dtype=np.float32)
    a = models.open_network(data, "onnxruntime", 1)(x)[0]
    b = models.open_network(data, "openvino", 1)(x)[0]
    assert np.allclose(a, b, atol=1e-5)


def test_wrong_checksum(tmp_path: Path) -> None:
    data = tiny_network()
    write(tmp_path, data)
    (tmp_path / "a.onnx").write_bytes(data + b"\0")
    with pytest.raises(ModelError, match="checksum") as e:
        models.load("a", tmp_path)
    assert e.value.hint and "a.onnx" in str(e.value)


def test_checksum_is_of_the_whole_file(tmp_path: Path) -> None:
    write(tmp_path, b"")  # sha256 of nothing, from FIPS 180-4's published example value
    assert models.find("a", tmp_path).sha256 == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    assert models.read_checked(models.find("a", tmp_path)) == b""


def test_missing_file_manifest_and_name(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="manifest"):
        models.read_manifest(tmp_path)
    write(tmp_path, b"x")
    (tmp_path / "a.onnx").unlink()
    with pytest.raises(ModelError, match="cannot be read"):
        models.load("a", tmp_path)
    with pytest.raises(ModelError, match="listed: a"):
        models.load("b", tmp_path)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"licence": ""}, "lacks 'licence'"),
        ({"colour": "1"}, "unknown key 'colour'"),
        ({"trained_on": '"x"'}, "must be a list"),
        ({"file": '"../a.onnx"'}, "outside"),
        ({"file": '"/etc/hosts"'}, "outside"),
        ({"sha256": "7"}, "must be a str"),
    ],
)
def test_strict_manifest(tmp_path: Path, changes: dict[str, str], message: str) -> None:
    write(tmp_path, b"x", **changes)
    with pytest.raises(ModelError, match=message):
        models.read_manifest(tmp_path)


def test_broken_toml_and_top_level_value(tmp_path: Path) -> None:
    (tmp_path / "manifest.toml").write_text("[a\n")
    with pytest.raises(ModelError, match="not valid TOML"):
        models.read_manifest(tmp_path)
    (tmp_path / "manifest.toml").write_text("a = 1\n")
    with pytest.raises(ModelError, match="not a table"):
        models.read_manifest(tmp_path)


def test_not_a_network_and_wrong_options(tmp_path: Path) -> None:
    write(tmp_path, b"not a network")
    with pytest.raises(ModelError, match="cannot read this model"):
        models.load("a", tmp_path)
    with pytest.raises(ConfigError, match="backend"):
        models.load("a", tmp_path, backend="none")
    with pytest.raises(ConfigError, match="threads"):
        models.load("a", tmp_path, threads=0)


def test_shipped_manifest_is_whole() -> None:
    """Every model that ships is listed, present, unaltered, and at most 16 MB (the limit the project set)."""
    if not (models.models_dir() / "manifest.toml").is_file():
        pytest.skip("no model ships yet")
    for entry in models.read_manifest().values():
        assert len(models.read_checked(entry)) <= 16_000_000
        assert entry.trained_on and entry.licence


def test_registrars_of_all_levels_share_their_networks() -> None:
    """Another level in the same process must not cost the memory of another pair of networks."""
    loaded = tools.load(config.load().with_("execution", threads=1))
    told = loaded.at_level("canadian").registrar
    assert told.level == "canadian" and loaded.registrar.level is None  # type: ignore[attr-defined]
    for network in ("_marks", "_numbers"):
        assert getattr(told, network) is getattr(loaded.registrar, network)
