"""Scenarios of a test file run at the same time."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.live.harness import Batch


@pytest.fixture(scope="module")
def batch(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Batch]:
    """The scenarios of a test file (its SCENARIOS), all started when the first one is asked for."""
    started = Batch(request.module.SCENARIOS, lambda: tmp_path_factory.mktemp("session"), at_once=6)
    yield started
    started.close()
