"""Trends: the last minutes to hours of a group of signals, one strip each, with a cursor that reads them off."""

from dataclasses import dataclass, replace
from math import isfinite, nan

from monitor.model.reading import Validity
from monitor.presentation.believed import words_for
from monitor.presentation.format import clock, span
from monitor.ui.drawing.canvas import Area
from monitor.ui.drawing.theme import Role
from monitor.ui.history import Track, believed_track
from monitor.ui.keys.key import Key, ScreenContext
from monitor.ui.view import View
from monitor.ui.widgets import plot
from monitor.ui.widgets.labels import signal_dimension, signal_label

TITLE = "Trends"
HELP = "signals over the last minutes to hours, with a cursor"
SPANS_S = (60.0, 300.0, 900.0, 3600.0, 10_800.0)


@dataclass(frozen=True, slots=True)
class Group:
    """Signals that are read together."""

    name: str
    signals: tuple[str, ...]


GROUPS = (
    Group("Motion", ("height", "speed", "margin_down", "margin_up")),
    Group("Load", ("hook_load", "height", "speed", "design_factor")),
    Group("Brake", ("service_pressure_1", "service_pressure_2", "brake_lever", "speed")),
    Group("Heat", ("disc_temperature_left", "disc_temperature_right", "coolant_temperature", "aux_share")),
    Group("Oil", ("accumulator_pressure", "emergency_release_pressure", "applications_left", "leak_rate")),
    Group("Condition", ("effectiveness", "response_time", "holding_ratio", "circuit_ratio")),
)


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    state = view.screen_state
    group = GROUPS[state.page % len(GROUPS)]
    names = [name for name in group.signals if view.value(name).validity is not Validity.NOT_FITTED]
    at = clock(view.snap.t_ns - int(state.back_s * 1e9))
    head = f"{group.name}: the last {span(state.span_s)}"
    x = area.say(1, 0, head, "strong")
    cursor = f"cursor at {at}" + (f", {span(state.back_s)} ago" if state.back_s else " (now)")
    if x + len(cursor) + 4 < area.width:
        area.put(x + 3, 0, cursor, "dim")
    lanes = max(1, min(len(names), (area.height - 1) // 4)) if names else 0
    if not lanes:
        area.say(2, 2, "This rig measures none of these. g shows the next group.", "base")
        return ()
    tall, spare = divmod(area.height - 2, lanes)
    y = 1
    for lane, name in enumerate(names[:lanes]):
        rows = tall + (1 if lane < spare else 0)
        _strip(area.part(1, y, area.width - 2, rows), view, name)
        y += rows
    _time_axis(area.part(1, area.height - 1, area.width - 2, 1), view)
    return ()


_AXIS = 10


def _strip(area: Area, view: View, name: str) -> None:
    """One signal: its name and value at the cursor, and the curve under them."""
    state, units = view.screen_state, view.units
    dimension = signal_dimension(name)
    track = view.history.track(name, state.span_s)
    number = reading(track, state.back_s)
    slack = view.history.track("slack", state.span_s)
    words = words_for(name, number, reading(slack, state.back_s) >= 0.5)
    text = words or (units.text(number, dimension) if isfinite(number) else "unknown")
    x = area.say(0, 0, signal_label(name), "dim", area.width - len(text) - 3)
    area.figure(x + 2, 0, text, "strong" if isfinite(number) else "caution")
    chart = area.part(0, 1, area.width - _AXIS - 1, area.height - 1)
    track = believed_track(name, track)
    axis = plot.range_of(track)
    if axis is None:
        chart.say(0, 0, "nothing known in this time", "dim")
        return
    role: Role = "strong"
    plot.line(chart, track, state.span_s, axis, role)
    plot.axis_labels(
        area.part(area.width - _AXIS, 1, _AXIS, area.height - 1), axis, lambda value: units.number(value, dimension)
    )
    if state.back_s:
        column = round((1 - state.back_s / state.span_s) * (chart.width - 1))
        for y in range(chart.height):
            chart.put(column, y, "│", "notice")


def reading(track: Track, back_s: float) -> float:
    """The value nearest to `back_s` seconds before now; NaN when there is none within a twentieth of the track."""
    if not track.t_s:
        return nan
    at = min(range(len(track.t_s)), key=lambda index: abs(track.t_s[index] + back_s))
    slack = max(1.0, 0.05 * (track.t_s[-1] - track.t_s[0]))
    return track.high[at] if abs(track.t_s[at] + back_s) <= slack else nan


def _time_axis(area: Area, view: View) -> None:
    """Clock times under the strips."""
    width = area.width - _AXIS - 1
    marks = 4 if width >= 70 else 2
    for mark in range(marks + 1):
        back_s = view.screen_state.span_s * (1 - mark / marks)
        label = clock(view.snap.t_ns - int(back_s * 1e9))
        x = round(mark / marks * (width - 1)) - (0 if mark == 0 else len(label) if mark == marks else len(label) // 2)
        area.put(max(0, x), 0, label, "dim")


def _group(context: ScreenContext) -> None:
    context.set_screen_state(replace(context.screen_state(), page=context.screen_state().page + 1))


def _span(context: ScreenContext, step: int) -> None:
    state = context.screen_state()
    here = SPANS_S.index(state.span_s) if state.span_s in SPANS_S else 1
    span_s = SPANS_S[max(0, min(len(SPANS_S) - 1, here + step))]
    context.set_screen_state(replace(state, span_s=span_s, back_s=min(state.back_s, span_s)))


def _cursor(context: ScreenContext, step: int) -> None:
    state = context.screen_state()
    context.set_screen_state(
        replace(
            state,
            back_s=max(0.0, min(state.span_s, state.back_s - step * state.span_s / 60)),
        )
    )


KEYS: tuple[Key, ...] = (
    Key("g", _group, "group", "next group of signals"),
    Key("plus", lambda context: _span(context, 1), "longer", "look further back", cap="+"),
    Key("minus", lambda context: _span(context, -1), "shorter", "look less far back", cap="-"),
    Key("left", lambda context: _cursor(context, -1), "cursor", "cursor back in time, toward now", cap="←→"),
    Key("right", lambda context: _cursor(context, 1), "", "", footer=False, cap="→"),
)
