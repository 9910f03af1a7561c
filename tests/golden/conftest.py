"""Every shipped scenario, played once for all the tests that look at it."""

import pytest

from simulators.scenario.scenario import shipped_scenarios
from tests.support.played import Played, played

NAMES = sorted(shipped_scenarios())


@pytest.fixture(scope="package", params=NAMES)
def run(request: pytest.FixtureRequest) -> Played:
    """One scenario after another."""
    return played(str(request.param))
