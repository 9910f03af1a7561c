"""Auxiliary brake and its share of a descent, against a synthetic truth."""

import math

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.brakes.descent import DescentEnergy
from monitor.core.estimator.estimator import Estimator
from monitor.model.reading import Validity
from tests.core.brakes.brakehealth_truth import INVALID, NOT_FITTED, OK, Bench, Machine

NAN = math.nan
DEGRADED = int(Validity.DEGRADED)


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


def light_descent(bench: Bench, mass_kg: float, current_a: float) -> None:
    """From the top with another load: too little of it to say how a heavy descent is shared."""
    bench.mass_kg = mass_kg
    descend(bench, current_a)


def test_a_low_share_is_over_when_a_light_descent_shows_the_auxiliary_brake_at_work_again() -> None:
    bench = Bench("land", Machine(), 150_000.0)
    bench.height_m = 34.0
    bench.lower_and_stop(0.8, 0.4, 6.0)
    share, validity = bench.health.number("aux_share")
    assert validity == OK
    assert share < 0.1
    light_descent(bench, 25_000.0, 0.0)  # still without it: nothing new
    assert bench.health.number("aux_share") == (share, validity)
    light_descent(bench, 25_000.0, 20.0)
    share, validity = bench.health.number("aux_share")
    assert validity == DEGRADED
    assert share > 0.6


def test_a_low_share_stands_while_light_descents_show_no_more_of_the_auxiliary_brake_than_then() -> None:
    """Half of its coils gone: enough for the empty block, too little for the string, which is why the share was low."""
    energy = DescentEnergy(True)
    for heavy, speed, friction_w, aux_w in ((True, 1.0, 7e5, 3e5), (False, 1.0, 1e4, 2e5), (False, 0.5, 1e4, 1e5)):
        for _ in range(200):
            energy.step(0.05, -speed, heavy, friction_w, aux_w, NAN)
        for _ in range(20):
            energy.step(0.05, 0.0, heavy, 0.0, 0.0, 0.0)
        assert energy.share == (pytest.approx(0.3), OK)


def test_light_descents_never_lower_a_share() -> None:
    bench = Bench("land", Machine(), 150_000.0)
    descend(bench, 60.0)
    share = bench.health.number("aux_share")
    light_descent(bench, 25_000.0, 0.0)
    assert bench.health.number("aux_share") == share


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
    bench.run(30.0, lambda: bench.v < -0.9)
    assert bench.health.number("aux_missing") == (0.0, OK)  # nothing brakes yet, so nothing is missed
    bench.lever = 0.25
    bench.run(0.8)
    assert bench.v < -0.3
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


@pytest.mark.parametrize("unread", ["", "service_pressure_1"])
def test_a_load_that_rolls_until_it_has_its_speed_misses_no_auxiliary_brake(unread: str) -> None:
    """Half a minute of casing work raised it five times: a heavy string that was let roll for seven seconds."""
    bench = Bench("land", Machine(), 90_000.0)
    bench.height_m = 40.0
    bench.estimator = Estimator(bench.rig)
    if unread:
        bench.overrides[unread] = (NAN, INVALID)
    bench.lever = 0.0
    bench.run(1.0)
    found = set()
    bench.after = lambda: found.add(bench.health.number("aux_missing")[0])
    bench.run(30.0, lambda: bench.v < -1.3)
    assert found == {0.0}
    bench.run(30.0, lambda: bench.v < -1.05 * bench.rig.limits.max_speed_m_s)
    assert bench.health.number("aux_missing") == (1.0, OK)  # faster than the rig is ever to go


def test_a_rig_without_auxiliary_brake() -> None:
    rig = find_rig("land")
    bare = rig.model_copy(update={"aux": type(rig).model_fields["aux"].default})
    bench = Bench(bare, Machine(), 150_000.0)
    bench.lower_and_stop(0.8, 0.6)
    assert bench.health.number("aux_share")[1] == NOT_FITTED
    assert bench.health.number("aux_missing")[1] == NOT_FITTED
    assert bench.health.number("effectiveness")[0] == pytest.approx(1.0, rel=0.05)
    assert bench.health.number("disc_energy")[1] == OK


def test_energy_closes_at_a_reversal() -> None:
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
