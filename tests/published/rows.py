"""Rows of outside check values: what was asked, what a source prints, and what the monitor's own function answers.

A row is one number. `source` says where it stands in print; "from memory", "derived here" and "common practice, no
source" are said openly. Tolerances are relative, and as wide as the source's own rounding. US units are converted here,
from exact definitions.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import pytest
from scipy import constants as c

from monitor.units import unit


@dataclass(frozen=True, slots=True)
class Row:
    """One check value; `got` calls the monitor and returns it in the unit in which `expected` is printed."""

    name: str
    source: str
    got: Callable[[], float]
    expected: float
    tolerance: float = 0.0


def rows(table: Iterable[Row]) -> pytest.MarkDecorator:
    """Parametrize a test over a table, each case named after its row."""
    return pytest.mark.parametrize("row", [pytest.param(row, id=row.name) for row in table])


def check(row: Row) -> None:
    """Fail with the source beside the numbers when the monitor's answer is not the one in print."""
    assert row.source
    got = row.got()
    allowed = row.tolerance * abs(row.expected) + 1e-9 * abs(row.expected)
    assert abs(got - row.expected) <= allowed, (
        f"{row.name}: got {got!r}, {row.source} has {row.expected!r} (tolerance {row.tolerance:.2%})"
    )


def ft(value: float) -> float:
    """Feet, in m."""
    return unit("ft").to_si(value)


def inches(value: float) -> float:
    """Inches, in m."""
    return unit("in").to_si(value)


def lbf(value: float) -> float:
    """Pounds-force, in N."""
    return unit("lbf").to_si(value)


def psi(value: float) -> float:
    """Pounds per square inch, in Pa."""
    return unit("psi").to_si(value)


def bar(value: float) -> float:
    """Bar, in Pa."""
    return unit("bar").to_si(value)


def lb_per_ft(value: float) -> float:
    """Pounds-force per foot, in N/m."""
    return value * c.lbf / c.foot


def ppg(value: float) -> float:
    """Pounds per US gallon, in kg/m3."""
    return value * c.pound / c.gallon


def lb_in(value: float) -> float:
    """Pound-inches, in N m."""
    return value * c.lbf * c.inch


def to_lbf(value: float) -> float:
    """N, in pounds-force."""
    return unit("lbf").from_si(value)


def to_lb_in(value: float) -> float:
    """N m, in pound-inches."""
    return value / lb_in(1)


def to_ft(value: float) -> float:
    """m, in feet."""
    return unit("ft").from_si(value)


def to_ft_min(value: float) -> float:
    """m/s, in feet per minute."""
    return unit("ft/min").from_si(value)


def to_ton_miles(value: float) -> float:
    """J, in ton-miles."""
    return unit("ton-mile").from_si(value)


def rpm(value: float) -> float:
    """Revolutions per minute, in rad/s."""
    return value * 2 * c.pi / c.minute


def to_rpm(value: float) -> float:
    """rad/s, in revolutions per minute."""
    return value / rpm(1)
