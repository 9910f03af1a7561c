"""Tackle: energy is kept, and direction matters."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import tackle
from tests.physics.rigs import spans

LINES = st.sampled_from([2, 4, 6, 8, 10, 12, 14, 16])
FACTORS = spans(1.0, 1.15)


def chain(first: float, ratio: float, lines: int) -> float:
    """Load that `lines` lines carry, each `ratio` times the one before."""
    return math.fsum(first * ratio**i for i in range(lines))


@given(FACTORS, LINES)
def test_lines_carry_the_hook_load_hoisting(k: float, lines: int) -> None:
    fast = tackle.fast_line_n(1.0, k, lines, 1)
    # From the drum inwards each sheave, the fast-line sheave first, takes a factor K away.
    assert chain(fast / k, 1 / k, lines) == pytest.approx(1.0, rel=1e-6)
    assert fast / k**lines == pytest.approx(tackle.dead_line_n(1.0, k, lines, 1), rel=1e-6)


@given(FACTORS, LINES)
def test_lines_carry_the_hook_load_lowering(k: float, lines: int) -> None:
    fast = tackle.fast_line_n(1.0, k, lines, -1)
    assert chain(fast * k, k, lines) == pytest.approx(1.0, rel=1e-6)
    assert fast * k**lines == pytest.approx(tackle.dead_line_n(1.0, k, lines, -1), rel=1e-6)


@given(spans(1.002, 1.15), LINES, spans(1e3, 1e7))
def test_friction_orders_the_lines(k: float, lines: int, load: float) -> None:
    up, still, down = (tackle.fast_line_n(load, k, lines, d) for d in (1, 0, -1))
    assert up > still > down
    dead_up, dead_still, dead_down = (tackle.dead_line_n(load, k, lines, d) for d in (1, 0, -1))
    assert dead_up < dead_still < dead_down
    assert 0 < tackle.efficiency_hoisting(k, lines) < 1
    assert 0 < tackle.factor_lowering(k, lines) < 1


@given(LINES)
def test_without_friction_every_direction_is_the_same(lines: int) -> None:
    for way in (-1, 0, 1):
        assert tackle.fast_line_n(lines, 1.0, lines, way) == pytest.approx(1.0)
        assert tackle.dead_line_n(lines, 1.0, lines, way) == pytest.approx(1.0)
    # No cliff between exactly 1 and hardly more.
    assert tackle.efficiency_hoisting(1 + 1e-8, lines) == pytest.approx(1.0, abs=1e-6)
    assert tackle.factor_lowering(1 + 1e-8, lines) == pytest.approx(1.0, abs=1e-6)


@given(spans(1.002, 1.15), LINES, st.integers(1, 3))
def test_lead_sheaves_cost_one_factor_each(k: float, lines: int, more: int) -> None:
    assert tackle.fast_line_n(1, k, lines, 1, lines + more) == pytest.approx(
        k**more * tackle.fast_line_n(1, k, lines, 1)
    )
    assert tackle.fast_line_n(1, k, lines, -1, lines + more) == pytest.approx(
        tackle.fast_line_n(1, k, lines, -1) / k**more
    )


@given(spans(1e5, 5e6), st.sampled_from([6, 8, 10, 12]), spans(0.6, 1.0), spans(0, 1e5))
def test_derrick_carries_hook_fast_and_dead_line(load: float, lines: int, efficiency: float, crown: float) -> None:
    whole = load + load / (lines * efficiency) + load / lines + crown
    assert tackle.derrick_load_n(load, lines, efficiency, crown) == pytest.approx(whole)
    static = tackle.derrick_efficiency(load, lines, 1.0, crown)
    assert 0 < static <= 1.0


def test_no_tension_needs_no_strength() -> None:
    assert tackle.design_factor(854e3, 0.0) == math.inf
    assert tackle.design_factor(854e3, 427e3) == 2.0


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: tackle.efficiency_hoisting(0.99, 10), "sheave factor"),
        (lambda: tackle.efficiency_hoisting(math.nan, 10), "sheave factor"),
        (lambda: tackle.factor_lowering(1.04, 0), "lines"),
        (lambda: tackle.efficiency_hoisting(1.04, 10, 9), "turning sheaves"),
        (lambda: tackle.factor_lowering(1.04, 10, 9), "turning sheaves"),
        (lambda: tackle.dead_line_n(1, 0.5, 10, 1), "sheave factor"),
        (lambda: tackle.derrick_load_n(1, 10, 0.0), "efficiency"),
        (lambda: tackle.equivalent_derrick_load_n(1, 0), "lines"),
        (lambda: tackle.hoisting_speed_at_power_m_s(1, 0, 0.8), "hook load"),
    ],
)
def test_nonsense_is_refused_by_name(call: object, named: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=named):
        call()
