"""Units at the two edges: what sensors send comes in here, what people read goes out here.

Inside Stopmark everything is SI (and degrees Celsius for temperatures, plain fractions for percent, counts for
encoders). A unit is a name, the dimension it measures, and a straight line to SI: ``si = scale * value + offset``.
Factors come from `scipy.constants` where it has them (exact definitions), so no number here is anybody's rounding.
"""

from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

from scipy import constants as c

Dimension = Literal[
    "length", "speed", "acceleration", "force", "pressure", "temperature", "torque", "current", "fraction",
    "count", "switch", "time", "energy", "power", "mass", "ratio", "pressure rate",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: ``si = scale * value + offset``; `dimension` names what it measures."""

    name: str
    dimension: Dimension
    scale: float
    offset: float = 0.0

    def to_si(self, value: float) -> float:
        """`value` in this unit, as SI."""
        return self.scale * value + self.offset

    def from_si(self, value: float) -> float:
        """An SI `value`, in this unit."""
        return (value - self.offset) / self.scale


TON_MILE_J: Final = 2000 * c.lbf * c.mile
"""One ton-mile of drilling-line work in joules (2000 lbf moved one mile, by definition): 14.317 MJ."""

_ALL = (
    Unit("m", "length", 1.0),
    Unit("mm", "length", 1e-3),
    Unit("cm", "length", 1e-2),
    Unit("ft", "length", c.foot),
    Unit("in", "length", c.inch),
    Unit("m/s", "speed", 1.0),
    Unit("ft/min", "speed", c.foot / 60),
    Unit("ft/s", "speed", c.foot),
    Unit("m/s2", "acceleration", 1.0),
    Unit("N", "force", 1.0),
    Unit("kN", "force", 1e3),
    Unit("N*10", "force", 10.0),
    Unit("tf", "force", 1e3 * c.kilogram_force),
    Unit("kgf", "force", c.kilogram_force),
    Unit("lbf", "force", c.lbf),
    Unit("klbf", "force", 1e3 * c.lbf),
    Unit("Pa", "pressure", 1.0),
    Unit("kPa", "pressure", 1e3),
    Unit("MPa", "pressure", 1e6),
    Unit("bar", "pressure", c.bar),
    Unit("psi", "pressure", c.psi),
    Unit("degC", "temperature", 1.0),
    Unit("degF", "temperature", c.degree_Fahrenheit, -32 * c.degree_Fahrenheit),
    Unit("K", "temperature", 1.0, c.zero_Celsius * -1.0),
    Unit("N*m", "torque", 1.0),
    Unit("kN*m", "torque", 1e3),
    Unit("ft*lbf", "torque", c.foot * c.lbf),
    Unit("A", "current", 1.0),
    Unit("fraction", "fraction", 1.0),
    Unit("percent", "fraction", 1e-2),
    Unit("counts", "count", 1.0),
    Unit("switch", "switch", 1.0),
    Unit("s", "time", 1.0),
    Unit("ms", "time", 1e-3),
    Unit("min", "time", 60.0),
    Unit("J", "energy", 1.0),
    Unit("MJ", "energy", 1e6),
    Unit("ton-mile", "energy", TON_MILE_J),
    Unit("W", "power", 1.0),
    Unit("kW", "power", 1e3),
    Unit("kg", "mass", 1.0),
    Unit("t", "mass", 1e3),
    Unit("ratio", "ratio", 1.0),
    Unit("Pa/s", "pressure rate", 1.0),
    Unit("bar/min", "pressure rate", c.bar / 60),
    Unit("psi/min", "pressure rate", c.psi / 60),
)

UNITS: Final = MappingProxyType({unit.name: unit for unit in _ALL})
"""Every unit by the name that configuration files use."""


def unit(name: str) -> Unit:
    """The unit called `name`.

    Raises:
        ValueError: no unit has that name; the message lists those that exist.
    """
    try:
        return UNITS[name]
    except KeyError:
        raise ValueError(f"unknown unit {name!r}; known units: {', '.join(UNITS)}") from None
