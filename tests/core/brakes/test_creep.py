"""Creep of a brake that is set, against a synthetic truth."""

import math

import pytest

from monitor.core.brakes.creep import CreepWatch
from tests.core.brakes.brakehealth_truth import INVALID, OK, Bench, Machine

NAN = math.nan


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
