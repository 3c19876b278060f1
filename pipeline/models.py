"""The models the program ships: a strict manifest, checksums, and one way to run a network.

``models/manifest.toml`` lists every model; a file that is not listed, or whose bytes are not the listed ones, is
never loaded. Networks are ONNX, never pickles. Nothing is downloaded.

::

    [people]
    file = "people/people.onnx"        # beside the manifest
    sha256 = "..."
    licence = "AGPL-3.0-or-later"
    trained_on = ["..."]
    [people.metrics]                   # numbers a command measured
    [people.settings]                  # what the stage that uses it needs to know
"""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ConfigError, ModelError

BACKENDS = ("onnxruntime", "openvino")
CUDA = "CUDAExecutionProvider"
_REQUIRED = {"file": str, "sha256": str, "licence": str, "trained_on": list}
_OPTIONAL = {"metrics": dict, "settings": dict}
_REINSTALL = "Install the program again; if you trained this model, write its manifest entry with the exporter."


_chosen: dict[str, Any] = {"folder": None, "device": "auto"}
_ran_on: set[str] = set()


def use(folder: Path | None = None, device: str = "auto") -> None:
    """Choose for this process: the models folder (None: the one that ships) and where networks run.

    device: auto takes the GPU where onnxruntime has one, cpu never, cuda insists. Raises ConfigError where cuda
    is asked for and not there.
    """
    if device == "cuda" and CUDA not in _available():
        raise ConfigError("No CUDA device for onnxruntime.", hint="Install onnxruntime-gpu, or set device to auto.")
    _chosen.update(folder=folder, device=device)


def models_dir() -> Path:
    """The folder chosen with :func:`use`, or the folder models/ that ships beside the package."""
    chosen: Path | None = _chosen["folder"]
    return chosen or Path(__file__).resolve().parent.parent / "models"


def ran_on() -> list[str]:
    """Where onnxruntime put the networks of this process: execution providers."""
    return sorted(_ran_on)


def _available() -> list[str]:
    try:
        import onnxruntime as ort
    except ImportError:
        return []
    return list(ort.get_available_providers())


def providers() -> list[str]:
    """Where onnxruntime runs networks, first choice first."""
    gpu = _chosen["device"] != "cpu" and CUDA in _available()
    return [CUDA, "CPUExecutionProvider"] if gpu else ["CPUExecutionProvider"]


@dataclass(frozen=True)
class Entry:
    """A line of the manifest. path: absolute; sha256: 64 lower-case hex digits."""

    name: str
    path: Path
    sha256: str
    licence: str
    trained_on: tuple[str, ...]
    metrics: dict[str, Any] = field(default_factory=dict)
    settings: dict[str, Any] = field(default_factory=dict)


class Network(Protocol):
    """A loaded network: one picture tensor in, its outputs out."""

    def __call__(self, x: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        """x (N, C, H, W) float32 -> the outputs in the network's order."""


def read_manifest(folder: Path | None = None) -> dict[str, Entry]:
    """All entries by name. Raises ModelError: no manifest, an unknown or missing key, a path that leaves models/."""
    folder = (folder or models_dir()).resolve()
    path = folder / "manifest.toml"
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as e:
        raise ModelError(f"The model manifest cannot be read: {e.strerror}.", where=path, hint=_REINSTALL) from e
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as e:
        raise ModelError(f"The model manifest is not valid TOML: {e}.", where=path, hint=_REINSTALL) from e
    return {name: _entry(folder, path, name, values) for name, values in raw.items()}


def _entry(folder: Path, manifest: Path, name: str, values: Any) -> Entry:
    if not isinstance(values, dict):
        raise ModelError(f"[{name}] is not a table.", where=manifest, hint=_REINSTALL)
    allowed = {**_REQUIRED, **_OPTIONAL}
    for key in values:
        if key not in allowed:
            raise ModelError(f"[{name}] has an unknown key {key!r}.", where=manifest, hint=_REINSTALL)
    for key, kind in allowed.items():
        if key in _REQUIRED and key not in values:
            raise ModelError(f"[{name}] lacks {key!r}.", where=manifest, hint=_REINSTALL)
        if key in values and not isinstance(values[key], kind):
            raise ModelError(f"[{name}] {key!r} must be a {kind.__name__}.", where=manifest, hint=_REINSTALL)
    target = (folder / values["file"]).resolve()
    if not target.is_relative_to(folder):
        raise ModelError(f"[{name}] names a file outside the models folder.", where=manifest, hint=_REINSTALL)
    return Entry(
        name, target, values["sha256"].lower(), values["licence"], tuple(map(str, values["trained_on"])),
        values.get("metrics", {}), values.get("settings", {}),
    )  # fmt: skip


def find(name: str, folder: Path | None = None) -> Entry:
    """The entry NAME. Raises ModelError when it is not listed."""
    entries = read_manifest(folder)
    if name not in entries:
        listed = ", ".join(sorted(entries)) or "none"
        raise ModelError(f"No model {name!r} in the manifest (listed: {listed}).", hint=_REINSTALL)
    return entries[name]


def read_checked(entry: Entry) -> bytes:
    """The bytes of a listed file. Raises ModelError when it is missing or its checksum is not the listed one."""
    try:
        data = entry.path.read_bytes()
    except OSError as e:
        raise ModelError(f"The file of model {entry.name!r} cannot be read: {e.strerror}.", where=entry.path,
                         hint=_REINSTALL) from e  # fmt: skip
    got = hashlib.sha256(data).hexdigest()
    if got != entry.sha256:
        raise ModelError(
            f"The checksum of model {entry.name!r} is wrong: expected {entry.sha256[:12]}..., got {got[:12]}...",
            where=entry.path,
            hint="The file is damaged or was replaced. " + _REINSTALL,
        )
    return data


def load(name: str, folder: Path | None = None, backend: str = "onnxruntime", threads: int = 2) -> Network:
    """A network ready to run. threads: processor threads of one call. Raises ModelError, ConfigError."""
    if backend not in BACKENDS:
        raise ConfigError(f"Unknown backend {backend!r}.", hint=f"Choose one of: {', '.join(BACKENDS)}.")
    if threads < 1:
        raise ConfigError(f"threads must be at least 1, got {threads}.")
    entry = find(name, folder)
    data = read_checked(entry)
    return open_network(data, backend, threads, where=entry.path)


def open_network(data: bytes, backend: str = "onnxruntime", threads: int = 2, where: Path | None = None) -> Network:
    """A network from ONNX bytes. Raises ModelError when the runtime is absent or cannot read them."""
    try:
        return _OpenVino(data, threads) if backend == "openvino" else _OnnxRuntime(data, threads)
    except ImportError as e:
        raise ModelError(
            f"The runtime {backend} is not installed.", where=where, hint="Install it or set another backend."
        ) from e
    except ConfigError:
        raise
    except Exception as e:  # the runtimes raise many kinds of their own
        raise ModelError(f"{backend} cannot read this model: {e}", where=where, hint=_REINSTALL) from e


class _OnnxRuntime:
    def __init__(self, data: bytes, threads: int) -> None:
        import onnxruntime as ort

        options = ort.SessionOptions()
        options.intra_op_num_threads = threads
        options.inter_op_num_threads = 1
        options.log_severity_level = 3
        # Threads that spin between calls would take the cores from decoding.
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        self._session = ort.InferenceSession(data, options, providers=providers())
        self._input = self._session.get_inputs()[0].name
        used = self._session.get_providers()[0]
        if _chosen["device"] == "cuda" and used != CUDA:
            raise ConfigError(f"onnxruntime runs on {used}, not on the GPU.", hint="Check its CUDA libraries.")
        _ran_on.add(used)

    def __call__(self, x: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        return [np.asarray(y, np.float32) for y in self._session.run(None, {self._input: x})]


class _OpenVino:
    """OpenVINO in fp32; compiled once per input shape, which fixed shapes make faster."""

    def __init__(self, data: bytes, threads: int) -> None:
        import openvino as ov

        self._ov, self._core, self._threads = ov, ov.Core(), threads
        self._data = data
        self._compiled: dict[tuple[int, ...], Any] = {}
        self._core.read_model(model=data, weights=b"")

    def __call__(self, x: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        if x.shape not in self._compiled:
            model = self._core.read_model(model=self._data, weights=b"")
            model.reshape({model.inputs[0]: list(x.shape)})
            settings = {"INFERENCE_PRECISION_HINT": "f32", "INFERENCE_NUM_THREADS": self._threads}
            self._compiled[x.shape] = self._core.compile_model(model, "CPU", settings)
        result = self._compiled[x.shape](x)
        return [np.asarray(result[i], np.float32) for i in range(len(result))]
