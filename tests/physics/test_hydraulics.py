"""Hydraulics: gas laws, applications counted stroke by stroke, and a leak told from settling."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics.hydraulics import ADIABATIC, ISOTHERMAL, Accumulator, Decay, diagnose_leak
from tests.physics.rigs import drawn_pa, leaking_pa, spans

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
    assert drawn_pa(BOTTLE, high, oil, exponent) == pytest.approx(low, rel=1e-9)


def test_below_precharge_there_is_no_oil() -> None:
    assert BOTTLE.gas_m3(3e6) == BOTTLE.volume_m3
    assert BOTTLE.usable_m3(14e6, 1e6) == BOTTLE.usable_m3(14e6, 6.1e6)
    assert BOTTLE.usable_m3(6e6, 1e6) == 0.0
    assert drawn_pa(BOTTLE, 7e6, 0.005) == 0.0


@given(spans(9.5e6, 16e6), spans(0.05e-3, 0.5e-3), st.sampled_from([ISOTHERMAL, ADIABATIC]))
def test_applications_counted_one_by_one(pressure: float, stroke: float, exponent: float) -> None:
    left = BOTTLE.applications_left(pressure, 9.1e6, stroke, exponent)
    # One more than counted does not fit, the count itself does.
    assert drawn_pa(BOTTLE, pressure, left * stroke, exponent) >= 9.1e6 * (1 - 1e-6)
    assert drawn_pa(BOTTLE, pressure, (left + 1) * stroke, exponent) < 9.1e6 * (1 + 1e-6)


@given(spans(7e6, 16e6), spans(1e-9, 1e-6))
def test_a_slope_tells_the_leak(pressure: float, leak: float) -> None:
    slope = (leaking_pa(BOTTLE, pressure, leak, 1.0) - leaking_pa(BOTTLE, pressure, leak, -1.0)) / 2.0
    assert slope < 0
    assert BOTTLE.leak_from_slope_m3_s(pressure, slope) == pytest.approx(leak, rel=1e-3)


def trace(shape: str, seed: int, seconds: int = 600) -> tuple[list[float], list[float]]:
    """Pressure at 1 Hz with noise: a leak of 0.4 mL/s, settling by 1.2 MPa with tau 90 s, or nothing."""
    rng = random.Random(seed)
    times = [float(t) for t in range(seconds)]

    def clean(t: float) -> float:
        if shape == "leak":
            return leaking_pa(BOTTLE, 14e6, 4e-7, t)
        return 12.8e6 + 1.2e6 * math.exp(-t / 90) if shape == "thermal" else 14e6

    return times, [clean(t) + rng.gauss(0, NOISE) for t in times]


@pytest.mark.parametrize("seed", range(5))
def test_a_leak_is_told_and_measured(seed: int) -> None:
    verdict = diagnose_leak(*trace("leak", seed), NOISE)
    assert verdict.decay is Decay.LEAK
    # q / (P0 V0)
    assert verdict.leak_per_pv_1_s * BOTTLE.precharge_pa * BOTTLE.volume_m3 == pytest.approx(4e-7, rel=0.02)
    assert math.isnan(verdict.settles_at_pa)


@pytest.mark.parametrize("seed", range(5))
def test_settling_is_told_and_where_it_ends(seed: int) -> None:
    verdict = diagnose_leak(*trace("thermal", seed), NOISE)
    assert verdict.decay is Decay.THERMAL
    assert verdict.settles_at_pa == pytest.approx(12.8e6, rel=5e-3)
    assert verdict.time_constant_s == pytest.approx(90, rel=0.15)
    assert math.isnan(verdict.leak_per_pv_1_s)


@pytest.mark.parametrize("seed", range(5))
def test_nothing_is_nothing(seed: int) -> None:
    assert diagnose_leak(*trace("steady", seed), NOISE).decay is Decay.STEADY


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("shape", ["leak", "thermal"])
def test_too_short_a_trace_is_unclear(shape: str, seed: int) -> None:
    # Twenty seconds of either are straight within the noise.
    verdict = diagnose_leak(*trace(shape, seed, seconds=20), NOISE)
    assert verdict.decay is Decay.UNCLEAR
    fitted = (verdict.leak_per_pv_1_s, verdict.settles_at_pa, verdict.time_constant_s)
    assert all(math.isnan(number) for number in fitted)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("seconds", [40, 80, 160, 320])
@pytest.mark.parametrize("shape", ["leak", "thermal"])
def test_a_longer_trace_is_never_told_wrong(shape: str, seconds: int, seed: int) -> None:
    assert diagnose_leak(*trace(shape, seed, seconds), NOISE).decay in (Decay.UNCLEAR, Decay(shape))


def test_six_readings_are_enough() -> None:
    times = [0.0, 1, 2, 3, 4, 5]
    assert diagnose_leak(times, [1e7 - 1e6 * t for t in times], NOISE).decay is not Decay.STEADY


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


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: Accumulator(0.0, 6e6), "above zero"),
        (lambda: Accumulator(0.01, math.nan), "above zero"),
        (lambda: BOTTLE.applications_left(14e6, 9e6, 0.0), "stroke"),
    ],
)
def test_nonsense_is_refused_by_name(call: object, named: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=named):
        call()
