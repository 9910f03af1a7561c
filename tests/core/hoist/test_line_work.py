"""Line work as the monitor sums it up, against the trade's round-trip formula and against what must not count."""

import math
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.constants import foot, lbf

from monitor.core.hoist.line_work import BRIDGE_S, JUMP_M, STEP_M, LineWork
from monitor.model.snapshot import HoistState
from monitor.model.stream import GRID_NS
from monitor.units import TON_MILE_J

STAND_M, SPEED_M_S, ACCELERATION_M_S2 = 93 * foot, 4 * foot, 0.5
BLOCK_N, EXCESS_N, STAND_N = 75_000 * lbf, 19_734 * lbf, 17.55 * 93 * lbf
STANDS = 130  # 12,090 ft


class Rigged:
    """A block that makes strokes, looked at as often as the core looks."""

    def __init__(self) -> None:
        self.work = LineWork(1.6)
        self.t_ns = 0
        self.height_m = 2.0

    def look(self, load_n: float, state: HoistState) -> None:
        self.t_ns += GRID_NS
        self.work.update(self.t_ns, load_n, self.height_m, state)

    def rest(self, load_n: float, state: HoistState, looks: int = 4) -> None:
        for _ in range(looks):
            self.look(load_n, state)

    def stroke(self, travel_m: float, load_n: float) -> None:
        """From rest to rest with a trapezoid of speed."""
        start = self.height_m
        way = 1 if travel_m > 0 else -1
        for distance in trapezoid(abs(travel_m)):
            self.height_m = start + way * distance
            self.look(load_n, HoistState.HOISTING if way > 0 else HoistState.LOWERING)
        self.height_m = start + travel_m


def trapezoid(length_m: float) -> Iterator[float]:
    top = min(SPEED_M_S, math.sqrt(length_m * ACCELERATION_M_S2))
    ramp_s = top / ACCELERATION_M_S2
    total_s = 2 * ramp_s + (length_m - top * ramp_s) / top
    step_s = GRID_NS * 1e-9
    for tick in range(1, math.ceil(total_s / step_s)):
        t = tick * step_s
        if t < ramp_s:
            yield ACCELERATION_M_S2 * t * t / 2
        elif t < total_s - ramp_s:
            yield top * (t - ramp_s / 2)
        else:
            yield length_m - ACCELERATION_M_S2 * (total_s - t) ** 2 / 2


def round_trip(pick_up_m: float) -> float:
    """A whole-stand round trip from 12,090 ft, in ton-miles; each stand is picked up by so much and set down again."""
    rig = Rigged()
    for way, order in ((1, range(STANDS, 0, -1)), (-1, range(1, STANDS + 1))):
        for stands in order:
            hanging = BLOCK_N + EXCESS_N + STAND_N * stands
            rig.rest(hanging, HoistState.STILL)
            for lift in (pick_up_m, -pick_up_m) if pick_up_m else ():
                rig.stroke(lift, hanging)
                rig.rest(hanging, HoistState.STILL)
            rig.stroke(way * STAND_M, hanging)
            rig.rest(hanging, HoistState.STILL)
            rig.rest(BLOCK_N, HoistState.IN_SLIPS)
            rig.stroke(-way * STAND_M, BLOCK_N)
            rig.rest(BLOCK_N, HoistState.IN_SLIPS)
    return rig.work.total_j / TON_MILE_J


def test_a_whole_stand_round_trip_is_the_published_formula() -> None:
    # Round-trip formula of API RP 9B and the drilling handbooks, worked out for 12,090 ft: 633.44 ton-miles.
    assert round_trip(0.0) == pytest.approx(633.44, rel=1e-3)


def test_two_feet_of_pick_up_per_stand_add_three_per_cent() -> None:
    # Derived here: the string of each stand goes two feet up and down again, out and in.
    assert round_trip(2 * foot) == pytest.approx(653.26, rel=1e-3)


@given(st.lists(st.floats(-0.014, 0.014), min_size=1, max_size=200), st.sampled_from(HoistState))
def test_noise_of_a_block_at_rest_does_no_work(noise: list[float], state: HoistState) -> None:
    work = LineWork(1.6)
    for place, error in enumerate(noise):
        work.update((place + 1) * GRID_NS, 1e6, 10.0 + error, state if place else HoistState.STILL)
    # Whatever was left of a step when motion ended may be counted once for each end of a motion, and only then.
    moving = state in (HoistState.HOISTING, HoistState.LOWERING)
    assert work.total_j <= (1e6 * STEP_M if moving else 0.0)


@given(
    st.lists(
        st.tuples(
            st.floats(-1e7, 1e7) | st.just(math.nan), st.floats(-5, 50) | st.just(math.nan), st.sampled_from(HoistState),
            st.integers(1, 400),
        ),
        max_size=60,
    )
)  # fmt: skip
def test_work_is_finite_and_never_falls(looks: list[tuple[float, float, HoistState, int]]) -> None:
    work, before, t_ns = LineWork(1.6), 0.0, 0
    for load, height, state, grids in looks:
        t_ns += grids * GRID_NS
        work.update(t_ns, load, height, state)
        assert work.total_j >= before
        assert math.isfinite(work.total_j)
        before = work.total_j


def moved(travel_m: float, silence_s: float, state: HoistState = HoistState.HOISTING) -> float:
    """Work of 1 MN that is found `travel_m` further on after so long without height."""
    work = LineWork(1.6)
    work.update(GRID_NS, 1e6, 10.0, state)
    for place in range(1, round(silence_s / 0.05)):
        work.update(GRID_NS * (1 + place), 1e6, math.nan, state)
    work.update(GRID_NS + round(silence_s * 1e9), 1e6, 10.0 + travel_m, state)
    return work.total_j


def test_a_jump_is_no_travel_but_the_way_over_a_short_silence_is() -> None:
    assert moved(JUMP_M + 0.01, 0.05) == 0.0
    assert moved(0.2, 0.05) == pytest.approx(0.2e6)
    assert moved(4.0, 3.0) == pytest.approx(4.0e6)
    assert moved(6.0, 3.0) == 0.0  # faster than the block can go
    assert moved(4.0, BRIDGE_S + 1.0) == 0.0


def test_nothing_counts_in_slips_whatever_is_done_to_the_line() -> None:
    assert moved(0.2, 0.05, HoistState.IN_SLIPS) == 0.0
    assert moved(0.2, 0.05, HoistState.STILL) == pytest.approx(0.2e6)  # a bit drilling ahead does count


def test_a_cut_begins_the_line_anew_and_a_restart_keeps_what_was_done() -> None:
    rig = Rigged()
    rig.stroke(5.0, 1e6)
    kept = rig.work.state()
    rig.work.cut()
    rig.height_m += 0.2  # the height is set anew: no travel
    rig.rest(1e6, HoistState.STILL)
    assert rig.work.since_cut_j == 0.0
    assert rig.work.total_j == pytest.approx(5e6, rel=0.02)
    again = LineWork(1.6)
    again.restore(kept)
    assert again.since_cut_j == pytest.approx(5e6, rel=0.02)


@pytest.mark.parametrize("saved", [{}, {"since_cut_j": "1"}, {"since_cut_j": -1.0}, {"since_cut_j": math.nan}])
def test_a_state_that_is_none_is_refused(saved: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="since_cut_j"):
        LineWork(1.6).restore(saved)


def strokes_with_rare_loads(period_s: float, loads_every: int, string_n: float) -> tuple[float, float]:
    """(counted, true) J of 40 stands pulled, the load read with every so many heights only."""
    work, true_j, t_s, seen_ns, seen_n = LineWork(1.6), 0.0, 0.0, -1, BLOCK_N
    rows = 0

    def rest(seconds: float, height_m: float, load_n: float) -> None:
        for _ in range(round(seconds / period_s)):
            row(height_m, load_n)

    def row(height_m: float, load_n: float) -> None:
        nonlocal t_s, seen_ns, seen_n, rows
        t_s += period_s
        rows += 1
        if rows % loads_every == 0:
            seen_ns, seen_n = round(t_s * 1e9), load_n
        work.reading(round(t_s * 1e9), seen_n, height_m, HoistState.STILL, seen_ns)

    for stand in range(40):
        rest(20.0 + stand % 7, 5.0, BLOCK_N + string_n)
        for place in range(1, 13):
            row(5.0 + 2.0 * place, BLOCK_N + string_n)
        rest(30.0 + stand % 5, 29.0, BLOCK_N)
        for place in range(1, 13):
            row(29.0 - 2.0 * place, BLOCK_N)
        rest(30.0 + stand % 4, 5.0, BLOCK_N)
        true_j += 24.0 * (2.0 * BLOCK_N + string_n)
    return work.since_cut_j, true_j


@pytest.mark.parametrize("loads_every", [1, 3, 6, 10])
def test_a_load_that_is_read_in_a_stroke_hung_there_since_it_began(loads_every: int) -> None:
    counted, true = strokes_with_rare_loads(4.0, loads_every, 1000e3)
    assert counted == pytest.approx(true, rel=0.02)
