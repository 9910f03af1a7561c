"""Drive: the glance. Height and speed large, the room up and the room down, the mast with the stop mark, brakes in brief.

Every figure has one place, whatever the block does: the room ahead is strong, the one behind it dim, and neither moves.
The layout gives way from the outside in: first the figures get smaller, then the brakes' details and the bars go.
Height, speed, both rooms, load, brake pressure and holding are there at every size from 60 by 20.
"""

from dataclasses import dataclass
from functools import partial
from math import inf, isfinite
from typing import Final, NamedTuple

from rich.cells import cell_len

from monitor.language import msgid, tr
from monitor.model.alarm import Severity
from monitor.model.reading import Validity, Value
from monitor.model.snapshot import HoistState
from monitor.presentation.format import span, ways, word
from monitor.presentation.slow_data import LATE_STOP, blind_to, interval, is_slow
from monitor.ui.drawing import digits
from monitor.ui.drawing.canvas import Area
from monitor.ui.drawing.theme import BAR_ROLE, MARK_ROLE, TEXT_ROLE, Role
from monitor.ui.history import believed_track
from monitor.ui.keys.key import Key
from monitor.ui.queries import LOAD_LOST, as_tested, heading, height, motion_words, no_service_brake, severity_ahead
from monitor.ui.view import View
from monitor.ui.widgets import bars, machine, mast, plot
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

    @property
    def column(self) -> int:
        """Columns of one room and the gap beside it: as wide as its figure and its caption."""
        return (
            max(
                digits.width_of("00.00", self.room),
                max(cell_len(tr(names.title)) for names in _ROOM.values()) + len("  ft"),
            )
            + 2 * self.room
        )


SMALL: Final = 50
"""Columns beside the mast below which what lies ahead takes one row below the rooms, and the machine the screen's last."""


def plan(width: int, rows: int) -> Plan:
    """The largest sizes at which the widest usual height and speed still stand beside each other."""
    if width >= 180 and rows >= 31:
        return Plan(mast=44, figure=4, room=3, gap=2)
    if width >= 119 and rows >= 23:
        return Plan(mast=min(30, width - 100), figure=3, room=2, gap=1)
    if width >= 78 and rows >= 15:
        return Plan(mast=min(30, max(20, width - 76)), figure=2, room=1, gap=0)
    return Plan(mast=15, figure=1, room=1, gap=0)


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen (banner, data line and keys are drawn around it)."""
    sizes = plan(area.width, area.height)
    small = area.width - sizes.mast - 4 < SMALL
    if small:
        machine.in_a_row(area.part(1, area.height - 1, area.width - 2, 1), view)
        area = area.part(0, 0, area.width, area.height - 1)
    mast.draw(area.part(1, 0, sizes.mast, area.height), view)
    right = area.part(sizes.mast + 3, 0, area.width - sizes.mast - 4, area.height)
    used = _motion(right, view, sizes)
    used += _room(right.part(0, used, right.width, right.height - used), view, sizes)
    rest = right.part(0, used, right.width, right.height - used)
    if right.width >= 140:
        _last_minutes(rest.part(right.width // 2, 1, right.width - right.width // 2, rest.height - 1), view)
        rest = rest.part(0, 0, right.width // 2 - 2, rest.height)
    if rest.height > 0 and not small:
        machine.rows(rest, view)
    return ()


def _caption(area: Area, x: int, y: int, name: str, unit: str) -> None:
    end = area.put(x, y, name, "dim")
    area.put(end + 2, y, unit, "dim")


def _motion(area: Area, view: View, plan: Plan) -> int:
    """Height and speed; returns the rows used."""
    units, snap = view.units, view.snap
    half = plan.split(area.width)
    rows = digits.rows_of(plan.figure)
    _caption(area, 0, plan.gap, tr("HEIGHT"), units.label("length"))
    _caption(area, half, plan.gap, tr("SPEED"), units.label("speed"))
    top = plan.gap + 1
    left, right = area.part(0, top, half - 1, rows), area.part(half, top, area.width - half, rows)
    value = height(snap)
    _large(left, units.figure(value, "length"), plan.figure, tr("HEIGHT ") + word(value).upper())
    speed = snap.value("speed")
    _large(right, units.figure(speed, "speed", signed=True), plan.figure, tr("SPEED ") + word(speed).upper())
    y = top + rows
    if value.validity is Validity.DEGRADED:
        bound = snap.value("height_bound")
        text = tr("△ DEGRADED")
        if _tells(bound):
            text += f" ±{units.text(bound.number, 'length')}"
        area.figure(0, y, text, "caution")
    elif value.known:
        bound = snap.value("height_bound")
        if _tells(bound):
            area.put(0, y, f"±{units.text(bound.number, 'length')}", "dim")
    words = motion_words(snap)
    role: Role = "strong" if snap.hoist is not HoistState.UNKNOWN else "warning"
    x = area.put(half, y, tr(words), "danger" if words == LOAD_LOST else role)
    if speed.validity is Validity.DEGRADED:
        area.put(x + 2, y, tr("△ DEGRADED") if x + 12 <= area.width else "△", "caution")
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


def _margin(view: View, margin: Value) -> str:
    return tr("NONE") if margin.known and margin.number == -inf else view.units.value(margin, "length")


def _room(area: Area, view: View, plan: Plan) -> int:
    """Room up and room down, and what lies ahead beside them; returns the rows used."""
    way = heading(view.snap)
    rows = digits.rows_of(plan.room)
    small = area.width < SMALL
    # Where nothing stands beside them the two figures are so far apart that they are not read as one.
    column = plan.column + (2 if small else 0)
    for x, key in ((0, 1), (column, -1)):
        _room_figure(area.part(x, 0, column - 1, rows + 1), view, plan, key)
    if small and is_slow(view.snap):
        area.best(
            0,
            rows + 1,
            (
                tr("{interval}: no word of {late_stop}", interval=interval(view.snap), late_stop=tr(LATE_STOP)),
                tr("no word of {late_stop}", late_stop=tr(LATE_STOP)),
            ),
            "caution",
        )
    elif small:
        _in_a_row(area.part(0, rows + 1, area.width, 1), _ahead(view, way))
    else:
        side = area.part(2 * column, 0, area.width - 2 * column, rows + 1)
        _beside_room(side, view, way)
    return rows + 1 + (1 if small else plan.gap)


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
    1: _Names("room_up", "margin_up", "brake_time_up", "fully_margin_up", "cross_margin_up", msgid("ROOM UP ↑")),
    -1: _Names(
        "room_down", "margin_down", "brake_time_down", "fully_margin_down", "cross_margin_down", msgid("ROOM DOWN ↓")
    ),
}


def _room_figure(area: Area, view: View, plan: Plan, way: int) -> None:
    """The room in one direction, large. Dim where the block goes the other way; in the colour of what is to be done where
    its margin (at rest: the room itself) is used up."""
    room = view.value(_ROOM[way].room)
    ahead = heading(view.snap)
    _room_caption(area, 0, view, way, tr(_ROOM[way].title), room)
    figure = view.units.figure(room, "length")
    severity = severity_ahead(view.snap, way)
    role: Role = "strong" if ahead in (0, way) else "dim"
    if severity is not None:
        role = MARK_ROLE[severity]
    _large(area.part(0, 1, area.width, area.height - 1), figure, plan.room, tr("ROOM ") + word(room).upper(), role)


def _ahead(view: View, way: int) -> Lines:
    """What lies ahead: reach, margin, allowed speed, time left to brake; how the limit will be crossed where it will."""
    if is_slow(view.snap):
        return _cannot_warn(view)
    if way == 0:
        return []
    crossing = [] if as_tested(view.snap, way) else _crossing(view, way)
    return crossing or _approach(view, way)


_SHORT: Final = {
    msgid("a late stop"): msgid("late stop"),
    msgid("a weak or slow brake"): msgid("weak brake"),
    msgid("a failing auxiliary brake"): msgid("aux brake"),
}


def _cannot_warn(view: View) -> Lines:
    """In place of what lies ahead: readings come too seldom, and what that leaves unsaid."""
    every = interval(view.snap)
    lines: Lines = [(tr("height"), (every, every.partition(" ")[2] or every), "caution")]
    for place, words in enumerate(blind_to(view.snap.values)):
        lines.append(
            (
                tr("no word") if place == 0 else "",
                (tr("of {words}", words=tr(words)), tr("of {words}", words=tr(_SHORT[words])), tr(_SHORT[words])),
                "caution",
            )
        )
    return lines


def _beside_room(side: Area, view: View, way: int) -> None:
    """What lies ahead, in rows, with bars where there is a width for them."""
    lines = _ahead(view, way)
    if way and lines and lines[0][0] == tr("reach"):
        _bars(side, view, way)
    widest = max((cell_len(label) for label, *_ in lines), default=0)
    for y, (label, choices, role) in enumerate(lines[: side.height]):
        side.put(0, y, label, "dim")
        side.best(max(10 if side.width >= 24 else 8, widest + 1), y, choices, role)


def _in_a_row(area: Area, lines: Lines) -> None:
    """The first lines of what lies ahead, each in its place: three, or of a crossing two."""
    crossing = bool(lines) and lines[0][0] == tr("overrun")
    starts = (0, area.width // 2) if crossing else (0, area.width * 3 // 10, area.width * 16 // 25)
    for start, end, (label, choices, role) in zip(starts, (*starts[1:], area.width), lines, strict=False):
        part = area.part(start, 0, end - start - (1 if end < area.width else 0), 1)
        part.best(part.put(0, 0, label, "dim") + 1, 0, (*choices, "?"), role)


def _wordings(text: str) -> tuple[str, ...]:
    return (*ways(text), text.partition(" ")[0])


def _approach(view: View, way: int) -> Lines:
    """What is left before the limit."""
    units, snap = view.units, view.snap
    reach, margin = snap.value("reach_assured"), snap.value(_ROOM[way].margin)
    severity = severity_ahead(snap, way)
    margin_role: Role = TEXT_ROLE[severity] if severity is not None and margin.known and margin.number < 0 else "strong"
    lines: Lines = [
        (tr("reach"), _wordings(_or_no_stop(view, reach)), "strong"),
        (tr("margin"), _wordings(_margin(view, margin)), margin_role),
        (tr("allowed"), _wordings(units.value(snap.value("allowed_speed"), "speed")), "strong"),
    ]
    if as_tested(snap, way):
        return lines
    if no_service_brake(snap):
        return [*lines, (tr("brake"), (tr("◆ NONE"),), "danger")]
    fully, late = snap.value(_ROOM[way].fully), snap.value(_ROOM[way].brake_time)
    if fully.known and fully.number <= 0:
        lines.append((tr("brake"), (tr("◆ FULLY NOW"), tr("◆ FULLY")), "danger"))
    elif late.known and late.number <= 0:
        lines.append((tr("brake"), (tr("▲ NOW"),), "warning"))
    elif late.known and late.number < 100:
        left = units.text(late.number, "time")
        lines.append((tr("brake"), (tr("in {left}", left=left), left), "strong"))
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
        (tr("overrun"), _between(view, least, most, "length"), "danger"),
        (tr("passing"), _between(view, slow, fast, "speed"), "danger"),
        (
            tr("reaches"),
            (near,) if near == far else (tr("{near} to {far}", near=near, far=far), tr("{far} at worst", far=far), far),
            "danger",
        ),
        (tr("brake"), (tr("◆ KEEP FULLY ON"), tr("◆ KEEP ON")), "danger"),
    ]


def _between(view: View, least: Value, most: Value, dimension: Dimension) -> tuple[str, ...]:
    """From the least to the most, and the most alone where there is no room for both."""
    units = view.units
    low, high = sorted((least, most), key=lambda value: value.number)
    worst = tr("NO STOP") if not isfinite(high.number) else tr(high.word) or units.text(high.number, dimension)
    best = tr("NO STOP") if not isfinite(low.number) else tr(low.word) or units.text(low.number, dimension)
    if best == worst:
        return (worst,)
    if isfinite(high.number) and not (low.word or high.word):
        best = units.number(low.number, dimension)
    return f"{best}–{worst}", worst


def _reached(view: View, way: int, overrun_m: float) -> str:
    """What stands where the block comes to rest that far beyond the limit."""
    limits, mast = view.rig.limits, view.rig.mast
    if way < 0:
        return tr("floor") if limits.lower_m - overrun_m <= mast.floor_m else tr("limit")
    height_m = limits.upper_m + overrun_m
    return tr("crown") if height_m >= mast.crown_m else tr("overtravel") if height_m >= limits.device_m else tr("limit")


def _bars(side: Area, view: View, way: int) -> None:
    """How much of the room the reach takes, and of the allowed speed the speed, where there is a width for bars."""
    snap = view.snap
    room, reach = snap.value(_ROOM[way].room), snap.value("reach_assured")
    bar_width = side.width - 24
    severity = severity_ahead(snap, way)
    beyond: Role = BAR_ROLE[Severity.WARNING if severity is None else severity]
    if bar_width >= 8 and room.known and reach.known and room.number > 0 and snap.marks.stops:
        share = reach.number / room.number
        bars.level(side, 22, 0, bar_width, share, beyond if share > 1 else "bar")
        allowed, speed = snap.value("allowed_speed"), snap.value("speed")
        if allowed.known and speed.known and allowed.number > 0:
            share = abs(speed.number) / allowed.number
            bars.level(side, 22, 2, bar_width, share, beyond if share > 1 else "bar")


def _room_caption(area: Area, x: int, view: View, way: int, title: str, room: Value) -> None:
    """What the figure below is; once the limit is passed that word takes its place."""
    if room.known and room.number < 0:
        title = tr("PAST UPPER ↑") if way > 0 else tr("PAST LOWER ↓")
        end = area.put(x, 0, title, "strong" if as_tested(view.snap, way) else "danger")
        area.put(end + 2, 0, view.units.label("length"), "dim")
    else:
        _caption(area, x, 0, title, view.units.label("length"))


def _or_no_stop(view: View, reach: Value) -> str:
    return view.units.value(reach, "length") if view.snap.marks.stops else tr("NO STOP")


LAST_MINUTES_S = 120.0


def _last_minutes(area: Area, view: View) -> None:
    """Where there is room to spare: height and speed over the last two minutes."""
    tall = area.height // 2
    strips: tuple[tuple[str, str, Dimension], ...] = (
        ("height", tr("HEIGHT"), "length"),
        ("speed", tr("SPEED"), "speed"),
    )
    for place, (name, title, dimension) in enumerate(strips):
        strip = area.part(0, place * tall, area.width, tall)
        track = believed_track(name, view.history.track(name, LAST_MINUTES_S))
        axis = plot.range_of(track)
        if axis is None or strip.height < 3:
            continue
        _caption(
            strip, 0, 0, tr("{title}, last {time}", title=title, time=span(LAST_MINUTES_S)), view.units.label(dimension)
        )
        plot.line(strip.part(0, 1, strip.width - 12, strip.height - 2), track, LAST_MINUTES_S, axis, "bar")
        labels = strip.part(strip.width - 10, 1, 10, strip.height - 2)
        plot.axis_labels(labels, axis, partial(view.units.number, dimension=dimension))
