"""Every derived quantity, one row each in SIGNALS: a name, what it measures, a label, and how it follows from a `GridPoint`.

A row's function returns (number in SI, validity). Rules name signals; screens, reports and exports list them. To add one, add a
row. Validity rules: a result is no better than its worst input; an INVALID number is NaN; equipment that the rig does not have
is NOT_FITTED.

Most rows are a number of one part of the grid point, valid as far as that part is: `stop(lambda s: s.result.margin_up_m)`. There
is one such helper a part, and the type checker sees every field that a row names. `reading` is a sensor's last reading. All other
rows are functions of the whole grid point. `monitor.core.signals.reader` reads many rows at once.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Protocol, TypeVar

from monitor.config.optional_tables import ON_DRUM, STOPPING, Table
from monitor.config.rig import Rig
from monitor.core.estimator.estimate import Estimate
from monitor.core.signals.brake_loss import service_brake_lost
from monitor.core.signals.grid_point import (
    BrakeState,
    GridPoint,
    LineState,
    LoadState,
    MonitorState,
    MotionState,
    RoomState,
    StopState,
)
from monitor.model.reading import ABSENT, ABSENT_FLAG, DEGRADED, INVALID, UNKNOWN_FLAG, VALID, Z99, Flag
from monitor.model.snapshot import HoistState
from monitor.physics.line import cut_due_m
from monitor.units import Dimension

_IN_MOTION: Final = (HoistState.HOISTING, HoistState.LOWERING)


@dataclass(frozen=True, slots=True)
class Signal:
    """One derived quantity."""

    name: str
    dimension: Dimension
    label: str
    read: Callable[[GridPoint], Flag]
    needs: tuple[Table, ...] = ()
    """Tables of the rig's file that the number follows from: without one of them it is not fitted."""
    sensors: tuple[str, ...] = ()
    """Quantities that it compares: without a sensor of each it is not fitted, whatever the others say."""

    def flag(self, point: GridPoint) -> Flag:
        """Its number and validity at `point`, as far as this rig can have it."""
        return self.read(point) if point.rig.has(*self.needs) else ABSENT_FLAG


# --- rows that are a number of one part -----------------------------------------------------------------------------


class Part(Protocol):
    """A part of the grid point whose numbers are valid alike."""

    @property
    def validity(self) -> int:
        """Of all its numbers."""


P = TypeVar("P", bound=Part)


@dataclass(frozen=True, slots=True)
class PartNumber:
    """A row that is a number of one part. Made by the helpers below, which see to it that both fit."""

    part: Callable[[GridPoint], Part]
    number: Callable[[Any], float]

    def __call__(self, point: GridPoint) -> Flag:
        """The number, and the part's validity."""
        part = self.part(point)
        return (self.number(part), int(part.validity)) if part.validity <= DEGRADED else UNKNOWN_FLAG


def _rows_of(part: Callable[[GridPoint], P]) -> Callable[[Callable[[P], float]], PartNumber]:
    """A helper that makes rows of one part."""
    return lambda number: PartNumber(part, number)


def _part_estimate(point: GridPoint) -> Estimate:
    return point.estimate


def _part_room(point: GridPoint) -> RoomState:
    return point.room


def _part_motion(point: GridPoint) -> MotionState:
    return point.motion


def _part_load(point: GridPoint) -> LoadState:
    return point.load


def _part_stop(point: GridPoint) -> StopState:
    return point.stop


def _part_line(point: GridPoint) -> LineState:
    return point.line


def _part_monitor(point: GridPoint) -> MonitorState:
    return point.monitor


height = _rows_of(_part_estimate)
room = _rows_of(_part_room)
motion = _rows_of(_part_motion)
load = _rows_of(_part_load)
stop = _rows_of(_part_stop)
line = _rows_of(_part_line)
monitor = _rows_of(_part_monitor)


# --- rows that bring their own validity -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LastReading:
    """A row that is a sensor's last reading of `quantity`."""

    quantity: str

    def __call__(self, point: GridPoint) -> Flag:
        """The reading."""
        return point.readings[self.quantity]


@dataclass(frozen=True, slots=True)
class BrakeNumber:
    """A row that is a number of the brake watch."""

    number: Callable[[BrakeState], Flag]

    def __call__(self, point: GridPoint) -> Flag:
        """The number, with the validity that the brake watch gives it."""
        return self.number(point.brakes)


def _effectiveness_bound(point: GridPoint) -> Flag:
    sigma, validity = point.brakes.effectiveness_sigma
    return Z99 * sigma, validity


def _pressure_shortfall(point: GridPoint) -> Flag:
    lever, lever_ok = point.readings["brake_lever"]
    p1, ok1 = point.readings["service_pressure_1"]
    p2, ok2 = point.readings["service_pressure_2"]
    worst = max(lever_ok, ok1, ok2)
    if worst > DEGRADED:
        return math.nan, worst
    if lever < point.numbers.demand_lever:
        return 0.0, worst
    expected = lever * point.numbers.full_pressure_pa
    return max(0.0, 1.0 - 0.5 * (p1 + p2) / expected), worst


def _circuit_ratio(point: GridPoint) -> Flag:
    _, ok1 = point.readings["service_pressure_1"]
    _, ok2 = point.readings["service_pressure_2"]
    worst = max(ok1, ok2)
    if worst > DEGRADED:
        return math.nan, worst
    return point.brakes.circuit_ratio, worst


def _pressure_unasked(point: GridPoint) -> Flag:
    readings = point.readings
    worst = max(readings["brake_lever"][1], readings["service_pressure_1"][1], readings["service_pressure_2"][1])
    if worst > DEGRADED:
        return math.nan, worst
    return point.brakes.residual_pressure_pa, worst


def _disc_difference(point: GridPoint) -> Flag:
    """How much hotter one disc is than the other, K. A difference and no ratio: 130 °F over 75 °F is no 1.7."""
    left, ok1 = point.readings["disc_temperature_left"]
    right, ok2 = point.readings["disc_temperature_right"]
    worst = max(ok1, ok2)
    return (abs(left - right) if worst <= DEGRADED else math.nan), worst


def _disc_imbalance(point: GridPoint) -> Flag:
    """Rise of the hotter disc above the ambient over that of the cooler one. Shipped rules compare the difference; those of
    sessions recorded earlier name this."""
    left, ok1 = point.readings["disc_temperature_left"]
    right, ok2 = point.readings["disc_temperature_right"]
    worst = max(ok1, ok2)
    if worst > DEGRADED:
        return math.nan, worst
    ambient = point.rig.braking.ambient_c
    hotter, cooler = (left, right) if left > right else (right, left)
    # Below 40 K of rise a ratio is mostly noise and draught.
    if hotter - ambient < 40.0:
        return 1.0, worst
    return (hotter - ambient) / max(cooler - ambient, 10.0), worst


def _overtravel_disagree(point: GridPoint) -> Flag:
    electric, ok1 = point.readings["overtravel_electric"]
    air, ok2 = point.readings["overtravel_air"]
    worst = max(ok1, ok2)
    if worst > DEGRADED:
        return math.nan, worst
    return (1.0 if (electric >= 0.5) != (air >= 0.5) else 0.0), worst


def _overtravel_untested(point: GridPoint) -> Flag:
    readings = point.readings
    if readings["overtravel_electric"][1] == readings["overtravel_air"][1] == ABSENT:
        return ABSENT_FLAG
    return 1.0 if point.monitor.overtravel_due else 0.0, VALID


def _holding(point: GridPoint) -> Flag:
    ratios = point.ratios
    if ratios.validity > DEGRADED:
        return UNKNOWN_FLAG
    return ratios.holding, max(ratios.validity, point.supply.validity)


def _emergency(point: GridPoint) -> Flag:
    if not point.numbers.has_emergency:
        return ABSENT_FLAG
    ratios = point.ratios
    return (ratios.emergency, ratios.validity) if ratios.validity <= DEGRADED else UNKNOWN_FLAG


def _reach_expected(point: GridPoint) -> Flag:
    validity = point.motion.validity
    return (point.stop.result.reach_expected_m, validity) if validity <= DEGRADED else UNKNOWN_FLAG


def _reach_assured(point: GridPoint) -> Flag:
    validity = point.motion.validity
    return (point.stop.result.reach_assured_m, validity) if validity <= DEGRADED else UNKNOWN_FLAG


def _emergency_reach(point: GridPoint) -> Flag:
    if not point.numbers.has_emergency:
        return ABSENT_FLAG
    validity = point.motion.validity
    if validity == INVALID:
        return UNKNOWN_FLAG
    # The load is known to its worst case at the least: the rating stands for one that is not.
    return point.stop.emergency_reach_m(point.estimate), max(validity, DEGRADED)


def _line_to_cut(point: GridPoint) -> Flag:
    """Length of line that the work since the last cut has used up by the goal, m: what a cut would now take off."""
    goal_j_m = point.numbers.goal_j_m
    if goal_j_m is None:
        return ABSENT_FLAG
    return cut_due_m(point.line.since_cut_j, goal_j_m), VALID


def _accumulator_margin(point: GridPoint) -> Flag:
    """Accumulator pressure above the configured minimum, Pa."""
    pressure, validity = point.readings["accumulator_pressure"]
    return pressure - point.rig.hydraulics.min_pressure_pa, validity


def _release_missing(point: GridPoint) -> Flag:
    """Share of the release pressure that is missing while the emergency calipers are meant to be clear.

    They are meant to be clear while the block moves; at rest they may rightly be set.
    """
    if not point.numbers.has_emergency:
        return ABSENT_FLAG
    pressure, validity = point.readings["emergency_release_pressure"]
    if validity > DEGRADED:
        return math.nan, validity
    if point.hoist not in _IN_MOTION:
        return 0.0, validity
    return max(0.0, 1.0 - pressure / point.numbers.release_pressure_pa), validity


def _coolant_over(point: GridPoint) -> Flag:
    """Coolant temperature above the configured maximum, K (negative below it)."""
    most_c = point.numbers.coolant_max_c
    if most_c is None:
        return ABSENT_FLAG
    temperature, validity = point.readings["coolant_temperature"]
    return temperature - most_c, validity


_LEVER_AND_CIRCUITS: Final = ("brake_lever", "service_pressure_1", "service_pressure_2")
_CIRCUITS: Final = ("service_pressure_1", "service_pressure_2")
_DISCS: Final = ("disc_temperature_left", "disc_temperature_right")
_PRESSED: Final[tuple[Table, ...]] = ("brake", "braking")
_OIL: Final[tuple[Table, ...]] = ("hydraulics", "brake")

SIGNALS: Final[tuple[Signal, ...]] = (
    # Motion
    Signal("height", "length", "block height", height(lambda e: e.height_m)),
    Signal("speed", "speed", "block speed", motion(lambda m: m.speed_m_s)),
    Signal("acceleration", "acceleration", "block acceleration", motion(lambda m: m.acceleration_m_s2)),
    Signal("height_unconfirmed", "length", "height not confirmed", height(lambda e: e.unconfirmed_m)),
    Signal("height_bound", "length", "height, 99 % bound", height(lambda e: e.height_bound_m)),
    Signal("speed_bound", "speed", "speed, 99 % bound", motion(lambda m: m.bound_m_s)),
    Signal("turns", "ratio", "wraps on the drum", height(lambda e: e.turns), ON_DRUM),
    Signal("layer", "ratio", "layer on the drum", height(lambda e: float(e.layer)), ON_DRUM),
    Signal("room_up", "length", "room up", room(lambda r: r.up_m)),
    Signal("room_down", "length", "room down", room(lambda r: r.down_m)),
    Signal("reach_expected", "length", "reach, expected", _reach_expected, STOPPING),
    Signal("reach_assured", "length", "reach, assured", _reach_assured, STOPPING),
    Signal("emergency_reach", "length", "reach, assured, springs alone", _emergency_reach, STOPPING),
    Signal("margin_up", "length", "margin up", stop(lambda s: s.result.margin_up_m), STOPPING),
    Signal("margin_down", "length", "margin down", stop(lambda s: s.result.margin_down_m), STOPPING),
    Signal("brake_time_up", "time", "driving time to brake now, up", stop(lambda s: s.result.brake_time_up_s), STOPPING),
    Signal("brake_time_down", "time", "driving time to brake now, down", stop(lambda s: s.result.brake_time_down_s), STOPPING),
    Signal("late_margin_up", "length", "late margin up", stop(lambda s: s.result.late_margin_up_m), STOPPING),
    Signal("late_margin_down", "length", "late margin down", stop(lambda s: s.result.late_margin_down_m), STOPPING),
    Signal("fully_margin_up", "length", "margin of a full brake, up", stop(lambda s: s.crossing.fully_margin_up_m), STOPPING),
    Signal("fully_margin_down", "length", "margin of a full brake, down", stop(lambda s: s.crossing.fully_margin_down_m),
           STOPPING),
    Signal("cross_margin_up", "length", "margin at best, up", stop(lambda s: s.crossing.cross_margin_up_m), STOPPING),
    Signal("cross_margin_down", "length", "margin at best, down", stop(lambda s: s.crossing.cross_margin_down_m), STOPPING),
    Signal("overrun_least", "length", "overrun of the limit, at best", stop(lambda s: s.crossing.overrun_least_m), STOPPING),
    Signal("overrun_most", "length", "overrun of the limit, expected", stop(lambda s: s.crossing.overrun_most_m), STOPPING),
    Signal("crossing_speed_least", "speed", "speed at the limit, at best", stop(lambda s: s.crossing.speed_least_m_s), STOPPING),
    Signal("crossing_speed_most", "speed", "speed at the limit, expected", stop(lambda s: s.crossing.speed_most_m_s), STOPPING),
    Signal("allowed_speed", "speed", "allowed speed", stop(lambda s: s.allowed_m_s), STOPPING),
    Signal("speed_excess", "speed", "speed above the allowed", stop(lambda s: s.speed_excess_m_s), STOPPING),
    Signal("speed_over_max", "speed", "speed above the site's maximum",
           motion(lambda m: m.over_max_m_s)),
    Signal("overtravel_room", "length", "room to the overtravel device",
           room(lambda r: r.overtravel_m), ("overtravel",)),
    Signal("height_unknown", "switch", "height unknown", lambda p: p.monitor.height_unknown),
    Signal("slow_data", "switch", "slow data", monitor(lambda m: m.slow_data)),
    Signal("sensors_silent", "fraction", "share of sensors silent", monitor(lambda m: m.silent_share)),
    # Load and line
    Signal("hook_load", "force", "hook load", load(lambda n: n.hook_n)),
    Signal("string_load", "force", "string load", load(lambda n: n.string_n)),
    Signal("load_over_rating", "ratio", "hook load over rating", load(lambda n: n.over_rating)),
    Signal("slack", "switch", "slack line", load(lambda n: n.slack)),
    Signal("load_lost", "switch", "load lost", lambda p: p.load.lost),
    Signal("fast_line_tension", "force", "fast-line tension", load(lambda n: n.fast_line_n), ("line",)),
    Signal("design_factor", "ratio", "design factor of the fast line", load(lambda n: n.design_factor), ("line",)),
    Signal("line_work", "energy", "line work since the start", line(lambda w: w.total_j)),
    Signal("line_work_since_cut", "energy", "line work since cut and slip", line(lambda w: w.since_cut_j)),
    Signal("line_to_cut", "length", "line worn since cut and slip", _line_to_cut, ("line",)),
    # Friction brake
    Signal("brake_lever", "fraction", "brake lever", LastReading("brake_lever")),
    Signal("service_pressure_1", "pressure", "service pressure, circuit 1", LastReading("service_pressure_1")),
    Signal("service_pressure_2", "pressure", "service pressure, circuit 2", LastReading("service_pressure_2")),
    Signal("pressure_shortfall", "fraction", "service pressure missing under demand", _pressure_shortfall, _PRESSED,
           _LEVER_AND_CIRCUITS),
    Signal("circuit_ratio", "ratio", "lower over higher circuit", _circuit_ratio, _PRESSED, _CIRCUITS),
    Signal("pressure_unasked", "pressure", "pressure of one circuit, lever off", _pressure_unasked, _PRESSED,
           _LEVER_AND_CIRCUITS),
    Signal("emergency_release_pressure", "pressure", "emergency release pressure", LastReading("emergency_release_pressure")),
    Signal("service_brake_lost", "switch", "no service brake left", service_brake_lost, _PRESSED),
    Signal("holding_ratio", "ratio", "holding ratio, service", _holding, STOPPING),
    Signal("emergency_ratio", "ratio", "holding ratio, emergency", _emergency, STOPPING),
    Signal("effectiveness", "ratio", "brake effectiveness", BrakeNumber(lambda b: b.effectiveness), STOPPING),
    Signal("effectiveness_bound", "ratio", "brake effectiveness, 99 % bound", _effectiveness_bound, STOPPING),
    Signal("response_time", "time", "brake response time", BrakeNumber(lambda b: b.response_time), _PRESSED),
    Signal("creep", "speed", "creep while set", BrakeNumber(lambda b: b.creep), _PRESSED),
    Signal("fade", "fraction", "friction lost to heat", BrakeNumber(lambda b: b.fade), ("braking",)),
    Signal("disc_temperature_left", "temperature", "disc temperature, left", LastReading("disc_temperature_left")),
    Signal("disc_temperature_right", "temperature", "disc temperature, right", LastReading("disc_temperature_right")),
    Signal("disc_modelled", "temperature", "disc temperature, modelled", BrakeNumber(lambda b: b.disc_modelled), STOPPING),
    Signal("disc_difference", "temperature difference", "hotter disc above the cooler", _disc_difference,
           sensors=_DISCS),
    Signal("disc_imbalance", "ratio", "rise of hotter over cooler disc", _disc_imbalance, ("braking",), _DISCS),
    # Hydraulics
    Signal("accumulator_pressure", "pressure", "accumulator pressure", LastReading("accumulator_pressure")),
    Signal("accumulator_margin", "pressure", "accumulator above its minimum", _accumulator_margin, ("hydraulics",),
           ("accumulator_pressure",)),
    Signal("applications_left", "ratio", "brake applications left", lambda p: p.supply.applications_left, _OIL),
    Signal("leak_rate", "pressure rate", "pressure leak rate", BrakeNumber(lambda b: b.leak_rate), _OIL),
    Signal("release_drift", "fraction", "emergency release pressure missing", _release_missing, ("brake",),
           ("emergency_release_pressure",)),
    # Auxiliary brake
    Signal("aux_current", "current", "auxiliary brake current", LastReading("aux_current")),
    Signal("aux_torque", "torque", "auxiliary brake torque", LastReading("aux_torque")),
    Signal("aux_share", "fraction", "auxiliary share of the last descent", BrakeNumber(lambda b: b.aux_share),
           (*STOPPING, "aux")),
    Signal("aux_missing", "switch", "auxiliary brake idle in a descent", BrakeNumber(lambda b: b.aux_missing), (*ON_DRUM, "aux")),
    Signal("coolant_temperature", "temperature", "coolant temperature", LastReading("coolant_temperature")),
    Signal("coolant_over", "temperature difference", "coolant above its maximum", _coolant_over,
           sensors=("coolant_temperature",)),
    # Drive and overtravel device
    Signal("clutch_engaged", "switch", "clutch", LastReading("clutch_engaged")),
    Signal("overtravel_electric", "switch", "overtravel device, electric", LastReading("overtravel_electric")),
    Signal("overtravel_air", "switch", "overtravel device, air", LastReading("overtravel_air")),
    Signal("overtravel_disagree", "switch", "overtravel electric and air disagree", _overtravel_disagree,
           sensors=("overtravel_electric", "overtravel_air")),
    Signal("overtravel_untested", "switch", "overtravel device test due", _overtravel_untested, ("overtravel",)),
    # The monitor itself
    Signal("loop_lag", "time", "lag of the monitor's loop", monitor(lambda m: m.lag_s)),
    Signal("dropped", "ratio", "readings dropped in the last minute", monitor(lambda m: m.dropped)),
    Signal("recorder_failed", "switch", "recorder failed", monitor(lambda m: m.recorder_failed)),
    Signal("disconnected", "switch", "no broker", monitor(lambda m: m.disconnected)),
)  # fmt: skip

SIGNAL_NAMES: Final = tuple(signal.name for signal in SIGNALS)


def not_fitted(rig: Rig) -> frozenset[str]:
    """Names of the signals that this rig cannot have, because its file lacks what they follow from."""
    return frozenset(signal.name for signal in SIGNALS if not rig.has(*signal.needs))
