"""Stops: the inverse is an inverse, more of anything bad reaches further, and never is never."""

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.physics import motion
from monitor.physics.motion import Hoist, Reach
from tests.physics.rigs import (
    HOISTS,
    G,
    Stop,
    allowed_hoisting_m_s,
    allowed_lowering_m_s,
    fall_m_s2,
    load_torque_n_m,
    spans,
    stops,
)
from tests.support.changed import parts


def lowering(s: Stop) -> Reach:
    """Reach of a stop going down."""
    return motion.reach_lowering(s.speed_m_s, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s)


def hoisting(s: Stop, drive: bool = True) -> Reach:
    """Reach of a stop going up."""
    return motion.reach_hoisting(s.speed_m_s, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s, drive)


# --- inverse --------------------------------------------------------------------------------------------------------


@given(stops(), spans(0.001, 40.0))
def test_allowed_speed_lowering_reaches_exactly_the_room(s: Stop, room: float) -> None:
    allowed = allowed_lowering_m_s(room, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s)
    at = lowering(replace(s, speed_m_s=allowed))
    if allowed > 0.0:
        assert at.distance_m == pytest.approx(room, rel=1e-6, abs=1e-9)
    else:
        assert at.distance_m >= room * (1 - 1e-9)


@given(stops(0.0), spans(0.001, 40.0), st.booleans())
def test_allowed_speed_hoisting_reaches_exactly_the_room(s: Stop, room: float, drive: bool) -> None:
    allowed = allowed_hoisting_m_s(room, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s, drive)
    assert allowed > 0.0
    assert hoisting(replace(s, speed_m_s=allowed), drive).distance_m == pytest.approx(room, rel=1e-6, abs=1e-9)


@given(stops(1.01))
def test_speed_comes_back_from_its_own_reach(s: Stop) -> None:
    down = lowering(s)
    assert allowed_lowering_m_s(
        down.distance_m, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s
    ) == pytest.approx(s.speed_m_s, rel=1e-6)
    up = hoisting(s)
    assert allowed_hoisting_m_s(up.distance_m, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s) == pytest.approx(
        s.speed_m_s, rel=1e-6
    )


@given(stops(0.0), st.sampled_from([0.0, -0.5, -math.inf, math.nan]))
def test_no_room_allows_no_speed(s: Stop, room: float) -> None:
    assert allowed_lowering_m_s(room, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s) == 0.0
    assert allowed_hoisting_m_s(room, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s) == 0.0


@given(stops(1.01), spans(0.01, 20), spans(0.001, 20))
def test_more_room_allows_more_speed(s: Stop, room: float, more: float) -> None:
    for allowed in (allowed_lowering_m_s, allowed_hoisting_m_s):
        less_room = allowed(room, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s)
        more_room = allowed(room + more, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s)
        assert more_room > less_room or more_room == less_room == 0.0


@given(stops(1.01), spans(0.0, 0.9), st.booleans())
def test_allowed_speed_knows_the_auxiliary_brake(s: Stop, share: float, holds: bool) -> None:
    aux = share * load_torque_n_m(s.hoist)
    args = (s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s, aux, holds)
    reach = motion.reach_lowering(s.speed_m_s, *args)
    assert allowed_lowering_m_s(reach.distance_m, *args) == pytest.approx(s.speed_m_s, rel=1e-6)


# --- monotone -------------------------------------------------------------------------------------------------------


@given(stops(1.01), spans(1e-3, 1.0))
def test_each_thing_that_is_worse_reaches_further_down(s: Stop, more: float) -> None:
    base = lowering(s).distance_m
    slack = 1 - 1e-9
    assert lowering(replace(s, speed_m_s=s.speed_m_s + more)).distance_m > base
    assert lowering(replace(s, reaction_s=s.reaction_s + more)).distance_m >= base * slack
    assert lowering(replace(s, lag_s=s.lag_s + more)).distance_m >= base * slack
    assert lowering(replace(s, ramp_s=s.ramp_s + more)).distance_m >= base * slack
    assert lowering(replace(s, torque_n_m=s.torque_n_m * (1 + more))).distance_m <= base / slack
    heavier = Hoist(
        s.hoist.mass_kg * 1.005, s.hoist.drum_inertia_kg_m2, s.hoist.lines, s.hoist.radius_m, s.hoist.sheave_factor
    )
    assert lowering(replace(s, hoist=heavier)).distance_m >= base * slack


@given(stops(0.0), spans(1e-3, 1.0))
def test_each_thing_that_is_worse_reaches_further_up(s: Stop, more: float) -> None:
    base = hoisting(s).distance_m
    slack = 1 - 1e-9
    assert hoisting(replace(s, speed_m_s=s.speed_m_s + more)).distance_m > base
    assert hoisting(replace(s, reaction_s=s.reaction_s + more)).distance_m >= base * slack
    assert hoisting(replace(s, lag_s=s.lag_s + more)).distance_m >= base * slack
    assert hoisting(replace(s, ramp_s=s.ramp_s + more)).distance_m >= base * slack
    assert hoisting(replace(s, torque_n_m=s.torque_n_m * (1 + more))).distance_m <= base / slack
    lighter = Hoist(
        s.hoist.mass_kg * 0.9, s.hoist.drum_inertia_kg_m2, s.hoist.lines, s.hoist.radius_m, s.hoist.sheave_factor
    )
    assert hoisting(replace(s, hoist=lighter)).distance_m >= base * slack


@given(stops(1.01), spans(0.01, 0.9))
def test_an_auxiliary_brake_only_helps(s: Stop, share: float) -> None:
    aux = share * load_torque_n_m(s.hoist)
    alone = lowering(s)
    eddy = motion.reach_lowering(s.speed_m_s, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s, aux)
    drive = motion.reach_lowering(s.speed_m_s, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s, aux, True)
    assert drive.distance_m <= eddy.distance_m * (1 + 1e-9)
    assert eddy.distance_m <= alone.distance_m * (1 + 1e-9)


# --- limits of what a brake can do ----------------------------------------------------------------------------------


@given(stops(0.0, 0.9))
def test_never_is_a_value(s: Stop) -> None:
    assume(s.torque_n_m <= load_torque_n_m(s.hoist, tackle_friction=True))
    assert parts(lowering(s)) == parts(Reach(math.inf, math.inf, math.inf, False))
    assert allowed_lowering_m_s(100.0, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s) == 0.0


@given(stops(1.01), spans(1.0, 3.0))
def test_a_brake_without_torque_at_standstill_cannot_hold(s: Stop, factor: float) -> None:
    weak = 0.9 * load_torque_n_m(s.hoist, tackle_friction=True)
    aux = factor * load_torque_n_m(s.hoist)
    eddy = motion.reach_lowering(s.speed_m_s, s.hoist, weak, s.reaction_s, s.lag_s, s.ramp_s, aux)
    assert not eddy.stops
    drive = motion.reach_lowering(s.speed_m_s, s.hoist, weak, s.reaction_s, s.lag_s, s.ramp_s, aux, aux_holds=True)
    assert drive.stops


@given(stops(0.0, 100.0))
def test_no_brake_stops_a_rising_block_shorter_than_a_thrown_stone(s: Stop) -> None:
    reach = hoisting(s)
    assert reach.stops
    assert reach.distance_m >= s.speed_m_s**2 / (2 * G) * (1 - 1e-9)
    assert reach.peak_speed_m_s == s.speed_m_s


@given(HOISTS, spans(0.1, 2.5))
def test_slack_torque_is_where_the_lines_go_slack(hoist: Hoist, speed: float) -> None:
    """A brake that stops the drum faster than g stops the block: T r / (J N) > g."""
    torque = G * hoist.drum_inertia_kg_m2 * hoist.lines / hoist.radius_m
    ballistic = speed * speed / (2 * G)
    assert motion.reach_hoisting(speed, hoist, torque * 1.001, 0.0, 0.0).distance_m == pytest.approx(ballistic)
    assert motion.reach_hoisting(speed, hoist, torque * 0.9, 0.0, 0.0).distance_m > ballistic


@given(stops(1.01))
def test_a_block_at_rest_with_the_brake_set_does_not_move(s: Stop) -> None:
    reach = motion.reach_lowering(0.0, s.hoist, s.torque_n_m, s.reaction_s, 0.0, 0.0)
    assert parts(reach) == parts(Reach(0.0, s.reaction_s, 0.0, True))


@given(stops(1.01))
def test_peak_speed_is_what_gravity_adds_in_the_lag(s: Stop) -> None:
    reach = lowering(replace(s, ramp_s=0.0))
    fall = fall_m_s2(s.hoist)
    assert reach.peak_speed_m_s == pytest.approx(s.speed_m_s + fall * s.lag_s)
    assert lowering(s).peak_speed_m_s >= reach.peak_speed_m_s * (1 - 1e-12)


@pytest.mark.parametrize(
    "change",
    [
        {"mass_kg": 0.0},
        {"mass_kg": math.nan},
        {"mass_kg": math.inf},
        {"drum_inertia_kg_m2": -1.0},
        {"drum_inertia_kg_m2": math.nan},
        {"radius_m": 0.0},
        {"radius_m": math.inf},
        {"sheave_factor": 0.9},
    ],
)
def test_a_hoist_that_cannot_be_is_refused(change: dict[str, float]) -> None:
    given_ = {"mass_kg": 1e5, "drum_inertia_kg_m2": 1600.0, "radius_m": 0.4, "sheave_factor": 1.04}
    with pytest.raises(ValueError, match=r"must be"):
        Hoist(lines=12, **{**given_, **change})
