"""Leak and pump, each fed by hand with what a rig would show."""

import math
import random

import pytest

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.core.brakes.accumulator import (
    LeakWatch,
    PumpWatch,
)
from monitor.model.reading import Validity
from monitor.physics.hydraulics import Accumulator
from tests.core.brakes.brakehealth_truth import OK, Bench
from tests.physics.rigs import leaking_pa

RIG = find_rig("land")
FULL = RIG.brake.full_pressure_pa
NAN = math.nan


def leaking(rig: Rig, leak_m3_s: float, seconds: float, start_pa: float = 15.0e6) -> list[float]:
    """Gauge pressure at five readings a second, with the sensor's noise."""
    hydraulics = rig.hydraulics
    bottle = Accumulator(hydraulics.accumulator_volume_m3, hydraulics.precharge_pa + 101_325)
    noise = random.Random(5)
    return [
        leaking_pa(bottle, start_pa + 101_325, leak_m3_s, 0.2 * i) - 101_325 + noise.gauss(0.0, 0.5e5)
        for i in range(round(seconds * 5))
    ]


@pytest.mark.parametrize("leak_m3_s", [1e-6, 3e-6])
def test_leak_rate_is_the_slope_of_the_pressure(leak_m3_s: float) -> None:
    watch = LeakWatch(RIG)
    trace = leaking(RIG, leak_m3_s, 60.0)
    for pressure in trace:
        watch.step(0.2, pressure, 0.0, 0.0)
    bottle = Accumulator(RIG.hydraulics.accumulator_volume_m3, RIG.hydraulics.precharge_pa + 101_325)
    expected = (trace[-60] + 101_325) ** 2 * leak_m3_s / (bottle.precharge_pa * bottle.volume_m3)
    assert watch.rate == pytest.approx(expected, rel=0.25)


def test_a_tight_system_shows_next_to_no_leak() -> None:
    watch = LeakWatch(RIG)
    for pressure in leaking(RIG, 0.0, 60.0):
        watch.step(0.2, pressure, 0.0, 0.0)
    assert watch.rate < 1500.0


def test_a_brake_held_on_is_quiet_and_one_that_moves_is_not() -> None:
    held, moved = LeakWatch(RIG), LeakWatch(RIG)
    for i, pressure in enumerate(leaking(RIG, 3e-6, 40.0)):
        held.step(0.2, pressure, FULL, FULL)
        level = FULL * (0.5 + 0.3 * math.sin(i))
        moved.step(0.2, pressure, level, level)
    assert held.rate > 5000.0
    assert math.isnan(moved.rate)


def test_a_recharge_is_no_leak_and_resets_nothing_known() -> None:
    watch = LeakWatch(RIG)
    trace = leaking(RIG, 3e-6, 40.0)
    for pressure in trace:
        watch.step(0.2, pressure, 0.0, 0.0)
    known = watch.rate
    for i in range(100):
        watch.step(0.2, trace[-1] + i * 2e4, 0.0, 0.0)
    assert watch.rate == pytest.approx(known, rel=0.2)
    assert watch.age_s > 10.0


@pytest.mark.parametrize("lost", ["accumulator", "circuit"])
def test_lost_readings_give_no_leak(lost: str) -> None:
    watch = LeakWatch(RIG)
    for i, pressure in enumerate(leaking(RIG, 3e-6, 60.0)):
        gone = i % 50 == 0
        supply = NAN if gone and lost == "accumulator" else pressure
        circuit = NAN if gone and lost == "circuit" else 0.0
        watch.step(0.2, supply, circuit, 0.0)
    assert math.isnan(watch.rate)


def test_pump_cycle_is_the_time_between_recharges() -> None:
    watch = PumpWatch(RIG)
    noise = random.Random(3)
    seen = []
    for i in range(700 * 5):
        t = 0.2 * i % 100.0
        pressure = 15.0e6 - 3e6 * t / 90.0 if t < 90.0 else 12.0e6 + 3e6 * (t - 90.0) / 10.0
        watch.step(0.2, pressure + noise.gauss(0.0, 0.5e5))
        seen.append(watch.number)
    assert math.isnan(seen[150 * 5])
    assert watch.last == pytest.approx(100.0, abs=3.0)
    for _ in range(200 * 5):
        watch.step(0.2, 15.0e6)
    assert watch.number > 180.0  # overdue: the cycle is longer now


def test_lost_readings_end_the_pump_cycle() -> None:
    watch = PumpWatch(RIG)
    for i in range(400 * 5):
        t = 0.2 * i % 100.0
        pressure = 15.0e6 - 3e6 * t / 90.0 if t < 90.0 else 12.0e6 + 3e6 * (t - 90.0) / 10.0
        watch.step(0.2, NAN if 40.0 < t < 45.0 else pressure)
    assert math.isnan(watch.number)


def test_an_old_leak_rate_is_degraded() -> None:
    bench = Bench("land")
    bench.run(30.0)
    assert bench.health.number("leak_rate")[1] == OK
    bench.health.hydraulics.leak.age_s = 3600.0
    assert bench.health.number("leak_rate")[1] == int(Validity.DEGRADED)
