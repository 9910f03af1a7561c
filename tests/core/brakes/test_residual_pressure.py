"""Pressure that the lever does not explain: not believed, said, and no cover for a brake that is really weak."""

import math

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.brakes.residual_pressure import ResidualPressureMonitor
from monitor.core.estimator.estimator import Estimator
from monitor.model.reading import Validity
from tests.core.brakes.brakehealth_truth import Bench, Machine

DT = 0.05
RIG = find_rig("land")
FULL = RIG.brake.full_pressure_pa
NAN = math.nan


def hold(watch: ResidualPressureMonitor, seconds: float, lever: float, first: float, second: float) -> None:
    for i in range(round(seconds / DT)):
        watch.step(DT, lever, first, second + (i % 2) * 100.0)  # never quite the same twice


def test_one_circuit_with_pressure_that_nobody_asks_for_is_not_believed_until_it_reads_zero() -> None:
    watch = ResidualPressureMonitor(RIG)
    hold(watch, 0.65, 0.0, 0.5 * FULL, 0.0)
    assert watch.suspect == [False, False]  # the oil may still be on its way back
    hold(watch, 0.3, 0.0, 0.5 * FULL, 0.0)
    assert watch.suspect == [True, False]
    assert watch.pressure_pa == 0.5 * FULL
    hold(watch, 5.0, 1.0, FULL, FULL)  # asked for, it tells nothing
    hold(watch, 5.0, NAN, 0.0, 0.0)
    hold(watch, 1.2, 0.0, 0.0, 0.0)
    assert watch.suspect == [True, False]
    hold(watch, 0.4, 0.0, 0.0, 0.0)
    assert watch.suspect == [False, False]
    assert watch.pressure_pa == 0.0


def test_pressure_that_came_in_one_batch_with_the_lever_waits_for_the_next() -> None:
    watch = ResidualPressureMonitor(RIG)
    for _ in range(40):
        watch.step(DT, 0.0, 0.3 * FULL, 0.0)
        assert watch.suspect == [False, False]
    watch.step(DT, 0.0, 0.0, 0.0)
    assert watch.suspect == [False, False]
    for _ in range(80):  # and readings that never change are judged at last
        watch.step(DT, 0.0, 0.3 * FULL, 0.0)
    assert watch.suspect == [True, False]


@pytest.mark.parametrize(
    ("lever", "first", "second"),
    [
        (0.0, 0.09, 0.0),  # pads in contact, a hand on the lever
        (0.0, 0.8, 0.8),  # an overtravel device has set the brake
        (0.3, 0.4, 0.0),  # asked for: a matter of the circuits
        (NAN, 0.5, 0.0),
        (0.0, NAN, 0.0),
        (0.0, 0.5, NAN),
    ],
)
def test_what_may_well_be_so_is_believed(lever: float, first: float, second: float) -> None:
    watch = ResidualPressureMonitor(RIG)
    hold(watch, 10.0, lever, first * FULL, second * FULL)
    assert watch.suspect == [False, False]


class Biased(Bench):
    """A bench whose first service pressure reads too much."""

    bias_pa = 0.0

    def number(self, quantity: str) -> tuple[float, int]:
        value, validity = super().number(quantity)
        return (value + self.bias_pa if quantity == "service_pressure_1" else value), validity


@pytest.mark.parametrize("bias", [0.15, 0.5])
@pytest.mark.parametrize("friction", [1.0, 0.5])
def test_a_pressure_that_reads_too_much_is_no_weak_brake_and_hides_none(bias: float, friction: float) -> None:
    bench = Biased("land", Machine(), 150_000.0)
    bench.height_m = 30.0
    bench.estimator = Estimator(bench.rig)
    bench.lower_and_stop(1.0, 0.6)
    bench.lower_and_stop(1.0, 0.6)
    before, _ = bench.health.number("effectiveness")
    assert before > 0.9
    bench.lever = 0.0
    bench.run(1.0)
    bench.bias_pa = bias * FULL
    bench.run(0.4)
    bench.lever = 0.6
    bench.run(3.0)
    bench.lower_and_stop(0.8, 0.6)
    assert bench.health.number("effectiveness")[0] == pytest.approx(before, abs=0.02)
    assert bench.health.circuits() == (2, 2)
    assert bench.health.hydraulics.residual.pressure_pa == pytest.approx(bias * FULL, rel=0.1)
    bench.bias_pa = 0.0  # put right
    bench.machine.friction = friction
    bench.lever = 0.0
    bench.run(1.6)
    bench.lever = 0.8
    bench.run(3.0)
    bench.lower_and_stop(0.8, 0.8)
    bench.lower_and_stop(0.8, 0.8)
    after, validity = bench.health.number("effectiveness")
    assert validity <= Validity.DEGRADED
    assert after < 0.7 if friction < 0.7 else after > 0.9
