"""Heat: energy is kept, cooling is exact for any step, and repeated heat climbs to its peak."""

import math

import pytest
from hypothesis import given
from scipy.integrate import solve_ivp

from monitor.physics import heat, motion
from tests.physics.rigs import Stop, spans, stops


@given(stops(1.05))
def test_energy_of_a_stop_closes(s: Stop) -> None:
    reach = motion.reach_lowering(s.speed_m_s, s.hoist, s.torque_n_m, 0.0, 0.0)
    e = heat.stop_energy(s.hoist, s.speed_m_s, reach.distance_m, s.torque_n_m)
    assert e.kinetic_j + e.potential_j == pytest.approx(e.brake_j + e.tackle_j, rel=1e-9)
    assert e.tackle_j >= 0.0


def test_a_stop_without_distance_has_no_energy_balance() -> None:
    with pytest.raises(ValueError, match="distance"):
        heat.stop_energy(motion.Hoist(1e5, 1600, 12, 0.43), 1.0, 0.0, 240e3)


@given(spans(0, 500), spans(-30, 50), spans(0, 2e6), spans(0.1, 5e3), spans(0.1, 5e3))
def test_heating_in_two_steps_is_heating_in_one(start: float, air: float, power: float, t1: float, t2: float) -> None:
    def step(temperature: float, time: float) -> float:
        return heat.heated_c(temperature, air, power, time, 784e3, 3300)

    assert step(step(start, t1), t2) == pytest.approx(step(start, t1 + t2), rel=1e-9, abs=1e-6)
    assert heat.cooled_c(start, air, t1, 3300) == pytest.approx(heat.heated_c(start, air, 0.0, t1, 784e3, 3300))


def test_heating_agrees_with_integration() -> None:
    run = solve_ivp(
        lambda _, y: [(250e3 - 784e3 / 3300 * (y[0] - 20)) / 784e3], (0, 900), [90.0], rtol=1e-10, atol=1e-10
    )
    assert heat.heated_c(90, 20, 250e3, 900, 784e3, 3300) == pytest.approx(run.y[0][-1], rel=1e-8)
    assert heat.time_constant_s(784e3, 784e3 / 3300) == pytest.approx(3300)


@given(spans(0.1, 100), spans(10, 600), spans(300, 6000))
def test_repeated_steps_climb_to_the_periodic_peak(step: float, period: float, tau: float) -> None:
    rise = 0.0
    for _ in range(int(20 * tau / period) + 1):
        rise = heat.cooled_c(rise, 0.0, period, tau) + step
    assert rise == pytest.approx(heat.periodic_peak_rise_k(step, period, tau), rel=1e-6)


@given(spans(1, 60), spans(30, 600), spans(500, 5000), spans(50, 600), spans(-20, 300))
def test_periods_until_are_counted_right(step: float, period: float, tau: float, limit: float, start: float) -> None:
    predicted = heat.periods_until_c(step, period, tau, 20.0, limit, start)
    now, counted = start, 0
    if start <= limit:
        for n in range(1, 400):
            now += step
            if now >= limit:
                counted = n
                break
            now = heat.cooled_c(now, 20.0, period, tau)
        else:
            # Within 400 steps the peak has settled to a part in 1e8 for these periods, or it is still climbing.
            assert predicted > 399
            return
    assert predicted == pytest.approx(counted, abs=1e-9) or abs(now - limit) < 1e-6


def test_who_absorbs_the_energy() -> None:
    assert heat.auxiliary_share(90.0, 10.0) == pytest.approx(0.9)
    assert math.isnan(heat.auxiliary_share(0.0, 0.0))
    assert heat.temperature_rise_k(784e3, 1600) == pytest.approx(1.0)
    assert heat.spin_energy_j(10.0, 4.0, 2.0) == pytest.approx(60.0)
