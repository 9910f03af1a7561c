"""In which range each signal means something, by name or else by what it measures, in SI. Outside it words stand instead of the
figure.

The ranges are for people only. Rules, checks, records and exports go on with the number as it is: a range is wide enough that
no threshold lies outside it, and what is beyond it is still far beyond the threshold. A range is not a sensor's own range,
which says what is refused; it says from where on a figure tells nobody anything. No published source gives such ranges: where
`why` names none they are common practice, taken well beyond the largest land and offshore hoists.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from monitor.core.signals.table import SIGNALS
from monitor.units import Dimension

BEYOND: Final = "beyond measure"
NO_LOAD: Final = "no load to speak of"
NO_STOP: Final = "no stop"
NO_ROOM: Final = "none"
NOT_NEAR: Final = "not near"


@dataclass(frozen=True, slots=True)
class Believable:
    """The range in which a number means something, SI, and the words that stand for one outside it."""

    low: float
    high: float
    why: str
    above: str = BEYOND
    below: str = BEYOND
    endless: str = ""
    """For an infinite number; empty where that is like any other outside the range."""
    over_load: bool = False
    """A ratio with the load on the line as its denominator: where the line is slack it says nothing, whatever it comes to."""

    def words(self, number: float, slack: bool = False) -> str:
        """What stands instead of `number`; empty where the number itself can stand."""
        if math.isnan(number):
            return ""
        if slack and self.over_load:
            return NO_LOAD
        if self.endless and math.isinf(number):
            return self.endless
        return self.above if number > self.high else self.below if number < self.low else ""


_HEIGHT: Final = Believable(-10.0, 120.0, "masts are up to about 60 m high; a block stands little below the rig floor")
_ROOM: Final = Believable(-30.0, 120.0, "a height's range, from limits that lie well inside the mast")
_REACH: Final = Believable(0.0, 120.0, "a way longer than any mast is no place to stop", endless=NO_STOP)
_MARGIN: Final = Believable(-120.0, 120.0, "room less reach", endless=NO_ROOM)
_LEFT: Final = Believable(
    0.0, 100.0, "a driller brakes within seconds; in minutes everything has changed", above=NOT_NEAR
)
_OVERRUN: Final = Believable(0.0, 60.0, "beyond that no structure is left to strike", endless=NO_STOP)
_SPEED: Final = Believable(
    -8.0, 8.0, "blocks run at up to about 2 m/s, fall freely at up to some 8 m/s before they strike"
)
_SPEED_BOUND: Final = Believable(0.0, 8.0, "a bound as wide as any speed says nothing")
_FREE_FALL: Final = Believable(-30.0, 30.0, "three times free fall: a strike, not a motion")
_SWITCH: Final = Believable(0.0, 1.0, "off or on")
_COUNT: Final = Believable(0.0, 1e6, "as many as a minute of readings holds")
_FORCE: Final = Believable(
    -0.5e6, 15e6, "the largest hoists are rated near 11 MN; a sensor's zero may stand some way below nought"
)
_STRING: Final = Believable(0.0, 15e6, "the hook load's range; a string pushes no block up")
_TENSION: Final = Believable(
    -0.1e6, 3e6, "breaking strength of the thickest drilling lines (API Spec 9A) is about 2.5 MN"
)
_WORK: Final = Believable(0.0, 1e12, "70,000 ton-miles: no line lives so long")
_PRESSURE: Final = Believable(
    -0.5e6, 60e6, "hydraulic brakes work at up to about 21 MPa; a sensor's zero may stand below nought"
)
_SHARE: Final = Believable(-0.1, 1.1, "a share of a whole, with a tenth for the sensors' zero and span")
_TEMPERATURE: Final = Believable(-60.0, 1000.0, "arctic cold; cast iron glows long before 1,000 °C")
_HOLDING: Final = Believable(
    0.0, 100.0, "a brake that holds three times the rating still holds a hundred times a third of the block", NO_LOAD,
    over_load=True,
)  # fmt: skip

_BY_NAME: Final[Mapping[str, Believable]] = {
    # Motion
    "height": _HEIGHT,
    "speed": _SPEED,
    "acceleration": _FREE_FALL,
    "height_bound": Believable(0.0, 60.0, "a bound as wide as the mast says nothing"),
    "speed_bound": _SPEED_BOUND,
    "turns": Believable(0.0, 1000.0, "drums hold some hundred wraps"),
    "layer": Believable(0.0, 20.0, "drums hold up to six layers"),
    "room_up": _ROOM,
    "room_down": _ROOM,
    "reach_expected": _REACH,
    "reach_assured": _REACH,
    "emergency_reach": _REACH,
    "margin_up": _MARGIN,
    "margin_down": _MARGIN,
    "brake_time_up": _LEFT,
    "brake_time_down": _LEFT,
    "late_margin_up": _MARGIN,
    "late_margin_down": _MARGIN,
    "fully_margin_up": _MARGIN,
    "fully_margin_down": _MARGIN,
    "cross_margin_up": _MARGIN,
    "cross_margin_down": _MARGIN,
    "overrun_least": _OVERRUN,
    "overrun_most": _OVERRUN,
    "crossing_speed_least": _SPEED,
    "crossing_speed_most": _SPEED,
    "allowed_speed": _SPEED,
    "speed_excess": Believable(-8.0, 8.0, "a speed's range: far below the allowed speed is no excess", below="far below"),
    "speed_over_max": _SPEED,
    "overtravel_room": _ROOM,
    "sensors_silent": _SHARE,
    # Load and line
    "hook_load": _FORCE,
    "string_load": _STRING,
    "load_over_rating": Believable(-0.1, 3.0, "a mast that carries three times its rating stands no more"),
    "fast_line_tension": _TENSION,
    "design_factor": Believable(
        0.0, 100.0, "an empty block is some twentieth of the rating, for which lines have a factor of 2 to 4", NO_LOAD,
        over_load=True,
    ),
    "line_work": _WORK,
    "line_work_since_cut": _WORK,
    "line_to_cut": Believable(0.0, 2000.0, "a reel of drilling line holds 1,500 to 2,300 m"),
    # Friction brake
    "brake_lever": _SHARE,
    "service_pressure_1": _PRESSURE,
    "service_pressure_2": _PRESSURE,
    "pressure_shortfall": _SHARE,
    "circuit_ratio": _SHARE,
    "pressure_unasked": _PRESSURE,
    "emergency_release_pressure": _PRESSURE,
    "holding_ratio": _HOLDING,
    "emergency_ratio": _HOLDING,
    "effectiveness": Believable(0.0, 3.0, "pads with three times their friction are another brake than the rig's file has"),
    "effectiveness_bound": Believable(0.0, 3.0, "a doubt as large as the number it doubts says all there is to say"),
    "response_time": Believable(0.0, 10.0, "a brake that bites later than that does not bite"),
    "creep": Believable(-0.5, 0.5, "faster than that it is no creep"),
    "fade": _SHARE,
    "disc_temperature_left": _TEMPERATURE,
    "disc_temperature_right": _TEMPERATURE,
    "disc_modelled": _TEMPERATURE,
    "disc_difference": Believable(0.0, 1000.0, "between the ends of a disc's own range"),
    "disc_imbalance": Believable(0.0, 100.0, "a rise of a disc's whole range over one of 10 K"),
    # Hydraulics
    "accumulator_pressure": _PRESSURE,
    "accumulator_margin": Believable(-60e6, 60e6, "between the ends of a pressure's range"),
    "applications_left": Believable(0.0, 1000.0, "accumulators are built for some ten applications"),
    "leak_rate": Believable(-1e6, 1e6, "60 MPa lost in a minute is a burst, not a leak"),
    "release_drift": _SHARE,
    # Auxiliary brake
    "aux_current": Believable(-100.0, 1000.0, "eddy-current brakes take some ten to hundred amperes"),
    "aux_torque": Believable(-50e3, 1e6, "the largest auxiliary brakes give some 150 kN·m; zeros stand near nought"),
    "aux_share": _SHARE,
    "coolant_temperature": Believable(-60.0, 200.0, "from ice to steam"),
    "coolant_over": Believable(-200.0, 200.0, "between the ends of a coolant's range"),
    # Drive and overtravel device
    # The monitor itself
    "loop_lag": Believable(0.0, 3600.0, "a loop an hour behind stands still"),
    "dropped": _COUNT,
}  # fmt: skip
_BY_DIMENSION: Final[Mapping[Dimension, Believable]] = {
    "length": _MARGIN,
    "speed": _SPEED,
    "acceleration": _FREE_FALL,
    "force": _FORCE,
    "pressure": _PRESSURE,
    "temperature": _TEMPERATURE,
    "fraction": _SHARE,
    "switch": _SWITCH,
    "count": _COUNT,
    "energy": _WORK,
}
_ANY: Final = Believable(-1e6, 1e6, "seven digits are more than anybody reads")

BELIEVABLE: Final[Mapping[str, Believable]] = MappingProxyType(
    {signal.name: _BY_NAME.get(signal.name) or _BY_DIMENSION.get(signal.dimension, _ANY) for signal in SIGNALS}
)
"""Every signal by name: by its own row, else by what it measures."""
