"""Every derived quantity, one row each in SIGNALS: a name, what it measures, a label, and how it follows from `Now`.

A row's function returns (number in SI, validity). Rules name signals; screens, reports and exports list them. To add one, add a
row. Validity rules: a result is no better than its worst input; an INVALID number is NaN; equipment that the rig does not have
is NOT_FITTED.

Rows are read at every grid point, so most of them are not functions but say where their number lies: `Measured` names a
quantity, `Picked` and `Told` a place in `Now`. `SignalReader` takes these together; read one by one they give the same. A row
is a function of `Now` alone, so those that no rule looks at may wait until somebody asks.
"""

import math
from collections.abc import Callable, Collection
from dataclasses import dataclass
from operator import attrgetter
from typing import Any, Final

from monitor.core.brakes.health import NUMBERS
from monitor.core.signals.evaluation import Now
from monitor.model.reading import Validity
from monitor.units import Dimension

Flag = tuple[float, int]
_OK: Final = int(Validity.VALID)
_DEGRADED: Final = int(Validity.DEGRADED)
_INVALID: Final = int(Validity.INVALID)
_UNKNOWN: Final[Flag] = (math.nan, _INVALID)
_ABSENT: Final[Flag] = (math.nan, int(Validity.NOT_FITTED))


@dataclass(frozen=True, slots=True)
class Signal:
    """One derived quantity."""

    name: str
    dimension: Dimension
    label: str
    read: Callable[[Now], Flag]


@dataclass(frozen=True, slots=True)
class Measured:
    """A row that is a sensor's last reading of `quantity`."""

    quantity: str

    def __call__(self, now: Now) -> Flag:
        """The reading."""
        return now.sensors.flags[self.quantity]


@dataclass(frozen=True, slots=True)
class Picked:
    """A row that is a plain number at `path` in `Now`, valid as far as the attribute `validity` of `Now` says."""

    validity: str
    path: str

    def __call__(self, now: Now) -> Flag:
        """The number."""
        worst: int = getattr(now, self.validity)
        return (attrgetter(self.path)(now), worst) if worst <= _DEGRADED else _UNKNOWN


def _height(path: str) -> Picked:
    return Picked("height_validity", path)


def _motion(path: str) -> Picked:
    return Picked("speed_validity", path)


def _margin(path: str) -> Picked:
    return Picked("stop_validity", path)


def _load(path: str) -> Picked:
    return Picked("load_validity", path)


def _certain(path: str) -> Picked:
    return Picked("certain", path)


@dataclass(frozen=True, slots=True)
class Told:
    """A row whose number lies at `path` in `Now` together with its validity."""

    path: str

    def __call__(self, now: Now) -> Flag:
        """Both."""
        flag: Flag = attrgetter(self.path)(now)
        return flag


def _health(name: str) -> Told:
    """A number tracked by the brake watch; (NaN, INVALID) until it has evidence."""
    return Told(f"brake_health.{NUMBERS[name]}")


def _pressure_shortfall(now: Now) -> Flag:
    lever, lever_ok = now.sensors.flags["brake_lever"]
    p1, ok1 = now.sensors.flags["service_pressure_1"]
    p2, ok2 = now.sensors.flags["service_pressure_2"]
    worst = max(lever_ok, ok1, ok2)
    if worst > _DEGRADED:
        return math.nan, worst
    if lever < now.demand_lever:
        return 0.0, worst
    expected = lever * now.brake.full_pressure_pa
    return max(0.0, 1.0 - 0.5 * (p1 + p2) / expected), worst


def _circuit_ratio(now: Now) -> Flag:
    _, ok1 = now.sensors.flags["service_pressure_1"]
    _, ok2 = now.sensors.flags["service_pressure_2"]
    worst = max(ok1, ok2)
    if worst > _DEGRADED:
        return math.nan, worst
    return now.brake_health.hydraulics.circuits.ratio, worst


def _pressure_unasked(now: Now) -> Flag:
    flags = now.sensors.flags
    worst = max(flags["brake_lever"][1], flags["service_pressure_1"][1], flags["service_pressure_2"][1])
    if worst > _DEGRADED:
        return math.nan, worst
    return now.brake_health.hydraulics.unasked.pressure_pa, worst


def _disc_imbalance(now: Now) -> Flag:
    left, ok1 = now.sensors.flags["disc_temperature_left"]
    right, ok2 = now.sensors.flags["disc_temperature_right"]
    worst = max(ok1, ok2)
    if worst > _DEGRADED:
        return math.nan, worst
    ambient = now.ambient_c
    hotter, cooler = (left, right) if left > right else (right, left)
    # Below 40 K of rise a ratio is mostly noise and draught.
    if hotter - ambient < 40.0:
        return 1.0, worst
    return (hotter - ambient) / max(cooler - ambient, 10.0), worst


def _overtravel_disagree(now: Now) -> Flag:
    electric, ok1 = now.sensors.flags["overtravel_electric"]
    air, ok2 = now.sensors.flags["overtravel_air"]
    worst = max(ok1, ok2)
    if worst > _DEGRADED:
        return math.nan, worst
    return (1.0 if (electric >= 0.5) != (air >= 0.5) else 0.0), worst


def _overtravel_untested(now: Now) -> Flag:
    if not (now.sensors.fitted("overtravel_electric") or now.sensors.fitted("overtravel_air")):
        return _ABSENT
    return 1.0 if now.overtravel_due else 0.0, _OK


def _holding(now: Now) -> Flag:
    if now.load_validity > _DEGRADED:
        return _UNKNOWN
    return now.holding_ratio, max(now.load_validity, now.supply_validity)


def _emergency(now: Now) -> Flag:
    if not now.brake.has_emergency:
        return _ABSENT
    return (now.emergency_ratio, now.load_validity) if now.load_validity <= _DEGRADED else _UNKNOWN


def _emergency_reach(now: Now) -> Flag:
    if not now.brake.has_emergency:
        return _ABSENT
    if now.speed_validity == _INVALID:
        return _UNKNOWN
    return now.emergency_reach_m, max(now.speed_validity, now.load_validity_for_stop)


def _applications(now: Now) -> Flag:
    pressure, ok = now.sensors.flags["accumulator_pressure"]
    if ok > _DEGRADED:
        return math.nan, ok
    return float(now.applications_left(pressure)), ok


SIGNALS: Final[tuple[Signal, ...]] = (
    # Motion
    Signal("height", "length", "block height", _height("estimate.height_m")),
    Signal("speed", "speed", "block speed", _motion("estimate.speed_m_s")),
    Signal("acceleration", "acceleration", "block acceleration", _motion("estimate.acceleration_m_s2")),
    Signal("height_bound", "length", "height, 99 % bound", _height("estimate.height_bound_m")),
    Signal("speed_bound", "speed", "speed, 99 % bound", _motion("estimate.speed_bound_m_s")),
    Signal("turns", "ratio", "wraps on the drum", _height("estimate.turns")),
    Signal("layer", "ratio", "layer on the drum", _height("layer")),
    Signal("room_up", "length", "room up", _height("stop.room_up_m")),
    Signal("room_down", "length", "room down", _height("stop.room_down_m")),
    Signal("reach_expected", "length", "reach, expected", _motion("stop.reach_expected_m")),
    Signal("reach_assured", "length", "reach, assured", _motion("stop.reach_assured_m")),
    Signal("emergency_reach", "length", "reach, assured, springs alone", _emergency_reach),
    Signal("margin_up", "length", "margin up", _margin("stop.margin_up_m")),
    Signal("margin_down", "length", "margin down", _margin("stop.margin_down_m")),
    Signal("brake_time_up", "time", "driving time to brake now, up", _margin("stop.brake_time_up_s")),
    Signal("brake_time_down", "time", "driving time to brake now, down", _margin("stop.brake_time_down_s")),
    Signal("late_margin_up", "length", "late margin up", _margin("stop.late_margin_up_m")),
    Signal("late_margin_down", "length", "late margin down", _margin("stop.late_margin_down_m")),
    Signal("allowed_speed", "speed", "allowed speed", _margin("allowed_m_s")),
    Signal("speed_excess", "speed", "speed above the allowed", _margin("speed_excess_m_s")),
    Signal("speed_over_max", "speed", "speed above the site's maximum",
           _motion("speed_over_max_m_s")),
    Signal("overtravel_room", "length", "room to the overtravel device's height",
           _height("overtravel_room_m")),
    Signal("height_unknown", "switch", "height unknown", Picked("height_unknown_validity", "height_unknown")),
    Signal("slow_data", "switch", "slow data", _certain("slow_data")),
    Signal("sensors_silent", "fraction", "share of sensors silent", _certain("sensors.silent_share")),
    # Load and line
    Signal("hook_load", "force", "hook load", _load("hook_load_n")),
    Signal("string_load", "force", "string load", _load("string_load_n")),
    Signal("load_over_rating", "ratio", "hook load over rating", _load("load_over_rating")),
    Signal("slack", "switch", "slack line", _load("slack")),
    Signal("fast_line_tension", "force", "fast-line tension", _load("fast_line_n")),
    Signal("design_factor", "ratio", "design factor of the fast line", _load("design_factor")),
    Signal("line_work", "energy", "line work since the start", _certain("line_work.total_j")),
    Signal("line_work_since_cut", "energy", "line work since cut and slip", _certain("line_work.since_cut_j")),
    Signal("line_to_cut", "length", "line worn since cut and slip", Now.line_to_cut),
    # Friction brake
    Signal("brake_lever", "fraction", "brake lever", Measured("brake_lever")),
    Signal("service_pressure_1", "pressure", "service pressure, circuit 1", Measured("service_pressure_1")),
    Signal("service_pressure_2", "pressure", "service pressure, circuit 2", Measured("service_pressure_2")),
    Signal("pressure_shortfall", "fraction", "service pressure missing under demand", _pressure_shortfall),
    Signal("circuit_ratio", "ratio", "lower over higher circuit", _circuit_ratio),
    Signal("pressure_unasked", "pressure", "pressure of one circuit, lever off", _pressure_unasked),
    Signal("emergency_release_pressure", "pressure", "emergency release pressure", Measured("emergency_release_pressure")),
    Signal("holding_ratio", "ratio", "holding ratio, service", _holding),
    Signal("emergency_ratio", "ratio", "holding ratio, emergency", _emergency),
    Signal("effectiveness", "ratio", "brake effectiveness", _health("effectiveness")),
    Signal("response_time", "time", "brake response time", _health("response_time")),
    Signal("creep", "speed", "creep while set", _health("creep")),
    Signal("fade", "fraction", "friction lost to heat", _health("fade")),
    Signal("disc_temperature_left", "temperature", "disc temperature, left", Measured("disc_temperature_left")),
    Signal("disc_temperature_right", "temperature", "disc temperature, right", Measured("disc_temperature_right")),
    Signal("disc_modelled", "temperature", "disc temperature, modelled", _health("disc_modelled")),
    Signal("disc_imbalance", "ratio", "hotter over cooler disc", _disc_imbalance),
    # Hydraulics
    Signal("accumulator_pressure", "pressure", "accumulator pressure", Measured("accumulator_pressure")),
    Signal("accumulator_margin", "pressure", "accumulator above its minimum", Now.accumulator_margin),
    Signal("applications_left", "ratio", "brake applications left", _applications),
    Signal("leak_rate", "pressure rate", "pressure leak rate", _health("leak_rate")),
    Signal("release_drift", "fraction", "emergency release pressure missing", Now.release_missing),
    # Auxiliary brake
    Signal("aux_current", "current", "auxiliary brake current", Measured("aux_current")),
    Signal("aux_torque", "torque", "auxiliary brake torque", Measured("aux_torque")),
    Signal("aux_share", "fraction", "auxiliary share of the last descent", _health("aux_share")),
    Signal("aux_missing", "switch", "auxiliary brake idle in a descent", _health("aux_missing")),
    Signal("coolant_temperature", "temperature", "coolant temperature", Measured("coolant_temperature")),
    Signal("coolant_over", "temperature", "coolant above its maximum", Now.coolant_over),
    # Drive and overtravel device
    Signal("clutch_engaged", "switch", "clutch", Measured("clutch_engaged")),
    Signal("overtravel_electric", "switch", "overtravel device, electric", Measured("overtravel_electric")),
    Signal("overtravel_air", "switch", "overtravel device, air", Measured("overtravel_air")),
    Signal("overtravel_disagree", "switch", "overtravel electric and air disagree", _overtravel_disagree),
    Signal("overtravel_untested", "switch", "overtravel device test due", _overtravel_untested),
    # The monitor itself
    Signal("loop_lag", "time", "lag of the monitor's loop", _certain("health.lag_s")),
    Signal("dropped", "ratio", "readings dropped in the last minute", lambda n: (float(n.dropped_recently), _OK)),
    Signal("recorder_failed", "switch", "recorder failed", _certain("recorder_failed")),
    Signal("disconnected", "switch", "no broker", _certain("disconnected")),
)  # fmt: skip

SIGNAL_NAMES: Final = tuple(signal.name for signal in SIGNALS)


class SignalReader:
    """Reads many rows at once: readings straight from the register, plain numbers in one go for each validity."""

    def __init__(self, names: Collection[str] = SIGNAL_NAMES) -> None:
        rows = [(place, signal.read) for place, signal in enumerate(SIGNALS) if signal.name in names]
        groups: dict[str, list[tuple[int, str]]] = {}
        for place, read in rows:
            if isinstance(read, Picked):
                groups.setdefault(read.validity, []).append((place, read.path))
        self._groups = [(validity, *_picker([path for _, path in group])) for validity, group in groups.items()]
        measured = [(place, read.quantity) for place, read in rows if isinstance(read, Measured)]
        self._quantities = [quantity for _, quantity in measured]
        told = [(place, read.path) for place, read in rows if isinstance(read, Told)]
        self._told = _together([path for _, path in told])
        others = [(place, read) for place, read in rows if not isinstance(read, Picked | Measured | Told)]
        self._others = [read for _, read in others]
        picked = [row for group in groups.values() for row in group]
        self.places = tuple(place for place, _ in (*picked, *measured, *told, *others))
        """Its rows by their places in SIGNALS, in the order in which it reads them."""
        self.names = tuple(SIGNAL_NAMES[place] for place in self.places)

    def read(self, now: Now) -> tuple[list[float], list[int]]:
        """Numbers and validities of its rows, in its own order."""
        numbers: list[float] = []
        validities: list[int] = []
        for name, pick, nothing, alike in self._groups:
            validity: int = getattr(now, name)
            numbers += pick(now) if validity <= _DEGRADED else nothing
            validities += alike[validity]
        flags = now.sensors.flags
        pairs = [flags[quantity] for quantity in self._quantities]
        pairs += self._told(now)
        pairs += [read(now) for read in self._others]
        if pairs:
            more, of_more = zip(*pairs, strict=True)
            numbers += more
            validities += of_more
        return numbers, validities


_Picker = tuple[Callable[[Now], tuple[float, ...]], tuple[float, ...], tuple[tuple[int, ...], ...]]


def _picker(paths: list[str]) -> _Picker:
    """What reads the numbers at all `paths` at once; as many that are not known; and as many times each validity."""
    size = len(paths)
    alike = tuple((min(validity, _INVALID),) * size for validity in map(int, Validity))
    return _together(paths), (math.nan,) * size, alike


def _together(paths: list[str]) -> Callable[[Now], tuple[Any, ...]]:
    """One function for all `paths`."""
    if len(paths) > 1:
        return attrgetter(*paths)
    alone = [attrgetter(path) for path in paths]
    return lambda now: tuple(pick(now) for pick in alone)
