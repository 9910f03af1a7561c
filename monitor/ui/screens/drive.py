"""Drive: the glance. Height and speed large, the room in the direction of motion, the mast with the stop mark, brakes
in brief.

The layout gives way from the outside in: first the figures get smaller, then the brakes' details and the bars go.
Height, speed, room, the banner and the state of the data are there at every size from 60 by 20.
"""

from dataclasses import dataclass
from functools import partial
from math import inf, isfinite, nan
from typing import NamedTuple

from monitor.model.reading import UNKNOWN, Validity, Value
from monitor.model.snapshot import HoistState
from monitor.presentation.format import span, ways, word
from monitor.ui.drawing.canvas import Area
from monitor.ui.drawing.theme import Role
from monitor.ui.history import believed_track
from monitor.ui.keys.key import Key
from monitor.ui.queries import LOAD_LOST, as_tested, heading, height, motion_words
from monitor.ui.view import View
from monitor.ui.widgets import bars, digits, mast, plot
from monitor.ui.widgets.brake_ratio import friction_part, ratio, ratio_role
from monitor.units import Dimension

TITLE = "Drive"
HELP = "height, speed, room and stop mark at a glance"
KEYS: tuple[Key, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """Sizes chosen for the room there is."""

    mast: int
    figure: int
    room: int
    gap: int

    def split(self, width: int) -> int:
        """Column at which the right half of the figures begins: in the middle where there is room, else as far right as
        keeps height and speed apart, so that "125.1" beside "0" is not read as "125.10"."""
        left, right = digits.width_of("00.00", self.figure), digits.width_of("+0.00", self.figure)
        return max(width // 2, min(left + 2 * self.figure + 2, width - right))


def plan(width: int, rows: int) -> Plan:
    """The largest sizes at which the widest usual height and speed still stand beside each other."""
    if width >= 180 and rows >= 38:
        return Plan(mast=44, figure=4, room=3, gap=2)
    if width >= 119 and rows >= 28:
        return Plan(mast=min(30, width - 100), figure=3, room=2, gap=1)
    if width >= 78 and rows >= 17:
        return Plan(mast=min(30, max(20, width - 76)), figure=2, room=1, gap=0)
    return Plan(mast=15, figure=1, room=1, gap=0)


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen (banner, data line and keys are drawn around it)."""
    sizes = plan(area.width, area.height)
    mast.draw(area.part(1, 0, sizes.mast, area.height), view)
    right = area.part(sizes.mast + 3, 0, area.width - sizes.mast - 4, area.height)
    used = _motion(right, view, sizes)
    used += _room(right.part(0, used, right.width, right.height - used), view, sizes)
    rest = right.part(0, used, right.width, right.height - used)
    if right.width >= 140:
        _last_minutes(rest.part(right.width // 2, 1, right.width - right.width // 2, rest.height - 1), view)
        rest = rest.part(0, 0, right.width // 2 - 2, rest.height)
    if rest.height > 0:
        _machine(rest, view)
    return ()


def _caption(area: Area, x: int, y: int, name: str, unit: str) -> None:
    end = area.put(x, y, name, "dim")
    area.put(end + 2, y, unit, "dim")


def _motion(area: Area, view: View, plan: Plan) -> int:
    """Height and speed; returns the rows used."""
    units, snap = view.units, view.snap
    half = plan.split(area.width)
    rows = digits.rows_of(plan.figure)
    _caption(area, 0, plan.gap, "HEIGHT", units.label("length"))
    _caption(area, half, plan.gap, "SPEED", units.label("speed"))
    top = plan.gap + 1
    left, right = area.part(0, top, half - 1, rows), area.part(half, top, area.width - half, rows)
    value = height(snap)
    _large(left, units.figure(value, "length"), plan.figure, "HEIGHT " + word(value).upper())
    speed = snap.value("speed")
    _large(right, units.figure(speed, "speed", signed=True), plan.figure, "SPEED " + word(speed).upper())
    y = top + rows
    if value.validity is Validity.DEGRADED:
        bound = snap.value("height_bound")
        text = "△ DEGRADED"
        if _tells(bound):
            text += f" ±{units.text(bound.number, 'length')}"
        area.figure(0, y, text, "caution")
    elif value.known:
        bound = snap.value("height_bound")
        if _tells(bound):
            area.put(0, y, f"±{units.text(bound.number, 'length')}", "dim")
    words = motion_words(snap)
    role: Role = "strong" if snap.hoist is not HoistState.UNKNOWN else "warning"
    x = area.put(half, y, words, "danger" if words == LOAD_LOST else role)
    if speed.validity is Validity.DEGRADED:
        area.put(x + 2, y, "△ DEGRADED" if x + 12 <= area.width else "△", "caution")
    return y + 1 + plan.gap


def _tells(bound: Value) -> bool:
    return bound.known and isfinite(bound.number) and not bound.word


def _large(area: Area, figure: str | None, size: int, words: str, role: Role = "strong") -> None:
    """A figure as large as fits, or the words that stand in its place."""
    if figure is None:
        middle = max(0, (area.height - 1) // 2)
        area.part(0, middle - 1 if area.height >= 3 else middle, min(area.width, len(words) + 4), 3).fill("absent")
        area.put(2, middle, words, "absent")
        return
    fits = digits.size_that_fits(figure, area.width, area.height, size)
    digits.draw(area, figure, fits, role)


def _margin_role(margin: Value) -> Role:
    return "danger" if margin.known and margin.number < 0 else "strong"


def _figure_role(margin: Value) -> Role:
    return "alert" if margin.known and margin.number < 0 else "strong"


def _margin(view: View, margin: Value) -> str:
    return "NONE" if margin.known and margin.number == -inf else view.units.value(margin, "length")


def _room(area: Area, view: View, plan: Plan) -> int:
    """Room to the limit that lies ahead (both when still), reach and margin; returns the rows used."""
    way = heading(view.snap)
    half = plan.split(area.width)
    rows = digits.rows_of(plan.room)
    if way == 0:
        for x, key in ((0, 1), (half, -1)):
            _room_figure(area.part(x, 0, half - 1, rows + 1), view, plan, key, view.value(_ROOM[key].room))
    else:
        watched = UNKNOWN if as_tested(view.snap, way) else view.value(_ROOM[way].margin)
        _room_figure(area.part(0, 0, half - 1, rows + 1), view, plan, way, watched)
        side = area.part(half, 0, area.width - half, rows + 1)
        _beside_room(side, view, way)
    return rows + 1 + plan.gap


Lines = list[tuple[str, tuple[str, ...], Role]]
"""Rows of label, wordings (the first that fits is shown) and colour."""


class _Names(NamedTuple):
    """Signals of one direction, and what its room is called."""

    room: str
    margin: str
    brake_time: str
    fully: str
    cross: str
    title: str


_ROOM = {
    1: _Names("room_up", "margin_up", "brake_time_up", "fully_margin_up", "cross_margin_up", "ROOM UP ▲"),
    -1: _Names("room_down", "margin_down", "brake_time_down", "fully_margin_down", "cross_margin_down", "ROOM DOWN ▼"),
}


def _room_figure(area: Area, view: View, plan: Plan, way: int, watched: Value) -> None:
    """The room in one direction, large, in a colour that tells whether `watched` is below nought."""
    room = view.value(_ROOM[way].room)
    _room_caption(area, 0, view, way, _ROOM[way].title, room)
    figure = view.units.figure(room, "length")
    large = area.part(0, 1, area.width, area.height - 1)
    _large(large, figure, plan.room, "ROOM " + word(room).upper(), _figure_role(watched))


def _beside_room(side: Area, view: View, way: int) -> None:
    """Reach, margin, allowed speed and the time left to brake, in rows; how the limit will be crossed where it will."""
    lines = [] if as_tested(view.snap, way) else _crossing(view, way)
    if not lines:
        lines = _approach(view, way)
        _bars(side, view, way)
    for y, (label, choices, role) in enumerate(lines[: side.height]):
        side.put(0, y, label, "dim")
        side.best(10 if side.width >= 24 else 9, y, choices, role)


def _wordings(text: str) -> tuple[str, ...]:
    return (*ways(text), text.partition(" ")[0])


def _approach(view: View, way: int) -> Lines:
    """What is left before the limit."""
    units, snap = view.units, view.snap
    reach, margin = snap.value("reach_assured"), snap.value(_ROOM[way].margin)
    tested = as_tested(view.snap, way)
    lines: Lines = [
        ("reach", _wordings(_or_no_stop(view, reach)), "strong"),
        ("margin", _wordings(_margin(view, margin)), "strong" if tested else _margin_role(margin)),
        ("allowed", _wordings(units.value(snap.value("allowed_speed"), "speed")), "strong"),
    ]
    if tested:
        return lines
    fully, late = snap.value(_ROOM[way].fully), snap.value(_ROOM[way].brake_time)
    if fully.known and fully.number <= 0:
        lines.append(("brake", ("◆ FULLY NOW",), "danger"))
    elif late.known and late.number <= 0:
        lines.append(("brake", ("▲ NOW",), "danger"))
    elif late.known and late.number < 100:
        lines.append(("brake in", _wordings(units.text(late.number, "time")), "strong"))
    return lines


def _crossing(view: View, way: int) -> Lines:
    """By how much and how fast the limit will be crossed, from the best to be hoped for to what is expected, and what that
    reaches; nothing while it need not be."""
    snap = view.snap
    cross = snap.value(_ROOM[way].cross)
    least, most = snap.value("overrun_least"), snap.value("overrun_most")
    slow, fast = snap.value("crossing_speed_least"), snap.value("crossing_speed_most")
    if not (cross.known and cross.number <= 0 and least.known and most.known and slow.known and fast.known):
        return []
    near, far = _reached(view, way, least.number), _reached(view, way, max(least.number, most.number))
    return [
        ("overrun", _between(view, least, most, "length"), "danger"),
        ("at limit", _between(view, slow, fast, "speed"), "danger"),
        ("reaches", (near,) if near == far else (f"{near} to {far}", f"{far} at worst", far), "danger"),
        ("brake", ("◆ KEEP FULLY ON", "◆ KEEP ON"), "danger"),
    ]


def _between(view: View, least: Value, most: Value, dimension: Dimension) -> tuple[str, ...]:
    """From the least to the most, and the most alone where there is no room for both."""
    units = view.units
    low, high = sorted((least, most), key=lambda value: value.number)
    worst = "NO STOP" if not isfinite(high.number) else high.word or units.text(high.number, dimension)
    best = "NO STOP" if not isfinite(low.number) else low.word or units.text(low.number, dimension)
    if best == worst:
        return (worst,)
    if isfinite(high.number) and not (low.word or high.word):
        best = units.number(low.number, dimension)
    return f"{best}–{worst}", worst


def _reached(view: View, way: int, overrun_m: float) -> str:
    """What stands where the block comes to rest that far beyond the limit."""
    limits, mast = view.rig.limits, view.rig.mast
    if way < 0:
        return "floor" if limits.lower_m - overrun_m <= mast.floor_m else "limit"
    height_m = limits.upper_m + overrun_m
    return "crown" if height_m >= mast.crown_m else "overtravel" if height_m >= limits.overtravel_m else "limit"


def _bars(side: Area, view: View, way: int) -> None:
    """How much of the room the reach takes, and of the allowed speed the speed, where there is a width for bars."""
    snap = view.snap
    room, reach = snap.value(_ROOM[way].room), snap.value("reach_assured")
    bar_width = side.width - 24
    if bar_width >= 8 and room.known and reach.known and room.number > 0 and snap.marks.stops:
        share = reach.number / room.number
        bars.level(side, 22, 0, bar_width, share, "danger" if share > 1 else "bar")
        allowed, speed = snap.value("allowed_speed"), snap.value("speed")
        if allowed.known and speed.known and allowed.number > 0:
            share = abs(speed.number) / allowed.number
            bars.level(side, 22, 2, bar_width, share, "danger" if share > 1 else "bar")


def _room_caption(area: Area, x: int, view: View, way: int, title: str, room: Value) -> None:
    """What the figure below is; once the limit is passed that word takes its place."""
    if room.known and room.number < 0:
        title = "PAST UPPER ▲" if way > 0 else "PAST LOWER ▼"
        end = area.put(x, 0, title, "strong" if as_tested(view.snap, way) else "danger")
        area.put(end + 2, 0, view.units.label("length"), "dim")
    else:
        _caption(area, x, 0, title, view.units.label("length"))


def _or_no_stop(view: View, reach: Value) -> str:
    return view.units.value(reach, "length") if view.snap.marks.stops else "NO STOP"


LAST_MINUTES_S = 120.0


def _last_minutes(area: Area, view: View) -> None:
    """Where there is room to spare: height and speed over the last two minutes."""
    tall = area.height // 2
    strips: tuple[tuple[str, str, Dimension], ...] = (("height", "HEIGHT", "length"), ("speed", "SPEED", "speed"))
    for place, (name, title, dimension) in enumerate(strips):
        strip = area.part(0, place * tall, area.width, tall)
        track = believed_track(name, view.history.track(name, LAST_MINUTES_S))
        axis = plot.range_of(track)
        if axis is None or strip.height < 3:
            continue
        _caption(strip, 0, 0, f"{title}, last {span(LAST_MINUTES_S)}", view.units.label(dimension))
        plot.line(strip.part(0, 1, strip.width - 12, strip.height - 2), track, LAST_MINUTES_S, axis, "bar")
        labels = strip.part(strip.width - 10, 1, 10, strip.height - 2)
        plot.axis_labels(labels, axis, partial(view.units.number, dimension=dimension))


def _machine(area: Area, view: View) -> None:
    """Load, brake and hydraulics: rows of label, bar and values, most important first, as many as have room."""
    rows = _machine_rows(view)
    spare = area.height - len(rows)
    y = 1 if spare > 0 else 0
    step = 2 if spare > len(rows) else 1
    bar = 22 if area.width >= 80 else 14 if area.width >= 70 else 0
    for row in rows:
        if y >= area.height:
            return
        area.put(0, y, row.label, "dim")
        x = 11
        if bar:
            bars.level(area, x, y, bar, row.share, row.role, row.mark)
            x += bar + 3
        for text, role in row.cells:
            if x + len(text) > area.width:
                break
            x = area.put(x, y, text, role) + 2
        y += step


Cells = list[tuple[str, Role]]


@dataclass(frozen=True, slots=True)
class _Row:
    """One line of the machine's state. `share` fills the bar (NaN: empty), `mark` is the tick on it."""

    label: str
    cells: Cells
    share: float = nan
    mark: float | None = None
    role: Role = "bar"


def _share(value: Value, full: float) -> float:
    return value.number / full if value.known and not value.word and full > 0 else nan


def _machine_rows(view: View) -> list[_Row]:
    return [row for row in (_load(view), _brake(view), _holding(view), _oil(view), _discs(view)) if row is not None]


def _load(view: View) -> _Row:
    snap, units = view.snap, view.units
    cells: Cells = [(units.value(snap.value("hook_load"), "force"), "strong")]
    slack = snap.value("slack")
    if slack.known and slack.number >= 0.5:
        cells.append(("▲ SLACK LINE", "warning"))
    string = snap.value("string_load")
    if string.known:
        cells.append((f"string {units.value(string, 'force')}", "dim"))
    share = _share(snap.value("load_over_rating"), 1.0)
    return _Row("LOAD", cells, share, None, "warning" if share > 1 else "bar")


def _brake(view: View) -> _Row:
    snap, units = view.snap, view.units
    lever = snap.value("brake_lever")
    one, two = snap.value("service_pressure_1"), snap.value("service_pressure_2")
    label = units.label("pressure")
    first = units.figure(one, "pressure") or word(one)
    second = units.figure(two, "pressure") or word(two)
    known = one.known or two.known or first != second
    cells: Cells = [(f"{first} / {second} {label}" if known else first, "strong")]
    if lever.validity is not Validity.NOT_FITTED:
        cells.append((f"lever {units.value(lever, 'fraction')}", "base"))
    release = snap.value("emergency_release_pressure")
    if release.known:
        cells.append((f"release {units.text(release.number, 'pressure')}", "base"))
    weaker = min(one.number, two.number) if one.known and two.known else nan
    return _Row("BRAKE", cells, weaker / view.rig.brake.full_pressure_pa if view.rig.has("brake") else nan)


def _holding(view: View) -> _Row:
    braking, snap = view.rig.braking, view.snap
    service, emergency = snap.value("holding_ratio"), snap.value("emergency_ratio")
    minimum = braking.min_holding_ratio
    if service.validity is Validity.NOT_FITTED:
        return _Row("HOLDING", [(word(service), "dim")])
    cells: Cells = [(ratio(service, minimum), ratio_role(service, minimum))]
    if emergency.validity is not Validity.NOT_FITTED and not (service.word and service.word == emergency.word):
        least = braking.min_emergency_ratio
        cells.append((f"emergency {ratio(emergency, least)}", ratio_role(emergency, least)))
    # The tick of the required ratio stands at a third of the bar: beyond three times that, more says nothing.
    share = _share(service, 3 * minimum)
    return _Row("HOLDING", cells, share, 1 / 3, "warning" if share < 1 / 3 else "bar")


def _oil(view: View) -> _Row:
    snap, units, oil = view.snap, view.units, view.rig.hydraulics
    pressure, left = snap.value("accumulator_pressure"), snap.value("applications_left")
    cells: Cells = [(units.value(pressure, "pressure"), "base")]
    if left.known:
        number = units.number(left.number, "count")
        cells.append((f"{number} application{'' if number == '1' else 's'} left", "base"))
    if not view.rig.has("hydraulics"):
        return _Row("OIL", cells)
    low = pressure.known and pressure.number < oil.min_pressure_pa
    share = _share(pressure, oil.max_pressure_pa)
    return _Row("OIL", cells, share, oil.min_pressure_pa / oil.max_pressure_pa, "warning" if low else "bar")


def _discs(view: View) -> _Row | None:
    snap, units, braking = view.snap, view.units, view.rig.braking
    left, right = snap.value("disc_temperature_left"), snap.value("disc_temperature_right")
    aux = snap.value("aux_share")
    cells: Cells = []
    for side, value in (("L", left), ("R", right)):
        if value.validity is not Validity.NOT_FITTED:
            cells.append((f"{side} {units.value(value, 'temperature')}", "base"))
    if aux.validity is not Validity.NOT_FITTED:
        cells.append((f"auxiliary share {units.value(aux, 'fraction')}", "base"))
    if not cells:
        return None
    label = f"{friction_part(view).upper()}S"
    if not view.rig.has("braking"):
        return _Row(label, cells)
    hotter = max((value.number for value in (left, right) if value.known), default=nan)
    hot = hotter > braking.fade_onset_c
    mark = braking.fade_onset_c / braking.fade_full_c
    return _Row(label, cells, hotter / braking.fade_full_c, mark, "warning" if hot else "bar")
