"""Brakes: what each of them can do now, what it did last, what feeds it; and of the chosen row what is likely wrong and what to
do about it."""

from dataclasses import replace
from math import nan
from typing import Final

from monitor.language import tr
from monitor.model.alarm import Severity
from monitor.model.reading import Validity
from monitor.presentation.brake_causes import ROWS, severity
from monitor.presentation.format import NOT_FITTED_WORD, ways
from monitor.ui.drawing.canvas import BLANK, Area, first_that_fits
from monitor.ui.drawing.theme import TEXT_ROLE, Role, marked, unmarked
from monitor.ui.keys.key import Key, ScreenContext
from monitor.ui.keys.list_keys import SECTION_KEYS
from monitor.ui.queries import no_service_brake
from monitor.ui.view import View
from monitor.ui.widgets import brake_detail, sections
from monitor.ui.widgets.brake_ratio import friction_part, ratio, ratio_role
from monitor.ui.widgets.labels import device_words, signal_label, switch_words
from monitor.ui.widgets.sections import Item, Section
from monitor.units import Dimension

TITLE = "Brakes"
HELP = "what each brake can do; of the chosen row verdict, likely causes, where to look first, and its guided check"
_BESIDE: Final = 110
"""Columns from which on the chosen row's detail stands beside the rows; below, enter shows it in their place."""


"""In a section of which this rig has nothing."""

_PAGE_WORDS: Final = 24
"""Columns at the right of the last row that tell which page it is."""


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    area, groups = sections.sift(area, contents(view), view.screen_state)
    rows = {item.id: item for group in groups for item in group.items if item.id}
    chosen = view.screen_state.chosen if view.screen_state.chosen in rows else _worst(view, tuple(rows))
    order = tuple(rows)
    if chosen and chosen != view.screen_state.chosen:  # the cursor starts on what is wrong
        order = (chosen, *(name for name in rows if name != chosen))
    if chosen and view.screen_state.page % 2:
        brake_detail.draw(area.part(1, 0, area.width - 2, area.height), view, chosen, rows[chosen])
        return order
    if area.width < _BESIDE:
        sections.draw(area, groups, chosen)
        last = area.canvas.chars[area.top + area.height - 1][area.left : area.left + area.width - _PAGE_WORDS]
        if chosen and all(char == BLANK for char in last):
            words, role = brake_detail.verdict(view, chosen)
            room = area.width - _PAGE_WORDS - 1
            area.say(1, area.height - 1, first_that_fits((words, words.partition(":")[0]), room), role, room)
        return order
    side = max(78, area.width * 3 // 5)
    sections.draw(area.part(0, 0, side, area.height), groups, chosen)
    if chosen:
        for y in range(area.height):
            area.put(side, y, "│", "frame")
        brake_detail.draw(area.part(side + 2, 0, area.width - side - 3, area.height), view, chosen, rows[chosen])
    return order


def _worst(view: View, names: tuple[str, ...]) -> str:
    """The gravest row whose verdict is bad, of equals the first; else the first; empty where there is none."""
    return max(names, key=lambda name: _severity(view, name) or 0, default="")


def _severity(view: View, name: str) -> Severity | None:
    """How the row of the signal `name` stands out; None where it does not."""
    return severity(ROWS[name], view.snap.values, view.rig)


def contents(view: View) -> list[Section]:
    """All sections; those of which this rig has nothing say so."""
    groups = (
        (tr("HOLDING"), _holding(view)),
        (tr("SERVICE BRAKE"), _service(view)),
        (tr("HOW IT BRAKES"), _behaviour(view)),
        (tr("HYDRAULICS"), _hydraulics(view)),
        (tr("AUXILIARY BRAKE"), _auxiliary(view)),
        (tr("HEAT"), _heat(view)),
        (tr("OVERTRAVEL DEVICE"), _overtravel(view)),
    )
    return [
        Section(title, tuple(item for item in items if item is not None) or (Item(tr(NOT_FITTED_WORD), ("",), "dim"),))
        for title, items in groups
    ]


def _item(
    view: View,
    label: str,
    name: str,
    dimension: Dimension,
    full: float = nan,
    mark: float | None = None,
    fine: bool = False,
) -> Item | None:
    """A signal as a row; None where it is not fitted. `full` fills the bar; a bad verdict makes it stand out."""
    value = view.value(name)
    if value.validity is Validity.NOT_FITTED:
        return None
    text = view.units.fine(value, dimension) if fine else view.units.value(value, dimension)
    role: Role = "strong" if value.known else "caution"
    choices = ways(text)
    grave = _severity(view, name)
    if grave is not None:
        choices, role = tuple(marked(words, grave) for words in choices), TEXT_ROLE[grave]
    share = value.number / full if value.known and not value.word and full == full and full > 0 else nan
    return Item(label, choices, role, share, mark, id=name)


def _switch(view: View, label: str, name: str, on: str, off: str) -> Item | None:
    """The same of a switch."""
    value, grave = view.value(name), _severity(view, name)
    if value.validity is Validity.NOT_FITTED:
        return None
    text = view.units.switch(value, on, off)
    if grave is not None:
        return Item(label, (marked(text, grave),), TEXT_ROLE[grave], id=name)
    return Item(label, (text,), "strong" if value.known else "caution", id=name)


def _holding(view: View) -> list[Item | None]:
    braking = view.rig.braking
    items: list[Item | None] = []
    for label, name, minimum in (
        (tr("service"), "holding_ratio", braking.min_holding_ratio),
        (tr("emergency"), "emergency_ratio", braking.min_emergency_ratio),
    ):
        value = view.value(name)
        if value.validity is Validity.NOT_FITTED:
            continue
        share = value.number / (3 * minimum) if value.known and not value.word and minimum > 0 else nan
        text = ratio(name, value, minimum)
        judged: tuple[str, ...] = (
            f"{text} ({tr('at least')} {view.units.text(minimum, 'ratio')})",
            text,
            text.removesuffix(tr(" LOW")),
        )
        role = ratio_role(name, value, minimum)
        if name == "holding_ratio" and no_service_brake(view.snap):
            judged, role = tuple(marked(unmarked(words), Severity.DANGER) for words in judged), "danger"
        items.append(Item(label, ways(text) if value.word else judged, role, share, 1 / 3, id=name))
    items.append(_item(view, tr("springs, reach"), "emergency_reach", "length"))
    items.append(_item(view, tr("load on rating"), "load_over_rating", "fraction", 1.0))
    return items


def _service(view: View) -> list[Item | None]:
    full = view.rig.brake.full_pressure_pa if view.rig.has("brake") else nan
    return [
        _item(view, tr("lever"), "brake_lever", "fraction", 1.0),
        _item(view, tr("circuit 1"), "service_pressure_1", "pressure", full),
        _item(view, tr("circuit 2"), "service_pressure_2", "pressure", full),
        _item(view, tr("lower / higher"), "circuit_ratio", "fraction", 1.0),
        _item(view, tr("missing"), "pressure_shortfall", "fraction"),
    ]


_SURE_ENOUGH: Final = 0.10
"""99 % bound of the effectiveness from which on a check is worth its time; one after the brake stop test is about so."""


def _effectiveness(view: View) -> list[Item | None]:
    """The effectiveness and its 99 % bound; and where that is wide, what the crew can do about it."""
    value, bound = view.value("effectiveness"), view.value("effectiveness_bound")
    item = _item(view, tr("effectiveness"), "effectiveness", "fraction", 1.0)
    if item is None or not (value.known and bound.known) or value.word or bound.word:
        return [item]
    within = view.units.value(bound, "fraction")
    surer = replace(item, choices=(f"{item.choices[0]} ±{within}", *item.choices))
    if bound.number <= _SURE_ENOUGH:
        return [surer]
    return [
        surer,
        Item(tr("  surer by"), (tr("brake stop test (Checks)"), tr("brake stop test"), tr("stop test")), "dim"),
    ]


def _behaviour(view: View) -> list[Item | None]:
    return [
        *_effectiveness(view),
        _item(view, tr("response"), "response_time", "time"),
        _item(view, tr("creep when set"), "creep", "speed", fine=True),
        _item(view, tr("lost to heat"), "fade", "fraction", 1.0),
    ]


def _hydraulics(view: View) -> list[Item | None]:
    oil = view.rig.hydraulics
    known = view.rig.has("hydraulics")
    full, mark = (oil.max_pressure_pa, oil.min_pressure_pa / oil.max_pressure_pa) if known else (nan, None)
    return [
        _item(view, tr("accumulator"), "accumulator_pressure", "pressure", full, mark),
        _item(view, tr("applications"), "applications_left", "count"),
        _item(view, tr("leak"), "leak_rate", "pressure rate"),
        _item(view, tr("release"), "emergency_release_pressure", "pressure", full),
    ]


def _auxiliary(view: View) -> list[Item | None]:
    return [
        _item(view, tr("current"), "aux_current", "current"),
        _item(view, tr("torque"), "aux_torque", "torque"),
        _item(view, tr("descent share"), "aux_share", "fraction", 1.0),
        _item(view, tr("coolant"), "coolant_temperature", "temperature"),
    ]


def _heat(view: View) -> list[Item | None]:
    braking, part = view.rig.braking, friction_part(view)
    known = view.rig.has("braking")
    full, mark = (braking.fade_full_c, braking.fade_onset_c / braking.fade_full_c) if known else (nan, None)
    items = [
        _item(view, label, name, "temperature", full, mark)
        for label, name in (
            (tr("{part} left", part=part), "disc_temperature_left"),
            (tr("{part} right", part=part), "disc_temperature_right"),
            (tr("modelled"), "disc_modelled"),
        )
    ]
    return [*items, _item(view, tr("difference"), "disc_difference", "temperature difference")]


def _overtravel(view: View) -> list[Item | None]:
    items: list[Item | None] = []
    for label, name in ((tr("electric"), "overtravel_electric"), (tr("air"), "overtravel_air")):
        items.append(_switch(view, label, name, *switch_words(signal_label(name))))
    items.append(_switch(view, tr("test"), "overtravel_untested", tr("DUE"), tr("not due")))
    items.append(Item(tr("set at"), ways(device_words(view)), "dim"))
    items.append(_item(view, tr("room to it"), "overtravel_room", "length"))
    return items


def _turn(context: ScreenContext) -> None:
    """Rows, or the chosen row's detail alone."""
    state = context.screen_state()
    context.set_screen_state(replace(state, page=(state.page + 1) % 2))


def _open_check(context: ScreenContext) -> None:
    """Show Checks with the cursor on the check that settles the chosen row."""
    row = ROWS.get(context.screen_state().chosen)
    snap = context.snapshot()
    check = next((entry for entry in snap.checks if row is not None and entry.id == row.check), None) if snap else None
    if check is None:
        context.say(tr("This rig offers no guided check for the chosen row."))
        return
    context.open_named("checks")
    context.set_screen_state(replace(context.screen_state(), chosen=check.id))


KEYS: tuple[Key, ...] = (
    Key("enter", _turn, "causes", "causes of the chosen row alone, or all rows again"),
    Key("g", _open_check, "its check", "open the guided check that settles the chosen row"),
    *SECTION_KEYS,
)
