"""The stop mark: consistency of reach, margin and allowed speed, and that doubt only ever makes the assured mark wider."""

import math

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from monitor.config.rig_file import find_rig
from monitor.core.brakes.model import BrakeModel
from monitor.core.estimator.estimate import Estimate
from monitor.core.hoist.stopping import NEVER_S, Brakes, Load, StopCalculator
from monitor.model.reading import Validity
from monitor.physics.motion import Hoist, reach_lowering
from tests.support.changed import changed

RIG = find_rig("land")
CALCULATOR = StopCalculator(RIG)
G = 9.80665
FULL = BrakeModel(RIG).full_torque_n_m(RIG.brake.full_pressure_pa)


def estimate(
    height: float, speed: float, bound: float = 0.05, speed_bound: float = 0.02, slowing: float = 0.0
) -> Estimate:
    return Estimate(
        0,
        height,
        speed,
        slowing,
        bound / 3,
        speed_bound / 3,
        0.0,  # the acceleration is known exactly
        bound,
        speed_bound,
        Validity.VALID,
        60.0,
        2,
        0.42,
        False,
    )


def load(tonnes: float) -> Load:
    newton = tonnes * 1000 * G
    return Load(newton, newton * 0.95, newton * 1.05)


speeds = st.floats(0.05, 1.8)
ways = st.sampled_from([-1, 1])
weights = st.floats(23.0, 300.0)
brakes = st.floats(0.4, 1.2).map(lambda share: Brakes(FULL * share, FULL * share * 0.85))


@given(speed=speeds, way=ways, tonnes=weights, brake=brakes, height=st.floats(5.0, 34.0), bound=st.floats(0.0, 0.8))
def test_assured_is_never_inside_expected_and_margin_is_room_less_reach(
    speed: float, way: int, tonnes: float, brake: Brakes, height: float, bound: float
) -> None:
    seen = CALCULATOR.solve(estimate(height, way * speed, bound), load(tonnes), brake)
    assert seen.reach_assured_m >= seen.reach_expected_m
    room, margin = (seen.room_up_m, seen.margin_up_m) if way > 0 else (seen.room_down_m, seen.margin_down_m)
    notice = RIG.limits.notice_s * speed
    assert margin == pytest.approx(room - seen.reach_assured_m - notice) or not seen.marks.stops
    other = (seen.margin_down_m, seen.room_down_m) if way > 0 else (seen.margin_up_m, seen.room_up_m)
    assert other[0] == other[1]
    if seen.marks.stops:
        edge = seen.marks.assured_up_m if way > 0 else seen.marks.assured_down_m
        assert edge == pytest.approx(height + way * seen.reach_assured_m)


@given(speed=speeds, way=ways, tonnes=weights, brake=brakes)
def test_more_doubt_never_gives_a_shorter_reach(speed: float, way: int, tonnes: float, brake: Brakes) -> None:
    sure = CALCULATOR.solve(estimate(20.0, way * speed, 0.02, 0.01), load(tonnes), brake)
    for doubtful in (estimate(20.0, way * speed, 0.5, 0.01), estimate(20.0, way * speed, 0.02, 0.2)):
        assert CALCULATOR.solve(doubtful, load(tonnes), brake).reach_assured_m >= sure.reach_assured_m
    weaker = changed(brake, assured_n_m=brake.assured_n_m * 0.9)
    assert CALCULATOR.solve(estimate(20.0, way * speed, 0.02, 0.01), load(tonnes), weaker).reach_assured_m >= (
        sure.reach_assured_m - 1e-12
    )


@given(speed=st.floats(0.2, 1.5), way=ways, tonnes=weights, brake=brakes)
def test_where_the_margin_is_used_up_the_speed_is_the_allowed_speed(
    speed: float, way: int, tonnes: float, brake: Brakes
) -> None:
    first = CALCULATOR.solve(estimate(20.0, way * speed), load(tonnes), brake)
    if not first.marks.stops:
        assert first.allowed_m_s == 0.0
        return
    limits = CALCULATOR.limits
    needed = first.reach_assured_m + RIG.limits.notice_s * speed
    height = limits.upper_m - needed if way > 0 else limits.lower_m + needed
    there = CALCULATOR.solve(estimate(height, way * speed), load(tonnes), brake)
    margin = there.margin_up_m if way > 0 else there.margin_down_m
    assert margin == pytest.approx(0.0, abs=1e-9)
    assert there.allowed_m_s == pytest.approx(speed, rel=1e-6)


@given(speed=st.floats(0.2, 1.5), way=ways, tonnes=weights, slowing=st.floats(-1.5, 1.5), sigma=st.floats(0.0, 0.5))
def test_the_notice_alone_gives_way_to_a_block_that_surely_slows_down(
    speed: float, way: int, tonnes: float, slowing: float, sigma: float
) -> None:
    """The margin grows by no more than the notice; reach and room are as before."""
    steady = CALCULATOR.solve(estimate(20.0, way * speed), load(tonnes), Brakes(FULL, FULL * 0.85))
    slower = changed(estimate(20.0, way * speed, slowing=-way * slowing), acceleration_sigma_m_s2=sigma)
    seen = CALCULATOR.solve(slower, load(tonnes), Brakes(FULL, FULL * 0.85))
    assert seen.reach_assured_m == steady.reach_assured_m
    gained = seen.margin_up_m - steady.margin_up_m if way > 0 else seen.margin_down_m - steady.margin_down_m
    # How much, the next test says; the doubt about the speed weighs a little more in the shorter stop, so that a slowing down of
    # some millimetres per second squared may save nothing.
    assert -1e-9 <= gained <= RIG.limits.notice_s * speed + 1e-9
    assert seen.allowed_m_s >= steady.allowed_m_s


@given(speed=st.floats(0.2, 1.5), way=ways, tonnes=weights, slowing=st.floats(0.01, 0.3))
def test_a_block_that_slows_down_has_the_margin_of_one_that_goes_on_so_until_the_full_brake(
    speed: float, way: int, tonnes: float, slowing: float
) -> None:
    """Against the same stop begun at the speed of then, at once, by a rig whose crew needs no time."""
    limits = RIG.limits
    at_once = StopCalculator(
        RIG.model_copy(update={"limits": limits.model_copy(update={"reaction_s": 0.0, "notice_s": 0.0})})
    )
    wait = limits.reaction_s + limits.notice_s
    assume(speed - slowing * wait > 0.05)
    brakes, known = Brakes(FULL, FULL * 0.85), (0.0, 0.0)
    seen = CALCULATOR.solve(estimate(20.0, way * speed, *known, slowing=-way * slowing), load(tonnes), brakes)
    then = at_once.solve(estimate(20.0, way * (speed - slowing * wait), *known), load(tonnes), brakes)
    assume(seen.stops and then.stops)
    room, margin = (seen.room_up_m, seen.margin_up_m) if way > 0 else (seen.room_down_m, seen.margin_down_m)
    goes_on = speed * wait - 0.5 * slowing * wait * wait + then.reach_assured_m
    assert room - margin == pytest.approx(max(seen.reach_assured_m, goes_on), abs=1e-9)


@given(speed=st.floats(0.2, 1.5), way=ways, tonnes=weights, slowing=st.floats(0.0, 5.0))
def test_what_the_brakes_readings_promise_takes_the_notice_away_and_nothing_else(
    speed: float, way: int, tonnes: float, slowing: float
) -> None:
    """However wrong a gauge is: reach and room stay as they are."""
    brakes = Brakes(FULL, FULL * 0.85)
    steady = CALCULATOR.solve(estimate(20.0, way * speed), load(tonnes), brakes)
    seen = CALCULATOR.solve(estimate(20.0, way * speed), load(tonnes), brakes, slowing)
    gained = seen.margin_up_m - steady.margin_up_m if way > 0 else seen.margin_down_m - steady.margin_down_m
    assert -1e-9 <= gained <= RIG.limits.notice_s * speed + 1e-9
    assert seen.marks == steady.marks
    assert (seen.reach_assured_m, seen.late_margin_up_m, seen.late_margin_down_m) == (
        steady.reach_assured_m,
        steady.late_margin_up_m,
        steady.late_margin_down_m,
    )


def test_a_brake_that_cannot_hold_is_a_value_not_a_number() -> None:
    weak = Brakes(FULL * 0.05, FULL * 0.04)
    seen = CALCULATOR.solve(estimate(20.0, -0.5), load(300.0), weak)
    assert math.isinf(seen.reach_assured_m)
    assert not seen.marks.stops
    assert seen.margin_down_m == -math.inf
    assert seen.allowed_m_s == 0.0
    assert seen.brake_time_down_s == 0.0


@given(speed=speeds, way=ways, tonnes=weights)
def test_the_springs_alone_reach_as_far_as_a_brake_of_their_torque(speed: float, way: int, tonnes: float) -> None:
    model = BrakeModel(RIG)
    springs = Brakes(model.emergency_torque_n_m(), 0.8 * model.emergency_torque_n_m())
    seen = CALCULATOR.solve(estimate(20.0, way * speed), load(tonnes), springs)
    expected, assured = CALCULATOR.reaches(estimate(20.0, way * speed), load(tonnes), springs)
    assert (expected, assured) == (seen.reach_expected_m, seen.reach_assured_m)
    service = CALCULATOR.reaches(estimate(20.0, way * speed), load(tonnes), Brakes(FULL, 0.8 * FULL))
    assert service[1] <= assured
    assert CALCULATOR.reaches(estimate(20.0, 0.0), load(tonnes), springs) == (0.0, 0.0)


def test_a_block_at_rest_has_no_reach_and_nags_nobody() -> None:
    seen = CALCULATOR.solve(estimate(1.55, 0.0), load(100.0), Brakes(FULL, FULL))
    assert seen.reach_assured_m == 0.0
    assert seen.brake_time_down_s == NEVER_S
    assert seen.marks.expected_m == 1.55


def test_unknown_height_still_gives_the_reach() -> None:
    seen = CALCULATOR.solve(estimate(math.nan, -1.0), load(100.0), Brakes(FULL, FULL))
    assert math.isfinite(seen.reach_expected_m)
    assert math.isnan(seen.margin_down_m)


@settings(suppress_health_check=[HealthCheck.filter_too_much])  # most blocks are further from the limit than asked for
@given(speed=st.floats(0.3, 1.4), slowing=st.floats(-0.5, 0.3), height=st.floats(4.0, 30.0), tonnes=weights)
def test_driving_time_agrees_with_driving(speed: float, slowing: float, height: float, tonnes: float) -> None:
    """Drive on with the same acceleration: the margin is used up when it was said to be, or later if the block slows."""
    brake = Brakes(FULL, FULL * 0.85)
    first = CALCULATOR.solve(estimate(height, -speed, slowing=-slowing), load(tonnes), brake)
    t = first.brake_time_down_s
    later_speed = speed + slowing * t
    assume(0.3 < t < 6.0)
    assume(0.1 < later_speed < 1.8)
    there = height - speed * t - slowing * t * t / 2
    later = CALCULATOR.solve(estimate(there, -later_speed, slowing=-slowing), load(tonnes), brake)
    if slowing <= 0:
        # The doubt about height and speed is part of the reach and does not shrink with the speed.
        assert later.margin_down_m > -0.10
    else:
        # What the tangent leaves out: half the square of the speed gained over the deceleration of the stop.
        assert -(0.05 + (slowing * t) ** 2) < later.margin_down_m < 0.05


def test_expected_reach_is_the_physics_formula() -> None:
    brake = Brakes(FULL, FULL)
    seen = CALCULATOR.solve(estimate(20.0, -1.0), load(150.0), brake)
    hoist = Hoist(150_000.0, RIG.drum.inertia_kg_m2, RIG.line.lines, 0.42, RIG.line.sheave_factor)
    direct = reach_lowering(1.0, hoist, FULL, RIG.limits.reaction_s, RIG.braking.lag_s, RIG.braking.ramp_s)
    assert seen.reach_expected_m == pytest.approx(direct.distance_m)
