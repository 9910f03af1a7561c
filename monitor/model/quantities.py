"""What a sensor can measure. One row per quantity: its dimension, and what the core does with it."""

from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

from monitor.units import Dimension

Role = Literal["position", "mark", "load", "plain", "switch"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measurable thing. `role` says which part of the core takes it:

    position feeds the estimator's filter; mark is a switch at a known height; load is hook load in one form or another;
    plain is kept as the last reading; switch is a plain reading that is either 0 or 1.
    """

    name: str
    dimension: Dimension
    role: Role
    label: str


_ALL = (
    Quantity("drum_counts", "count", "position", "drum encoder"),
    Quantity("block_position", "length", "position", "block position"),
    Quantity("height_mark", "switch", "mark", "height mark"),
    Quantity("hook_load", "force", "load", "hook load"),
    Quantity("dead_line_tension", "force", "load", "dead-line tension"),
    Quantity("service_pressure_1", "pressure", "plain", "service brake pressure, circuit 1"),
    Quantity("service_pressure_2", "pressure", "plain", "service brake pressure, circuit 2"),
    Quantity("emergency_release_pressure", "pressure", "plain", "emergency caliper release pressure"),
    Quantity("accumulator_pressure", "pressure", "plain", "accumulator pressure"),
    Quantity("brake_lever", "fraction", "plain", "brake lever"),
    Quantity("clutch_engaged", "switch", "switch", "clutch"),
    Quantity("aux_current", "current", "plain", "auxiliary brake current"),
    Quantity("aux_torque", "torque", "plain", "auxiliary brake torque"),
    Quantity("disc_temperature_left", "temperature", "plain", "disc temperature, left"),
    Quantity("disc_temperature_right", "temperature", "plain", "disc temperature, right"),
    Quantity("coolant_temperature", "temperature", "plain", "coolant temperature"),
    Quantity("overtravel_electric", "switch", "switch", "overtravel device, electric"),
    Quantity("overtravel_air", "switch", "switch", "overtravel device, air"),
    Quantity("bit_depth", "length", "plain", "bit depth"),
    Quantity("hole_depth", "length", "plain", "hole depth"),
    Quantity("activity_code", "count", "plain", "activity code"),
    Quantity("line_work_counter", "energy", "plain", "the log's own line work"),
)

QUANTITIES: Final = MappingProxyType({quantity.name: quantity for quantity in _ALL})
