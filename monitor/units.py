"""Units at the two edges: what sensors send comes in here, what people read goes out here.

Inside Stopmark everything is SI (and degrees Celsius for temperatures, plain fractions for percent, counts for
encoders). A unit is a name, the dimension it measures, and a straight line to SI: ``si = scale * value + offset``.
Factors are the exact definitions of the units (international foot and pound, conventional standard gravity); a test compares
each with `scipy.constants`. They are written out here because importing scipy takes a third of a second, which every start of
the screen would pay.
"""

from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

STANDARD_GRAVITY_M_S2: Final = 9.80665
"""Conventional standard gravity, m/s2 (exact by definition, third General Conference on Weights and Measures, 1901)."""
ATMOSPHERE_PA: Final = 101_325.0
"""Standard atmosphere, Pa (exact by definition, tenth General Conference on Weights and Measures, 1954)."""
INCH_M: Final = 0.0254
FOOT_M: Final = 12 * INCH_M
MILE_M: Final = 5280 * FOOT_M
GALLON_M3: Final = 231 * INCH_M**3
POUND_KG: Final = 0.45359237
POUND_FORCE_N: Final = POUND_KG * STANDARD_GRAVITY_M_S2
HORSEPOWER_W: Final = 550 * FOOT_M * POUND_FORCE_N
PSI_PA: Final = POUND_FORCE_N / INCH_M**2
BAR_PA: Final = 1e5
_KELVIN_PER_DEGF: Final = 5 / 9

Dimension = Literal[
    "length", "speed", "acceleration", "force", "pressure", "temperature", "torque", "current", "fraction",
    "count", "switch", "time", "energy", "power", "mass", "ratio", "pressure rate",
    "temperature difference",
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


TON_MILE_J: Final = 2000 * POUND_FORCE_N * MILE_M
"""One ton-mile of drilling-line work in joules (2000 lbf moved one mile, by definition): 14.317 MJ."""

_ALL = (
    Unit("m", "length", 1.0),
    Unit("mm", "length", 1e-3),
    Unit("cm", "length", 1e-2),
    Unit("ft", "length", FOOT_M),
    Unit("in", "length", INCH_M),
    Unit("m/s", "speed", 1.0),
    Unit("ft/min", "speed", FOOT_M / 60),
    Unit("ft/s", "speed", FOOT_M),
    Unit("m/s2", "acceleration", 1.0),
    Unit("ft/s2", "acceleration", FOOT_M),
    Unit("N", "force", 1.0),
    Unit("kN", "force", 1e3),
    Unit("N*10", "force", 10.0),
    Unit("kN*10", "force", 1e4),
    Unit("tf", "force", 1e3 * STANDARD_GRAVITY_M_S2),
    Unit("kgf", "force", STANDARD_GRAVITY_M_S2),
    Unit("lbf", "force", POUND_FORCE_N),
    Unit("klbf", "force", 1e3 * POUND_FORCE_N),
    Unit("Pa", "pressure", 1.0),
    Unit("kPa", "pressure", 1e3),
    Unit("MPa", "pressure", 1e6),
    Unit("bar", "pressure", BAR_PA),
    Unit("psi", "pressure", PSI_PA),
    Unit("degC", "temperature", 1.0),
    Unit("degF", "temperature", _KELVIN_PER_DEGF, -32 * _KELVIN_PER_DEGF),
    Unit("K", "temperature", 1.0, -273.15),
    Unit("N*m", "torque", 1.0),
    Unit("kN*m", "torque", 1e3),
    Unit("ft*lbf", "torque", FOOT_M * POUND_FORCE_N),
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
    Unit("hp", "power", HORSEPOWER_W),
    Unit("kg", "mass", 1.0),
    Unit("t", "mass", 1e3),
    Unit("ratio", "ratio", 1.0),
    Unit("Pa/s", "pressure rate", 1.0),
    Unit("bar/min", "pressure rate", BAR_PA / 60),
    Unit("psi/min", "pressure rate", PSI_PA / 60),
    Unit("K difference", "temperature difference", 1.0),
    Unit("degF difference", "temperature difference", _KELVIN_PER_DEGF),
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
