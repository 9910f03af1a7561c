"""Auxiliary share, disc heat and creep, against a synthetic truth."""

import math

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.brakes.descent import CreepWatch, DescentEnergy, DiscHeat
from monitor.core.brakes.model import BrakeModel
from monitor.core.estimator.estimator import Estimator
from monitor.model.reading import Validity
from monitor.physics.heat import cooled_c, heated_c
from tests.core.brakes.brakehealth_truth import INVALID, NOT_FITTED, OK, Bench, Machine

NAN = math.nan
DEGRADED = int(Validity.DEGRADED)
BRAKING = find_rig("land").braking


def descend(bench: Bench, current_a: float, seconds: float = 20.0) -> None:
    """From the top: roll, then the auxiliary brake at `current_a`, then a stop with the friction brake."""
    bench.height_m = 34.0
    bench.estimator = Estimator(bench.rig)
    bench.run(1.0)
    bench.brake_j = bench.aux_j = 0.0
    bench.aux_current_a = current_a
    bench.lever = 0.0
    bench.run(seconds)
    bench.lever = 0.6
    bench.run(20.0, lambda: bench.v == 0.0)
    bench.aux_current_a = 0.0
    bench.run(2.0)


@pytest.mark.parametrize(("mass_kg", "current_a"), [(150_000.0, 60.0), (200_000.0, 70.0), (150_000.0, 55.0)])
def test_auxiliary_share_of_a_descent(mass_kg: float, current_a: float) -> None:
    bench = Bench("land", Machine(), mass_kg)
    descend(bench, current_a)
    share, validity = bench.health.number("aux_share")
    truth = bench.aux_j / (bench.aux_j + bench.brake_j)
    assert validity == OK
    assert share == pytest.approx(truth, abs=0.03)
    energy, ok = bench.health.number("disc_energy")
    assert ok == OK
    # The friction brake's part is the short stop at the end; its readings are a grid point old.
    assert energy == pytest.approx(bench.brake_j, abs=0.005 * (bench.aux_j + bench.brake_j))


def test_an_empty_block_has_no_auxiliary_share() -> None:
    bench = Bench("land", Machine(), 25_000.0)
    descend(bench, 10.0, 12.0)
    assert bench.health.number("aux_share")[1] == INVALID
    assert bench.health.number("aux_missing") == (0.0, OK)


def test_share_by_balance_where_only_the_motion_tells() -> None:
    """The auxiliary brake's current is lost; friction and motion are known: their difference is its share."""
    bench = Bench("land", Machine(), 150_000.0)
    bench.overrides["aux_current"] = (NAN, INVALID)
    descend(bench, 60.0)
    share, validity = bench.health.number("aux_share")
    assert validity == OK
    assert share == pytest.approx(bench.aux_j / (bench.aux_j + bench.brake_j), abs=0.05)


def test_a_blind_descent_gives_no_share() -> None:
    bench = Bench("land", Machine(), 150_000.0)
    bench.overrides["aux_current"] = (NAN, INVALID)
    bench.overrides["service_pressure_1"] = (NAN, INVALID)
    descend(bench, 60.0)
    assert bench.health.number("aux_share")[1] == INVALID
    assert bench.health.number("disc_energy")[1] == INVALID


def test_auxiliary_missing_when_idle_or_when_its_reading_says_nothing() -> None:
    bench = Bench("land", Machine(), 150_000.0)
    bench.height_m = 30.0
    bench.estimator = Estimator(bench.rig)
    bench.lever = 0.0
    bench.run(30.0, lambda: bench.v < -0.5)
    assert bench.health.number("aux_missing") == (1.0, OK)
    bench.aux_current_a = 60.0
    bench.run(0.2)
    assert bench.health.number("aux_missing") == (0.0, OK)
    bench.overrides["aux_current"] = (NAN, INVALID)
    bench.run(0.1)
    assert bench.health.number("aux_missing") == (1.0, DEGRADED)
    bench.load_validity = INVALID
    bench.run(0.1)
    assert bench.health.number("aux_missing")[1] == INVALID
    bench.lever = 1.0
    bench.run(5.0)
    assert bench.health.number("aux_missing") == (0.0, OK)


def test_a_rig_without_auxiliary_brake() -> None:
    rig = find_rig("land")
    bare = rig.model_copy(update={"aux": type(rig).model_fields["aux"].default})
    bench = Bench(bare, Machine(), 150_000.0)
    bench.lower_and_stop(0.8, 0.6)
    assert bench.health.number("aux_share")[1] == NOT_FITTED
    assert bench.health.number("aux_missing")[1] == NOT_FITTED
    assert bench.health.number("effectiveness")[0] == pytest.approx(1.0, rel=0.05)
    assert bench.health.number("disc_energy")[1] == OK


def test_ledger_closes_at_a_reversal() -> None:
    energy = DescentEnergy(True)
    for speed, aux in ((-1.0, 3e5), (0.5, 0.0)):
        for _ in range(200):
            energy.step(0.05, speed, True, 1e5, aux, NAN)
    assert energy.share[0] == pytest.approx(0.75)
    assert energy.share[1] == OK
    for _ in range(20):
        energy.step(0.05, 0.0, True, 0.0, 0.0, 0.0)
    assert energy.share[0] == pytest.approx(0.75)  # going up changes no descent
    assert energy.energy[0] == pytest.approx(1e6, rel=0.01)
    assert energy.energy[1] == OK


# --- heat -----------------------------------------------------------------------------------------------------------


def test_disc_model_follows_the_exact_solution() -> None:
    heat = DiscHeat(BRAKING)
    power, seconds = 400e3, 600.0
    for _ in range(round(seconds / 0.05)):
        heat.step(0.05, power, True, NAN)
    ambient = BRAKING.ambient_c
    exact = heated_c(ambient, ambient, power, seconds, BRAKING.heat_capacity_j_k, BRAKING.cooling_tau_s)
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


# --- creep ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("creep_m_s", [0.0, 0.002, 0.01, 0.08])
def test_creep_of_a_set_brake(creep_m_s: float) -> None:
    bench = Bench("land", Machine(), 150_000.0)
    bench.run(3.0)
    bench.creep_m_s = creep_m_s
    bench.run(20.0)
    creep, validity = bench.health.number("creep")
    assert validity == OK
    assert creep == pytest.approx(creep_m_s, abs=0.0003)


def test_a_released_brake_does_not_creep() -> None:
    bench = Bench("land", Machine(), 150_000.0)
    bench.creep_m_s = 0.01
    bench.run(10.0)
    assert bench.health.number("creep")[0] > 0.008
    bench.lever = 0.0
    bench.creep_m_s = 0.0
    bench.run(3.0)
    assert bench.health.number("creep") == (0.0, OK)


def test_a_stop_is_no_creep() -> None:
    bench = Bench("land", Machine(), 150_000.0)
    worst = [0.0]

    def look() -> None:
        value = bench.health.number("creep")[0]
        worst[0] = max(worst[0], abs(value) if value == value else 0.0)

    bench.after = look
    bench.lower_and_stop(1.2, 0.7)
    bench.run(5.0)
    assert worst[0] < 0.003


def test_a_height_that_is_put_right_is_no_creep_and_hides_none() -> None:
    for creep_m_s in (0.0, 0.02):
        watch = CreepWatch()
        height = 12.0
        for i in range(400):
            height -= creep_m_s * 0.05
            if i == 200:
                height -= 0.8
                watch.shift_heights(-0.8)
            watch.step(0.05, True, -creep_m_s * 0.9, height, OK)
            if i > 100:
                assert watch.flag[0] == pytest.approx(creep_m_s, abs=1e-6)


def test_creep_is_not_known_without_height_or_brake_readings() -> None:
    watch = CreepWatch()
    for i in range(200):
        watch.step(0.05, True, -0.005, 10.0 - 0.005 * 0.05 * i, OK)
    assert watch.flag[0] == pytest.approx(0.005, rel=0.02)
    assert watch.flag[1] == OK
    watch.step(0.05, True, 0.0, NAN, INVALID)
    assert watch.flag[1] == INVALID
    watch.step(0.05, None, 0.0, 10.0, OK)
    assert watch.flag[1] == INVALID
