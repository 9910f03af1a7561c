"""Line: what the drilling line is made of, what it carries now, and the work it has done."""

from math import nan
from typing import Literal

from monitor.config.optional_tables import ON_DRUM
from monitor.model.reading import Validity
from monitor.model.snapshot import HoistState
from monitor.model.stream import ActionKind
from monitor.presentation.figures import line_event
from monitor.presentation.format import NOT_FITTED_WORD, plain, ways
from monitor.ui.drawing.canvas import Area, printable
from monitor.ui.drawing.theme import Role
from monitor.ui.keys import crew
from monitor.ui.keys.height_reference import NUMBER, confirm, number_of, refused_while_moving, set_height
from monitor.ui.keys.key import Key, ScreenContext
from monitor.ui.keys.list_keys import EVERYTHING, FILTER, SEARCH
from monitor.ui.view import View
from monitor.ui.widgets import sections
from monitor.ui.widgets.sections import Item, Section
from monitor.units import FOOT_M, TON_MILE_J

TITLE = "Line"
HELP = "drilling line: load, design factor, work; height reference and cut and slip"


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    return sections.searched(area, contents(view), view.screen_state)


def contents(view: View) -> list[Section]:
    """All sections."""
    return [
        Section("NOW", tuple(_now(view))),
        Section("WORK", tuple(_work(view))),
        Section("ON THE DRUM", tuple(_drum(view))),
        Section("THE LINE", tuple(_line(view))),
        Section("HEIGHT REFERENCE", tuple(_reference(view))),
        Section("HISTORY", tuple(_events(view))),
    ]


def _now(view: View) -> list[Item]:
    units, minimum = view.units, view.rig.line.min_design_factor
    factor = view.value("design_factor")
    low = factor.known and factor.number < minimum
    role: Role = "caution" if low else "strong"
    hook = Item("hook load", ways(units.value(view.value("hook_load"), "force")), "strong")
    text = units.value(factor, "ratio")
    choices = (f"△ {text} LOW",) if low and not factor.word else ways(text)
    share = minimum / factor.number if factor.known and factor.number > 0 else nan
    if not view.rig.has("line"):
        return [hook, Item("fast line", (NOT_FITTED_WORD,), "dim")]
    return [
        hook,
        Item("fast line", ways(units.value(view.value("fast_line_tension"), "force")), "strong"),
        Item("design factor", choices, role, share),
        Item("  at least", (units.text(minimum, "ratio"),), "dim"),
    ]


def _work(view: View) -> list[Item]:
    return [
        *_energy("since the start", view, "line_work"),
        *_energy("since the cut", view, "line_work_since_cut"),
        *_to_cut(view),
    ]


def _energy(label: str, view: View, signal: str) -> list[Item]:
    work = view.value(signal)
    if not work.known:
        return [Item(label, (view.units.value(work, "energy"),), "caution")]
    joules, miles = plain(work.number / 1e6, 0), plain(work.number / TON_MILE_J, 1)
    if view.units.system == "field":
        return [Item(label, (f"{miles} ton-miles", miles), "strong"), Item("  in MJ", (joules,), "strong")]
    return [Item(label, ways(f"{joules} MJ"), "strong"), Item("  in ton-miles", (miles,), "strong")]


def _to_cut(view: View) -> list[Item]:
    """What a cut would take off now; the site's cut-and-slip programme says when it is due."""
    length = view.value("line_to_cut")
    if length.validity is Validity.NOT_FITTED:
        words = ("no goal in the rig file", "no goal") if view.rig.has("line") else (NOT_FITTED_WORD,)
        return [Item("worn, to cut", words, "dim")]
    role: Role = "strong" if length.known else "caution"
    return [Item("worn, to cut", ways(view.units.value(length, "length")), role)]


def _events(view: View) -> list[Item]:
    """Cuts, new lines and changes of reeving in the rig's ledger, newest first."""
    events = view.facts.line_events
    if not events:
        return [Item("in the ledger", ("nothing", "-"), "dim")]
    return [Item(printable(when), (printable(text),), "base", free=True) for when, text in map(line_event, events)]


def _drum(view: View) -> list[Item]:
    units, drum = view.units, view.rig.drum
    if not view.rig.has("drum"):
        return [Item("drum", (NOT_FITTED_WORD,), "dim")]
    turns, layer = view.value("turns"), view.value("layer")
    items = []
    if layer.validity is not Validity.NOT_FITTED:
        text = plain(layer.number, 0) if layer.known else units.value(layer, "count")
        items.append(Item("layer", (f"{text} of {drum.max_layers}", text), "strong" if layer.known else "caution"))
    if turns.validity is not Validity.NOT_FITTED:
        text = plain(turns.number, 1) if turns.known else units.value(turns, "count")
        items.append(Item("wraps", (text,), "strong" if turns.known else "caution"))
    items.append(Item("wraps per layer", (plain(drum.wraps_per_layer, 1),), "dim"))
    items.append(Item("core diameter", ways(_thick(view, drum.core_diameter_m, "length", 1)), "dim"))
    return items


def _thick(view: View, metres: float, dimension: Literal["length", ""], decimals: int) -> str:
    """A diameter: inches to `decimals` places in field units, else as a length, or in millimetres."""
    if view.units.system == "field":
        return f"{plain(metres / FOOT_M * 12, decimals)} in"
    return view.units.text(metres, dimension) if dimension else f"{plain(metres * 1e3, 1)} mm"


def _line(view: View) -> list[Item]:
    line, units = view.rig.line, view.units
    if not view.rig.has("line"):
        return [Item("line", (NOT_FITTED_WORD,), "dim")]
    return [
        Item("lines strung", (str(line.lines),), "base"),
        Item("diameter", (_thick(view, line.rope_diameter_m, "", 3),), "base"),
        Item("grade", (line.grade,), "base"),
        Item("breaking", ways(units.text(line.breaking_strength_n, "force")), "base"),
    ]


def _reference(view: View) -> list[Item]:
    reference, units = view.rig.reference, view.units
    ready = view.snap.hoist in (HoistState.STILL, HoistState.IN_SLIPS)
    renew = Item("to renew", ("e: block still, height measured", "press e"), "base" if ready else "dim")
    if not view.rig.has(*ON_DRUM):
        return [Item("wraps at a height", (NOT_FITTED_WORD,), "dim"), renew]
    return [
        Item("rig file says", (f"{plain(reference.turns, 1)} wraps at {units.text(reference.height_m, 'length')}",
                               f"{plain(reference.turns, 1)} wraps"), "base"),
        renew,
        Item("after a cut", ("c: wraps at the reference", "press c"), "base" if ready else "dim"),
    ]  # fmt: skip


def _cut(context: ScreenContext) -> None:
    """Wraps on the drum at the reference height after a cut and slip."""
    rig = context.driver.rig
    if not rig.has(*ON_DRUM):
        context.say("Not fitted: the rig's file has no drum, line and reference.")
        return
    if refused_while_moving(context):
        return
    least, most = rig.drum.dead_wraps, rig.drum.wraps_per_layer * rig.drum.max_layers

    def take(text: str) -> None:
        turns = number_of(text)
        if turns is None or not least < turns <= most:
            context.say(f"Not taken: give the wraps on the drum, above {plain(least, 1)}, at most {plain(most, 0)}.")
            return
        words = f"{plain(turns, 1)} wraps"

        def act() -> None:
            crew.act(context, ActionKind.SLIP_AND_CUT, f"Cut and slip recorded: {words}.", number=turns)

        explain = f"{words} (rig file: {plain(rig.reference.turns, 1)}). The line's work since the cut starts anew."
        confirm(context, "Cut and slip", explain, act)

    explain = "Wraps on the drum (dead wraps included) with the block at the reference height, counted after the cut."
    crew.run(context, lambda: context.ask("Cut and slip", explain, NUMBER, 8, take))


KEYS: tuple[Key, ...] = (
    Key("e", set_height, "set height", "tell the monitor the block's true height now", where="live"),
    SEARCH,
    Key(
        "c",
        _cut,
        "cut and slip",
        "tell the monitor of a cut and slip: wraps on the drum at the reference height",
        where="live",
    ),
    FILTER,
    EVERYTHING,
)
