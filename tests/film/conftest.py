"""The film tests need OpenGL on EGL; without it they are skipped, saying so."""

from __future__ import annotations

import pytest

pytest.importorskip("moderngl", reason="moderngl is not installed: the film renderer is not tested")
pytest.importorskip("cv2")

from models.training.film.scene import RenderError, context
from models.training.playbook.play import Play, make_play


@pytest.fixture(scope="session", autouse=True)
def gl() -> None:
    try:
        context()
    except RenderError as e:
        pytest.skip(f"no OpenGL on EGL here, the film renderer is not tested: {e}")


@pytest.fixture(scope="session")
def play() -> Play:
    return make_play(11, "professional", kind="dropback")
