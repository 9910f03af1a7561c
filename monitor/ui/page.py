"""One page: the frame around a screen's body, drawn on a canvas. The only thing the terminal widget and the tests
call."""

from dataclasses import replace

from monitor.config.rig import Rig
from monitor.language import tr
from monitor.presentation.believed import believed
from monitor.presentation.format import UNKNOWN_WORD, signal_word, ways
from monitor.presentation.in_language import in_language
from monitor.runtime.driver import Mode
from monitor.ui.acts import asks_for_an_act
from monitor.ui.drawing.canvas import BLANK, Area, Canvas, first_that_fits, wrapped
from monitor.ui.drawing.theme import FILL_ROLE, SHAPE, Role
from monitor.ui.frame.act import act_in_words, rows_of_glyphs
from monitor.ui.frame.banner import TEXT_ROWS, banner
from monitor.ui.frame.data_line import data_line
from monitor.ui.frame.footer import footer, keys_or_message
from monitor.ui.frame.top_bar import ADVISORY, top_bar
from monitor.ui.queries import height, motion_words, no_service_brake, returned, standing
from monitor.ui.screens import ScreenSpec
from monitor.ui.view import FROZEN_S, View, without_unknown_motion
from monitor.ui.widgets.machine import brake_in_words

SMALLEST = (60, 20)
"""Columns and rows below which the page asks for a larger window instead of a layout with holes."""


def draw_page(view: View, spec: ScreenSpec, width: int, height: int) -> Canvas:
    """The whole screen as characters and roles."""
    view = replace(view, snap=in_language(believed(without_unknown_motion(view.snap))))
    canvas = Canvas(width, height)
    area = canvas.area
    if width < SMALLEST[0] or height < SMALLEST[1]:
        _too_small(area, view)
        return canvas
    glyphs = rows_of_glyphs(width, height)
    rows = TEXT_ROWS + glyphs
    top_bar(area.part(0, 0, width, 1), view, tr(spec.name))
    banner(area.part(0, 1, width, rows), view, glyphs)
    gap = 0 if height < 30 else 1
    if gap:
        area.part(1, 1 + rows, width - 2, 1).rule(0)
    top = 1 + rows + gap
    bottom = height - 2 - (1 if height >= 30 else 0)
    canvas.places = spec.draw(area.part(0, top, width, bottom - top), view)
    data_line(area.part(0, height - 2, width, 1), view)
    footer(area.part(0, height - 1, width, 1), view)
    if no_service_brake(view.snap):
        _all_round(canvas)
    return canvas


def _all_round(canvas: Canvas) -> None:
    """A frame of danger round everything, for what concerns every screen: top bar, both sides, data line."""
    last = canvas.height - 2
    for y in (0, last):
        canvas.roles[y] = ["fill_danger"] * canvas.width
    for y in range(1, last):
        for x in (0, canvas.width - 1):
            canvas.chars[y][x], canvas.roles[y][x] = BLANK, "fill_danger"


def _too_small(area: Area, view: View) -> None:
    """One screen for a window too small for any other: the worst alarm, what to do, and the figures that matter, a row each, as
    many as fit; then how large the window should be."""
    snap, units = view.snap, view.units
    alarms = standing(snap)
    said: list[tuple[str, Role]] = []
    # Words of an alarm may take what the six figures and the advice leave, one row at least.
    most = max(1, area.height - 8)
    if view.frozen_s > FROZEN_S:
        stopped = wrapped(tr("◆ MONITOR STOPPED: figures are old"), area.width, most)
        said = [(line, "fill_danger") for line in stopped]
    elif alarms:
        worst = alarms[0]
        over = returned(worst)
        role = "fill_notice" if over else FILL_ROLE[worst.severity]
        head = f"{SHAPE[worst.severity]} {signal_word(worst.severity)}{tr(' (gone)') if over else ''}"
        lines = wrapped(f"{head} {worst.message}", area.width, most)
        # Cut off in the middle it says less than what to do, which follows.
        said = [(line, role) for line in ([head] if lines[-1].endswith("…") else lines)]
        if asks_for_an_act(worst):
            said.append((act_in_words(snap, units, worst), role))
    speed, up, down = snap.value("speed"), snap.value("room_up"), snap.value("room_down")
    motion = f"{tr(motion_words(snap))} {units.value(speed, 'speed', signed=True) if speed.known else ''}"
    height_words = tr("HEIGHT {figure}", figure=units.value(height(snap), "length"))
    above, below = units.value(up, "length"), units.value(down, "length")
    rooms = (
        tr("ROOM ↑ {figure}  ↓ {figure_2}", figure=above, figure_2=below),
        f"↑ {above}  ↓ {below}",
        f"↑{ways(above)[-1]} ↓{below}",
    )
    figures = (
        (height_words.replace(tr(UNKNOWN_WORD), tr("UNKNOWN")),),
        (motion, tr(motion_words(snap))),
        rooms,
        (tr("LOAD {figure}", figure=units.value(snap.value("hook_load"), "force")),),
        *((f"{label} {text}", text) for label, text in brake_in_words(view)),
    )
    said += [(first_that_fits(choices, area.width), "strong") for choices in figures]
    for y, (text, role) in enumerate(said[: max(0, area.height - 1)]):
        if role.startswith("fill"):
            area.put(0, y, " " * area.width, role)
        area.say(0, y, text, role)
    advice = (
        tr(
            "{advisory}. Make it {columns} by {rows} or more (it is {width} by {height}).",
            advisory=tr(ADVISORY),
            columns=SMALLEST[0],
            rows=SMALLEST[1],
            width=area.width,
            height=area.height,
        ),
        tr("{advisory}. Make it {columns} by {rows}.", advisory=tr(ADVISORY), columns=SMALLEST[0], rows=SMALLEST[1]),
        tr(ADVISORY),
    )
    area.put(0, area.height - 1, first_that_fits(advice, area.width))


def draw_waiting(rig: Rig, mode: Mode, width: int, height: int, message: str = "") -> Canvas:
    """Before the first input there is nothing to show, and that is what it says."""
    canvas = Canvas(width, height)
    area = canvas.area
    area.part(0, 0, width, 1).fill("title")
    area.say(
        1,
        0,
        tr("STOPMARK · {title} · {mode} · {advisory}", title=rig.title, mode=tr(mode), advisory=tr(ADVISORY)),
        "title",
    )
    area.say(2, 2, tr("Waiting for the first reading."), "strong")
    area.say(
        2,
        4,
        tr(
            "Expected: {sensors} sensors, the first on topic {topic}.",
            sensors=len(rig.sensors),
            topic=rig.topic(rig.sensors[0]),
        ),
    )
    area.say(2, 5, tr("`stopmark check` with --rig and --broker tells which topics are alive."), "dim")
    keys_or_message(
        area.part(0, height - 1, width, 1), message, ((("q", tr("quit (press twice)")), ("?", tr("help"))),)
    )
    return canvas
