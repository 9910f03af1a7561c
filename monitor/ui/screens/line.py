"""Line: what the drilling line is made of, what it carries now, and the work it has done."""

from math import nan
from typing import Literal

from monitor.config.optional_tables import ON_DRUM
from monitor.language import tr
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
        Section(tr("NOW"), tuple(_now(view))),
        Section(tr("WORK"), tuple(_work(view))),
        Section(tr("ON THE DRUM"), tuple(_drum(view))),
        Section(tr("THE LINE"), tuple(_line(view))),
        Section(tr("HEIGHT REFERENCE"), tuple(_reference(view))),
        Section(tr("HISTORY"), tuple(_events(view))),
    ]


def _now(view: View) -> list[Item]:
    units, minimum = view.units, view.rig.line.min_design_factor
    factor = view.value("design_factor")
    low = factor.known and factor.number < minimum
    role: Role = "caution" if low else "strong"
    hook = Item(tr("hook load"), ways(units.value(view.value("hook_load"), "force")), "strong")
    text = units.value(factor, "ratio")
    choices = (tr("△ {text} LOW", text=text),) if low and not factor.word else ways(text)
    share = minimum / factor.number if factor.known and factor.number > 0 else nan
    if not view.rig.has("line"):
        return [hook, Item(tr("fast line"), (tr(NOT_FITTED_WORD),), "dim")]
    return [
        hook,
        Item(tr("fast line"), ways(units.value(view.value("fast_line_tension"), "force")), "strong"),
        Item(tr("design factor"), choices, role, share),
        Item(tr("  at least"), (units.text(minimum, "ratio"),), "dim"),
    ]


def _work(view: View) -> list[Item]:
    return [
        *_energy(tr("since start"), view, "line_work"),
        *_energy(tr("since the cut"), view, "line_work_since_cut"),
        *_to_cut(view),
    ]


def _energy(label: str, view: View, signal: str) -> list[Item]:
    work = view.value(signal)
    if not work.known:
        return [Item(label, (view.units.value(work, "energy"),), "caution")]
    joules, miles = plain(work.number / 1e6, 0), plain(work.number / TON_MILE_J, 1)
    if view.units.system == "field":
        return [
            Item(label, (tr("{miles} ton-miles", miles=miles), miles), "strong"),
            Item(tr("  in MJ"), (joules,), "strong"),
        ]
    return [
        Item(label, ways(tr("{joules} MJ", joules=joules)), "strong"),
        Item(tr("  in ton-miles"), (miles,), "strong"),
    ]


def _to_cut(view: View) -> list[Item]:
    """What a cut would take off now; the site's cut-and-slip programme says when it is due."""
    length = view.value("line_to_cut")
    if length.validity is Validity.NOT_FITTED:
        words = (tr("no goal in the rig file"), tr("no goal")) if view.rig.has("line") else (tr(NOT_FITTED_WORD),)
        return [Item(tr("worn, to cut"), words, "dim")]
    role: Role = "strong" if length.known else "caution"
    return [Item(tr("worn, to cut"), ways(view.units.value(length, "length")), role)]


def _events(view: View) -> list[Item]:
    """Cuts, new lines and changes of reeving in the rig's ledger, newest first."""
    events = view.facts.line_events
    if not events:
        return [Item(tr("in the ledger"), (tr("nothing"), "-"), "dim")]
    return [Item(printable(when), (printable(text),), "base", free=True) for when, text in map(line_event, events)]


def _drum(view: View) -> list[Item]:
    units, drum = view.units, view.rig.drum
    if not view.rig.has("drum"):
        return [Item(tr("drum"), (tr(NOT_FITTED_WORD),), "dim")]
    turns, layer = view.value("turns"), view.value("layer")
    items = []
    if layer.validity is not Validity.NOT_FITTED:
        text = plain(layer.number, 0) if layer.known else units.value(layer, "count")
        items.append(
            Item(
                tr("layer"),
                (tr("{text} of {layers}", text=text, layers=drum.max_layers), text),
                "strong" if layer.known else "caution",
            )
        )
    if turns.validity is not Validity.NOT_FITTED:
        text = plain(turns.number, 1) if turns.known else units.value(turns, "count")
        items.append(Item(tr("wraps"), (text,), "strong" if turns.known else "caution"))
    items.append(Item(tr("wraps a layer"), (plain(drum.wraps_per_layer, 1),), "dim"))
    items.append(Item(tr("core diameter"), ways(_thick(view, drum.core_diameter_m, "length", 1)), "dim"))
    return items


def _thick(view: View, metres: float, dimension: Literal["length", ""], decimals: int) -> str:
    """A diameter: inches to `decimals` places in field units, else as a length, or in millimetres."""
    if view.units.system == "field":
        return tr("{metres} in", metres=plain(metres / FOOT_M * 12, decimals))
    return view.units.text(metres, dimension) if dimension else tr("{metres} mm", metres=plain(metres * 1e3, 1))


def _line(view: View) -> list[Item]:
    line, units = view.rig.line, view.units
    if not view.rig.has("line"):
        return [Item(tr("line"), (tr(NOT_FITTED_WORD),), "dim")]
    return [
        Item(tr("lines strung"), (str(line.lines),), "base"),
        Item(tr("diameter"), (_thick(view, line.rope_diameter_m, "", 3),), "base"),
        Item(tr("grade"), (line.grade,), "base"),
        Item(tr("breaking"), ways(units.text(line.breaking_strength_n, "force")), "base"),
    ]


def _reference(view: View) -> list[Item]:
    reference, units = view.rig.reference, view.units
    ready = view.snap.hoist in (HoistState.STILL, HoistState.IN_SLIPS)
    renew = Item(tr("to renew"), (tr("e: block still, height measured"), tr("press e")), "base" if ready else "dim")
    if not view.rig.has(*ON_DRUM):
        return [Item(tr("wraps at a height"), (tr(NOT_FITTED_WORD),), "dim"), renew]
    wraps = tr("{turns} wraps", turns=plain(reference.turns, 1))
    both = tr(
        "{turns} wraps at {figure}", turns=plain(reference.turns, 1), figure=units.text(reference.height_m, "length")
    )
    return [
        Item(tr("rig file says"), (both, wraps), "base"),
        renew,
        Item(tr("after a cut"), (tr("c: wraps at the reference"), tr("press c")), "base" if ready else "dim"),
    ]  # fmt: skip


def _cut(context: ScreenContext) -> None:
    """Wraps on the drum at the reference height after a cut and slip."""
    rig = context.driver.rig
    if not rig.has(*ON_DRUM):
        context.say(tr("Not fitted: the rig's file has no drum, line and reference."))
        return
    if refused_while_moving(context):
        return
    least, most = rig.drum.dead_wraps, rig.drum.wraps_per_layer * rig.drum.max_layers

    def take(text: str) -> None:
        turns = number_of(text)
        if turns is None or not least < turns <= most:
            context.say(
                tr(
                    "Not taken: give the wraps on the drum, above {least}, at most {most}.",
                    least=plain(least, 1),
                    most=plain(most, 0),
                )
            )
            return
        words = tr("{turns} wraps", turns=plain(turns, 1))

        def act() -> None:
            crew.act(context, ActionKind.SLIP_AND_CUT, tr("Cut and slip recorded: {words}.", words=words), number=turns)

        explain = tr(
            "{words} (rig file: {turns}). The line's work since the cut starts anew.",
            words=words,
            turns=plain(rig.reference.turns, 1),
        )
        confirm(context, tr("Cut and slip"), explain, act)

    explain = tr(
        "Wraps on the drum (dead wraps included) with the block at the reference height, counted after the cut."
    )
    crew.run(context, lambda: context.ask(tr("Cut and slip"), explain, NUMBER, 8, take))


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
