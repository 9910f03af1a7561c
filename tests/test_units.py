"""Units against scipy.constants, a general-purpose reference library."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants as c

from monitor import units
from monitor.units import UNITS, unit


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (units.STANDARD_GRAVITY_M_S2, c.g),
        (units.INCH_M, c.inch),
        (units.FOOT_M, c.foot),
        (units.MILE_M, c.mile),
        (units.POUND_KG, c.lb),
        (units.POUND_FORCE_N, c.lbf),
        (units.PSI_PA, c.psi),
        (units.BAR_PA, c.bar),
        (units.GALLON_M3, c.gallon),
    ],
)
def test_definitions_agree_with_scipy(ours: float, theirs: float) -> None:
    assert ours == pytest.approx(theirs, rel=1e-15)


@pytest.mark.parametrize(
    ("name", "value", "si"),
    [
        ("klbf", 1.0, 1e3 * c.lbf),
        ("tf", 1.0, 1e3 * c.kgf),
        ("psi", 1.0, c.psi),
        ("ft/min", 1.0, c.foot / c.minute),
        ("ft/s2", 1.0, c.foot),
        ("ft*lbf", 1.0, c.foot * c.lbf),
        ("bar/min", 6.0, c.bar / 10),
        ("degF", 212.0, 100.0),
        ("degF", -40.0, -40.0),
        ("K", 273.15, 0.0),
        ("ton-mile", 1.0, 2000 * c.lbf * c.mile),
    ],
)
def test_named_units_agree_with_scipy(name: str, value: float, si: float) -> None:
    assert UNITS[name].to_si(value) == pytest.approx(si, rel=1e-12, abs=1e-9)


def test_fahrenheit_agrees_with_scipy_s_own_conversion() -> None:
    for value in (-40.0, 0.0, 75.0, 451.0):
        assert UNITS["degF"].to_si(value) == pytest.approx(c.convert_temperature(value, "Fahrenheit", "Celsius"))


@given(name=st.sampled_from(sorted(UNITS)), value=st.floats(-1e6, 1e6))
def test_there_and_back(name: str, value: float) -> None:
    assert UNITS[name].from_si(UNITS[name].to_si(value)) == pytest.approx(value, rel=1e-9, abs=1e-6)


def test_an_unknown_unit_is_told_with_those_that_exist() -> None:
    with pytest.raises(ValueError, match=r"furlong.*klbf"):
        unit("furlong")
