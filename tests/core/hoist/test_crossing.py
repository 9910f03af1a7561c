"""The last two words before a limit: one curve with the first two where nothing is in doubt, never louder for a brake that bites
more, never silent at the limit; and the stop behind them against scipy's integration."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.core.brakes.model import BrakeModel
from monitor.core.estimator.estimate import Estimate
from monitor.core.hoist.crossing import NEWS_S, UNKNOWN_ACTING, LastMoments
from monitor.core.hoist.stopping import Brakes, Load, StopCalculator
from monitor.model.acting import ActingBrakes
from monitor.model.reading import Validity
from monitor.physics.motion import Hoist, Phases, hoisting_phases, lowering_phases
from tests.support.changed import changed, parts

RIG = find_rig("land")
G = 9.80665
FULL = BrakeModel(RIG).full_torque_n_m(RIG.brake.full_pressure_pa)
LAST = LastMoments(RIG)
OFF = ActingBrakes(0.0, 0.0, 0.0, driven=False)
speeds = st.floats(0.05, 1.8)
ways = st.sampled_from([-1, 1])
weights = st.floats(23.0, 250.0)
gains = st.floats(-0.6, 0.6)


def sure(rig: Rig) -> Rig:
    """The rig without any doubt in its file."""
    none = rig.uncertainty.model_copy(update={"load": 0.0, "friction": 0.0, "lag": 0.0, "inertia": 0.0, "sheave": 0.0})
    return rig.model_copy(update={"uncertainty": none})


def estimate(height: float, speed: float, gain: float = 0.0, bound: float = 0.0, speed_bound: float = 0.0) -> Estimate:
    """`gain`: by how much its speed grows, as a magnitude."""
    a = math.copysign(gain, speed * gain) if gain else 0.0
    return Estimate(
        0, height, speed, a, bound / 3, speed_bound / 3, 0.05, bound, speed_bound, Validity.VALID, 60.0, 2, 0.42, False
    )


def load(tonnes: float, doubt: float = 0.05) -> Load:
    newton = tonnes * 1000 * G
    return Load(newton, newton * (1 - doubt), newton * (1 + doubt))


def margins(way: int, **what: object) -> tuple[float, float]:
    """Margins of "brake fully now" and of "will cross" in the direction of motion."""
    seen = LAST.solve(**what)  # type: ignore[arg-type]
    if way > 0:
        return seen.fully_margin_up_m, seen.cross_margin_up_m
    return seen.fully_margin_down_m, seen.cross_margin_down_m


@given(speed=speeds, way=ways, tonnes=weights, height=st.floats(6.0, 30.0))
def test_without_doubts_the_words_are_one_curve_shifted_by_reaction_and_notice(
    speed: float, way: int, tonnes: float, height: float
) -> None:
    rig = sure(RIG)
    now = changed(estimate(height, way * speed), acceleration_sigma_m_s2=0.0)
    weight = load(tonnes, 0.0)
    stop = StopCalculator(rig).solve(now, weight, Brakes(FULL, FULL))
    last = LastMoments(rig).solve(now, weight, FULL, FULL, OFF)
    brake_now = stop.margin_up_m if way > 0 else stop.margin_down_m
    fully = last.fully_margin_up_m if way > 0 else last.fully_margin_down_m
    cross = last.cross_margin_up_m if way > 0 else last.cross_margin_down_m
    room = stop.room_up_m if way > 0 else stop.room_down_m
    shift = (rig.limits.notice_s - NEWS_S) * speed
    if way > 0:
        assert fully - brake_now == pytest.approx(shift, abs=1e-9)
    else:  # the first two words do not rely on what holds the load now
        assert fully - brake_now >= shift - 1e-9
    way_at_once = room - fully - (rig.limits.reaction_s + NEWS_S) * speed
    assert room - cross == pytest.approx(way_at_once, abs=1e-9)


@given(speed=speeds, way=ways, tonnes=weights, gain=gains, share=st.floats(0.0, 1.0), more=st.floats(0.0, 1.0),
       springs=st.sampled_from([0.0, 0.5 * FULL]), driven=st.booleans(), called=st.booleans())  # fmt: skip
def test_a_brake_that_bites_more_makes_no_word_louder(
    speed: float,
    way: int,
    tonnes: float,
    gain: float,
    share: float,
    more: float,
    springs: float,
    driven: bool,
    called: bool,
) -> None:
    """Whatever else slows the block stays as it is: what the brake takes more, the motion shows. The favourable stop holds that
    within a centimetre: its strongest brake is not the one that made the motion."""
    harder = share + more * (1.0 - share)
    hoist = Hoist(1.0, RIG.drum.inertia_kg_m2, RIG.line.lines, 0.42, RIG.line.sheave_factor)
    of = hoisting_phases if way > 0 else lowering_phases
    per_share = of(hoist, tonnes * 1000.0, FULL, 1.0).jerk_m_s3

    def known(seen: float) -> Estimate:
        return changed(estimate(20.0, way * speed, seen, 0.1, 0.05), acceleration_sigma_m_s2=0.0)

    less, greater = (
        margins(
            way, estimate=known(gain - part * per_share), load=load(tonnes),
            expected_n_m=FULL, strongest_n_m=1.2 * FULL,
            acting=ActingBrakes(part * FULL, part * 1.2 * FULL, springs, called=called, driven=driven),
        )
        for part in (share, harder)
    )  # fmt: skip
    assert greater[0] >= less[0] - 1e-9
    assert greater[1] >= less[1] - 0.01


@given(speed=speeds, way=ways, tonnes=weights, gain=gains)
def test_springs_that_are_set_a_hand_that_has_pulled_and_unknown_pressures_make_no_word_louder(
    speed: float, way: int, tonnes: float, gain: float
) -> None:
    def now(acting: ActingBrakes) -> tuple[float, float]:
        return margins(
            way, estimate=estimate(20.0, way * speed, gain, 0.1, 0.05), load=load(tonnes), expected_n_m=FULL,
            strongest_n_m=1.2 * FULL, acting=acting,
        )  # fmt: skip

    off = now(OFF)
    for kinder in (changed(OFF, springs_n_m=0.3 * FULL), UNKNOWN_ACTING):
        assert all(a >= b - 1e-9 for a, b in zip(now(kinder), off, strict=True))
    # Of a hand that has pulled, no reaction is waited for: the block travels less wherever it does not slow down by itself.
    if gain >= 0.0:
        assert now(changed(OFF, called=True))[0] >= off[0] - 1e-9


@given(speed=speeds, way=ways, tonnes=weights, gain=gains, bound=st.floats(0.0, 1.0), speed_bound=st.floats(0.0, 0.3))
def test_doubt_never_brings_the_last_word_forward_and_at_the_limit_it_stands(
    speed: float, way: int, tonnes: float, gain: float, bound: float, speed_bound: float
) -> None:
    limit = RIG.limits.upper_m if way > 0 else RIG.limits.lower_m

    def cross(height: float, bound: float, speed_bound: float) -> float:
        now = estimate(height, way * speed, gain, bound, speed_bound)
        return margins(way, estimate=now, load=load(tonnes), expected_n_m=FULL, strongest_n_m=1.2 * FULL, acting=OFF)[1]

    assert cross(20.0, bound, speed_bound) >= cross(20.0, 0.0, 0.0) - 1e-9
    assert cross(limit, bound, speed_bound) < 0.0


@given(speed=speeds, way=ways, tonnes=weights, gain=gains, share=st.floats(0.0, 1.0))
def test_who_will_cross_had_to_brake_fully_before(
    speed: float, way: int, tonnes: float, gain: float, share: float
) -> None:
    now = estimate(20.0, way * speed, gain, 0.1, 0.05)
    acting = ActingBrakes(share * FULL, min(1.0, share + 0.02) * 1.2 * FULL, 0.0, driven=False)
    fully, cross = margins(
        way, estimate=now, load=load(tonnes), expected_n_m=FULL, strongest_n_m=1.2 * FULL, acting=acting
    )
    assert cross >= fully - 1e-9


@pytest.mark.parametrize("way", [1, -1])
def test_a_brake_that_bites_hard_is_not_said_to_cross_for_the_time_that_the_word_takes(way: int) -> None:
    """0.6 m/s, full torque there: it rests within centimetres. With twice that room it does not cross."""
    limits = RIG.limits
    hoist = Hoist(1.0, RIG.drum.inertia_kg_m2, RIG.line.lines, 0.42, RIG.line.sheave_factor)
    of = hoisting_phases if way > 0 else lowering_phases
    torque = 4.0 * FULL  # a brake as strong for its drum as a light rig's
    rests_m = of(hoist, 23e3, torque, 0.0).reach(0.6, 0.0, 0.0).distance_m
    height = limits.upper_m - 2.0 * rests_m if way > 0 else limits.lower_m + 2.0 * rests_m
    acting = ActingBrakes(torque, 1.2 * torque, 0.0, called=True, driven=False)
    now = estimate(height, way * 0.6, 0.0, 0.5, 0.3)
    _, cross = margins(
        way, estimate=now, load=load(23.0), expected_n_m=torque, strongest_n_m=1.2 * torque, acting=acting
    )
    assert 2.0 * rests_m < NEWS_S * 0.6, "at even speed it would pass the limit before the word is there"
    assert cross > 0.0


def test_a_brake_that_does_not_beat_the_load_will_cross_and_says_how_fast() -> None:
    seen = LAST.solve(estimate(3.0, -1.0), load(300.0), 0.05 * FULL, 0.06 * FULL, OFF)
    assert seen.fully_margin_down_m == -math.inf
    assert seen.cross_margin_down_m == -math.inf
    assert seen.overrun_least_m == seen.overrun_most_m == math.inf


@pytest.mark.parametrize("speed", [-1.0, -0.1, 0.1, 1.0])
def test_no_torque_at_all_is_a_stop_by_weight_alone_or_none(speed: float) -> None:
    seen = LAST.solve(estimate(20.0, speed), load(22.0), 0.0, 0.0, OFF)
    stops = speed > 0.0
    assert (seen.fully_margin_up_m if stops else seen.fully_margin_down_m) > 0.0 or not stops
    assert (seen.cross_margin_down_m == -math.inf) is not stops


def test_what_is_said_of_an_overrun_is_what_the_stop_does() -> None:
    """At once 0.2 m before the floor limit: beyond it by reach less room, at the speed that the stop has left there."""
    rig = sure(RIG)
    room = 0.2
    now = estimate(rig.limits.lower_m + room, -1.0)
    called = ActingBrakes(0.0, 0.0, 0.0, called=True, driven=False)
    seen = LastMoments(rig).solve(now, load(150.0, 0.0), FULL, FULL, called)
    hoist = Hoist(1.0, rig.drum.inertia_kg_m2, rig.line.lines, 0.42, rig.line.sheave_factor)
    phases = lowering_phases(hoist, 150_000.0, FULL, rig.braking.ramp_s).helped(0.0)
    # The block is held at its speed now: what holds it may go on to, and at rest no more than the load.
    phases = phases.helped(phases.coast_m_s2)
    reach = phases.reach(1.0, 0.0, rig.braking.lag_s)
    assert seen.overrun_most_m == pytest.approx(reach.distance_m - room)
    assert seen.speed_most_m_s == pytest.approx(phases.speed_after_m(room, 1.0, rig.braking.lag_s))
    assert 0.0 < seen.overrun_least_m <= seen.overrun_most_m
    still = LAST.solve(changed(now, speed_m_s=0.0), load(150.0), FULL, FULL)
    assert (still.cross_margin_down_m, still.overrun_most_m) == (pytest.approx(room), 0.0)


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("speed", [0.2, 0.9, 1.6])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.8, 1.0])
@pytest.mark.parametrize("helped", [0.0, 0.2])
def test_a_stop_under_way_agrees_with_numerical_integration(
    way: int, speed: float, share: float, helped: float
) -> None:
    """scipy.integrate.solve_ivp (Dormand and Prince 5(4)) over lag, what is left of the ramp, and full torque."""
    hoist = Hoist(120_000.0, 6000.0, 10, 0.42)
    full = 400e3
    whole = (hoisting_phases if way > 0 else lowering_phases)(hoist, hoist.mass_kg, full, 0.4)
    phases = whole.begun(share * whole.ramp_s).helped(helped)
    lag_s = 0.25

    def slows(t: float, y: np.ndarray) -> list[float]:
        into = share * whole.ramp_s + min(max(t - lag_s, 0.0), (1.0 - share) * whole.ramp_s)
        a = whole.coast_m_s2 - whole.jerk_m_s3 * into
        return [y[1], max(a, -whole.slowing_m_s2) - helped]

    def rests(t: float, y: np.ndarray) -> float:
        return float(y[1])

    rests.terminal, rests.direction = True, -1  # type: ignore[attr-defined]
    done = solve_ivp(
        slows, (0.0, 60.0), [0.0, speed], events=rests, rtol=1e-9, atol=1e-11, max_step=0.02, dense_output=True
    )
    reach = phases.reach(speed, 0.0, lag_s)
    assert reach.distance_m == pytest.approx(done.y[0][-1], rel=1e-5)
    assert reach.time_s == pytest.approx(done.t[-1], rel=1e-5)
    for part in (0.1, 0.5, 0.9, 0.99):
        t = part * done.t[-1]
        distance, left = done.sol(t)
        assert phases.speed_after_m(float(distance), speed, lag_s) == pytest.approx(float(left), abs=2e-4)
    assert phases.speed_after_m(reach.distance_m + 0.1, speed, lag_s) == 0.0


@given(speed=speeds, way=ways, tonnes=weights, gain=gains, share=st.floats(0.0, 0.5), asked=st.floats(0.0, 0.9),
       more=st.floats(0.0, 1.0), asked_s=st.floats(0.05, 1.0))  # fmt: skip
def test_a_lever_that_asks_for_more_makes_no_word_louder(
    speed: float, way: int, tonnes: float, gain: float, share: float, asked: float, more: float, asked_s: float
) -> None:
    def now(coming: float) -> tuple[float, float]:
        most = max(share, coming + share) * 1.2 * FULL
        return margins(
            way, estimate=estimate(20.0, way * speed, gain, 0.1, 0.05), load=load(tonnes), expected_n_m=FULL,
            strongest_n_m=1.2 * FULL, acting=ActingBrakes(share * FULL, most, 0.0, coming * FULL, asked_s, driven=False),
        )  # fmt: skip

    harder = asked + more * (1.0 - asked)
    less, greater = now(asked), now(harder)
    assert greater[0] >= less[0] - 1e-9


@pytest.mark.parametrize("coming_s", [0.0, 0.15, 0.4])
@pytest.mark.parametrize("time_s", [0.1, 0.3, 0.6, 2.0])
def test_a_stop_after_some_time_agrees_with_numerical_integration(coming_s: float, time_s: float) -> None:
    """scipy.integrate.solve_ivp, a partial application on its way: lag, part of the ramp, then constant."""
    phases = Phases(0.1, 2.5, coming_s, 2.5 * coming_s - 0.1)

    def slows(t: float, y: np.ndarray) -> list[float]:
        return [y[1], 0.1 - 2.5 * min(max(t - 0.25, 0.0), coming_s)]

    def rests(t: float, y: np.ndarray) -> float:
        return float(y[1])

    rests.terminal = True  # type: ignore[attr-defined]
    done = solve_ivp(slows, (0.0, time_s), [0.0, 0.8], events=rests, rtol=1e-9, atol=1e-11, max_step=0.02)
    way, speed = phases.after_s(time_s, 0.8, 0.25)
    assert way == pytest.approx(done.y[0][-1], rel=1e-5)
    assert speed == pytest.approx(max(0.0, done.y[1][-1]), abs=1e-5)


def test_a_stop_begun_and_helped_is_what_its_parts_say() -> None:
    phases = Phases(0.5, 2.0, 0.5, 0.5)
    assert parts(phases.begun(0.2)) == pytest.approx(parts(Phases(0.1, 2.0, 0.3, 0.5)))
    assert phases.begun(3.0).ramp_s == 0.0
    assert parts(phases.helped(0.1)) == pytest.approx(parts(Phases(0.4, 2.0, 0.5, 0.6)))


@pytest.mark.parametrize("tonnes", [23.0, 180.0])
def test_going_up_without_any_brake_the_load_alone_makes_the_stop(tonnes: float) -> None:
    seen = LAST.solve(estimate(20.0, 0.5), load(tonnes), 0.0, 0.0, OFF)
    assert math.isfinite(seen.fully_margin_up_m)
    assert seen.fully_margin_up_m < LAST.solve(estimate(20.0, 0.5), load(tonnes), FULL, FULL, OFF).fully_margin_up_m
