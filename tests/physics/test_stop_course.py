"""The course of a stop, second by second: what is left of speed and way agrees with adding up the acceleration in small steps."""

import math
from collections.abc import Iterator

import pytest

from monitor.physics.motion import Hoist, Phases, lowering_phases
from monitor.units import STANDARD_GRAVITY_M_S2

STEP_S = 1e-4
LAG_S = 0.3
CASES = {
    "falls on, then stops": (Phases(1.2, 5.0, 0.6, 1.8), 1.0),
    "slows by itself": (Phases(-0.9, 4.0, 0.5, 2.9), 1.4),
    "rests in the lag": (Phases(-4.0, 4.0, 0.5, 6.0), 0.9),
    "rests in the ramp": (Phases(-0.5, 8.0, 0.8, 6.9), 1.1),
    "rests in the ramp after falling on": (Phases(0.8, 9.0, 1.0, 8.2), 0.4),
    "at once": (Phases(0.6, 0.0, 0.0, 2.0), 1.0),
    "the load wins": (Phases(2.0, 1.5, 0.6, 0.0), 0.7),
}


def course(phases: Phases, speed: float) -> Iterator[tuple[float, float, float]]:
    """(time, way, speed) from the call for the brake on, until rest or for three seconds."""
    t = way = 0.0
    v = speed
    while t < 3.0 and v > 0.0:
        yield t, way, v
        middle = t + 0.5 * STEP_S
        if middle < LAG_S:
            a = phases.coast_m_s2
        elif middle < LAG_S + phases.ramp_s:
            a = phases.coast_m_s2 - phases.jerk_m_s3 * (middle - LAG_S)
        elif phases.slowing_m_s2 > 0.0:
            a = -phases.slowing_m_s2
        else:
            a = phases.coast_m_s2 - phases.jerk_m_s3 * phases.ramp_s
        way += (v + 0.5 * a * STEP_S) * STEP_S
        v += a * STEP_S
        t += STEP_S


@pytest.mark.parametrize("name", CASES)
def test_way_and_speed_after_a_time_and_speed_after_a_way(name: str) -> None:
    phases, speed = CASES[name]
    looked = list(course(phases, speed))
    for t, way, v in looked[::50]:
        assert phases.after_s(t, speed, LAG_S) == (pytest.approx(way, abs=1e-3), pytest.approx(v, abs=2e-3))
        if phases.slowing_m_s2:  # else nobody asks for it
            assert phases.speed_after_m(way, speed, LAG_S) == pytest.approx(v, abs=2e-3 if v > 0.1 else 0.05)
    t, way, _ = looked[-1]
    stop = phases.reach(speed, 0.0, LAG_S)
    if not phases.slowing_m_s2:
        assert (stop.stops, stop.distance_m, stop.time_s, stop.peak_speed_m_s) == (False, math.inf, math.inf, math.inf)
        return
    assert (stop.distance_m, stop.time_s) == (pytest.approx(way, abs=1e-3), pytest.approx(t, abs=1e-3))
    assert stop.peak_speed_m_s == pytest.approx(max(v for _, _, v in looked), abs=1e-3)
    held = phases.reach(speed, 0.7, LAG_S)
    assert (held.distance_m, held.time_s) == (
        pytest.approx(way + 0.7 * speed, abs=1e-3),
        pytest.approx(t + 0.7, abs=1e-3),
    )
    # At rest it stays.
    assert phases.after_s(t + 1.0, speed, LAG_S) == (stop.distance_m, 0.0)
    assert phases.speed_after_m(stop.distance_m + 0.01, speed, LAG_S) == 0.0


@pytest.mark.parametrize(
    ("done", "ramp", "coast"), [(0.0, 0.6, 1.2), (0.2, 0.4, 0.2), (0.6, 0.0, -1.8), (0.9, 0.0, -1.8)]
)
def test_a_ramp_that_has_begun_goes_on_from_there(done: float, ramp: float, coast: float) -> None:
    begun = CASES["falls on, then stops"][0].begun(done)
    assert (begun.ramp_s, begun.coast_m_s2) == (pytest.approx(ramp), pytest.approx(coast))
    assert (begun.jerk_m_s3, begun.slowing_m_s2) == (5.0, 1.8)


@pytest.mark.parametrize("holds", [False, True])
@pytest.mark.parametrize("left_n", [50_000.0, 0.5, -50_000.0])
def test_an_auxiliary_brake_takes_its_pull_from_the_load_and_holds_no_more_than_it_may(
    left_n: float, holds: bool
) -> None:
    hoist = Hoist(100_000.0, 1600.0, 12, 0.4, 1.04)
    load = hoist.lowering * 100_000.0
    mass, pull = hoist.drum_mass_kg + load, load * STANDARD_GRAVITY_M_S2
    auxiliary = (pull - left_n) / hoist.pull_per_torque
    brake = 2.0 * pull / hoist.pull_per_torque
    drive = left_n if holds or left_n > 0.0 else 0.0
    phases = lowering_phases(hoist, 100_000.0, brake, 0.5, auxiliary, holds)
    assert phases.coast_m_s2 == pytest.approx(drive / mass, abs=1e-12)
    assert phases.slowing_m_s2 == pytest.approx((2.0 * pull - drive) / mass)
    assert phases.jerk_m_s3 == pytest.approx(2.0 * pull / mass / 0.5)
    # The friction brake alone must hold what a brake without torque at standstill does not.
    weak = lowering_phases(hoist, 100_000.0, 0.5 * brake, 0.5, auxiliary, holds)
    assert (weak.slowing_m_s2 > 0.0) == (holds and left_n < pull)
    assert lowering_phases(hoist, 100_000.0, brake, 0.0, auxiliary, holds).jerk_m_s3 == 0.0


def test_help_slows_all_along() -> None:
    helped = CASES["falls on, then stops"][0].helped(0.5)
    assert (helped.coast_m_s2, helped.slowing_m_s2) == (pytest.approx(0.7), pytest.approx(2.3))
    assert (helped.jerk_m_s3, helped.ramp_s) == (5.0, 0.6)
