"""Disc heat and what it takes of the friction, against a synthetic truth."""

import math

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.brakes.disc_heat import DiscHeat
from monitor.core.brakes.model import BrakeModel
from monitor.model.reading import Validity
from monitor.physics.heat import cooled_c
from tests.core.brakes.brakehealth_truth import INVALID, OK, Bench, Machine

NAN = math.nan
DEGRADED = int(Validity.DEGRADED)
BRAKING = find_rig("land").braking


def test_disc_model_follows_the_exact_solution() -> None:
    heat = DiscHeat(BRAKING)
    power, seconds = 400e3, 600.0
    for _ in range(round(seconds / 0.05)):
        heat.step(0.05, power, True, NAN)
    ambient = BRAKING.ambient_c
    # C dT/dt = P - C (T - ambient) / tau: towards P tau / C above ambient as exp(-t/tau).
    most = power * BRAKING.cooling_tau_s / BRAKING.heat_capacity_j_k
    exact = ambient + most * (1.0 - math.exp(-seconds / BRAKING.cooling_tau_s))
    assert heat.temperature_c == pytest.approx(exact, rel=1e-3)
    assert heat.flag[1] == OK
    for _ in range(round(1800.0 / 0.05)):
        heat.step(0.05, 0.0, False, NAN)
    assert heat.temperature_c == pytest.approx(cooled_c(exact, ambient, 1800.0, BRAKING.cooling_tau_s), rel=1e-3)


def test_disc_model_starts_at_what_is_measured_and_goes_its_own_way() -> None:
    heat = DiscHeat(BRAKING)
    heat.step(0.05, 0.0, False, 180.0)
    assert heat.temperature_c == pytest.approx(180.0, abs=0.1)
    heat.step(0.05, 0.0, False, 400.0)
    assert heat.temperature_c == pytest.approx(180.0, abs=0.1)


def test_disc_model_says_when_it_was_blind() -> None:
    heat = DiscHeat(BRAKING)
    for _ in range(100):
        heat.step(0.05, NAN, False, NAN)
    assert heat.flag[1] == OK  # nothing moved
    for _ in range(1300):
        heat.step(0.05, NAN, True, NAN)
    assert heat.flag[1] == DEGRADED


def test_modelled_heat_stands_in_for_lost_temperatures() -> None:
    bench = Bench("land", Machine(), 150_000.0)
    for side in ("left", "right"):
        bench.overrides[f"disc_temperature_{side}"] = (NAN, INVALID)
    bench.health.heat.temperature_c = 360.0
    bench.run(1.0)
    fade, validity = bench.health.number("fade")
    assert validity == DEGRADED
    assert fade == pytest.approx(1.0 - BrakeModel(bench.rig).fade(360.0), abs=0.01)
    expected, assured = bench.health.friction_scales(-1)
    assert expected == pytest.approx(1.0 - fade)
    assert assured < expected * (1.0 - bench.rig.uncertainty.friction) + 1e-9


def test_the_hotter_disc_counts_for_the_assured_scale() -> None:
    bench = Bench("land")
    bench.overrides["disc_temperature_left"] = (400.0, OK)
    bench.overrides["disc_temperature_right"] = (100.0, OK)
    bench.run(1.0)
    floor = BRAKING.fade_floor
    assert bench.health.number("fade")[0] == pytest.approx(0.5 * (1.0 - floor))
    assert bench.health.friction_scales(-1)[1] == pytest.approx((1.0 - bench.rig.uncertainty.friction) * floor)


def test_energy_of_stops_warms_the_modelled_disc() -> None:
    bench = Bench("land", Machine(), 150_000.0)
    bench.lower_and_stop(1.0, 0.6)
    rise = bench.health.number("disc_modelled")[0] - BRAKING.ambient_c
    assert rise == pytest.approx(bench.brake_j / BRAKING.heat_capacity_j_k, rel=0.08)
