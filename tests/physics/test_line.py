"""Line work: formulas are their strokes, the integral never runs back, and programmes add up."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import line
from tests.physics.rigs import casing_strokes_j, spans, strokes_j


@given(st.integers(1, 200), spans(8, 40), spans(50, 800), spans(5e4, 1e6), spans(0, 3e5))
def test_round_trip_is_the_sum_of_its_strokes(n: int, stand: float, pipe: float, block: float, excess: float) -> None:
    total = 0.0
    for j in range(1, n + 1):
        string = block + excess + pipe * stand * j
        total += 2 * strokes_j((string, block), (stand, -stand))
    assert line.round_trip_j(n * stand, stand, pipe, block, excess) == pytest.approx(total, rel=1e-9)


@given(st.integers(1, 200), spans(8, 15), spans(50, 2000), spans(5e4, 1e6))
def test_casing_is_the_sum_of_its_strokes(n: int, joint: float, casing: float, block: float) -> None:
    strokes = casing_strokes_j(n, joint, casing, block)
    assert line.casing_j(n * joint, joint, casing, block) == pytest.approx(strokes, rel=1e-9)


@given(spans(-1e5, 5e6), spans(-1e5, 5e6), spans(-30, 30))
def test_line_work_never_runs_back(before: float, after: float, travel: float) -> None:
    assert line.work_step_j(before, after, travel) >= 0.0
    assert line.work_step_j(before, after, travel) == line.work_step_j(after, before, -travel)


@given(spans(0, 2500))
def test_mud_carries_its_share(mud: float) -> None:
    assert 0 < line.buoyancy_factor(mud) <= 1
    assert line.buoyancy_factor(mud, 7850) == pytest.approx((7850 - mud) / 7850)


@given(spans(0.0255, 0.0412), spans(0.0255, 0.0412))
def test_thicker_rope_may_do_more(first: float, second: float) -> None:
    thin, thick = sorted((first, second))
    assert line.goal_j_per_m(thin) <= line.goal_j_per_m(thick)
    assert line.goal_j_per_m(thin, 2.5) == pytest.approx(line.goal_j_per_m(thin) / 2)
    assert line.goal_j_per_m(thin, 0.5) == pytest.approx(line.goal_j_per_m(thin) / 10)
    assert line.goal_j_per_m(thin, 7.0) == line.goal_j_per_m(thin)


@given(spans(0, 1e11), spans(5, 40), spans(1e8, 1e9))
def test_cut_and_what_is_left_until_it(work: float, cut: float, goal: float) -> None:
    left = line.work_until_cut_j(work, cut, goal)
    assert line.cut_due_m(work + left, goal) == pytest.approx(cut)


def test_four_slips_are_one_cut() -> None:
    assert 4 * line.slip_share_m(24.0, 11.5e9, 11.5e9 / 4) == pytest.approx(24.0)


def test_strength_is_found_within_half_a_millimetre() -> None:
    assert line.breaking_strength_n(0.0350, "EIPS") == line.breaking_strength_n(0.034925, "EIPS")
    assert line.breaking_strength_n(0.034925, "IPS") < line.breaking_strength_n(0.034925, "EEIPS")


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: line.buoyancy_factor(9000), "mud density"),
        (lambda: line.buoyancy_factor(-1), "mud density"),
        (lambda: line.drilling_j(1, 2, -1), "reamings"),
        (lambda: line.goal_j_per_m(0.019), "goal is known"),
        (lambda: line.goal_j_per_m(0.0254, 0.0), "goal is known"),
        (lambda: line.slip_share_m(24, 0, 1), "programme_work_j"),
        (lambda: line.round_trip_j(-1, 28, 200, 1e5, 0), "depth_m"),
        (lambda: line.round_trip_j(3000, 0, 200, 1e5, 0), "stand_m"),
        (lambda: line.casing_j(3000, 12, -1, 1e5), "casing_buoyed_n_m"),
        (lambda: line.casing_j(-1, 12, 300, 1e5), "depth_m"),
        (lambda: line.casing_j(3000, 12, 300, -1), "block_n"),
        (lambda: line.casing_j(3000, 0, 300, 1e5), "joint_m"),
        (lambda: line.breaking_strength_n(0.030, "EIPS"), "certificate"),
        (lambda: line.breaking_strength_n(0.0254, "X"), "certificate"),
    ],
)
def test_nonsense_is_refused_by_name(call: object, named: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=named):
        call()
