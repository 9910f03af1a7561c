"""Figures and words: never cut, never a number where there is none, right in every unit."""

import math
from typing import get_args

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.model.reading import NOT_FITTED, UNKNOWN, Validity, Value
from monitor.presentation.format import SI, SYSTEMS, WIDEST, Units, clock, plain, span, ways
from monitor.units import Dimension
from tests.ui import sample

FIELD = Units("field")
METRIC = Units("metric")


@pytest.mark.parametrize(
    ("si", "dimension", "in_si", "in_field"),
    [
        (18.42, "length", "18.42 m", "60.4 ft"),
        (-0.84, "speed", "−0.84 m/s", "−165 ft/min"),
        (986_000.0, "force", "986 kN", "221.7 klbf"),
        (14.1e6, "pressure", "141 bar", "2045 psi"),
        (64.0, "temperature", "64 °C", "147 °F"),
        (62_000.0, "torque", "62.0 kN·m", "45729 ft·lbf"),
        (0.86, "fraction", "86 %", "86 %"),
        (143.17e6, "energy", "143 MJ", "10.0 ton-mile"),
    ],
)
def test_units(si: float, dimension: str, in_si: str, in_field: str) -> None:
    """Conversions are exact definitions (1 ft = 0.3048 m, 1 lbf = 4.4482216 N, 1 psi = 6894.757 Pa), recomputed by hand."""
    assert SI.text(si, dimension) == in_si  # type: ignore[arg-type]
    assert FIELD.text(si, dimension) == in_field  # type: ignore[arg-type]


@pytest.mark.parametrize("system", SYSTEMS)
def test_every_dimension_is_shown_in_a_unit_that_measures_it(system: str) -> None:
    for dimension in get_args(Dimension):
        shown = Units(system).shown(dimension)  # type: ignore[arg-type]
        assert shown.unit.dimension == dimension


def test_metric_shows_load_in_tonnes() -> None:
    assert METRIC.text(980_665.0, "force") == "100.0 t"
    assert METRIC.text(1.0, "length") == "1.00 m"


@given(st.floats(-1e308, 1e308), st.integers(0, 3))
@example(math.inf, 1)
@example(math.nan, 1)
@example(99_999.995, 2)
@example(9_999_999.5, 0)
@example(-9_999_999.5, 0)
@example(-1e308, 2)
@example(5e-324, 2)
@example(-0.0, 2)
def test_a_figure_is_never_wider_than_it_may_be(number: float, decimals: int) -> None:
    text = plain(number, decimals)
    assert len(text) <= WIDEST
    assert "-" not in text
    if math.isfinite(number):
        back = float(text.replace("−", "-"))
        assert back == pytest.approx(number, rel=0.5, abs=1.0), "rounded, not cut"


def test_no_minus_zero_and_the_sign_when_asked() -> None:
    assert plain(-0.001, 2) == "0.00"
    assert plain(0.5, 1, signed=True) == "+0.5"
    assert plain(0.0, 1, signed=True) == "0.0"


@pytest.mark.parametrize("system", SYSTEMS)
def test_words_where_there_is_no_number(system: str) -> None:
    units = Units(system)  # type: ignore[arg-type]
    assert units.value(UNKNOWN, "length") == "unknown"
    assert units.value(NOT_FITTED, "length") == "not fitted"
    assert units.value(Value(12.0, Validity.INVALID), "length") == "unknown"
    assert units.figure(Value(12.0, Validity.INVALID), "length") is None
    assert units.figure(Value(math.nan, Validity.VALID), "length") is None
    assert units.switch(UNKNOWN) == "unknown"


def test_a_degraded_value_is_marked() -> None:
    assert SI.value(Value(12.0, Validity.DEGRADED), "length") == "≈12.00 m"


@pytest.mark.parametrize(
    ("si", "beside", "dimension", "in_si", "in_field"),
    [
        (0.004, 0.01, "length", "4 mm", "0.2 in"),
        (0.004, 2.0, "length", "0.00 m", "0.0 ft"),
        (0.002, 0.0, "speed", "2.0 mm/s", "4.7 in/min"),
        (12e3, 0.0, "pressure", "0.12 bar", "1.7 psi"),
        (9.0, 0.0, "time", "9.0 s", "9.0 s"),
    ],
)
def test_small_quantities_in_finer_units(si: float, beside: float, dimension: str, in_si: str, in_field: str) -> None:
    value = Value(si, Validity.VALID)
    assert SI.fine(value, dimension, beside) == in_si  # type: ignore[arg-type]
    assert FIELD.fine(value, dimension, beside) == in_field  # type: ignore[arg-type]
    assert SI.fine_text(si, dimension, beside) == in_si  # type: ignore[arg-type]
    assert SI.fine(UNKNOWN, dimension) == "unknown"  # type: ignore[arg-type]


def test_switches_are_words() -> None:
    assert SI.switch(Value(1.0, Validity.VALID), "TRIPPED", "not tripped") == "TRIPPED"
    assert SI.switch(Value(0.0, Validity.VALID)) == "off"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.04, "0.0 s"),
        (9.9, "9.9 s"),
        (42, "42 s"),
        (600, "10 min"),
        (10_800, "3 h"),
        (3e5, "3 days"),
        (math.inf, "never"),
    ],
)
def test_spans(seconds: float, text: str) -> None:
    assert span(seconds) == text


def test_clock_is_utc_and_survives_nonsense() -> None:
    assert clock(sample.T0_NS) == "20:26:40"
    assert clock(sample.T0_NS, date=True) == "2026-05-28 20:26:40"
    assert clock(10**30) == "no time"


@pytest.mark.parametrize(
    ("value", "limit", "dimension", "shown"),
    [
        (-0.004, 0.0, "length", ("−4 mm", "0 mm")),
        (3.7512, 3.75, "ratio", ("3.751", "3.750")),
        (3.75, 3.75, "ratio", ("3.75", "3.75")),
        (-0.41, 0.0, "length", ("−0.41 m", "0.00 m")),
        (2_000_400.0, 2e6, "pressure", ("20.004 bar", "20.000 bar")),
        (1e30, 4.0, "ratio", ("1e30", "4.00")),
    ],
)
def test_a_value_and_its_limit_are_told_apart(
    value: float, limit: float, dimension: str, shown: tuple[str, str]
) -> None:
    assert SI.apart(Value(value, Validity.VALID), limit, dimension) == shown  # type: ignore[arg-type]


@given(st.floats(-1e5, 1e5), st.floats(-1e-2, 1e-2), st.sampled_from(SYSTEMS))
def test_a_value_and_its_limit_are_in_the_same_unit(limit: float, off: float, system: str) -> None:
    units = Units(system)  # type: ignore[arg-type]
    value, shown = units.apart(Value(limit + off, Validity.VALID), limit, "length")
    assert value.partition(" ")[2] == shown.partition(" ")[2] != ""
    if value == shown:
        assert abs(off) < 1e-4 or len(shown.partition(" ")[0]) >= WIDEST - 1


def test_words_stand_in_place_of_any_figure() -> None:
    value = Value(6_520_085.0, Validity.DEGRADED, "no load to speak of")
    assert SI.value(value, "ratio") == SI.fine(value, "ratio") == "no load to speak of"
    assert SI.figure(value, "ratio") is None
    assert SI.apart(value, 1.5, "ratio") == ("no load to speak of", "1.50")
    assert ways("no load to speak of") == ("no load to speak of", "no load")
    assert ways("18.42 m") == ("18.42 m", "18.42")
    assert ways("not fitted") == ("not fitted",)


def test_a_difference_of_temperatures_knows_no_zero() -> None:
    """130 °F and 75 °F: 55 °F apart, whichever unit they were measured in."""
    hot, cool = (FIELD.shown("temperature").unit.to_si(f) for f in (130.0, 75.0))
    assert FIELD.text(hot - cool, "temperature difference") == "55 °F"
    assert SI.text(hot - cool, "temperature difference") == "31 K"
