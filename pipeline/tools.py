"""The stages that need models or thresholds, loaded once a process and handed to ``chart_clip``.

A test hands in stand-ins here; the program builds the real ones with :func:`load`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline import models, snap, snap_check
from pipeline.camera import Camera
from pipeline.config import Config
from pipeline.records import Alignment, Labels, Motion, People, Registration, Shot, Snap, Tracks
from pipeline.tracks import Sample


class FinderLike(Protocol):
    """Finds people in one picture."""

    def find(self, image_bgr: NDArray[np.uint8]) -> People: ...


class RegistrarLike(Protocol):
    """Registers one picture to the field."""

    def register(
        self, image_bgr: NDArray[np.uint8], people: People | None = None, hint: Camera | Registration | None = None
    ) -> Registration: ...


@dataclass(frozen=True)
class Tools:
    """Everything a clip is charted with."""

    find_snaps: Callable[[Motion, Shot], list[Snap]]
    finder: FinderLike
    registrar: RegistrarLike
    over_time: Callable[
        [Sequence[int], Sequence[Registration], Sequence[NDArray[np.float64]]], list[Registration]
    ]
    build_tracks: Callable[[list[Sample]], Tracks]
    align: Callable[[Tracks, Mapping[int, Registration]], Alignment]
    label: Callable[[Tracks, Alignment], Labels]
    models_sha256: str = ""
    registrar_at: Callable[[str], RegistrarLike] | None = None  # the same registrar for one field level

    def at_level(self, level: str) -> Tools:
        """These tools with the field level given instead of told from the film."""
        return self if self.registrar_at is None else replace(self, registrar=self.registrar_at(level))


def models_fingerprint() -> str:
    """sha256 over the listed checksums of all models. Raises ModelError."""
    listed = sorted((e.name, e.sha256, repr(sorted(e.settings.items()))) for e in models.read_manifest().values())
    return hashlib.sha256(repr(listed).encode()).hexdigest()


def _no_snaps(motion: Motion, shot: Shot) -> list[Snap]:
    """Stills have no snap."""
    return []


def _snap_finder() -> Callable[[Motion, Shot], list[Snap]]:
    scorer, checker = snap.shipped_scorer(), snap_check.shipped_checker()
    return lambda motion, shot: snap.find_snaps(motion, shot=shot, scorer=scorer, checker=checker, faint=True)


def choose_models(config: Config) -> None:
    """Take models and device of a configuration for this process. Raises ConfigError."""
    from pipeline.labels import forest

    models.use(Path(config.models.folder) if config.models.folder else None, config.execution.device)
    forest.shipped.cache_clear()
    snap.shipped_scorer.cache_clear()
    snap_check.shipped_checker.cache_clear()


def check(config: Config) -> str:
    """Settings and models are in order, told without loading a network; their checksum. ModelError, ConfigError."""
    from pipeline import labels

    choose_models(config)
    labels.load(config.labels.file or None)
    for entry in models.read_manifest().values():
        models.read_checked(entry)
    return models_fingerprint()


def load(config: Config, *, still: bool = False) -> Tools:
    """The real stages with the models of models/manifest.toml. Raises ModelError, ConfigError.

    still: set up for single pictures rather than film.
    """
    from pipeline import alignment, labels, registration, tracks
    from pipeline.batch.jobs import cores
    from pipeline.people import Finder

    choose_models(config)
    threads = config.execution.threads or cores()
    level = None if config.field.level == "auto" else config.field.level
    view = None if config.field.view == "auto" else config.field.view
    thresholds = labels.load(config.labels.file or None)
    finder = Finder(
        backend=config.people.backend,
        threads=threads,
        confidence=config.people.confidence or None,
        passes=config.people.passes_still if still else config.people.passes,
    )
    marks, numbers = (models.load(name, threads=threads) for name in ("marks", "numbers"))

    def registrar_at(told: str | None) -> RegistrarLike:
        """A registrar; those of all levels share their networks, which take most of a process's memory."""
        return registration.Registrar(told, view, marks_network=marks, numbers_network=numbers)

    return Tools(
        find_snaps=_no_snaps if still else _snap_finder(),
        finder=finder,
        registrar=registrar_at(level),
        over_time=registration.over_time,
        build_tracks=tracks.build,
        align=alignment.align,
        label=lambda found, aligned: labels.label(found, aligned, thresholds),
        models_sha256=models_fingerprint(),
        registrar_at=registrar_at,
    )
