"""A block that nothing holds goes down: an encoder that had stood still before it got stuck is found by that."""

import math

import pytest

from monitor.config.brakes import RegenAux
from monitor.config.rig_file import find_rig
from monitor.core.estimator.plausibility import DRIVEN_MOTION_S, FREE_MOTION_S, FreeMotionDetector
from monitor.model.reading import Validity
from monitor.model.stream import Frame
from simulators.faults.readings import Freeze
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import Scenario, Work

RIG = find_rig("land")
SECOND = 1_000_000_000
FREE = {
    "brake_lever": 0.0,
    "clutch_engaged": 0.0,
    "service_pressure_1": 1e5,
    "service_pressure_2": 1e5,
    "hook_load": 600_000.0,
    "emergency_release_pressure": 11.5e6,
}
HELD = {
    "brake_lever": 0.3,
    "clutch_engaged": 1.0,
    "service_pressure_1": 5e6,
    "service_pressure_2": 5e6,
    "hook_load": 20_000.0,
    "emergency_release_pressure": 4e6,
}


def test_it_counts_from_the_moment_at_which_the_last_thing_let_go() -> None:
    detector = FreeMotionDetector(RIG)
    assert detector.quantities == set(FREE)
    assert math.isnan(detector.seconds(0))
    for quantity in FREE:
        if quantity == "clutch_engaged":
            continue
        for t in range(4):
            for other, value in FREE.items():
                detector.add_reading(t * SECOND, other, HELD[other] if other == quantity and t < 3 else value)
            assert math.isnan(detector.seconds(t * SECOND)) == (t < 3)
        assert detector.seconds(3 * SECOND) == pytest.approx(1.0)


@pytest.mark.parametrize(("clutch", "least_s"), [(0.0, FREE_MOTION_S), (1.0, DRIVEN_MOTION_S)])
def test_a_count_that_stays_is_judged_by_the_clutch(clutch: float, least_s: float) -> None:
    """From the clutch's last move on; a drive gets longer to set what hangs there in motion."""
    detector = FreeMotionDetector(RIG)
    for t in range(60):
        t_ns = t * SECOND // 4
        for quantity, value in FREE.items():
            way = clutch if t > 6 else 1.0 - clutch  # it moves at the seventh, after 1.75 s
            detector.add_reading(t_ns, quantity, way if quantity == "clutch_engaged" else value)
        assert detector.moves(t_ns, 60.0) == (t / 4 - 1.75 > least_s)
        assert not detector.moves(t_ns, 1.0)


@pytest.mark.parametrize(("load_n", "moves"), [(660_000.0, False), (450_000.0, True), (1_100_000.0, True)])
def test_a_load_that_comes_on_or_off_moves_the_count(load_n: float, moves: bool) -> None:
    """Whatever the clutch does: here it changes all the time."""
    detector = FreeMotionDetector(RIG)
    for t in range(8):
        t_ns = t * SECOND // 4
        given = FREE | {"clutch_engaged": float(t % 2), "hook_load": load_n if t > 3 else FREE["hook_load"]}
        for quantity, value in (given | ({"brake_lever": 0.3} if t < 2 else {})).items():
            detector.add_reading(t_ns, quantity, value)
        assert detector.moves(t_ns, 60.0) == (moves and t > 3)
        assert not detector.moves(t_ns, 0.4)
    detector.count_changed()
    assert not detector.moves(t_ns, 60.0)


def test_what_has_not_been_heard_of_lately_is_not_known() -> None:
    detector = FreeMotionDetector(RIG)
    for quantity, value in FREE.items():
        detector.add_reading(SECOND, quantity, value)
    for t in range(2, 8):
        for quantity, value in FREE.items():
            if quantity != "clutch_engaged":
                detector.add_reading(t * SECOND, quantity, value)
    assert math.isnan(detector.seconds(7 * SECOND))


def test_a_rig_that_cannot_tell_asks_for_nothing() -> None:
    without = RIG.model_copy(update={"sensors": tuple(s for s in RIG.sensors if s.quantity != "clutch_engaged")})
    assert FreeMotionDetector(without).quantities == frozenset()
    deep = find_rig("deep")
    assert isinstance(deep.aux, RegenAux)
    assert FreeMotionDetector(deep).quantities == frozenset()


@pytest.mark.parametrize("frozen", [True, False])
def test_an_encoder_stuck_while_the_block_stood_is_found_when_it_goes_down(frozen: bool) -> None:
    scenario = Scenario(
        name="stuck",
        description="the encoder sticks while the block stands; then the block is lowered",
        duration_s=24.0,
        work=Work(
            program="run-to-floor",
            start_m=30.0,
            settings={"string_n": 900_000.0, "wait_s": 8.0, "lower_m_s": 0.8, "brake_at_m": 8.0},
        ),
        faults=(Freeze(sensor="drum", start_s=4.0),) if frozen else (),
    )
    source = PlantSource(RIG, scenario, 3)
    core = shipped_core(RIG)
    wrong_s = 0.0
    keys = set()
    for now_ns, items in source.ticks():
        for item in items:
            assert isinstance(item, Frame)
            keys |= {finding.key for finding in core.feed(item)}
        if source.plant.ticks % 5 == 0 and core.now_ns:
            keys |= {finding.key for finding in core.advance(now_ns)}
            value, bound = core.snapshot().value("height"), core.snapshot().value("height_bound").number
            off = abs(value.number - source.plant.height_m) > bound + 0.05
            wrong_s += 0.05 * (value.validity is Validity.VALID and off)
    assert source.plant.height_m < 25.0
    assert ("sensor-refused:drum" in keys) == frozen
    assert ("height-unknown" in keys) == frozen
    assert wrong_s < FREE_MOTION_S + 2.0
