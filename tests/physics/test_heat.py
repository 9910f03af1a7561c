"""Heat: cooling is exact for any step, and who absorbs the energy is told."""

import math

import pytest
from hypothesis import given
from scipy.integrate import solve_ivp

from monitor.physics import heat
from tests.physics.rigs import spans


@given(spans(0, 500), spans(-30, 50), spans(0.1, 5e3), spans(0.1, 5e3))
def test_cooling_in_two_steps_is_cooling_in_one(start: float, air: float, t1: float, t2: float) -> None:
    between = heat.cooled_c(start, air, t1, 3300)
    assert heat.cooled_c(between, air, t2, 3300) == pytest.approx(
        heat.cooled_c(start, air, t1 + t2, 3300), rel=1e-9, abs=1e-6
    )


def test_cooling_agrees_with_integration() -> None:
    run = solve_ivp(lambda _, y: [-(y[0] - 20) / 3300], (0, 900), [90.0], rtol=1e-10, atol=1e-10)
    assert heat.cooled_c(90, 20, 900, 3300) == pytest.approx(run.y[0][-1], rel=1e-8)


def test_who_absorbs_the_energy() -> None:
    assert heat.auxiliary_share(90.0, 10.0) == pytest.approx(0.9)
    assert math.isnan(heat.auxiliary_share(0.0, 0.0))
