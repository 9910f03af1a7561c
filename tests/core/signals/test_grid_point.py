"""A grid point made of chosen motion and readings, each part against what is worked out here."""

import math
from typing import Any

import pytest

from monitor.core.brakes.model import BrakeModel
from monitor.core.hoist.state import MOVING_M_S
from monitor.core.hoist.stopping import Brakes, StopCalculator
from monitor.core.signals.brake_loss import service_brake_lost
from monitor.core.signals.evaluation import Evaluation, _numbers
from monitor.core.signals.grid_point import GridPoint
from monitor.model.reading import ABSENT_FLAG, DEGRADED, INVALID, UNKNOWN_FLAG, VALID
from monitor.model.snapshot import HoistState
from monitor.physics.tackle import SLACK_LINE_SHARE
from monitor.units import STANDARD_GRAVITY_M_S2
from tests.core.checks.check_bench import START_NS, Bench, rig_with
from tests.support.changed import changed, parts
from tests.support.partial_rigs import rig_without

RIG = rig_with()
BLOCK_N = RIG.block.mass_kg * STANDARD_GRAVITY_M_S2
RATED_N = RIG.block.rated_load_kg * STANDARD_GRAVITY_M_S2
SECOND_NS = 1_000_000_000


def seen(
    motion: dict[str, Any] | None = None, readings: dict[str, float | None] | None = None, **options: Any
) -> GridPoint:
    """The grid point of a fresh rig at rest at 20 m, but for these."""
    bench = Bench()
    bench.run(0.1, **(readings or {}))
    return again(bench, motion, **options)


def again(bench: Bench, motion: dict[str, Any] | None = None, **options: Any) -> GridPoint:
    """The bench's next grid point."""
    bench.t_ns += 50_000_000
    now = changed(bench.point.estimate, t_ns=bench.t_ns, **(motion or {}))
    string_load_n = options.pop("string_load_n", 0.0)
    direction = options.pop("direction", 1)
    return bench.evaluation.run(bench.t_ns, now, HoistState.STILL, direction, string_load_n, **options)


def test_what_is_not_told_is_nothing() -> None:
    point = seen()
    assert (point.monitor.dropped, point.monitor.overtravel_due, point.load.lost) == (0.0, False, (0.0, VALID))
    told = seen(dropped=7, overtravel_due=True, load_lost=(1.0, DEGRADED))
    assert (told.monitor.dropped, told.monitor.overtravel_due, told.load.lost) == (7.0, True, (1.0, DEGRADED))


def test_with_nothing_on_the_line_the_drum_tells_neither_speed_nor_stop() -> None:
    on, off = seen(), seen(unloaded=True)
    assert (on.motion.validity, on.stop.validity, on.room.validity) == (VALID, DEGRADED, VALID)
    assert (off.motion.validity, off.stop.validity, off.room.validity) == (INVALID, INVALID, VALID)


@pytest.mark.parametrize(("bound", "validity"), [(0.2499, VALID), (0.25, DEGRADED), (0.2501, DEGRADED)])
def test_a_speed_is_doubtful_from_a_bound_of_a_quarter_of_a_metre_a_second_on(bound: float, validity: int) -> None:
    assert seen({"speed_bound_m_s": bound}).motion.validity == validity
    assert seen({"speed_m_s": math.nan, "speed_bound_m_s": bound}).motion.validity == INVALID


@pytest.mark.parametrize(("share", "slack"), [(0.5, 1.0), (0.999, 1.0), (1.001, 0.0), (3.0, 0.0)])
def test_the_line_is_slack_below_its_share_of_the_block(share: float, slack: float) -> None:
    assert seen(readings={"hook_load": share * SLACK_LINE_SHARE * BLOCK_N}).load.slack == slack


def test_a_load_that_is_not_known_leaves_what_else_is_known_of_it() -> None:
    point = seen(readings={"hook_load": None}, string_load_n=1234.0, load_lost=(0.0, DEGRADED))
    load, ratios = point.load, point.ratios
    assert (load.validity, load.string_n, load.slack, load.lost) == (INVALID, 1234.0, 0.0, (0.0, DEGRADED))
    assert all(map(math.isnan, (load.hook_n, load.over_rating, load.fast_line_n, load.design_factor)))
    assert ratios.validity == INVALID
    assert all(map(math.isnan, (ratios.holding, ratios.holding_most, ratios.emergency)))
    weight = point.stop.load
    assert (weight.expected_n, weight.low_n, weight.high_n) == pytest.approx((RATED_N, BLOCK_N, RATED_N))


@pytest.mark.parametrize("direction", [1, 0, -1])
def test_the_line_is_pulled_by_the_load_and_the_sheaves_friction(direction: int) -> None:
    load_n, lines, k = 900_000.0, RIG.line.lines, RIG.line.sheave_factor
    load = seen(readings={"hook_load": load_n}, direction=direction, string_load_n=680_000.0).load
    # Every sheave on the way takes its share: the line at the drum pulls hardest going up, least coming down (API RP 9B).
    friction = sum(k**-place for place in range(lines)) if direction > 0 else sum(k**place for place in range(lines))
    at_drum = load_n / lines if not direction else load_n * (k if direction > 0 else 1 / k) / friction
    assert load.fast_line_n == pytest.approx(at_drum, rel=1e-9)
    assert load.design_factor == pytest.approx(RIG.line.breaking_strength_n / load.fast_line_n)
    assert load.over_rating == pytest.approx(load_n / RATED_N)
    assert (load.validity, load.string_n) == (VALID, 680_000.0)


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_speed_above_what_is_allowed(way: float) -> None:
    most = RIG.limits.max_speed_m_s
    moving = seen({"speed_m_s": way})
    allowed = moving.stop.result.allowed_m_s
    assert moving.stop.allowed_m_s == min(allowed, most)
    assert moving.stop.speed_excess_m_s == pytest.approx(1.0 - allowed)
    assert moving.motion.over_max_m_s == pytest.approx(1.0 - most)
    assert seen({"speed_m_s": way * MOVING_M_S}).stop.speed_excess_m_s == -most, "at rest"
    assert moving.motion.speed_m_s == way


def test_room_is_to_the_limits_and_to_the_device_only_as_far_as_is_certain() -> None:
    limits = RIG.limits
    room = seen({"height_m": 30.0, "may_be_off_m": 0.5}).room
    marks = Evaluation(RIG, Bench().register).calculator.limits
    assert (room.up_m, room.down_m) == pytest.approx((marks.upper_m - 30.0, 30.0 - marks.lower_m))
    assert room.overtravel_m == pytest.approx(limits.device_m - 30.0 + 0.5)


# --- slow data -------------------------------------------------------------------------------------------------------------


def test_slow_data_have_no_stop_and_a_speed_that_counts_as_far_as_it_is_certain() -> None:
    most = RIG.limits.max_speed_m_s
    point = seen({"slow": True, "speed_m_s": -2.5, "speed_bound_m_s": 0.2})
    assert (point.stop.validity, point.monitor.slow_data) == (INVALID, 1.0)
    assert math.isnan(point.stop.speed_excess_m_s)
    assert point.motion.over_max_m_s == pytest.approx(2.5 - most - 0.2)
    assert seen().monitor.slow_data == 0.0


@pytest.mark.parametrize(
    ("slow", "thinned", "rests"),
    [(True, True, True), (True, False, False), (False, True, False), (False, False, False)],
)
def test_only_slow_data_on_a_thinned_grid_are_taken_for_a_block_at_rest(slow: bool, thinned: bool, rests: bool) -> None:
    motion = {"slow": slow, "speed_m_s": 1.0, "height_m": 30.0}
    crossing = seen(motion, thinned=thinned).stop.crossing
    point = seen()
    at_rest = point.stop.calculator.limits.upper_m - 30.0
    assert (crossing.fully_margin_up_m == pytest.approx(at_rest)) is rests
    assert crossing.fully_margin_up_m <= at_rest + 1e-9


def test_the_work_of_slow_data_is_that_of_the_heights_that_were_read() -> None:
    """500 kN over the 2 m between two readings, 3 s apart, whatever the estimate makes of the time between them."""
    bench = Bench()
    bench.run(0.1, hook_load=500_000.0)
    started_ns, work = bench.t_ns, []
    for second, read_m in enumerate((10.0, 12.0, 14.0)):
        for part in range(20):
            motion = {"slow": True, "height_m": read_m + 0.3 * part, "read_m": read_m}
            point = again(bench, motion | {"read_ns": started_ns + 3 * (second + 1) * SECOND_NS})
            work.append(point.line.total_j)
    assert work[-1] == pytest.approx(2 * 500_000.0 * 2.0)
    assert sorted(set(work)) == pytest.approx([0.0, 1_000_000.0, 2_000_000.0])


def test_the_work_of_the_line_is_load_by_way() -> None:
    bench = Bench()
    bench.run(0.1, hook_load=500_000.0)
    bench.run(10.0, 0.4)
    assert bench.point.line.total_j == pytest.approx(500_000.0 * 4.0, rel=0.02)
    bench.run(10.0, -0.4)
    assert bench.point.line.total_j == pytest.approx(2 * 500_000.0 * 4.0, rel=0.02)
    assert bench.point.line.since_cut_j == bench.point.line.total_j


# --- a pause of the readings -----------------------------------------------------------------------------------------------


def test_in_a_pause_no_margin_grows() -> None:
    """While nothing comes the motion is what was expected; a margin that it would make larger stays."""
    bench = Bench()
    bench.run(1.0, 1.0)
    before = again(bench, {"height_m": 30.0, "speed_m_s": 1.0})
    slower = changed(before.estimate, speed_m_s=0.5)
    pause = again(bench, {"height_m": 30.0, "speed_m_s": 1.0, "expected": slower})
    assert pause.stop.result.margin_up_m <= before.stop.result.margin_up_m
    assert pause.stop.crossing.cross_margin_up_m <= before.stop.crossing.cross_margin_up_m
    faster = changed(before.estimate, speed_m_s=1.5)
    worse = again(bench, {"height_m": 30.0, "speed_m_s": 1.0, "expected": faster})
    assert worse.stop.result.margin_up_m < before.stop.result.margin_up_m - 0.1
    assert worse.stop.crossing.fully_margin_up_m < before.stop.crossing.fully_margin_up_m - 0.1
    over = again(bench, {"height_m": 30.0, "speed_m_s": 0.5})
    assert over.stop.result.margin_up_m > before.stop.result.margin_up_m + 0.1, "news has come"


def test_a_pause_before_any_news_has_its_own_margins() -> None:
    first, expected = Bench(), Bench()
    motion = {"height_m": 30.0, "speed_m_s": 1.0}
    fresh = changed(first.point.estimate, **motion)
    evaluations = [Evaluation(RIG, bench.register) for bench in (first, expected)]
    points = [
        evaluation.run(bench.t_ns, now, HoistState.HOISTING, 1, 0.0)
        for evaluation, bench, now in (
            (evaluations[0], first, fresh), (evaluations[1], expected, changed(fresh, expected=fresh)),
        )
    ]  # fmt: skip
    assert repr(parts(points[0].stop.result)) == repr(parts(points[1].stop.result))
    assert repr(parts(points[0].stop.crossing)) == repr(parts(points[1].stop.crossing))


# --- oil -------------------------------------------------------------------------------------------------------------------


def test_what_is_there_for_an_application() -> None:
    full, least = RIG.brake.full_pressure_pa, RIG.hydraulics.min_pressure_pa
    supply = seen(readings={"accumulator_pressure": 9.0e6}).supply
    assert (supply.validity, supply.expected_pa, supply.assured_pa) == (VALID, 9.0e6, 9.0e6)
    assert seen(readings={"accumulator_pressure": -2.0e4}).supply.expected_pa == 0.0
    missing = seen(readings={"accumulator_pressure": None}).supply
    assert (missing.validity, missing.expected_pa, missing.assured_pa) == (INVALID, full, least)
    assert math.isnan(missing.applications_left[0])
    assert missing.applications_left[1] == INVALID
    unread = Bench(rig_with(without=("accumulator_pressure",))).point.supply
    assert (unread.validity, unread.expected_pa, unread.assured_pa) == (VALID, full, full)
    assert repr(unread.applications_left) == repr(ABSENT_FLAG)  # compiled, it is a copy


def test_no_application_is_left_at_the_least_pressure_and_some_above_it() -> None:
    least = RIG.hydraulics.min_pressure_pa
    assert seen(readings={"accumulator_pressure": least}).supply.applications_left == (0.0, VALID)
    assert seen(readings={"accumulator_pressure": least + 4e6}).supply.applications_left[0] >= 1.0


def test_a_rig_without_a_table_is_not_compared_with_it() -> None:
    whole = _numbers(rig_without(()))
    assert (whole.knows_tackle, whole.has_oil, whole.has_emergency) == (True, True, True)
    for table in ("line", "drum", "reference"):
        assert not _numbers(rig_without({table})).knows_tackle, table
    assert not _numbers(rig_without({"hydraulics"})).has_oil
    assert _numbers(rig_without({"aux"})).coolant_max_c is None
    assert whole.coolant_max_c == rig_without(()).aux.coolant_max_c  # type: ignore[union-attr]
    assert (whole.block_n, whole.rated_load_n) == pytest.approx((BLOCK_N, RATED_N))


def test_a_circuit_that_is_lost_counts_in_no_mark() -> None:
    full = RIG.brake.full_pressure_pa
    bench, whole = Bench(), Bench()
    for each, second in ((bench, 0.0), (whole, 0.95 * full)):
        each.run(3.0, brake_lever=1.0, service_pressure_1=0.95 * full, service_pressure_2=second)
    watch, model = bench.evaluation.brake_health, BrakeModel(RIG)
    assert (watch.circuits(), whole.evaluation.brake_health.circuits()) == ((1, 1), (2, 2))
    moving = {"speed_m_s": -1.0, "height_m": 10.0}
    one, two = again(bench, moving), again(whole, moving)
    assert one.ratios.holding == pytest.approx(two.ratios.holding / 2)
    assert one.ratios.holding_most == pytest.approx(two.ratios.holding_most / 2)
    assert one.ratios.emergency == two.ratios.emergency
    scale, low = watch.friction_scales(-1)
    supply = one.supply
    brakes = Brakes(
        model.full_torque_n_m(supply.expected_pa, scale, -1, 1), model.full_torque_n_m(supply.assured_pa, low, -1, 1)
    )
    slowing = watch.deceleration.confident_m_s2
    worked_out = StopCalculator(RIG).solve(one.estimate, one.stop.load, brakes, slowing)
    assert repr(parts(one.stop.result)) == repr(parts(worked_out))
    assert one.stop.result.margin_down_m < two.stop.result.margin_down_m - 0.1


# --- what the monitor knows of itself --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("after_s", "flag"), [(1.0, UNKNOWN_FLAG), (5.0, UNKNOWN_FLAG), (5.05, (1.0, VALID))])
def test_a_height_counts_as_unknown_only_when_it_has_had_time(after_s: float, flag: tuple[float, int]) -> None:
    bench = Bench()
    bench.t_ns = START_NS + round(after_s * SECOND_NS) - 50_000_000
    point = again(bench, {"validity": type(bench.validity).INVALID, "height_m": math.nan})
    assert repr(point.monitor.height_unknown) == repr(flag)
    assert seen().monitor.height_unknown == (0.0, VALID)


# --- no service brake left -------------------------------------------------------------------------------------------------


def _held(lever: tuple[float, int], first: tuple[float, int], second: tuple[float, int]) -> tuple[float, int]:
    """What is said of an accumulator that reads empty, with this lever and these circuits."""
    point = seen()
    readings = {
        **point.readings, "accumulator_pressure": (RIG.hydraulics.precharge_pa, VALID), "brake_lever": lever,
        "service_pressure_1": first, "service_pressure_2": second,
    }  # fmt: skip
    return service_brake_lost(changed(point, readings=readings))


@pytest.mark.parametrize("circuit", [VALID, DEGRADED])
@pytest.mark.parametrize("lever", [VALID, DEGRADED])
def test_circuits_that_answer_a_lever_are_believed_as_far_as_both_are_known(lever: int, circuit: int) -> None:
    full = RIG.brake.full_pressure_pa
    assert _held((1.0, lever), (0.51 * full, circuit), (0.0, VALID))[0] == 0.0
    assert _held((1.0, lever), (0.0, VALID), (0.51 * full, circuit))[0] == 0.0
    assert _held((1.0, lever), (0.49 * full, circuit), (0.49 * full, VALID)) == (1.0, VALID)


def test_a_lever_that_asks_for_nothing_or_is_not_known_is_answered_by_nothing() -> None:
    full, least = RIG.brake.full_pressure_pa, RIG.braking.demand_lever
    assert _held((0.9 * least, VALID), (full, VALID), (full, VALID)) == (1.0, VALID)
    assert _held((least, VALID), (full, VALID), (full, VALID))[0] == 0.0
    assert _held((1.0, INVALID), (full, VALID), (full, VALID)) == (1.0, VALID)
    assert _held((1.0, VALID), (full, INVALID), (full, INVALID)) == (1.0, VALID)
