"""The signal that an alarm looks at: now against its threshold, and its last minute as a curve."""

from math import isfinite

from rich.cells import cell_len

from monitor.language import tr
from monitor.model.alarm import AlarmView
from monitor.model.reading import UNKNOWN, Validity, Value
from monitor.presentation.believed import believed_value
from monitor.presentation.format import NOT_KNOWN_WORDS, plain
from monitor.ui.drawing.canvas import Area, printable
from monitor.ui.drawing.theme import BAR_ROLE
from monitor.ui.history import believed_track
from monitor.ui.view import View
from monitor.ui.widgets import plot
from monitor.ui.widgets.labels import signal_dimension, signal_label, switch_words
from monitor.units import Dimension

WHY_S = 60.0
"""How much of the signal is shown, s."""


def draw(area: Area, view: View, alarm: AlarmView) -> None:
    """The signal's last minute and the threshold; in words where it has no curve."""
    if area.height < 1:
        return
    dimension = signal_dimension(alarm.signal)
    value: Value | None = view.snap.values.get(alarm.signal)
    label = signal_label(alarm.signal)
    words = switch_words(label)
    if value is None:  # of one sensor: the alarm knows it
        number = UNKNOWN if alarm.number is None else Value(alarm.number, Validity.VALID)
        value = believed_value(alarm.signal, number)
        kept = False
    else:
        kept = True
    if dimension == "switch":
        now = view.units.switch(value, *words)
        texts = [tr("{label}: now {now}", label=label, now=now), tr("now {now}", now=now), now]
    else:
        now, limit = _now_and_limit(view, value, alarm.threshold, dimension)
        told = (
            tr("now at the limit, {limit}", limit=limit)
            if now == limit != tr(NOT_KNOWN_WORDS)
            else tr("now {now}, limit {limit}", now=now, limit=limit)
        )
        texts = [f"{label}: {told}", told, tr("now {now}", now=now)]
    area.best(0, 0, [printable(text) for text in texts], "base")
    track = believed_track(alarm.signal, view.history.track(alarm.signal, WHY_S))
    extra = () if alarm.threshold is None else (alarm.threshold,)
    axis = plot.range_of(track, *extra)
    if axis is None or not track.t_s or area.height < 3:
        if area.height > 1:
            area.say(0, 1, "" if kept else tr("No curve: this signal is not kept over time."), "dim")
        return
    chart = area.part(0, 1, area.width - 11, area.height - 2)
    plot.line(chart, track, WHY_S, axis)
    if alarm.threshold is not None and dimension != "switch":
        plot.level(chart, axis, alarm.threshold, BAR_ROLE[alarm.severity])

    # In the unit of the words above it.
    shown = view.units.beside(value, alarm.threshold or 0.0, dimension)

    def axis_text(number: float) -> str:
        return words[number < 0.5] if dimension == "switch" else plain(shown.number(number), shown.decimals)

    plot.axis_labels(area.part(area.width - 10, 1, 10, area.height - 2), axis, axis_text)
    area.put(0, area.height - 1, tr("1 min ago"), "dim")
    area.put(chart.width - cell_len(tr("now")), area.height - 1, tr("now"), "dim")


def _now_and_limit(view: View, value: Value, threshold: float | None, dimension: Dimension) -> tuple[str, str]:
    """The signal and the threshold in one unit, told apart by as many decimals as that takes."""
    told = (value.known and isfinite(value.number)) or value.word
    if threshold is None:
        return (view.units.value(value, dimension) if told else tr(NOT_KNOWN_WORDS)), tr(NOT_KNOWN_WORDS)
    now, limit = view.units.apart(value, threshold, dimension)
    return (now if told else tr(NOT_KNOWN_WORDS)), limit
