"""For all tests: no deadline under a busy machine; a test that logged an error it did not expect fails."""

from __future__ import annotations

import logging
from collections.abc import Iterator

import pytest
from hypothesis import settings

settings.register_profile("project", deadline=None, max_examples=60)
settings.load_profile("project")


@pytest.fixture(autouse=True)
def no_unexpected_error_logged(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    """Fail a test during which anything was logged at ERROR or above."""
    yield
    logged = [r.getMessage() for r in caplog.get_records("call") if r.levelno >= logging.ERROR]
    if logged:
        pytest.fail(f"logged errors: {logged}")
