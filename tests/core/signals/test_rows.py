"""Rows that follow from several readings, each against numbers worked out here; its worst input is a row's validity."""

import math
from functools import lru_cache
from typing import Any

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.signals.grid_point import GridPoint
from monitor.core.signals.table import SIGNALS
from monitor.model.reading import ABSENT_FLAG, DEGRADED, INVALID, UNKNOWN_FLAG, VALID, Z99, Flag
from monitor.model.snapshot import HoistState
from monitor.model.stream import Frame
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
from tests.support.changed import changed, parts

ROWS = {signal.name: signal for signal in SIGNALS}
BAR = 1e5
ABSENT = ABSENT_FLAG[1]
NAN = (math.nan, INVALID)


@lru_cache(maxsize=1)
def point() -> GridPoint:
    """A grid point of a block in motion."""
    scenario = find_scenario("calm-trip")
    rig = find_rig(scenario.rig)
    core = shipped_core(rig)
    for item in PlantSource(rig, scenario, 1, duration_s=12.0):
        assert isinstance(item, Frame)
        core.feed(item)
    found = core._point
    assert found is not None
    return found


def read(name: str, readings: dict[str, Flag] | None = None, **changes: Any) -> Flag:
    seen = point()
    return ROWS[name].flag(changed(seen, readings={**seen.readings, **(readings or {})}, **changes))


def same(found: Flag, expected: Flag) -> None:
    assert found[1] == expected[1]
    assert found[0] == pytest.approx(expected[0], nan_ok=True)


FULL_BAR = find_rig("land").brake.full_pressure_pa / BAR


def circuits(lever: Flag, one: float, two: float, worst: int = VALID) -> dict[str, Flag]:
    return {"brake_lever": lever, "service_pressure_1": (one * BAR, worst), "service_pressure_2": (two * BAR, VALID)}


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        (circuits((0.5, VALID), 0.3 * FULL_BAR, 0.5 * FULL_BAR), (0.2, VALID)),
        (circuits((0.5, VALID), 0.3 * FULL_BAR, 0.5 * FULL_BAR, DEGRADED), (0.2, DEGRADED)),
        (circuits((0.5, VALID), 0.7 * FULL_BAR, 0.5 * FULL_BAR), (0.0, VALID)),
        (circuits((0.001, VALID), 0.0, 0.0), (0.0, VALID)),
        (circuits((0.5, INVALID), 1.0, 1.0), NAN),
        (circuits((0.5, VALID), 1.0, 1.0, INVALID), NAN),
    ],
)
def test_pressure_that_the_lever_asked_for_and_did_not_get(readings: dict[str, Flag], expected: Flag) -> None:
    same(read("pressure_shortfall", readings), expected)


def discs(left: float, right: float, validity: int = VALID) -> dict[str, Flag]:
    return {"disc_temperature_left": (left, validity), "disc_temperature_right": (right, VALID)}


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize(
    ("above", "ratio"), [((80.0, 40.0), 2.0), ((100.0, 4.0), 10.0), ((40.0, 20.0), 2.0), ((39.0, 1.0), 1.0)]
)
def test_discs_are_compared_by_their_rise_above_the_ambient(
    above: tuple[float, float], ratio: float, turned: bool
) -> None:
    ambient = point().rig.braking.ambient_c
    left, right = (ambient + rise for rise in (reversed(above) if turned else above))
    same(read("disc_imbalance", discs(left, right)), (ratio, VALID))
    same(read("disc_imbalance", discs(left, right, DEGRADED)), (ratio, DEGRADED))
    same(read("disc_imbalance", discs(left, right, INVALID)), NAN)
    same(read("disc_difference", discs(left, right, DEGRADED)), (above[0] - above[1], DEGRADED))
    same(read("disc_difference", discs(left, right, INVALID)), NAN)


def switches(electric: Flag, air: Flag) -> dict[str, Flag]:
    return {"overtravel_electric": electric, "overtravel_air": air}


def test_two_switches_of_the_overtravel_device() -> None:
    on, off, unknown = (1.0, VALID), (0.0, DEGRADED), (math.nan, INVALID)
    for electric, air, expected in (
        (on, on, (0.0, VALID)),
        (off, off, (0.0, DEGRADED)),
        (on, off, (1.0, DEGRADED)),
        (off, on, (1.0, DEGRADED)),
        ((0.5, VALID), on, (0.0, VALID)),
        (on, unknown, NAN),
    ):
        same(read("overtravel_disagree", switches(electric, air)), expected)
    for due in (False, True):
        seen = point().with_overtravel_due(due)
        assert ROWS["overtravel_untested"].flag(seen) == (float(due), VALID)
        one = changed(seen, readings={**seen.readings, "overtravel_electric": ABSENT_FLAG})
        assert ROWS["overtravel_untested"].flag(one) == (float(due), VALID)
        none = changed(one, readings={**one.readings, "overtravel_air": ABSENT_FLAG})
        assert ROWS["overtravel_untested"].flag(none)[1] == ABSENT


def test_another_answer_about_the_overtravel_test_and_nothing_else_differs() -> None:
    seen = point()
    for due in (False, True):
        other = seen.with_overtravel_due(due)
        assert {name: part for name, part in parts(other).items() if name != "monitor"} == {
            name: part for name, part in parts(seen).items() if name != "monitor"
        }
        assert repr(parts(other.monitor)) == repr(parts(seen.monitor) | {"overtravel_due": due})


def test_the_bound_of_the_effectiveness_is_its_99_per_cent() -> None:
    brakes = changed(point().brakes, effectiveness_sigma=(0.02, DEGRADED))
    same(read("effectiveness_bound", brakes=brakes), (Z99 * 0.02, DEGRADED))


@pytest.mark.parametrize("validity", [VALID, DEGRADED, INVALID])
def test_what_holds_is_known_as_far_as_load_and_supply_are(validity: int) -> None:
    seen = point()
    ratios = changed(seen.ratios, validity=validity, holding=2.5, emergency=1.5)
    supply = changed(seen.supply, validity=VALID)
    known = validity <= DEGRADED
    same(read("holding_ratio", ratios=ratios, supply=supply), (2.5, validity) if known else UNKNOWN_FLAG)
    same(read("emergency_ratio", ratios=ratios), (1.5, validity) if known else UNKNOWN_FLAG)
    if known:
        doubtful = changed(seen.supply, validity=DEGRADED)
        same(read("holding_ratio", ratios=ratios, supply=doubtful), (2.5, DEGRADED))


@pytest.mark.parametrize("validity", [VALID, DEGRADED, INVALID])
def test_reaches_are_known_as_far_as_the_speed_is(validity: int) -> None:
    seen = point()
    motion, result = changed(seen.motion, validity=validity), seen.stop.result
    alone = seen.stop.emergency_reach_m(seen.estimate)
    for name, reach, worst in (
        ("reach_expected", result.reach_expected_m, validity),
        ("reach_assured", result.reach_assured_m, validity),
        ("emergency_reach", alone, max(validity, DEGRADED)),
    ):
        assert math.isfinite(reach)
        same(read(name, motion=motion), (reach, worst) if validity <= DEGRADED else UNKNOWN_FLAG)


@pytest.mark.parametrize(
    ("hoist", "missing"), [(HoistState.HOISTING, 0.25), (HoistState.LOWERING, 0.25), (HoistState.STILL, 0.0)]
)
def test_release_pressure_is_missed_only_while_the_block_moves(hoist: HoistState, missing: float) -> None:
    full = point().numbers.release_pressure_pa
    for validity in (VALID, DEGRADED):
        same(
            read("release_drift", {"emergency_release_pressure": (0.75 * full, validity)}, hoist=hoist),
            (missing, validity),
        )
    same(read("release_drift", {"emergency_release_pressure": (1.2 * full, VALID)}, hoist=hoist), (0.0, VALID))
    same(read("release_drift", {"emergency_release_pressure": NAN}, hoist=hoist), NAN)


def test_pressures_against_their_limits() -> None:
    least = point().rig.hydraulics.min_pressure_pa
    same(read("accumulator_margin", {"accumulator_pressure": (least + 3 * BAR, DEGRADED)}), (3 * BAR, DEGRADED))
    brakes = changed(point().brakes, circuit_ratio=0.7, residual_pressure_pa=4 * BAR)
    for lever, worst in ((VALID, DEGRADED), (INVALID, INVALID)):
        seen = circuits((0.0, lever), 1.0, 1.0, DEGRADED)
        same(read("pressure_unasked", seen, brakes=brakes), (4 * BAR, worst) if worst <= DEGRADED else NAN)
    same(read("circuit_ratio", circuits(NAN, 1.0, 1.0, DEGRADED), brakes=brakes), (0.7, DEGRADED))
    same(read("circuit_ratio", circuits((0.0, VALID), 1.0, 1.0, INVALID), brakes=brakes), NAN)


def test_the_line_that_is_worn_is_its_work_by_the_goal() -> None:
    goal = point().numbers.goal_j_m
    assert goal is not None
    worn = changed(point().line, since_cut_j=12.5 * goal)
    same(read("line_to_cut", line=worn), (12.5, VALID))
    without = changed(point().numbers, goal_j_m=None)
    assert read("line_to_cut", line=worn, numbers=without)[1] == ABSENT


def test_the_coolant_against_its_maximum() -> None:
    numbers = changed(point().numbers, coolant_max_c=70.0)
    same(read("coolant_over", {"coolant_temperature": (75.0, DEGRADED)}, numbers=numbers), (5.0, DEGRADED))
    assert read("coolant_over", numbers=changed(numbers, coolant_max_c=None))[1] == ABSENT
