"""The parts of the stop mark, each against numbers worked out here: what stands still, the ends of every doubt, driving time."""

import math
from typing import Any

import pytest

from monitor.core.hoist.stopping import NEVER_S, Brakes, StopCalculator, StopMark, StopResult, _extra, _time_to
from monitor.physics.motion import Hoist, Reach, hoisting_phases, lowering_phases
from tests.core.hoist.test_stopping import CALCULATOR, FULL, RIG, G, estimate, load
from tests.support.changed import changed, parts

LIMITS = RIG.limits
BRAKES = Brakes(FULL, FULL * 0.85)
NEVER = Reach(math.inf, math.inf, math.inf, False)
FIELDS = tuple(parts(CALCULATOR.solve(estimate(20.0, 0.0), load(100.0), BRAKES)))


def result(**fields: Any) -> StopResult:
    """A result whose fields all differ."""
    made = {name: 10.0 + place for place, name in enumerate(FIELDS)} | {"direction": 1, "stops": True} | fields
    return StopResult(**made)


def test_a_block_at_rest_has_all_its_room() -> None:
    seen = CALCULATOR.solve(estimate(20.0, 0.0, bound=0.3), load(100.0), BRAKES)
    up, down = LIMITS.upper_m - 20.0, 20.0 - LIMITS.lower_m
    assert parts(seen) == {
        "direction": 0,
        "room_up_m": up,
        "room_down_m": down,
        "reach_expected_m": 0.0,
        "reach_assured_m": 0.0,
        "margin_up_m": up,
        "margin_down_m": down,
        "brake_time_up_s": NEVER_S,
        "brake_time_down_s": NEVER_S,
        "late_margin_up_m": up,
        "late_margin_down_m": down,
        "allowed_m_s": math.inf,
        "expected_mark_m": 20.0,
        "up_mark_m": 20.3,
        "down_mark_m": 19.7,
        "stops": True,
    }


@pytest.mark.parametrize("way", [1, -1])
def test_what_lies_behind_a_moving_block_is_room_and_what_lies_ahead_is_margin(way: int) -> None:
    seen = CALCULATOR.solve(estimate(20.0, way * 0.8, bound=0.3), load(100.0), BRAKES)
    ahead, behind = ("up", "down") if way > 0 else ("down", "up")
    found = parts(seen)
    assert found["direction"] == way
    for name in ("margin", "late_margin"):
        assert found[f"{name}_{behind}_m"] == found[f"room_{behind}_m"]
        assert found[f"{name}_{ahead}_m"] < found[f"room_{ahead}_m"]
    assert found[f"brake_time_{behind}_s"] == NEVER_S
    assert 0.0 < found[f"brake_time_{ahead}_s"] < NEVER_S
    assert found[f"{behind}_mark_m"] == pytest.approx(20.0 - way * 0.3)
    assert found[f"{ahead}_mark_m"] == pytest.approx(20.0 + way * seen.reach_assured_m)
    assert seen.expected_mark_m == pytest.approx(20.0 + way * seen.reach_expected_m)


def test_margins_no_greater_than_the_last_ones_and_all_else_as_it_is() -> None:
    margins = {name for name in FIELDS if "margin" in name}
    assert len(margins) == 4
    now, less, more = result(), result(**dict.fromkeys(margins, 1.0)), result(**dict.fromkeys(margins, 99.0))
    assert parts(now.not_above(less)) == parts(now) | dict.fromkeys(margins, 1.0)
    assert parts(now.not_above(more)) == parts(now)
    unknown = result(**dict.fromkeys(margins, math.nan))
    assert all(math.isnan(getattr(unknown.not_above(less), name)) for name in margins)


def test_a_mark_is_worked_out_once_and_no_better_than_the_one_before() -> None:
    def mark(height: float, last: StopMark | None = None) -> StopMark:
        return StopMark(CALCULATOR, estimate(height, -0.8), load(100.0), BRAKES, 0.0, last)

    near, far = mark(10.0).result, mark(30.0)
    assert far.result is far.result
    assert far.result.margin_down_m > near.margin_down_m
    held = mark(30.0, mark(10.0)).result
    assert (held.margin_down_m, held.room_down_m) == (near.margin_down_m, far.result.room_down_m)


@pytest.mark.parametrize("way", [1, -1])
def test_the_assured_reach_is_the_furthest_of_both_ends_of_the_inertia_with_all_else_at_its_worst(way: int) -> None:
    doubt, speed, weight = RIG.uncertainty, 0.9, load(100.0)
    of, newton = (hoisting_phases, weight.low_n) if way > 0 else (lowering_phases, weight.high_n)
    lag, ramp = RIG.braking.lag_s * (1 + doubt.lag), RIG.braking.ramp_s * (1 + doubt.lag)
    ends = [
        of(
            Hoist(1.0, RIG.drum.inertia_kg_m2 * (1 + sign * doubt.inertia), RIG.line.lines, 0.42,
                  RIG.line.sheave_factor - doubt.sheave),
            newton / G, BRAKES.assured_n_m, ramp,
        ).reach(speed, LIMITS.reaction_s, lag)
        for sign in (-1, 1)
    ]  # fmt: skip
    assert ends[0].distance_m != ends[1].distance_m
    seen = CALCULATOR.solve(estimate(20.0, way * speed, 0.0, 0.0), weight, BRAKES)
    assert seen.reach_assured_m == pytest.approx(max(end.distance_m for end in ends))


def test_sheaves_never_help_more_than_without_friction() -> None:
    smooth = RIG.model_copy(update={"line": RIG.line.model_copy(update={"sheave_factor": 1.01})})
    assert RIG.uncertainty.sheave > 0.01
    assert StopCalculator(smooth)._k_low == 1.0


def test_the_limits_are_those_of_the_rig() -> None:
    limits = CALCULATOR.limits
    assert (limits.floor_m, limits.lower_m) == (RIG.mast.floor_m, LIMITS.lower_m)
    assert (limits.upper_m, limits.crown_m) == (LIMITS.upper_m, RIG.mast.crown_m)


def test_doubts_of_height_and_speed_add_to_the_reach_as_squares() -> None:
    expected, assured = Reach(1.0, 2.0, 0.5, True), Reach(4.0, 5.0, 0.5, True)
    seen = estimate(20.0, 0.5, bound=4.0, speed_bound=2.4)
    assert _extra(expected, assured, seen) == pytest.approx(13.0 - 3.0)  # 3, 4 and 12 make 13
    assert _extra(expected, assured, estimate(20.0, 0.5, bound=math.inf, speed_bound=0.8)) == pytest.approx(5.0 - 3.0)
    assert _extra(expected, NEVER, seen) == 4.0


STOPS = Reach(0.5, 2.0, 1.0, True)


@pytest.mark.parametrize(
    ("margin", "speed", "acceleration", "reach", "seconds"),
    [
        (0.0, 1.0, 0.0, STOPS, 0.0),
        (-1.0, 1.0, 0.0, STOPS, 0.0),
        (10.0, 1.0, 0.0, NEVER, 0.0),
        (math.inf, 1.0, 0.0, STOPS, NEVER_S),
        (math.nan, 1.0, 0.0, STOPS, NEVER_S),
        (10.0, 0.5, 0.0, STOPS, 20.0),
        (1e6, 0.5, 0.0, STOPS, NEVER_S),
        # The margin goes by speed, by what the stop takes longer, by the acceleration: 24 = (1 + 2.4 * 0.5) t + 0.25 t2.
        (24.0, 1.0, 0.5, STOPS, (-2.2 + math.sqrt(2.2**2 + 24.0)) / 0.5),
        # It slows: the slope is reach over speed, 0.4 + 0.5 / 1; 0.5 = (1 - 0.9 * 0.4) t - 0.2 t2.
        (0.5, 1.0, -0.4, STOPS, (-0.64 + math.sqrt(0.64**2 - 0.4)) / -0.4),
        # As long as that has no solution it stops in time.
        (0.52, 1.0, -0.4, STOPS, NEVER_S),
        # So slow that reach over speed is taken at 0.05 m/s: 0.4 + 0.5 / 0.05 = 10.4; the margin grows.
        (1.0, 0.02, -0.0019, STOPS, 1.0 / (0.02 - 10.4 * 0.0019)),
        (1.0, 0.01, -0.0019, STOPS, NEVER_S),
    ],
)  # fmt: skip
def test_driving_time_until_the_margin_is_used_up(
    margin: float, speed: float, acceleration: float, reach: Reach, seconds: float
) -> None:
    assert _time_to(margin, speed, acceleration, reach, 0.4) == pytest.approx(min(seconds, NEVER_S))


@pytest.mark.parametrize("acceleration", [0.2, -0.2])
def test_driving_time_counts_only_as_much_change_of_speed_as_is_sure(acceleration: float) -> None:
    moving = changed(estimate(20.0, -0.8, slowing=acceleration), acceleration_sigma_m_s2=0.3)
    seen = CALCULATOR.solve(moving, load(100.0), BRAKES)
    assert seen.brake_time_down_s == pytest.approx(seen.margin_down_m / 0.8)
    surely = CALCULATOR.solve(changed(moving, acceleration_sigma_m_s2=0.0), load(100.0), BRAKES)
    assert (surely.brake_time_down_s < surely.margin_down_m / 0.8) == (acceleration < 0.0)
