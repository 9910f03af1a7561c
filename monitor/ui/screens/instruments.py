"""Instruments: every sensor with its value, age, rate, and why its readings are not used, if they are not."""

from dataclasses import dataclass
from math import inf, isfinite

from monitor.language import msgid, tr
from monitor.model.reading import Validity, Value
from monitor.model.snapshot import SensorView
from monitor.presentation.believed import believed_value
from monitor.presentation.format import plain, span, ways
from monitor.ui.drawing.canvas import Area, name_that_fits, printable, wrapped
from monitor.ui.drawing.theme import SEVERITY_OF, Role
from monitor.ui.keys.key import Key
from monitor.ui.keys.list_keys import LIST_KEYS
from monitor.ui.view import View
from monitor.ui.widgets import listing
from monitor.ui.widgets.labels import quantity_dimension, quantity_label, switch_words

TITLE = "Instruments"
HELP = "every sensor: value, age, rate, agreement with the estimate, refusals"
KEYS: tuple[Key, ...] = LIST_KEYS


@dataclass(frozen=True, slots=True)
class _Column:
    """One column: heading, width, and from which area width on it is shown."""

    head: str
    width: int
    from_width: int


_COLUMNS = (
    _Column(msgid("value"), 14, 0),
    _Column(msgid("age"), 8, 0),
    _Column(msgid("per s"), 7, 64),
    _Column(msgid("latency"), 9, 78),
    _Column(msgid("off by"), 14, 96),
    _Column(msgid("test"), 7, 110),
    _Column(msgid("used"), 9, 120),
    _Column(msgid("refused"), 9, 120),
)


_WORST_FIRST = (msgid("△ SILENT"), msgid("△ REFUSED"), msgid("△ RANGE"), msgid("△ drift"), msgid("· good"))


def state(sensor: SensorView) -> tuple[str, Role]:
    """A sensor's state: shape and word, the key of both."""
    if sensor.stale:
        return _WORST_FIRST[0], "caution"
    if sensor.rejecting:
        return _WORST_FIRST[1], "caution"
    if sensor.out_of_range:
        return _WORST_FIRST[2], "caution"
    if sensor.diagnosis:
        return _WORST_FIRST[3], "caution"
    return _WORST_FIRST[4], "dim"


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    sensors = view.snap.sensors
    if not sensors:
        area.say(2, 1, tr("This rig has no sensor."), "warning")
        return ()
    rows_of_list = [_entry(view, sensor) for sensor in sensors]
    found = listing.arranged(rows_of_list, view.screen_state, SORTED_BY)
    listing.texts(area, rows_of_list)
    area = listing.head(area, found)
    by_id = {sensor.id: sensor for sensor in sensors}
    sensors = tuple(by_id[id] for id in found.ids)
    if not sensors:
        return ()
    chosen = next((index for index, sensor in enumerate(sensors) if sensor.id == view.screen_state.chosen), 0)
    detail = 4 if area.height < 22 else 6
    rows = min(len(sensors), area.height - detail - 2)
    columns = [column for column in _COLUMNS if area.width >= column.from_width]
    name_width = min(24, area.width - 13 - sum(column.width for column in columns))
    first = listing.first_row(chosen, len(sensors), rows, below=1)
    _heads(area, columns, name_width)
    for y, sensor in enumerate(sensors[first : first + rows], 1):
        _row(area, y, view, sensor, columns, name_width, first + y - 1 == chosen)
    below = area.part(1, rows + 1, area.width - 2, detail + 1)
    below.rule(0, title=name_that_fits(sensors[chosen].id, area.width - 8))
    if first + rows < len(sensors):
        below.right(below.width - 1, 0, tr(" {sensors} more ↓ ", sensors=len(sensors) - first - rows), "notice")
    _detail(below.part(1, 1, below.width - 2, below.height - 1), view, sensors[chosen])
    return tuple(sensor.id for sensor in sensors)


SORTED_BY = (msgid("state"), msgid("sensor"), msgid("value"), msgid("age"), msgid("refused"))
"""Columns that the list can be sorted by: the worst state, the oldest reading, the most refused first."""


def _entry(view: View, sensor: SensorView) -> listing.Row:
    """A sensor as the list searches, sorts and copies it."""
    words, role = state(sensor)
    severity = SEVERITY_OF.get(role)
    cells = [f"{tr(head)} {choices[0]}" for head, choices in _cells(view, sensor).items() if choices[0]]
    text = f"{sensor.id}: {tr(words)}; {quantity_label(sensor.quantity)}; {', '.join(cells)}"
    text += "".join(f"; {more}" for more in (sensor.last_reason, sensor.diagnosis) if more)
    number = sensor.value.number if sensor.value.known and isfinite(sensor.value.number) else inf
    order = (float(_WORST_FIRST.index(words)), sensor.id, number, -sensor.age_s, -float(sensor.rejected))
    return listing.Row(
        sensor.id, printable(tr("{text}; topic {topic}", text=text, topic=_topic(view, sensor))), severity, order
    )


def _heads(area: Area, columns: list[_Column], name_width: int) -> None:
    area.put(2, 0, tr("sensor"), "dim")
    x = 2 + name_width + 11
    for column in columns:
        area.put(x + column.width - len(tr(column.head)), 0, tr(column.head), "dim")
        x += column.width


def _cells(view: View, sensor: SensorView) -> dict[str, tuple[str, ...]]:
    """Texts of a row by heading: choices, longest first."""
    dimension = quantity_dimension(sensor.quantity)
    units = view.units
    if dimension == "switch":
        value: tuple[str, ...] = (units.switch(sensor.value, *switch_words(quantity_label(sensor.quantity))),)
    else:
        text = units.value(believed_value(sensor.quantity, sensor.value), dimension)
        value = ways(text)
    # Innovations are those of position sensors: lengths, whatever the sensor counts.
    off = (
        "" if sensor.innovation is None else units.fine(Value(sensor.innovation, Validity.VALID), "length", signed=True)
    )
    return {
        "value": value,
        "age": (span(sensor.age_s),),
        "per s": (plain(sensor.rate_hz, 1),),
        "latency": ("" if sensor.latency_s is None else tr("{latency} ms", latency=plain(sensor.latency_s * 1e3, 0)),),
        "off by": ways(off),
        "test": ("" if sensor.test_ratio is None else plain(sensor.test_ratio, 2),),
        "used": (plain(float(sensor.fused), 0) if sensor.fused else "",),
        "refused": (plain(float(sensor.rejected), 0),),
    }


def _row(
    area: Area, y: int, view: View, sensor: SensorView, columns: list[_Column], name_width: int, chosen: bool
) -> None:
    area.spot(y, sensor.id)
    if chosen:
        area.put(0, y, " " * area.width, "select")
    words, role = state(sensor)
    area.put(0, y, "›" if chosen else " ", "select" if chosen else "base")
    area.put(2, y, name_that_fits(sensor.id, name_width - 1), "select" if chosen else "base")
    area.put(2 + name_width, y, tr(words), "select" if chosen and role == "dim" else role)
    x = 2 + name_width + 11
    cells = _cells(view, sensor)
    cell_role: Role = "select" if chosen else "strong" if sensor.value.known else "caution"
    for column in columns:
        text = next((choice for choice in cells[column.head] if len(choice) < column.width), "")
        area.put(x + column.width - len(text), y, text, cell_role if column.head == "value" or chosen else "base")
        x += column.width


def _detail(area: Area, view: View, sensor: SensorView) -> None:
    """The chosen sensor in sentences."""
    unit = tr(" in {unit}", unit=sensor.unit) if sensor.unit else ""
    lines = [
        tr(
            "{quantity}{unit}; topic {topic}",
            quantity=quantity_label(sensor.quantity),
            unit=unit,
            topic=_topic(view, sensor),
        )
    ]
    counts = tr("{fused} used, ", fused=sensor.fused) if sensor.fused else ""
    lines.append(
        tr("{counts}{rejected} refused", counts=counts, rejected=sensor.rejected)
        + (tr("; last: {last_reason}", last_reason=sensor.last_reason) if sensor.last_reason else "")
    )
    if sensor.test_ratio is not None and isfinite(sensor.test_ratio):
        lines[-1] += tr("; test {test_ratio} (above 1 is refused)", test_ratio=plain(sensor.test_ratio, 2))
    if sensor.diagnosis:
        lines.append(sensor.diagnosis)
    y = 0
    for line in lines:
        for part in wrapped(printable(line), area.width, area.height - y):
            area.put(0, y, part, "base")
            y += 1


def _topic(view: View, sensor: SensorView) -> str:
    return next((view.rig.topic(entry) for entry in view.rig.sensors if entry.id == sensor.id), tr("not configured"))
