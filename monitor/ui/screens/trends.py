"""Trends: minutes to hours of a group of signals, a strip each, with limits, alarms on the time axis and a cursor that reads them
off. What the screen has not seen itself comes from the record."""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import isfinite, nan
from typing import Final

from rich.cells import cell_len

from monitor.language import msgid, tr, tr_record
from monitor.model.alarm import Severity
from monitor.model.reading import Validity
from monitor.presentation.believed import words_for
from monitor.presentation.brake_causes import ROWS
from monitor.presentation.format import clock, signal_word, span
from monitor.runtime.past import STOP_MARK, Mark
from monitor.ui.drawing.canvas import Area, first_that_fits
from monitor.ui.drawing.theme import BAR_ROLE, MARK_ROLE, SHAPE
from monitor.ui.history import Track, believed_track
from monitor.ui.keys import time_window
from monitor.ui.keys.key import Key, ScreenContext
from monitor.ui.keys.time_window import TimeWindow
from monitor.ui.view import ScreenState, View
from monitor.ui.widgets import plot
from monitor.ui.widgets.labels import signal_dimension, signal_label
from monitor.units import Dimension

TITLE = "Trends"
HELP = "signals over the last minutes to hours, from the record too, with limits, alarms and a cursor"


@dataclass(frozen=True, slots=True)
class Group:
    """Signals that are read together."""

    name: str
    signals: tuple[str, ...]


GROUPS = (
    Group(msgid("Motion"), ("height", "speed", "margin_down", "margin_up")),
    Group(msgid("Load"), ("hook_load", "height", "speed", "design_factor")),
    Group(msgid("Brake"), ("service_pressure_1", "service_pressure_2", "brake_lever", "speed")),
    Group(msgid("Heat"), ("disc_temperature_left", "disc_temperature_right", "coolant_temperature", "aux_share")),
    Group(msgid("Oil"), ("accumulator_pressure", "emergency_release_pressure", "applications_left", "leak_rate")),
    Group(msgid("Condition"), ("effectiveness", "response_time", "holding_ratio", "circuit_ratio")),
)
NAMES: Final = tuple(sorted({name for group in GROUPS for name in group.signals} | {"slack", STOP_MARK}))
"""All that may be asked of the record."""
_LEAST_SPAN: Final[dict[Dimension, float]] = {
    "length": 1.0, "speed": 0.2, "force": 50e3, "pressure": 1e6, "pressure rate": 10e3, "temperature": 10.0,
    "temperature difference": 10.0, "fraction": 0.1, "ratio": 0.5, "time": 0.2, "count": 4.0, "current": 10.0,
    "torque": 10e3, "switch": 1.0,
}  # fmt: skip
"""Of an axis, SI: below that a resting signal's noise would fill the strip. A few times the noise of shipped sensors."""
_AXIS: Final = 10
_MOST_LABELS: Final = 4


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    state = view.screen_state
    shown = time_window.window(state, view.snap.t_ns)
    pages = _pages(view, max(1, (area.height - 2) // 4))
    title, names = pages[state.page % len(pages)]
    marks = view.history.marks(shown.since_ns, shown.until_ns)
    chart = area.width - 2 - _AXIS - 1
    _head(area, view, title, shown, _at_cursor(marks, shown, chart))
    lanes = len(names)
    if not lanes:
        area.say(2, 2, tr("This rig measures none of these. g shows the next group."), "base")
        return ()
    tall, spare = divmod(area.height - 3, lanes)
    y = 1
    for lane, name in enumerate(names):
        rows = tall + (1 if lane < spare else 0)
        _strip(area.part(1, y, area.width - 2, rows), view, name, shown)
        y += rows
    _mark_row(area.part(1, area.height - 2, chart, 1), marks, shown)
    _time_axis(area.part(1, area.height - 1, chart, 1), shown)
    for y in range(1, area.height):
        area.spot(y, f"{shown.since_ns} {shown.until_ns}", "time", 1, chart)
    return ()


def _pages(view: View, lanes: int) -> list[tuple[str, tuple[str, ...]]]:
    """The groups with the signals that this rig has, `lanes` strips to a page."""
    pages: list[tuple[str, tuple[str, ...]]] = []
    for group in GROUPS:
        names = [name for name in group.signals if view.value(name).validity is not Validity.NOT_FITTED]
        parts = [tuple(names[start : start + lanes]) for start in range(0, len(names), lanes)] or [()]
        counted = [f" {number}/{len(parts)}" if len(parts) > 1 else "" for number in range(1, len(parts) + 1)]
        pages += [(tr(group.name) + number, part) for number, part in zip(counted, parts, strict=True)]
    return pages


def _head(area: Area, view: View, title: str, shown: TimeWindow, mark: Mark | None) -> None:
    """Group and window; the cursor's time; at the right the alarm under it, or how far the record has been read."""
    state = view.screen_state
    words = (
        tr("the last {time}", time=span(state.span_s))
        if not state.until_ns
        else tr("{time} to {clock}", time=span(state.span_s), clock=clock(shown.until_ns))
    )
    x = area.say(1, 0, f"{title}: {words}", "strong")
    ago = (view.snap.t_ns - shown.cursor_ns) * 1e-9
    cursor = tr("cursor at {clock}", clock=clock(shown.cursor_ns))
    cursor += tr(", {time} ago", time=span(ago)) if ago > 0.0 else tr(" (now)")
    found = ""
    if mark is not None:
        _, severity, message = mark
        # The cursor's time gives way to the words of the alarm, those to its severity.
        choices = [f"{SHAPE[severity]} {words}" for words in (tr_record(message), signal_word(severity))]
        found = first_that_fits(choices, area.width - x - 4)
    if x + cell_len(cursor) + 4 + (cell_len(found) + 3 if found else 0) < area.width:
        x = area.put(x + 3, 0, cursor, "dim")
    if found and mark is not None:
        area.say(x + 3, 0, found, MARK_ROLE[mark[1]], area.width - x - 4)
    elif view.history.reads_past:
        area.put(
            x + 3, 0, first_that_fits((tr("reading the record"), tr("reading"), ""), max(0, area.width - x - 4)), "dim"
        )


def _at_cursor(marks: list[Mark], shown: TimeWindow, width: int) -> Mark | None:
    """The gravest alarm raised within the cursor's column."""
    near_ns = (shown.until_ns - shown.since_ns) / max(1, width)
    return max(
        (mark for mark in marks if abs(mark[0] - shown.cursor_ns) <= near_ns), key=lambda mark: mark[1], default=None
    )


def _column(t_ns: int, shown: TimeWindow, width: int) -> int:
    share = (t_ns - shown.since_ns) / (shown.until_ns - shown.since_ns)
    return max(0, min(width - 1, round(share * (width - 1))))


def _strip(area: Area, view: View, name: str, shown: TimeWindow) -> None:
    """One signal: its name and value at the cursor with its limits, and the curve under them."""
    units, history = view.units, view.history
    dimension = signal_dimension(name)
    until = shown.until_ns if view.screen_state.until_ns else None
    track = history.track(name, shown.span_s, until)
    number = reading(track, shown.back_s)
    slack = history.track("slack", shown.span_s, until)
    words = words_for(name, number, reading(slack, shown.back_s) >= 0.5)
    text = words or (units.text(number, dimension) if isfinite(number) else tr("unknown"))
    x = area.say(0, 0, signal_label(name), "dim", area.width - len(text) - 3)
    x = area.figure(x + 2, 0, text, "strong" if isfinite(number) else "caution")
    limits = _limits(view, name)
    chart = area.part(0, 1, area.width - _AXIS - 1, area.height - 1)
    track = believed_track(name, track)
    marks = history.track(STOP_MARK, shown.span_s, until) if name == "height" else None
    least = _LEAST_SPAN.get(dimension, 0.0)
    axis = plot.range_of(track, least=least)
    if axis is not None:
        beside = _NEAR * (axis.high - axis.low)
        near = (limit for _, limit, _ in limits if axis.low - beside <= limit <= axis.high + beside)
        axis = plot.range_of(track, *near, least=least)
    extra = (
        [tr("stop mark {figure}", figure=units.text(stop, "length"))]
        if marks and isfinite(stop := reading(marks, shown.back_s))
        else []
    )
    extra += [f"╌ {words} {units.text(limit, dimension)}" for words, limit, _ in limits]
    for part in extra:
        if x + len(part) + 3 <= area.width:
            x = area.figure(x + 3, 0, part, "dim")
    if axis is None:
        chart.say(0, 0, tr("nothing known in this time"), "dim")
    else:
        for _, limit, severity in limits:
            if axis.low <= limit <= axis.high:
                plot.level(chart, axis, limit, BAR_ROLE[severity])
        if marks is not None:
            plot.line(chart, marks, shown.span_s, axis, "dim")
        plot.line(chart, track, shown.span_s, axis, "strong")
        labels = area.part(area.width - _AXIS, 1, _AXIS, area.height - 1)
        plot.axis_labels(labels, axis, lambda value: units.number(value, dimension))
    if view.screen_state.cursor_ns:
        column = _column(shown.cursor_ns, shown, chart.width)
        for y in range(chart.height):
            chart.put(column, y, "│", "notice")


Limit = tuple[str, float, Severity]
_NEAR: Final = 0.25
"""A limit that lies so near to a curve, as a share of its span, is drawn with it."""


def _limits(view: View, name: str) -> list[Limit]:
    """What a signal is held against: words, number in SI, and how grave it is beyond."""
    rig = view.rig
    row = ROWS.get(name)
    if row is not None and row.judged == name and rig.has(*row.needs):
        side = tr("at most") if row.relation == "above" else tr("at least")
        limits = [(side, row.limit(rig), row.severity)]
        return limits if row.warning is None else [*limits, (tr("and"), row.warning(rig), Severity.WARNING)]
    if name == "height":
        return [
            (tr("lower"), rig.limits.lower_m, Severity.WARNING),
            (tr("upper"), rig.limits.upper_m, Severity.WARNING),
        ]
    if name == "speed":
        most = rig.limits.max_speed_m_s
        return [(tr("at most"), most, Severity.CAUTION), (tr("and"), -most, Severity.CAUTION)]
    return [(tr("least"), 0.0, Severity.WARNING)] if name in ("margin_down", "margin_up") else []


def reading(track: Track, back_s: float) -> float:
    """The value nearest to `back_s` seconds before the track's end; NaN when there is none within a few of its points."""
    if not track.t_s:
        return nan
    after = min(len(track.t_s) - 1, bisect_left(track.t_s, -back_s))
    at = min((max(0, after - 1), after), key=lambda index: abs(track.t_s[index] + back_s))
    usual = (track.t_s[-1] - track.t_s[0]) / max(1, len(track.t_s) - 1)
    return track.high[at] if abs(track.t_s[at] + back_s) <= max(1.0, 3.0 * usual) else nan


def _mark_row(area: Area, marks: list[Mark], shown: TimeWindow) -> None:
    """The alarms that were raised, on the time axis; of two in a column the graver."""
    area.put(0, 0, "─" * area.width, "frame")
    for t_ns, severity, _ in sorted(marks, key=lambda mark: mark[1]):
        area.put(_column(t_ns, shown, area.width), 0, SHAPE[severity], MARK_ROLE[severity])


def _time_axis(area: Area, shown: TimeWindow) -> None:
    """Clock times under the strips."""
    width = area.width
    marks = _MOST_LABELS if width >= 70 else 2
    for mark in range(marks + 1):
        label = clock(shown.since_ns + (shown.until_ns - shown.since_ns) * mark // marks)
        x = round(mark / marks * (width - 1)) - (0 if mark == 0 else len(label) if mark == marks else len(label) // 2)
        area.put(max(0, x), 0, label, "dim")


def _group(context: ScreenContext) -> None:
    context.set_screen_state(replace(context.screen_state(), page=context.screen_state().page + 1))


def _change(change: Callable[[ScreenState, int], ScreenState]) -> Callable[[ScreenContext], None]:
    def act(context: ScreenContext) -> None:
        snap = context.snapshot()
        if snap is not None:
            context.set_screen_state(change(context.screen_state(), snap.t_ns))

    return act


def _to_mark(context: ScreenContext, step: int) -> None:
    """The cursor to the alarm before or after it, of those that the screen has seen or read."""
    snap = context.snapshot()
    if snap is None:
        return
    state = context.screen_state()
    here = time_window.window(state, snap.t_ns).cursor_ns
    times = [mark[0] for mark in context.history.marks(0, snap.t_ns)]
    if step < 0:
        there = max((t_ns for t_ns in times if t_ns < here), default=None)
    else:
        there = min((t_ns for t_ns in times if t_ns > here), default=None)
    if there is None:
        context.say(tr("No earlier alarm is known here.") if step < 0 else tr("No later alarm is known here."))
    else:
        context.set_screen_state(time_window.cursor_to(state, snap.t_ns, there))


KEYS: tuple[Key, ...] = (
    Key("g", _group, "signals", "next signals"),
    Key(
        "left", _change(lambda state, now: time_window.cursor_by(state, now, -1)), "cursor", "cursor back, on", cap="←→"
    ),
    Key("right", _change(lambda state, now: time_window.cursor_by(state, now, 1)), "", "", footer=False, cap="→"),
    Key("plus", _change(lambda state, now: time_window.zoom(state, now, 1)), "zoom", "longer, shorter time", cap="+-"),
    Key("minus", _change(lambda state, now: time_window.zoom(state, now, -1)), "", "", footer=False, cap="-"),
    Key("e", _change(lambda state, now: time_window.pan(state, now, -0.5)), "earlier", "half a window back"),
    Key("l", _change(lambda state, now: time_window.pan(state, now, 0.5)), "later", "half a window on"),
    Key("m", lambda context: _to_mark(context, -1), "alarm", "cursor to the alarm before, after it", cap="mM"),
    Key("M", lambda context: _to_mark(context, 1), "", "", footer=False),
    Key("0", _change(lambda state, now: time_window.now(state)), "now", "back to the newest"),
)
