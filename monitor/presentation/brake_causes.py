"""What a row of the brakes tells: its verdict, the likely causes with the evidence for and against each, where to look first,
and the guided check that settles it. One table, `ROWS`; a screen only draws what `judge` and `ranked` say of it.

Theory of operation
    A fact is one signal against one bound. Where the signal is beyond it, the fact speaks for a cause; where it is not, against
    it, or (`only_for`) says nothing; where the signal is not known the fact is unknown and never counts. Causes are ranked by
    the facts for them less those against them; of equals the more common comes first, which is the order of the table. The
    count orders the looking; it is no probability.

Limits and severities are those of the shipped rules. Causes and what tells them apart: common practice in the care of hoists and
of oil-worked brakes, no source; where a cause names a textbook's subject (fade, self-energised bands, air in oil), from memory.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from monitor.config.optional_tables import Table
from monitor.config.rig import Rig
from monitor.model.alarm import Severity
from monitor.model.reading import UNKNOWN, Validity, Value

Bound = Callable[[Rig], float]
Relation = Literal["above", "below"]
Says = Literal["for", "against", "nothing", "unknown"]
Verdict = Literal["fine", "bad", "unknown", "not fitted", "no limit"]
Values = Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class Fact:
    """A signal beyond a bound (SI). `words` name the signal as the evidence does."""

    words: str
    signal: str
    relation: Relation
    bound: Bound
    only_for: bool = False
    """Not beyond the bound it says nothing."""
    needs: tuple[Table, ...] = ()
    """Tables of the rig's file that the bound comes from."""

    def says(self, values: Values, rig: Rig) -> Says:
        """What the signals of the moment make of it."""
        value = values.get(self.signal, UNKNOWN)
        if not usable(value) or not rig.has(*self.needs):
            return "unknown"
        if _beyond(value.number, self.relation, self.bound(rig)):
            return "for"
        return "nothing" if self.only_for else "against"


@dataclass(frozen=True, slots=True)
class Cause:
    """Something that may be wrong, and the facts that tell."""

    words: str
    facts: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class Ranked:
    """A cause with what each of its facts says now."""

    cause: Cause
    says: tuple[tuple[Fact, Says], ...]

    def count(self, which: Says) -> int:
        """How many facts say so."""
        return sum(says == which for _, says in self.says)


@dataclass(frozen=True, slots=True)
class BrakeRow:
    """One row of the brakes. `judged` is the signal held against the limit: its own, or the one that tells for it."""

    judged: str
    relation: Relation
    limit: Bound
    fine: str
    bad: str
    causes: tuple[Cause, ...]
    look: str
    check: str
    """Id of the guided check that settles it."""
    needs: tuple[Table, ...] = ()
    severity: Severity = Severity.CAUTION
    """Of the rule with that limit."""
    warning: Bound | None = None
    """A second limit, that of a rule of severity WARNING on the same signal."""


def usable(value: Value) -> bool:
    """Whether there is a figure that can be believed."""
    return value.known and not value.word and value.number == value.number


def _beyond(number: float, relation: Relation, bound: float) -> bool:
    return number > bound if relation == "above" else number < bound


def judge(row: BrakeRow, values: Values, rig: Rig) -> Verdict:
    """The verdict on a row."""
    value = values.get(row.judged, UNKNOWN)
    if value.validity is Validity.NOT_FITTED:
        return "not fitted"
    if not rig.has(*row.needs):
        return "no limit"
    if not usable(value):
        return "unknown"
    return "bad" if _beyond(value.number, row.relation, row.limit(rig)) else "fine"


def severity(row: BrakeRow, values: Values, rig: Rig) -> Severity | None:
    """How grave it is that a row is bad; None where it is not."""
    if judge(row, values, rig) != "bad":
        return None
    if row.warning is not None and _beyond(values[row.judged].number, row.relation, row.warning(rig)):
        return Severity.WARNING
    return row.severity


def ranked(row: BrakeRow, values: Values, rig: Rig) -> tuple[Ranked, ...]:
    """The causes, the likeliest first. Facts of equipment that the rig has not are left out."""
    found = []
    for cause in row.causes:
        fitted = (f for f in cause.facts if values.get(f.signal, UNKNOWN).validity is not Validity.NOT_FITTED)
        found.append(Ranked(cause, tuple((fact, fact.says(values, rig)) for fact in fitted)))
    return tuple(sorted(found, key=lambda entry: entry.count("against") - entry.count("for")))


def _at(number: float) -> Bound:
    return lambda rig: number


def _onset(rig: Rig) -> float:
    return rig.braking.fade_onset_c


def _least_oil(rig: Rig) -> float:
    return rig.hydraulics.min_pressure_pa


def _unasked(rig: Rig) -> float:
    return 0.10 * rig.brake.full_pressure_pa


def _slow(rig: Rig) -> float:
    return 3.0 * rig.braking.lag_s


# --- facts ----------------------------------------------------------------------------------------------------------

_MISSING = Fact("pressure missing", "pressure_shortfall", "above", _at(0.25), only_for=True)
_UNEQUAL = Fact("lower / higher circuit", "circuit_ratio", "below", _at(0.80))
_UNASKED = Fact("pressure, lever off", "pressure_unasked", "above", _unasked, needs=("brake",))
_STORE_LOW = Fact("accumulator", "accumulator_pressure", "below", _least_oil, needs=("hydraulics",))
_FEW = Fact("applications left", "applications_left", "below", _at(6.0))
_LEAK = Fact("leak", "leak_rate", "above", _at(15.0e3))
_WEAK = Fact("effectiveness", "effectiveness", "below", _at(0.85))
_FADED = Fact("lost to heat", "fade", "above", _at(0.10))
_HOT_L = Fact("left temperature", "disc_temperature_left", "above", _onset, needs=("braking",))
_HOT_R = Fact("right temperature", "disc_temperature_right", "above", _onset, needs=("braking",))
_HOT_BY_WORK = Fact("temperature by work", "disc_modelled", "above", _onset, needs=("braking",))
_COOL_BY_WORK = Fact("temperature by work", "disc_modelled", "below", _onset, needs=("braking",))
_SIDES = Fact("difference of temperatures", "disc_difference", "above", _at(50.0))
_COOL_L = Fact("left temperature", "disc_temperature_left", "below", _onset, needs=("braking",))
_COOL_R = Fact("right temperature", "disc_temperature_right", "below", _onset, needs=("braking",))
_NOT_FREE = Fact("release pressure missing", "release_drift", "above", _at(0.12), only_for=True)
_SLOW = Fact("response", "response_time", "above", _slow, needs=("braking",))
_HEAVY = Fact("load on rating", "load_over_rating", "above", _at(0.90))
_AUX_IDLE = Fact("auxiliary brake idle", "aux_missing", "above", _at(0.5))
_AUX_LITTLE = Fact("auxiliary share", "aux_share", "below", _at(0.50))
_HARD = Fact("load on rating", "load_over_rating", "above", _at(0.60))
_LIGHT = Fact("load on rating", "load_over_rating", "below", _at(0.60))
_NO_CURRENT = Fact("auxiliary current", "aux_current", "below", _at(1.0), only_for=True)
_CURRENT = Fact("auxiliary current", "aux_current", "above", _at(1.0))
_COOLANT = Fact("coolant above its most", "coolant_over", "above", _at(0.0))
_HIGH = Fact("room to the device", "overtravel_room", "below", _at(0.0))
_BELOW = Fact("room to the device", "overtravel_room", "above", _at(0.5))
_DISAGREE = Fact("its halves disagree", "overtravel_disagree", "above", _at(0.5))
_ASTRAY = Fact("height unknown", "height_unknown", "above", _at(0.5))
_DUE = Fact("test due", "overtravel_untested", "above", _at(0.5))
_COLD_LITTLE = Fact("lost to heat", "fade", "below", _at(0.10))
_OIL_THERE = Fact("accumulator", "accumulator_pressure", "above", _least_oil, needs=("hydraulics",))
_NO_LEAK = Fact("leak", "leak_rate", "below", _at(15.0e3))

# --- causes ---------------------------------------------------------------------------------------------------------

_HEAT = Cause("friction lost to heat (fade)", (_FADED, _HOT_L, _HOT_R))
_OILED = Cause("pads or bands oiled, glazed or worn", (_WEAK, _COLD_LITTLE, _OIL_THERE))
_NO_OIL = Cause("too little oil pressure reaches the brake", (_MISSING, _STORE_LOW))
_ONE_CIRCUIT = Cause("one circuit weak: leak or stuck valve", (_UNEQUAL, _LEAK))
_LOAD = Cause("load heavier than the brake is meant for", (_HEAVY,))
_OUTSIDE_LEAK = Cause("oil lost at a hose, caliper or valve", (_LEAK, _FEW))
_PUMP = Cause("pump or its switch does not charge", (_STORE_LOW, _FEW, _NO_LEAK))
_GAS = Cause("accumulator has lost its gas charge", (_FEW, _LEAK))
_AIR = Cause("air in the oil, or oil cold and thick", (_SLOW, _OIL_THERE))
_GAP = Cause("worn pads or bands: long way to the friction", (_SLOW, _WEAK))
_VALVE = Cause("control valve or lever sticks or is out of set", (_MISSING, _UNASKED))
_SENSOR = Cause("pressure sensor off its zero", (_UNASKED, Fact("effectiveness", "effectiveness", "above", _at(0.85))))
_DRAG = Cause("a caliper or band drags", (_SIDES, _NOT_FREE, _COOL_BY_WORK))
_UNEVEN = Cause("sides pull unequally: set or worn apart", (_SIDES, _UNEQUAL))
_WORK = Cause("the friction brake does too much of the work", (_HOT_BY_WORK, _AUX_LITTLE))
_TEMPERATURE_SENSOR = Cause("a temperature sensor reads wrong", (_SIDES, _COOL_BY_WORK))
_RELEASE_OIL = Cause("release oil low: leak, valve or pump", (_NOT_FREE, _STORE_LOW, _LEAK))
_RELEASE_VALVE = Cause("a valve or hose throttles the release oil", (_NOT_FREE, _OIL_THERE))
_SPRINGS = Cause("emergency pads worn or springs tired", (_WEAK,))
_NOT_ON = Cause("auxiliary brake not switched on or clutch open", (_AUX_IDLE, _NO_CURRENT))
_NOT_FED = Cause("its supply or control fails", (_AUX_IDLE, _AUX_LITTLE, _NO_CURRENT))
_COIL = Cause("fed, but gives little: coil, water or gap", (_CURRENT, _AUX_LITTLE))
_FLOW = Cause("too little coolant flow, level or cooling", (_COOLANT, _LIGHT))
_AUX_WORKED = Cause("auxiliary brake worked very hard", (_COOLANT, _HARD))
_REACHED = Cause("the block has reached its height", (_HIGH,))
_SET_LOW = Cause("set too low, or its linkage moved", (_BELOW, _DUE))
_HALF = Cause("one half's switch or air valve fails", (_DISAGREE,))
_HEIGHT = Cause("the monitor's height is wrong", (_ASTRAY, _DISAGREE))
_UNTESTED = Cause("no pass since the last cut and slip or tour", (_DUE,))
_MODEL = Cause("computed too hot: load reading or rig's file", (_COOL_L, _COOL_R))
_SINKS = Cause("pressure falls while set", (_LEAK, _MISSING))

# --- rows -----------------------------------------------------------------------------------------------------------

_PADS = "pads, discs or bands for oil, wear and heat."
_PIPES = "hoses, calipers and valves for oil; then pump and accumulator."
_TRIP = "the block against the device; then its two halves and their reset."
_FRICTION_LOAD = (_HEAT, _NO_OIL, _OILED, _LOAD)
_STORE = (_PUMP, _OUTSIDE_LEAK, _GAS)


def _circuit(other: str) -> BrakeRow:
    return BrakeRow(
        "circuit_ratio", "below", _at(0.80), "both circuits are alike", "circuits UNEQUAL",
        (_ONE_CIRCUIT, _SENSOR, _VALVE), f"both gauges side by side; then {other}", "brake-holding",
    )  # fmt: skip


def _disc(signal: str) -> BrakeRow:
    return BrakeRow(
        signal, "above", _onset, "below the onset of fade", "HOT: friction fades from here on",
        (_WORK, _DRAG, _TEMPERATURE_SENSOR), "the auxiliary brake's share; then feel for drag once it is safe.",
        "brake-stops", ("braking",),
    )  # fmt: skip


def _trip(signal: str) -> BrakeRow:
    return BrakeRow(
        signal, "above", _at(0.5), "not tripped", "TRIPPED",
        (_REACHED, _HALF, _SET_LOW, _HEIGHT), _TRIP, "overtravel-function",
    )  # fmt: skip


ROWS: Final[Mapping[str, BrakeRow]] = {
    "holding_ratio": BrakeRow(
        "holding_ratio", "below", lambda rig: rig.braking.min_holding_ratio, "holds enough", "holds TOO LITTLE",
        _FRICTION_LOAD, f"load and oil pressure; then {_PADS}", "brake-holding", ("braking",), Severity.WARNING),
    "emergency_ratio": BrakeRow(
        "emergency_ratio", "below", lambda rig: rig.braking.min_emergency_ratio, "holds enough", "holds TOO LITTLE",
        (_LOAD, _SPRINGS, _HEAT), "the load against what the springs hold alone; then their pads.", "brake-holding",
        ("braking",)),
    "emergency_reach": BrakeRow(
        "emergency_ratio", "below", lambda rig: rig.braking.min_emergency_ratio, "springs stop the load",
        "springs hold TOO LITTLE", (_LOAD, _SPRINGS, _HEAT), "load and speed; then the emergency pads.", "brake-stops",
        ("braking",)),
    "load_over_rating": BrakeRow(
        "load_over_rating", "above", _at(0.90), "within the rating", "NEAR the rating",
        (_LOAD, Cause("load reading wrong: zero or unit", (Fact("load on rating", "load_over_rating", "above", _at(1.0)),))),
        "the load indicator against the string's known weight.", "brake-holding", (), Severity.NOTICE, _at(1.00)),
    "brake_lever": BrakeRow(
        "pressure_unasked", "above", _unasked, "no pressure with the lever off", "PRESSURE with the lever off",
        (_SENSOR, _VALVE, _DRAG), "the sensor's zero on a gauge; then the lever's valve.", "brake-holding", ("brake",)),
    "service_pressure_1": _circuit("circuit 1's hoses and valve."),
    "service_pressure_2": _circuit("circuit 2's hoses and valve."),
    "circuit_ratio": _circuit("the weaker circuit's hoses and valve."),
    "pressure_shortfall": BrakeRow(
        "pressure_shortfall", "above", _at(0.25), "the lever gets what it asks for", "LESS than the lever asks for",
        (_ONE_CIRCUIT, _PUMP, _OUTSIDE_LEAK, _VALVE), _PIPES, "pressure-leak-down", severity=Severity.WARNING),
    "effectiveness": BrakeRow(
        "effectiveness", "below", _at(0.85), "grips as its file says", "WEAKER than its file says",
        (_OILED, _HEAT, _NO_OIL), f"the last stops; then {_PADS}", "brake-stops", warning=_at(0.70)),
    "response_time": BrakeRow(
        "response_time", "above", _slow, "answers in time", "answers SLOWLY",
        (_AIR, _GAP, _NO_OIL), "the last applications; air and temperature of the oil, then the gap.", "brake-stops",
        ("braking",)),
    "creep": BrakeRow(
        "creep", "above", _at(0.005), "stands still when set", "CREEPS when set",
        (_SINKS, _OILED, _HEAT, _LOAD), "block and drum; then brake pressure and load.", "brake-holding",
        severity=Severity.WARNING),
    "fade": BrakeRow(
        "fade", "above", _at(0.10), "heat takes next to nothing", "heat takes its GRIP",
        (_WORK, _DRAG, _HEAT), "heat and the auxiliary brake's share of the work.", "auxiliary-brake"),
    "accumulator_pressure": BrakeRow(
        "accumulator_pressure", "below", _least_oil, "charged", "LOW: too little to brake as rated",
        _STORE, "pump and its switch; then oil on the floor.", "pressure-leak-down", ("hydraulics",), Severity.WARNING),
    "applications_left": BrakeRow(
        "applications_left", "below", _at(6.0), "enough in store", "FEW in store",
        _STORE, "accumulator pressure; that the pump runs; then its gas charge.", "pressure-leak-down"),
    "leak_rate": BrakeRow(
        "leak_rate", "above", _at(15.0e3), "keeps its pressure", "LEAKS",
        (_OUTSIDE_LEAK, _ONE_CIRCUIT, _GAS), _PIPES, "pressure-leak-down"),
    "emergency_release_pressure": BrakeRow(
        "release_drift", "above", _at(0.12), "calipers clear when moving", "NOT fully released",
        (_RELEASE_OIL, _RELEASE_VALVE), "release pressure on a gauge; then its hoses and valve.", "pressure-leak-down"),
    "aux_current": BrakeRow(
        "aux_missing", "above", _at(0.5), "works in descents", "IDLE in a descent",
        (_NOT_ON, _NOT_FED), "its switch and clutch; then its supply.", "auxiliary-brake",
        severity=Severity.WARNING),
    "aux_torque": BrakeRow(
        "aux_missing", "above", _at(0.5), "works in descents", "IDLE in a descent",
        (_NOT_ON, _NOT_FED, _COIL), "its current; then switch, clutch and coolant.", "auxiliary-brake",
        severity=Severity.WARNING),
    "aux_share": BrakeRow(
        "aux_share", "below", _at(0.50), "took its share", "took LITTLE: friction did the work",
        (_NOT_ON, _NOT_FED, _COIL), "its current in a descent; then the heat of the friction brake.", "auxiliary-brake"),
    "coolant_temperature": BrakeRow(
        "coolant_over", "above", _at(0.0), "below its most", "HOT: above its most",
        (_FLOW, _AUX_WORKED), "coolant flow and level; then load and speed of the descents.", "auxiliary-brake"),
    "disc_temperature_left": _disc("disc_temperature_left"),
    "disc_temperature_right": _disc("disc_temperature_right"),
    "disc_modelled": BrakeRow(
        "disc_modelled", "above", _onset, "below the onset of fade", "HOT by its work",
        (_WORK, _MODEL), "the measured temperatures; then the auxiliary brake's share.", "auxiliary-brake",
        ("braking",), Severity.NOTICE),
    "disc_difference": BrakeRow(
        "disc_difference", "above", _at(50.0), "both sides alike", "one side HOTTER",
        (_DRAG, _UNEVEN, _TEMPERATURE_SENSOR), "the hotter side for drag, by the site's procedure for hot parts.",
        "brake-stops", severity=Severity.NOTICE),
    "overtravel_electric": _trip("overtravel_electric"),
    "overtravel_air": _trip("overtravel_air"),
    "overtravel_untested": BrakeRow(
        "overtravel_untested", "above", _at(0.5), "not due", "test DUE",
        (_UNTESTED,), "the last test's record; then test it.", "overtravel-function", severity=Severity.NOTICE),
    "overtravel_room": BrakeRow(
        "overtravel_room", "below", _at(0.0), "below the device", "ABOVE the device",
        (_REACHED, _HEIGHT, _SET_LOW), "whether the device has acted; then the height.", "height-reference",
        severity=Severity.WARNING),
}  # fmt: skip
"""Rows by the signal that they show. To add one: a row here, and its place on the screen."""
