"""Brakes: what each of them can do now, what it did last, and what feeds it."""

from dataclasses import replace
from math import nan
from typing import Final

from monitor.model.reading import Validity, Value
from monitor.presentation.format import NOT_FITTED_WORD, ways
from monitor.ui.drawing.canvas import Area
from monitor.ui.drawing.theme import Role
from monitor.ui.keys.key import Key
from monitor.ui.queries import no_service_brake
from monitor.ui.view import View
from monitor.ui.widgets import sections
from monitor.ui.widgets.brake_ratio import friction_part, ratio, ratio_role
from monitor.ui.widgets.labels import device_words, signal_label, switch_words
from monitor.ui.widgets.sections import Item, Section
from monitor.units import Dimension

TITLE = "Brakes"
HELP = "circuits, holding, effectiveness, heat, auxiliary brake, hydraulics, overtravel device"
KEYS: tuple[Key, ...] = ()


_NONE: Final = Item(NOT_FITTED_WORD, ("",), "dim")
"""In a section of which this rig has nothing."""


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    return sections.draw(area, contents(view), view.screen_state.chosen)


def contents(view: View) -> list[Section]:
    """All sections; those of which this rig has nothing say so."""
    groups = (
        ("HOLDING", _holding(view)),
        ("SERVICE BRAKE", _service(view)),
        ("HOW IT BRAKES", _behaviour(view)),
        ("HYDRAULICS", _hydraulics(view)),
        ("AUXILIARY BRAKE", _auxiliary(view)),
        ("HEAT", _heat(view)),
        ("OVERTRAVEL DEVICE", _overtravel(view)),
    )
    return [Section(title, tuple(item for item in items if item is not None) or (_NONE,)) for title, items in groups]


def _item(
    view: View,
    label: str,
    name: str,
    dimension: Dimension,
    full: float = nan,
    mark: float | None = None,
    bad: bool = False,
    fine: bool = False,
) -> Item | None:
    """A signal as a row; None where it is not fitted. `full` fills the bar, `bad` makes it stand out."""
    value = view.value(name)
    if value.validity is Validity.NOT_FITTED:
        return None
    text = view.units.fine(value, dimension) if fine else view.units.value(value, dimension)
    role: Role = "strong" if value.known else "caution"
    choices = ways(text)
    if bad:
        choices, role = tuple(f"▲ {words}" for words in choices), "warning"
    share = value.number / full if value.known and not value.word and full == full and full > 0 else nan
    return Item(label, choices, role, share, mark)


def _above(value: Value, limit: float) -> bool:
    return value.known and value.number > limit


def _below(value: Value, limit: float) -> bool:
    return value.known and value.number < limit


def _holding(view: View) -> list[Item | None]:
    braking = view.rig.braking
    items: list[Item | None] = []
    for label, name, minimum in (
        ("service", "holding_ratio", braking.min_holding_ratio),
        ("emergency", "emergency_ratio", braking.min_emergency_ratio),
    ):
        value = view.value(name)
        if value.validity is Validity.NOT_FITTED:
            continue
        share = value.number / (3 * minimum) if value.known and not value.word and minimum > 0 else nan
        text = ratio(value, minimum)
        judged: tuple[str, ...] = (
            f"{text} (at least {view.units.text(minimum, 'ratio')})",
            text,
            text.removesuffix(" LOW"),
        )
        role = ratio_role(value, minimum)
        if label == "service" and no_service_brake(view.snap):
            judged, role = tuple(f"◆ {words.removeprefix('▲ ')}" for words in judged), "danger"
        items.append(Item(label, ways(text) if value.word else judged, role, share, 1 / 3))
    items.append(_item(view, "springs, reach", "emergency_reach", "length"))
    items.append(_item(view, "load on rating", "load_over_rating", "fraction", 1.0))
    return items


def _service(view: View) -> list[Item | None]:
    full = view.rig.brake.full_pressure_pa if view.rig.has("brake") else nan
    unequal = _below(view.value("circuit_ratio"), 0.8)
    return [
        _item(view, "lever", "brake_lever", "fraction", 1.0),
        _item(view, "circuit 1", "service_pressure_1", "pressure", full),
        _item(view, "circuit 2", "service_pressure_2", "pressure", full),
        _item(view, "lower / higher", "circuit_ratio", "fraction", 1.0, bad=unequal),
        _item(view, "missing", "pressure_shortfall", "fraction", bad=_above(view.value("pressure_shortfall"), 0.3)),
    ]


_SURE_ENOUGH: Final = 0.10
"""99 % bound of the effectiveness from which on a check is worth its time; one after the brake stop test is about so."""


def _effectiveness(view: View) -> list[Item | None]:
    """The effectiveness and its 99 % bound; and where that is wide, what the crew can do about it."""
    value, bound = view.value("effectiveness"), view.value("effectiveness_bound")
    item = _item(view, "effectiveness", "effectiveness", "fraction", 1.0, bad=_below(value, 0.7))
    if item is None or not (value.known and bound.known) or value.word or bound.word:
        return [item]
    within = view.units.value(bound, "fraction")
    surer = replace(item, choices=(f"{item.choices[0]} ±{within}", *item.choices))
    if bound.number <= _SURE_ENOUGH:
        return [surer]
    return [surer, Item("  surer by", ("brake stop test (Checks)", "brake stop test", "stop test"), "dim")]


def _behaviour(view: View) -> list[Item | None]:
    return [
        *_effectiveness(view),
        _item(view, "response", "response_time", "time"),
        _item(view, "creep when set", "creep", "speed", fine=True),
        _item(view, "lost to heat", "fade", "fraction", 1.0),
    ]


def _hydraulics(view: View) -> list[Item | None]:
    oil = view.rig.hydraulics
    known = view.rig.has("hydraulics")
    low = known and _below(view.value("accumulator_pressure"), oil.min_pressure_pa)
    full, mark = (oil.max_pressure_pa, oil.min_pressure_pa / oil.max_pressure_pa) if known else (nan, None)
    return [
        _item(view, "accumulator", "accumulator_pressure", "pressure", full, mark, low),
        _item(view, "applications", "applications_left", "count"),
        _item(view, "leak", "leak_rate", "pressure rate"),
        _item(view, "release pressure", "emergency_release_pressure", "pressure", full),
    ]


def _auxiliary(view: View) -> list[Item | None]:
    idle = _above(view.value("aux_missing"), 0.5)
    hot = _above(view.value("coolant_over"), 0.0)
    return [
        _item(view, "current", "aux_current", "current", bad=idle),
        _item(view, "torque", "aux_torque", "torque"),
        _item(view, "share of descent", "aux_share", "fraction", 1.0),
        _item(view, "coolant", "coolant_temperature", "temperature", bad=hot),
    ]


def _heat(view: View) -> list[Item | None]:
    braking, part = view.rig.braking, friction_part(view)
    known = view.rig.has("braking")
    full, mark = (braking.fade_full_c, braking.fade_onset_c / braking.fade_full_c) if known else (nan, None)
    items = [
        _item(view, label, name, "temperature", full, mark, known and _above(view.value(name), braking.fade_onset_c))
        for label, name in (
            (f"{part} left", "disc_temperature_left"),
            (f"{part} right", "disc_temperature_right"),
            ("modelled", "disc_modelled"),
        )
    ]
    return [*items, _item(view, "difference", "disc_difference", "temperature difference")]


def _overtravel(view: View) -> list[Item | None]:
    items: list[Item | None] = []
    for label, name in (("electric", "overtravel_electric"), ("air", "overtravel_air")):
        value = view.value(name)
        if value.validity is Validity.NOT_FITTED:
            continue
        tripped = _above(value, 0.5)
        text = view.units.switch(value, *switch_words(signal_label(name)))
        items.append(Item(label, (f"▲ {text}" if tripped else text,), "warning" if tripped else "strong"))
    due = view.value("overtravel_untested")
    if due.known:
        overdue = due.number >= 0.5
        items.append(Item("test", ("▲ DUE" if overdue else "not due",), "warning" if overdue else "strong"))
    items.append(Item("set at", ways(device_words(view)), "dim"))
    items.append(_item(view, "room to it", "overtravel_room", "length"))
    return items
