"""Hydraulics: gas laws, applications counted stroke by stroke, and a leak told from settling."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import hydraulics
from monitor.physics.hydraulics import ADIABATIC, ISOTHERMAL, Accumulator, Decay, diagnose_leak
from tests.physics.rigs import spans

BOTTLE = Accumulator(0.010, 6.1e6)
NOISE = 5e3


@given(spans(6.2e6, 30e6), spans(6.2e6, 30e6), spans(1.0, 1.4))
def test_usable_oil(high: float, low: float, exponent: float) -> None:
    oil = BOTTLE.usable_m3(high, low, exponent)
    if high <= low:
        assert oil == 0.0
        return
    assert oil <= BOTTLE.usable_m3(high, low, ISOTHERMAL) * (1 + 1e-12)
    # Drawn at once it takes the pressure down to the limit: the inverse.
    assert BOTTLE.pressure_after_pa(high, oil, exponent) == pytest.approx(low, rel=1e-9)


def test_below_precharge_there_is_no_oil() -> None:
    assert BOTTLE.gas_m3(3e6) == BOTTLE.volume_m3
    assert BOTTLE.usable_m3(14e6, 1e6) == BOTTLE.usable_m3(14e6, 6.1e6)
    assert BOTTLE.usable_m3(6e6, 1e6) == 0.0
    assert BOTTLE.pressure_after_pa(7e6, 0.005) == 0.0


@given(spans(9.5e6, 16e6), spans(0.05e-3, 0.5e-3), st.sampled_from([ISOTHERMAL, ADIABATIC]))
def test_applications_counted_one_by_one(pressure: float, stroke: float, exponent: float) -> None:
    left = BOTTLE.applications_left(pressure, 9.1e6, stroke, exponent)
    # One more than counted does not fit, the count itself does.
    assert BOTTLE.pressure_after_pa(pressure, left * stroke, exponent) >= 9.1e6 * (1 - 1e-6)
    assert BOTTLE.pressure_after_pa(pressure, (left + 1) * stroke, exponent) < 9.1e6 * (1 + 1e-6)


@given(spans(7e6, 16e6), spans(1e-9, 1e-6))
def test_slope_and_leak_are_inverse(pressure: float, leak: float) -> None:
    slope = BOTTLE.leak_slope_pa_s(pressure, leak)
    assert slope < 0
    assert BOTTLE.leak_from_slope_m3_s(pressure, slope) == pytest.approx(leak)


@given(spans(1e-9, 1e-6))
def test_pump_cycle_is_the_time_of_the_leak(leak: float) -> None:
    cycle = BOTTLE.pump_cycle_s(15.5e6, 12e6, leak)
    assert BOTTLE.pressure_leaking_pa(15.5e6, leak, cycle) == pytest.approx(12e6)
    assert BOTTLE.pump_cycle_s(15.5e6, 12e6, 0.0) == math.inf


@given(spans(3e6, 9e6), spans(10e6, 16e6), spans(0.05e-3, 0.4e-3), spans(1.0, 1.4))
def test_a_stroke_shows_the_precharge(precharge: float, pressure: float, stroke: float, exponent: float) -> None:
    bottle = Accumulator(0.010, precharge)
    after = bottle.pressure_after_pa(pressure, stroke, exponent)
    if after > 0:
        seen = hydraulics.precharge_seen_pa(pressure, after, stroke, 0.010, exponent)
        assert seen == pytest.approx(precharge, rel=1e-6)
    # Less gas, steeper drop.
    weaker = Accumulator(0.010, 0.8 * precharge).pressure_after_pa(pressure, stroke, exponent)
    assert weaker <= after


def trace(shape: str, seed: int, seconds: int = 600) -> tuple[list[float], list[float]]:
    """Pressure at 1 Hz with noise: a leak of 0.4 mL/s, settling by 1.2 MPa with tau 90 s, or nothing."""
    rng = random.Random(seed)
    times = [float(t) for t in range(seconds)]

    def clean(t: float) -> float:
        if shape == "leak":
            return BOTTLE.pressure_leaking_pa(14e6, 4e-7, t)
        return 12.8e6 + 1.2e6 * math.exp(-t / 90) if shape == "thermal" else 14e6

    return times, [clean(t) + rng.gauss(0, NOISE) for t in times]


@pytest.mark.parametrize("seed", range(5))
def test_a_leak_is_told_and_measured(seed: int) -> None:
    verdict = diagnose_leak(*trace("leak", seed), NOISE)
    assert verdict.decay is Decay.LEAK
    assert verdict.leak_m3_s(BOTTLE) == pytest.approx(4e-7, rel=0.02)
    assert math.isnan(verdict.settles_at_pa)


@pytest.mark.parametrize("seed", range(5))
def test_settling_is_told_and_where_it_ends(seed: int) -> None:
    verdict = diagnose_leak(*trace("thermal", seed), NOISE)
    assert verdict.decay is Decay.THERMAL
    assert verdict.settles_at_pa == pytest.approx(12.8e6, rel=5e-3)
    assert verdict.time_constant_s == pytest.approx(90, rel=0.15)
    assert math.isnan(verdict.leak_m3_s(BOTTLE))


@pytest.mark.parametrize("seed", range(5))
def test_nothing_is_nothing(seed: int) -> None:
    assert diagnose_leak(*trace("steady", seed), NOISE).decay is Decay.STEADY


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("shape", ["leak", "thermal"])
def test_too_short_a_trace_is_unclear(shape: str, seed: int) -> None:
    # Twenty seconds of either are straight within the noise.
    assert diagnose_leak(*trace(shape, seed, seconds=20), NOISE).decay is Decay.UNCLEAR


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("seconds", [40, 80, 160, 320])
@pytest.mark.parametrize("shape", ["leak", "thermal"])
def test_a_longer_trace_is_never_told_wrong(shape: str, seconds: int, seed: int) -> None:
    assert diagnose_leak(*trace(shape, seed, seconds), NOISE).decay in (Decay.UNCLEAR, Decay(shape))


def test_a_rising_pressure_is_no_leak() -> None:
    times = [float(t) for t in range(60)]
    assert diagnose_leak(times, [10e6 + 2e4 * t for t in times], NOISE).decay is Decay.STEADY


@pytest.mark.parametrize(
    ("times", "pressures"),
    [
        ([0.0, 1.0], [1e6, 1e6]),
        ([0.0, 1, 2, 3, 4, 5], [1e6] * 5),
        ([0.0, 1, 2, 2, 4, 5], [1e6] * 6),
        ([0.0, 1, 2, 3, 4, 5], [1e6] * 5 + [0.0]),
    ],
)
def test_traces_that_say_nothing_are_refused(times: list[float], pressures: list[float]) -> None:
    with pytest.raises(ValueError, match=r"at least six|must rise"):
        diagnose_leak(times, pressures, NOISE)


def test_response_adds_up() -> None:
    base = hydraulics.response_time_s(0.08, 0.15e-3, 1e-3)
    assert base == pytest.approx(0.23)
    assert hydraulics.response_time_s(0.08, 0.15e-3, 1e-3, 5e-3, 14e6) > base
    assert hydraulics.response_time_s(0.08, 0.30e-3, 1e-3) == pytest.approx(0.38)  # worn pads travel further


@given(spans(0, 2e7), spans(0, 2e7))
def test_imbalance_is_a_ratio(first: float, second: float) -> None:
    ratio = hydraulics.imbalance_ratio(first, second)
    assert ratio >= 1.0
    assert ratio == hydraulics.imbalance_ratio(second, first)


def test_imbalance_by_hand() -> None:
    assert hydraulics.imbalance_ratio(6e6, 4e6) == 1.5
    assert hydraulics.imbalance_ratio(6e6, 0.0) == math.inf
    assert hydraulics.imbalance_ratio(0.0, -1e4) == 1.0


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: Accumulator(0.0, 6e6), "above zero"),
        (lambda: Accumulator(0.01, math.nan), "above zero"),
        (lambda: BOTTLE.applications_left(14e6, 9e6, 0.0), "stroke"),
        (lambda: hydraulics.precharge_seen_pa(10e6, 10e6, 1e-4, 0.01), "drop"),
        (lambda: hydraulics.response_time_s(0.1, 1e-4, 0.0), "flow"),
    ],
)
def test_nonsense_is_refused_by_name(call: object, named: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=named):
        call()
