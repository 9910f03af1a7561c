"""Response and circuits, each fed by hand with what a rig would show."""

import json
import math
from collections.abc import Iterator

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.brakes.hydraulics import (
    Circuits,
    CircuitWatch,
    HydraulicsWatch,
    ResponseWatch,
)
from tests.core.brakes.brakehealth_truth import INVALID, NOT_FITTED, OK, Bench, Machine

DT = 0.05
RIG = find_rig("land")
FULL = RIG.brake.full_pressure_pa
NAN = math.nan


def application(lag: float, ramp: float, lever: float = 1.0, phase: float = 0.0) -> Iterator[tuple[float, float]]:
    """(lever, pressure) on the grid: the lever jumps `phase` seconds before the first grid point it shows at."""
    yield 0.0, 0.0
    for i in range(200):
        t = i * DT + phase
        yield lever, lever * FULL * min(1.0, max(0.0, (t - lag) / ramp))


def answer(lag: float, ramp: float, lever: float = 1.0, phase: float = 0.0) -> float:
    watch = ResponseWatch(RIG)
    for position, pressure in application(lag, ramp, lever, phase):
        watch.step(DT, position, pressure, FULL)
    return watch.last


@pytest.mark.parametrize("lever", [0.6, 1.0])
@pytest.mark.parametrize(("lag", "ramp"), [(0.25, 0.25), (0.1, 0.5), (0.6, 0.3)])
def test_response_is_found_to_the_grid(lag: float, ramp: float, lever: float) -> None:
    for phase in (0.0, 0.02, 0.049):
        assert answer(lag, ramp, lever, phase) == pytest.approx(lag + 0.8 * ramp, abs=0.05)


def test_a_slower_brake_reads_slower() -> None:
    assert answer(0.5, 0.25) - answer(0.25, 0.25) == pytest.approx(0.25, abs=0.02)


def test_response_grows_while_the_answer_is_overdue() -> None:
    watch = ResponseWatch(RIG)
    for lever, pressure in application(0.25, 0.25):
        watch.step(DT, lever, pressure, FULL)
    known = watch.number
    watch.step(DT, 0.0, 0.0, FULL)
    seen = []
    for _ in range(40):
        watch.step(DT, 1.0, 0.0, FULL)
        seen.append(watch.number)
    assert seen[4] == known
    assert seen[-1] == pytest.approx(2.0, abs=0.1)
    assert watch.last == known
    for _ in range(100):
        watch.step(DT, 1.0, 0.0, FULL)
    assert watch.last == 5.0


def test_a_lever_that_goes_back_gives_no_answer() -> None:
    watch = ResponseWatch(RIG)
    watch.step(DT, 0.0, 0.0, FULL)
    for _ in range(3):
        watch.step(DT, 0.8, 0.0, FULL)
    watch.step(DT, 0.1, 0.0, FULL)
    assert math.isnan(watch.last)
    assert math.isnan(watch.number)


@pytest.mark.parametrize("gap", ["lever", "pressure"])
def test_a_reading_lost_in_an_application_gives_no_answer(gap: str) -> None:
    watch = ResponseWatch(RIG)
    for i, (lever, pressure) in enumerate(application(0.25, 0.25)):
        lost = 3 <= i <= 5
        watch.step(DT, NAN if lost and gap == "lever" else lever, NAN if lost and gap == "pressure" else pressure, FULL)
    assert math.isnan(watch.last)


def test_an_application_from_half_pressure_is_not_timed() -> None:
    watch = ResponseWatch(RIG)
    watch.step(DT, 0.2, 0.4 * FULL, FULL)
    for _ in range(20):
        watch.step(DT, 1.0, FULL, FULL)
    assert math.isnan(watch.last)


def test_a_low_supply_is_not_a_slow_brake() -> None:
    watch = ResponseWatch(RIG)
    for lever, pressure in application(0.25, 0.25):
        watch.step(DT, lever, min(pressure, 0.7 * FULL), 0.7 * FULL)
    assert watch.last < 0.5


# --- circuits -------------------------------------------------------------------------------------------------------


def press(circuits: Circuits, seconds: float, lever: float, first: float, second: float, supply: float = FULL) -> None:
    for _ in range(round(seconds / DT)):
        circuits.step(DT, lever, first, second, supply)


def test_a_dead_circuit_is_dropped_assured_first_and_comes_back_expected_first() -> None:
    circuits = Circuits(RIG)
    press(circuits, 5.0, 0.0, 0.0, 0.0)
    assert circuits.counts == (2, 2)
    press(circuits, 0.6, 1.0, FULL, 0.0)
    assert circuits.counts == (2, 2)  # lag and ramp may take that long
    press(circuits, 0.4, 1.0, FULL, 0.0)
    assert circuits.counts == (2, 1)
    press(circuits, 1.0, 1.0, FULL, 0.0)
    assert circuits.counts == (1, 1)
    press(circuits, 60.0, 0.0, 0.0, 0.0)
    assert circuits.counts == (1, 1)  # time does not heal it
    press(circuits, 0.9, 1.0, FULL, 0.95 * FULL)
    assert circuits.counts == (2, 1)
    press(circuits, 0.6, 1.0, FULL, 0.95 * FULL)
    assert circuits.counts == (2, 2)


def test_readings_lost_neither_drop_nor_restore_a_circuit() -> None:
    circuits = Circuits(RIG)
    press(circuits, 5.0, 1.0, FULL, NAN)
    assert circuits.counts == (2, 2)
    press(circuits, 3.0, 1.0, FULL, 0.0)
    assert circuits.counts == (1, 1)
    press(circuits, 5.0, 1.0, FULL, NAN)
    press(circuits, 5.0, NAN, NAN, FULL)
    assert circuits.counts == (1, 1)


@pytest.mark.parametrize(("second", "counts"), [(0.0, (2, 2)), (FULL, (2, 1))])
def test_what_a_lever_that_falls_silent_asked_for_last_takes_out_no_brake(
    second: float, counts: tuple[int, int]
) -> None:
    """Both circuits seem to fail while its old word stands: withdrawn. One that fails beside the other stays suspected."""
    circuits = Circuits(RIG)
    press(circuits, 2.0, 1.0, FULL, FULL)
    press(circuits, 0.3, 1.0, 0.0, second)
    assert circuits.counts[1] == (0 if second == 0.0 else 1)
    press(circuits, DT, NAN, 0.0, second)
    assert circuits.counts == counts


def test_without_a_lever_the_circuits_judge_each_other() -> None:
    circuits = Circuits(RIG)
    press(circuits, 3.0, NAN, 0.6 * FULL, 0.1 * FULL)
    assert circuits.counts == (1, 1)
    assert not circuits.pair[1].expected
    quiet = Circuits(RIG)
    press(quiet, 3.0, NAN, 0.1 * FULL, 0.0)  # too low to judge
    press(quiet, 3.0, NAN, FULL, NAN)
    assert quiet.counts == (2, 2)


def test_a_weak_supply_is_not_a_dead_circuit() -> None:
    circuits = Circuits(RIG)
    press(circuits, 3.0, 1.0, 0.4 * FULL, 0.4 * FULL, supply=0.42 * FULL)
    assert circuits.counts == (2, 2)


def test_one_odd_reading_does_not_drop_a_circuit() -> None:
    watch = CircuitWatch()
    for i in range(40):
        watch.step(DT, 0.0 if i in (20, 21) else FULL, FULL)
        assert watch.expected
        assert watch.assured


def test_readings_taken_at_different_moments_of_a_stroke_do_not_make_circuits_unequal() -> None:
    circuits = Circuits(RIG)
    for first, second in ((0.0, 0.0), (0.4, 0.1), (0.8, 0.4), (0.8, 0.8), (0.3, 0.7), (0.0, 0.1)):
        circuits.compare(first * FULL, second * FULL)
        assert circuits.ratio > 0.9
    assert math.isnan(Circuits(RIG).ratio)


def test_circuits_that_stay_unequal_show_after_a_quarter_of_a_second_and_lost_readings_leave_nothing() -> None:
    circuits = Circuits(RIG)
    seen = []
    for second in (0.8, 0.6, 0.6, 0.6, 0.6, 0.6, 0.6):
        circuits.compare(0.8 * FULL, second * FULL)
        seen.append(circuits.ratio)
    assert seen == [1.0, 1.0, 1.0, 1.0, 1.0, 1.0, pytest.approx(0.75)]
    circuits.compare(NAN, 0.6 * FULL)
    assert math.isnan(circuits.ratio)
    circuits.compare(0.8 * FULL, 0.2 * FULL)
    assert circuits.ratio == pytest.approx(0.25)


def test_a_quarter_second_of_readings_from_different_moments_of_a_stroke_is_no_imbalance() -> None:
    """As the soak showed it: at every stroke, so that an alarm long since repaired never saw a minute without one."""
    circuits = Circuits(RIG)
    for first, second in (
        (0.33, 0.33),
        (0.33, 0.21),
        (0.33, 0.21),
        (0.33, 0.26),
        (0.33, 0.26),
        (0.33, 0.28),
        (0.33, 0.32),
    ):
        circuits.compare(first * FULL, second * FULL)
        assert circuits.ratio > 0.88


def test_slowest_is_of_the_circuits_that_count() -> None:
    circuits = Circuits(RIG)
    assert circuits.slowest(2.0, 1.0) == 1.0
    assert circuits.slowest(NAN, 1.0) == 1.0
    assert circuits.slowest(2.0, NAN) == 2.0
    assert math.isnan(circuits.slowest(NAN, NAN))
    press(circuits, 3.0, 1.0, FULL, 0.0)
    assert circuits.slowest(2.0, 1.0) == 2.0


# --- together -------------------------------------------------------------------------------------------------------


def test_response_of_the_whole_bench() -> None:
    quick, slow = Bench("land", Machine()), Bench("land", Machine(lag=1.3))
    for bench in (quick, slow):
        bench.lower_and_stop(0.8, 0.8)
    braking = RIG.braking
    value, validity = quick.health.number("response_time")
    assert validity == OK
    # The lever passes 50 % at once; 80 % of the demanded 80 % is 64 % of the ramp.
    assert value == pytest.approx(braking.lag_s + 0.64 * braking.ramp_s, abs=0.05)
    assert slow.health.number("response_time")[0] > 1.15 * value


def test_a_dead_circuit_on_the_bench() -> None:
    bench = Bench("land", Machine(), 60_000.0)
    bench.circuit_works[1] = False
    bench.lower_and_stop(0.8, 0.9)
    bench.run(2.0)
    assert bench.health.circuits() == (1, 1)
    assert bench.health.number("response_time")[1] == OK
    bench.circuit_works[1] = True
    bench.lower_and_stop(0.8, 0.9)
    bench.run(2.0)
    assert bench.health.circuits() == (2, 2)


def test_what_the_rig_lacks_is_not_fitted() -> None:
    bare = RIG.model_copy(update={"sensors": tuple(s for s in RIG.sensors if s.id in ("drum", "hook-load"))})
    bench = Bench(bare)
    bench.run(3.0)
    for name in ("response_time", "leak_rate", "pump_cycle", "effectiveness", "aux_missing"):
        value, validity = bench.health.number(name)
        assert math.isnan(value)
        assert validity == NOT_FITTED, name
    assert bench.health.circuits() == (2, 2)
    assert bench.health.number("creep")[1] == INVALID


def test_restart_keeps_a_failed_circuit_and_the_last_results() -> None:
    watch = HydraulicsWatch(RIG)
    for i in range(600):
        watch.step(DT, 1.0 if i > 20 else 0.0, FULL if i > 30 else 0.0, 0.0, 15e6)
    watch.residual.suspect, watch.residual.pressure_pa = [False, True], 7.0e6
    again = HydraulicsWatch(RIG)
    again.restore(json.loads(json.dumps(watch.state())), 60.0)
    assert again.residual.suspect == [False, True]
    assert again.residual.pressure_pa == 7.0e6
    assert again.circuits.counts == (1, 1)
    assert again.response.last == watch.response.last
    assert not math.isnan(again.leak.rate)
    assert again.leak.age_s == watch.leak.age_s + 60.0
    assert math.isnan(again.pump.last)
    with pytest.raises(ValueError, match="cannot be restored"):
        again.restore({"circuits": [[True, True]]}, 0.0)
