"""Whether there is no service brake left: each way to lose it, and what must not be called so."""

import pytest

from monitor.core.signals.brake_loss import service_brake_lost
from monitor.model.reading import Validity
from tests.core.checks.check_bench import Bench, rig_with

RIG = rig_with()
FULL_PA = RIG.brake.full_pressure_pa
LOST, THERE = (1.0, Validity.VALID), (0.0, Validity.VALID)


def after(seconds: float = 2.0, bench: Bench | None = None, **readings: float | None) -> tuple[float, int]:
    bench = bench or Bench()
    bench.run(seconds, **readings)
    return service_brake_lost(bench.point)


def test_a_brake_that_is_there_is_not_lost() -> None:
    assert after() == THERE
    assert after(brake_lever=1.0, service_pressure_1=FULL_PA, service_pressure_2=FULL_PA) == THERE


def test_both_circuits_empty_under_demand() -> None:
    low = 0.1 * FULL_PA
    assert after(0.1, brake_lever=1.0, service_pressure_1=low, service_pressure_2=low) == LOST
    assert after(0.1, brake_lever=0.3, service_pressure_1=0.0, service_pressure_2=0.0) == THERE


@pytest.mark.parametrize("circuit", [1, 2])
def test_one_circuit_left_is_a_brake(circuit: int) -> None:
    pressures = {"service_pressure_1": 0.0, "service_pressure_2": 0.0} | {f"service_pressure_{circuit}": 0.9 * FULL_PA}
    assert after(brake_lever=1.0, **pressures) == THERE


def test_circuits_that_have_failed_stay_lost_with_the_lever_off() -> None:
    bench = Bench()
    bench.run(2.0, brake_lever=1.0)
    assert after(2.0, bench, brake_lever=0.0) == LOST


@pytest.mark.parametrize(("over_pa", "lost"), [(2.0e6, THERE), (0.5e6, THERE), (0.1e6, LOST), (-3.0e6, LOST)])
def test_an_accumulator_without_oil_for_one_application(over_pa: float, lost: tuple[float, int]) -> None:
    assert after(accumulator_pressure=RIG.hydraulics.precharge_pa + over_pa) == lost


def test_circuits_that_answer_contradict_an_accumulator_that_reads_empty() -> None:
    held = {"brake_lever": 1.0, "service_pressure_1": 0.9 * FULL_PA, "service_pressure_2": 0.9 * FULL_PA}
    assert after(accumulator_pressure=3.0e6, **held) == THERE
    weak = {"brake_lever": 1.0, "service_pressure_1": 0.23 * FULL_PA, "service_pressure_2": 0.23 * FULL_PA}
    assert after(0.1, accumulator_pressure=3.0e6, **weak) == LOST


def test_a_load_that_the_brake_cannot_hold() -> None:
    weak = RIG.model_copy(update={"brake": RIG.brake.model_copy(update={"clamp_force_n": 5_000.0})})
    assert after(bench=Bench(weak), hook_load=2_000_000.0) == LOST
    assert after(bench=Bench(weak), hook_load=216_000.0) == THERE
    assert after(bench=Bench(weak), hook_load=0.0) == THERE, "nothing hangs on the line"


@pytest.mark.parametrize("lost", ["brake_lever", "service_pressure_1", "accumulator_pressure", "hook_load"])
def test_a_reading_that_is_missing_leaves_it_open(lost: str) -> None:
    assert after(**{lost: None})[1] == Validity.INVALID


@pytest.mark.parametrize("lost", ["accumulator_pressure", "hook_load"])
def test_one_thing_that_is_known_to_be_so_is_enough(lost: str) -> None:
    assert after(1.5, brake_lever=1.0, **{lost: None})[0] == 1.0


def test_a_rig_is_judged_by_what_it_can_read() -> None:
    bench = Bench(rig_with(without=("accumulator_pressure", "service_pressure_2")))
    assert after(bench=bench, brake_lever=1.0, service_pressure_1=FULL_PA)[0] == 0.0


def test_what_the_brake_holds_leaves_the_speed_above_the_maximum_alone() -> None:
    bench = Bench()
    bench.run(0.1, RIG.limits.max_speed_m_s + 0.2)
    assert bench.point.motion.over_max_m_s == pytest.approx(0.2)
    assert bench.point.ratios.holding_most > bench.point.ratios.holding
