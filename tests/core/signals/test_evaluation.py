"""A grid point's parts against what they follow from, at every grid point of some work."""

import json
import math
from functools import lru_cache

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.brakes.model import BrakeModel
from monitor.core.engine import Core
from monitor.core.hoist.stopping import Brakes, StopCalculator
from monitor.core.signals.evaluation import _numbers
from monitor.core.signals.grid_point import GridPoint
from monitor.model.reading import DEGRADED, INVALID, VALID
from monitor.model.snapshot import HoistState
from monitor.model.stream import HEALTH_TOPIC, Frame
from monitor.physics.hydraulics import Accumulator
from monitor.physics.tackle import SLACK_LINE_SHARE
from monitor.units import ATMOSPHERE_PA, STANDARD_GRAVITY_M_S2
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
from tests.support.changed import parts

RIG = find_rig("land")
BLOCK_N = RIG.block.mass_kg * STANDARD_GRAVITY_M_S2
Seen = tuple[GridPoint, tuple[float, float], tuple[float, float], float]


@lru_cache(maxsize=4)
def points(name: str, seconds: float) -> list[Seen]:
    """Grid points of a scenario; beside each the brake watch's friction, circuits and surest slowing down of then."""
    scenario, found = find_scenario(name), []
    rig = find_rig(scenario.rig)
    core = shipped_core(rig)

    def look(*_: object) -> None:
        point, watch = core._point, core._evaluation.brake_health
        assert point is not None
        way = 1 if point.estimate.speed_m_s > 0 else -1
        found.append((point, watch.friction_scales(way), watch.circuits(), watch.deceleration.confident_m_s2))

    core.observer = look
    for item in PlantSource(rig, scenario, 1, duration_s=seconds):
        assert isinstance(item, Frame)
        core.feed(item)
    return found


def trip() -> list[Seen]:
    return points("calm-trip", 35.0)


@pytest.mark.parametrize(
    ("name", "seconds"),
    [("calm-trip", 35.0), ("calm-trip-light", 40.0)],
    ids=["calipers", "bands, which hold one way better"],
)
def test_the_stop_mark_is_that_of_the_motion_the_load_and_the_brakes(name: str, seconds: float) -> None:
    rig = find_rig(find_scenario(name).rig)
    model, calculator, ways = BrakeModel(rig), StopCalculator(rig), set()
    for point, (scale, low), (circuits, sure), slowing in points(name, seconds):
        if not math.isfinite(point.estimate.speed_m_s) or point.estimate.expected is not None:
            continue
        way = 1 if point.estimate.speed_m_s > 0 else -1
        ways.add((way, point.hoist))
        torques = (
            model.full_torque_n_m(point.supply.expected_pa, scale, way, circuits),
            model.full_torque_n_m(point.supply.assured_pa, low, way, sure),
        )
        again = calculator.solve(point.estimate, point.stop.load, Brakes(*torques), slowing)
        assert repr(parts(point.stop.result)) == repr(parts(again))
        springs = model.emergency_torque_n_m(0.0, scale), model.emergency_torque_n_m(0.0, low)
        assert (point.stop.springs_n_m, point.stop.springs_assured_n_m) == springs
    assert {(1, HoistState.HOISTING), (-1, HoistState.LOWERING)} <= ways


def test_loads_and_their_doubt() -> None:
    doubt, known = RIG.uncertainty.load, 0
    for point, *_ in trip():
        load, stop = point.load, point.stop.load
        if load.validity > DEGRADED:
            assert (stop.expected_n, stop.low_n, stop.high_n) == (
                point.numbers.rated_load_n, point.numbers.block_n, point.numbers.rated_load_n,
            )  # fmt: skip
            continue
        known += 1
        assert load.slack == float(load.hook_n < SLACK_LINE_SHARE * BLOCK_N)
        assert load.over_rating == pytest.approx(load.hook_n / (RIG.block.rated_load_kg * STANDARD_GRAVITY_M_S2))
        floor = SLACK_LINE_SHARE * BLOCK_N
        assert stop.expected_n == pytest.approx(max(load.hook_n, floor))
        assert stop.low_n == pytest.approx(max(load.hook_n * (1 - doubt), floor))
        assert stop.high_n == pytest.approx(max(load.hook_n * (1 + doubt), BLOCK_N))
        demand = max(load.hook_n, 1.0) * point.estimate.radius_m / RIG.line.lines
        assert point.ratios.emergency == pytest.approx(point.stop.springs_n_m / demand)
    assert known > 400


def test_a_slack_line_is_found_and_reckoned_with_no_less_than_its_share_of_the_block() -> None:
    slack = [point for point, *_ in points("set-down", 45.0) if point.load.slack]
    assert slack
    assert all(point.stop.load.expected_n == pytest.approx(SLACK_LINE_SHARE * BLOCK_N) for point in slack)


def test_margins_are_as_valid_as_the_worse_of_height_and_speed_and_never_better_than_doubtful() -> None:
    validities = set()
    for point, *_ in points("sensor-silent", 45.0):
        bound = point.estimate.speed_bound_m_s
        speed = INVALID if not math.isfinite(point.estimate.speed_m_s) else VALID if bound < 0.25 else DEGRADED
        assert point.motion.validity == speed
        height = int(point.estimate.validity)
        assert point.stop.validity == (INVALID if point.estimate.slow else max(height, speed, DEGRADED))
        validities.add((height, speed))
    assert len(validities) > 1


def test_applications_are_counted_for_the_pressure_of_the_moment() -> None:
    oil, counts = RIG.hydraulics, set()
    bottle = Accumulator(oil.accumulator_volume_m3, oil.precharge_pa + ATMOSPHERE_PA)
    for point, *_ in trip():
        pressure, validity = point.readings["accumulator_pressure"]
        left, known = point.supply.applications_left
        assert known == validity
        if validity > DEGRADED:
            continue
        least = oil.min_pressure_pa + ATMOSPHERE_PA
        assert left == bottle.applications_left(pressure + ATMOSPHERE_PA, least, oil.stroke_volume_m3)
        counts.add(pressure)
    assert len(counts) > 10


def test_numbers_are_the_rig_s() -> None:
    numbers = _numbers(RIG)
    assert numbers.block_n == pytest.approx(BLOCK_N)
    assert numbers.release_pressure_pa == RIG.brake.release_pressure_pa
    assert numbers.full_pressure_pa == RIG.brake.full_pressure_pa
    assert (numbers.knows_tackle, numbers.has_oil, numbers.has_emergency) == (True, True, True)
    assert numbers.demand_lever == RIG.braking.demand_lever


@pytest.mark.parametrize("connected", [True, False, None])
@pytest.mark.parametrize("recording", ["on", "off", "failed"])
def test_the_monitor_s_own_state_is_what_it_was_told(recording: str, connected: bool | None) -> None:
    core: Core = shipped_core(RIG)
    health = {"recording": recording, "connected": connected, "dropped": 0, "lag_s": 0.25, "note": ""}
    t_ns = 1_700_000_000_000_000_000
    core.feed(Frame(t_ns, HEALTH_TOPIC, json.dumps(health).encode()))
    core.advance(t_ns + 200_000_000)
    point = core._point
    assert point is not None
    seen = point.monitor
    assert (seen.recorder_failed, seen.disconnected) == (float(recording == "failed"), float(connected is False))
    assert (seen.lag_s, seen.dropped) == (0.25, 0.0)
