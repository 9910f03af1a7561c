"""Sessions that several tests read; made once."""

from pathlib import Path

import pytest

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.recording import Recording, collect
from tests.support.recorded import simulated


@pytest.fixture(scope="package")
def crown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One minute: the block runs up and a full brake comes too late."""
    return simulated(tmp_path_factory.mktemp("crown") / "crown.stopmark", "runaway-crown")


@pytest.fixture(scope="package")
def trip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Stands out of the hole and back in."""
    return simulated(tmp_path_factory.mktemp("trip") / "trip.stopmark", "calm-trip", 450.0)


def _collect(path: Path) -> Recording:
    with SessionChain([path]) as chain:
        return collect(chain)


@pytest.fixture(scope="package")
def crown_rec(crown: Path) -> Recording:
    return _collect(crown)


@pytest.fixture(scope="package")
def trip_rec(trip: Path) -> Recording:
    return _collect(trip)
