"""Load, brake and hydraulics in brief: a row each of label, bar and values. Every value has its own column, so that none moves
when another one gets longer or goes."""

from dataclasses import dataclass
from math import nan

from monitor.language import tr, tr_n
from monitor.model.alarm import Severity
from monitor.model.reading import Validity, Value
from monitor.presentation.format import ways, word
from monitor.ui.drawing.canvas import Area
from monitor.ui.drawing.theme import Role, marked, unmarked
from monitor.ui.queries import no_service_brake
from monitor.ui.view import View
from monitor.ui.widgets import bars
from monitor.ui.widgets.brake_ratio import ratio, ratio_role
from monitor.units import Dimension

_LABEL = 11
"""Columns of the labels."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One value. `width` is what it takes at most, the gap to the next one included."""

    text: str
    role: Role
    width: int


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the machine's state. `share` fills the bar (NaN: empty), `mark` is the tick on it."""

    label: str
    cells: tuple[Cell, ...]
    share: float = nan
    mark: float | None = None
    role: Role = "bar"


def rows(area: Area, view: View) -> None:
    """As many rows as have room, most important first."""
    shown = [row for row in (_load(view), _brake(view), _holding(view), _oil(view), _discs(view)) if row is not None]
    spare = area.height - len(shown)
    y = 1 if spare > 0 else 0
    step = 2 if spare > len(shown) else 1
    bar = 22 if area.width >= 80 else 14 if area.width >= 70 else 0
    for row in shown:
        if y >= area.height:
            return
        area.put(0, y, row.label, "dim")
        x = _LABEL
        if bar:
            bars.level(area, x, y, bar, row.share, row.role, row.mark)
            x += bar + 3
        for cell in row.cells:
            if cell.text and x + len(cell.text) <= area.width:
                x = max(area.put(x, y, cell.text, cell.role) + 2, x + cell.width)
            else:
                x += cell.width
        y += step


def in_a_row(area: Area, view: View) -> None:
    """Load, brake pressures and holding in one row, where there is no more room than that."""
    third = ((0, 17), (17, 22), (39, area.width - 39))
    service = _holding(view).cells[0]
    wanted: tuple[tuple[str, tuple[str, ...], Role], ...] = (
        (tr("LOAD"), ways(_load(view).cells[0].text), "strong"),
        (tr("BRAKE"), (_brake(view).cells[0].text, *_pressures(view)[1:]), _brake(view).cells[0].role),
        (
            tr("HOLDING"),
            (service.text, service.text.removesuffix(tr(" LOW")), *ways(unmarked(service.text))),
            service.role,
        ),
    )
    for (x, width), (label, choices, role) in zip(third, wanted, strict=True):
        part = area.part(x, 0, width - 1, 1)
        part.best(part.put(0, 0, label, "dim") + 1, 0, choices, role)


def brake_in_words(view: View) -> tuple[tuple[str, str], ...]:
    """Pressures and holding, each with its label."""
    return (tr("BRAKE"), _brake(view).cells[0].text), (tr("HOLDING"), _holding(view).cells[0].text)


def _share(value: Value, full: float) -> float:
    return value.number / full if value.known and not value.word and full > 0 else nan


def _load(view: View) -> Row:
    snap, units = view.snap, view.units
    slack, string = snap.value("slack"), snap.value("string_load")
    cells = (
        Cell(units.value(snap.value("hook_load"), "force"), "strong", 12),
        Cell(tr("string {figure}", figure=units.value(string, "force")) if string.known else "", "dim", 19),
        Cell(tr("△ SLACK LINE") if slack.known and slack.number >= 0.5 else "", "caution", 14),
    )
    share = _share(snap.value("load_over_rating"), 1.0)
    return Row(tr("LOAD"), cells, share, None, "bar_warning" if share > 1 else "bar")


def _brake(view: View) -> Row:
    snap, units = view.snap, view.units
    lever = snap.value("brake_lever")
    one, two = snap.value("service_pressure_1"), snap.value("service_pressure_2")
    release = snap.value("emergency_release_pressure")
    fitted = lever.validity is not Validity.NOT_FITTED
    lost = no_service_brake(snap)
    cells = (
        Cell(f"◆ {_pressures(view)[0]}" if lost else _pressures(view)[0], "danger" if lost else "strong", 17),
        Cell(tr("lever {figure}", figure=units.value(lever, "fraction")) if fitted else "", "base", 13),
        Cell(
            tr("release {figure}", figure=units.text(release.number, "pressure")) if release.known else "", "base", 18
        ),
    )
    weaker = min(one.number, two.number) if one.known and two.known else nan
    return Row(tr("BRAKE"), cells, weaker / view.rig.brake.full_pressure_pa if view.rig.has("brake") else nan)


def _pressures(view: View) -> tuple[str, ...]:
    """Both circuits' pressures, with their unit and without, and with marks for what is no figure."""
    snap, units = view.snap, view.units
    one, two = snap.value("service_pressure_1"), snap.value("service_pressure_2")
    first = units.figure(one, "pressure") or word(one)
    second = units.figure(two, "pressure") or word(two)
    if not (one.known or two.known) and first == second:
        return (first,)
    marks = [
        units.figure(value, "pressure") or ("?" if value.validity is Validity.INVALID else "–") for value in (one, two)
    ]
    return f"{first} / {second} {units.label('pressure')}", f"{first}/{second}", "/".join(marks)


def _holding(view: View) -> Row:
    braking, snap = view.rig.braking, view.snap
    service, emergency = snap.value("holding_ratio"), snap.value("emergency_ratio")
    minimum = braking.min_holding_ratio
    if service.validity is Validity.NOT_FITTED:
        return Row(tr("HOLDING"), (Cell(word(service), "dim", 14),))
    text = ratio("holding_ratio", service, minimum)
    role = ratio_role("holding_ratio", service, minimum)
    if no_service_brake(snap):
        text, role = marked(unmarked(text), Severity.DANGER), "danger"
    cells: tuple[Cell, ...] = (Cell(text, role, 14),)
    if emergency.validity is not Validity.NOT_FITTED and not (service.word and service.word == emergency.word):
        least = braking.min_emergency_ratio
        words = ratio("emergency_ratio", emergency, least)
        cells += (Cell(tr("emergency {words}", words=words), ratio_role("emergency_ratio", emergency, least), 24),)
    # The tick of the required ratio stands at a third of the bar: beyond three times that, more says nothing.
    share = _share(service, 3 * minimum)
    return Row(tr("HOLDING"), cells, share, 1 / 3, "bar_warning" if share < 1 / 3 else "bar")


def _oil(view: View) -> Row:
    snap, units, oil = view.snap, view.units, view.rig.hydraulics
    pressure, left = snap.value("accumulator_pressure"), snap.value("applications_left")
    number = units.number(left.number, "count")
    one = number == "1"
    stored = tr_n("{number:>2} application left", "{number:>2} applications left", 1 if one else 2, number=number)
    cells = (
        Cell(units.value(pressure, "pressure"), "base", 12),
        Cell(stored if left.known else "", "base", 22),
    )
    if not view.rig.has("hydraulics"):
        return Row(tr("OIL"), cells)
    low = pressure.known and pressure.number < oil.min_pressure_pa
    share = _share(pressure, oil.max_pressure_pa)
    return Row(tr("OIL"), cells, share, oil.min_pressure_pa / oil.max_pressure_pa, "bar_warning" if low else "bar")


def _discs(view: View) -> Row | None:
    snap, units, braking = view.snap, view.units, view.rig.braking
    left, right = snap.value("disc_temperature_left"), snap.value("disc_temperature_right")
    aux = snap.value("aux_share")
    fitted = [value for value in (left, right, aux) if value.validity is not Validity.NOT_FITTED]
    if not fitted:
        return None
    wanted: tuple[tuple[str, Value, Dimension, int], ...] = (
        (tr("L"), left, "temperature", 11),
        (tr("R"), right, "temperature", 11),
        (tr("auxiliary share"), aux, "fraction", 22),
    )
    cells = tuple(
        Cell(f"{name} {units.value(value, dimension)}" if value in fitted else "", "base", width)
        for name, value, dimension, width in wanted
    )
    label = tr("RIMS") if view.rig.brake.kind == "band" else tr("DISCS")
    if not view.rig.has("braking"):
        return Row(label, cells)
    hotter = max((value.number for value in (left, right) if value.known), default=nan)
    hot = hotter > braking.fade_onset_c
    mark = braking.fade_onset_c / braking.fade_full_c
    return Row(label, cells, hotter / braking.fade_full_c, mark, "bar_warning" if hot else "bar")
