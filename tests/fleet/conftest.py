"""Recorded sessions that several tests read; made once."""

from pathlib import Path

import pytest

from tests.support.recorded import simulated
from tests.support.recorded_sessions import crown

__all__ = ["crown", "short"]


@pytest.fixture(scope="session")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A calm quarter of a minute."""
    return simulated(tmp_path_factory.mktemp("short") / "short.stopmark", "calm-trip", 15.0)
