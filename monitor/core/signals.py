"""Every derived quantity, one row each in SIGNALS: a name, what it measures, a label, and how it follows from `Now`.

A row's function returns (number in SI, validity). Rules name signals; screens, reports and exports list them. To add one, add a
row. Validity rules: a result is no better than its worst input; an INVALID number is NaN; equipment that the rig does not have
is NOT_FITTED.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from monitor.core.now import Now
from monitor.core.types import Validity
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


def _reading(quantity: str) -> Callable[[Now], Flag]:
    return lambda now: now.sensors.number(quantity, now.t_ns)


def _needs(validity: Callable[[Now], int]) -> Callable[[Callable[[Now], float]], Callable[[Now], Flag]]:
    """What makes a row's function of a plain number, valid as far as `validity` says."""

    def rows(pick: Callable[[Now], float]) -> Callable[[Now], Flag]:
        def read(now: Now) -> Flag:
            worst = validity(now)
            return (pick(now), worst) if worst <= _DEGRADED else _UNKNOWN

        return read

    return rows


def _stop_validity(now: Now) -> int:
    """Margins need height, speed and load, and readings often enough to act on: with slow data no warning could come in
    time, and bounds metres wide would warn all day. The notice says so."""
    return _INVALID if now.estimate.slow else max(now.height_validity, now.speed_validity, now.load_validity_for_stop)


_height: Final = _needs(lambda now: now.height_validity)
_motion: Final = _needs(lambda now: now.speed_validity)
_margin: Final = _needs(_stop_validity)
_load: Final = _needs(lambda now: now.load_validity)


def _health(name: str) -> Callable[[Now], Flag]:
    """A number tracked by the brake watch; (NaN, INVALID) until it has evidence."""
    return lambda now: now.brake_health.number(name)


def _flag(pick: Callable[[Now], bool]) -> Callable[[Now], Flag]:
    return lambda now: (1.0 if pick(now) else 0.0, _OK)


def _pressure_shortfall(now: Now) -> Flag:
    lever, lever_ok = now.sensors.number("brake_lever", now.t_ns)
    p1, ok1 = now.sensors.number("service_pressure_1", now.t_ns)
    p2, ok2 = now.sensors.number("service_pressure_2", now.t_ns)
    worst = max(lever_ok, ok1, ok2)
    if worst > _DEGRADED:
        return (math.nan, worst) if worst == _INVALID else _ABSENT
    if lever < now.rig.braking.demand_lever:
        return 0.0, worst
    expected = lever * now.brake.full_pressure_pa
    return max(0.0, 1.0 - 0.5 * (p1 + p2) / expected), worst


def _circuit_ratio(now: Now) -> Flag:
    p1, ok1 = now.sensors.number("service_pressure_1", now.t_ns)
    p2, ok2 = now.sensors.number("service_pressure_2", now.t_ns)
    worst = max(ok1, ok2)
    if worst > _DEGRADED:
        return (math.nan, worst) if worst == _INVALID else _ABSENT
    high, low = max(p1, p2), max(0.0, min(p1, p2))
    # Below a tenth of full pressure the residual pressures say nothing about balance.
    return (low / high, worst) if high > 0.1 * now.brake.full_pressure_pa else (1.0, worst)


def _disc_imbalance(now: Now) -> Flag:
    left, ok1 = now.sensors.number("disc_temperature_left", now.t_ns)
    right, ok2 = now.sensors.number("disc_temperature_right", now.t_ns)
    worst = max(ok1, ok2)
    if worst > _DEGRADED:
        return (math.nan, worst) if worst == _INVALID else _ABSENT
    ambient = now.rig.braking.ambient_c
    rise1, rise2 = max(left - ambient, 0.0), max(right - ambient, 0.0)
    # Below 40 K of rise a ratio is mostly noise and draught.
    if max(rise1, rise2) < 40.0:
        return 1.0, worst
    return max(rise1, rise2) / max(min(rise1, rise2), 10.0), worst


def _overtravel_disagree(now: Now) -> Flag:
    electric, ok1 = now.sensors.number("overtravel_electric", now.t_ns)
    air, ok2 = now.sensors.number("overtravel_air", now.t_ns)
    worst = max(ok1, ok2)
    if worst > _DEGRADED:
        return (math.nan, worst) if worst == _INVALID else _ABSENT
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
    pressure, ok = now.sensors.number("accumulator_pressure", now.t_ns)
    if ok > _DEGRADED:
        return math.nan, ok
    return float(now.applications_left(pressure)), ok


SIGNALS: Final[tuple[Signal, ...]] = (
    # Motion
    Signal("height", "length", "block height", _height(lambda n: n.estimate.height_m)),
    Signal("speed", "speed", "block speed", _motion(lambda n: n.estimate.speed_m_s)),
    Signal("acceleration", "acceleration", "block acceleration", _motion(lambda n: n.estimate.acceleration_m_s2)),
    Signal("height_bound", "length", "height, 99 % bound", _height(lambda n: n.estimate.height_bound_m)),
    Signal("speed_bound", "speed", "speed, 99 % bound", _motion(lambda n: n.estimate.speed_bound_m_s)),
    Signal("turns", "ratio", "wraps on the drum", _height(lambda n: n.estimate.turns)),
    Signal("layer", "ratio", "layer on the drum", _height(lambda n: float(n.estimate.layer))),
    Signal("room_up", "length", "room up", _height(lambda n: n.stop.room_up_m)),
    Signal("room_down", "length", "room down", _height(lambda n: n.stop.room_down_m)),
    Signal("reach_expected", "length", "reach, expected", _motion(lambda n: n.stop.reach_expected_m)),
    Signal("reach_assured", "length", "reach, assured", _motion(lambda n: n.stop.reach_assured_m)),
    Signal("emergency_reach", "length", "reach, assured, springs alone", _emergency_reach),
    Signal("margin_up", "length", "margin up", _margin(lambda n: n.stop.margin_up_m)),
    Signal("margin_down", "length", "margin down", _margin(lambda n: n.stop.margin_down_m)),
    Signal("brake_time_up", "time", "driving time to brake now, up", _margin(lambda n: n.stop.brake_time_up_s)),
    Signal("brake_time_down", "time", "driving time to brake now, down", _margin(lambda n: n.stop.brake_time_down_s)),
    Signal("late_margin_up", "length", "late margin up", _margin(lambda n: n.stop.late_margin_up_m)),
    Signal("late_margin_down", "length", "late margin down", _margin(lambda n: n.stop.late_margin_down_m)),
    Signal("allowed_speed", "speed", "allowed speed", _margin(lambda n: n.allowed_m_s)),
    Signal("speed_excess", "speed", "speed above the allowed", _margin(lambda n: n.speed_excess_m_s)),
    Signal("speed_over_max", "speed", "speed above the site's maximum",
           _motion(lambda n: abs(n.estimate.speed_m_s) - n.rig.limits.max_speed_m_s)),
    Signal("overtravel_room", "length", "room to the overtravel device's height",
           _height(lambda n: n.rig.limits.overtravel_m - n.estimate.height_m)),
    Signal("height_unknown", "switch", "height unknown", _flag(lambda n: n.height_missed)),
    Signal("slow_data", "switch", "slow data", _flag(lambda n: n.estimate.slow)),
    Signal("sensors_silent", "fraction", "share of sensors silent", lambda n: (n.sensors.silent_share, _OK)),
    # Load and line
    Signal("hook_load", "force", "hook load", _load(lambda n: n.hook_load_n)),
    Signal("string_load", "force", "string load", _load(lambda n: n.string_load_n)),
    Signal("load_over_rating", "ratio", "hook load over rating", _load(lambda n: n.hook_load_n / n.rated_load_n)),
    Signal("slack", "switch", "slack line", _load(lambda n: 1.0 if n.slack else 0.0)),
    Signal("fast_line_tension", "force", "fast-line tension", _load(lambda n: n.fast_line_n)),
    Signal("design_factor", "ratio", "design factor of the fast line", _load(lambda n: n.design_factor)),
    Signal("line_work", "energy", "line work since the start", lambda n: (n.line_work.total_j, _OK)),
    Signal("line_work_since_cut", "energy", "line work since cut and slip", lambda n: (n.line_work.since_cut_j, _OK)),
    Signal("line_to_cut", "length", "line worn since cut and slip", lambda n: n.line_to_cut()),
    # Friction brake
    Signal("brake_lever", "fraction", "brake lever", _reading("brake_lever")),
    Signal("service_pressure_1", "pressure", "service pressure, circuit 1", _reading("service_pressure_1")),
    Signal("service_pressure_2", "pressure", "service pressure, circuit 2", _reading("service_pressure_2")),
    Signal("pressure_shortfall", "fraction", "service pressure missing under demand", _pressure_shortfall),
    Signal("circuit_ratio", "ratio", "lower over higher circuit", _circuit_ratio),
    Signal("emergency_release_pressure", "pressure", "emergency release pressure", _reading("emergency_release_pressure")),
    Signal("holding_ratio", "ratio", "holding ratio, service", _holding),
    Signal("emergency_ratio", "ratio", "holding ratio, emergency", _emergency),
    Signal("effectiveness", "ratio", "brake effectiveness", _health("effectiveness")),
    Signal("response_time", "time", "brake response time", _health("response_time")),
    Signal("creep", "speed", "creep while set", _health("creep")),
    Signal("fade", "fraction", "friction lost to heat", _health("fade")),
    Signal("disc_temperature_left", "temperature", "disc temperature, left", _reading("disc_temperature_left")),
    Signal("disc_temperature_right", "temperature", "disc temperature, right", _reading("disc_temperature_right")),
    Signal("disc_modelled", "temperature", "disc temperature, modelled", _health("disc_modelled")),
    Signal("disc_imbalance", "ratio", "hotter over cooler disc", _disc_imbalance),
    # Hydraulics
    Signal("accumulator_pressure", "pressure", "accumulator pressure", _reading("accumulator_pressure")),
    Signal("accumulator_margin", "pressure", "accumulator above its minimum", lambda n: n.accumulator_margin()),
    Signal("applications_left", "ratio", "brake applications left", _applications),
    Signal("leak_rate", "pressure rate", "pressure leak rate", _health("leak_rate")),
    Signal("release_drift", "fraction", "emergency release pressure missing", lambda n: n.release_missing()),
    # Auxiliary brake
    Signal("aux_current", "current", "auxiliary brake current", _reading("aux_current")),
    Signal("aux_torque", "torque", "auxiliary brake torque", _reading("aux_torque")),
    Signal("aux_share", "fraction", "auxiliary share of the last descent", _health("aux_share")),
    Signal("aux_missing", "switch", "auxiliary brake idle in a descent", _health("aux_missing")),
    Signal("coolant_temperature", "temperature", "coolant temperature", _reading("coolant_temperature")),
    Signal("coolant_over", "temperature", "coolant above its maximum", lambda n: n.coolant_over()),
    # Drive and overtravel device
    Signal("clutch_engaged", "switch", "clutch", _reading("clutch_engaged")),
    Signal("overtravel_electric", "switch", "overtravel device, electric", _reading("overtravel_electric")),
    Signal("overtravel_air", "switch", "overtravel device, air", _reading("overtravel_air")),
    Signal("overtravel_disagree", "switch", "overtravel electric and air disagree", _overtravel_disagree),
    Signal("overtravel_untested", "switch", "overtravel device test due", _overtravel_untested),
    # The monitor itself
    Signal("loop_lag", "time", "lag of the monitor's loop", lambda n: (n.health.lag_s, _OK)),
    Signal("dropped", "ratio", "readings dropped in the last minute", lambda n: (float(n.dropped_recently), _OK)),
    Signal("recorder_failed", "switch", "recorder failed", _flag(lambda n: n.health.recording == "failed")),
    Signal("disconnected", "switch", "no broker", _flag(lambda n: n.health.connected is False)),
)  # fmt: skip

SIGNAL_NAMES: Final = tuple(signal.name for signal in SIGNALS)
