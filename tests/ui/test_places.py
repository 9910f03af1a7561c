"""Every figure has one place, whatever happens: whole scenarios are walked through, and the places compared."""

import re
from collections.abc import Iterator
from functools import cache

import pytest

from monitor.config.rig_file import find_rig
from monitor.model.snapshot import HoistState, Snapshot
from monitor.presentation.format import SI
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.frame.act import rows_of_glyphs
from monitor.ui.frame.banner import TEXT_ROWS
from monitor.ui.page import draw_page
from monitor.ui.screens import SCREENS, ScreenSpec
from monitor.ui.view import View, without_unknown_motion
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
from tests.ui.pages import SIZES

SCENARIOS = ("late-brake-floor", "pressure-loss", "overtravel-test")
STEP_NS = 2_000_000_000
DRIVE_WORDS = (
    "HEIGHT", "SPEED", "ROOM UP", "ROOM DOWN", "LOAD", "BRAKE", "HOLDING", "OIL", "DISCS", "reach", "margin", "allowed",
    "overrun", "passing", "reaches", "string", "lever", "release", "emergency", "applications", "auxiliary share",
    "crown", "upper", "lower",
)  # fmt: skip
BRAKES_WORDS = (
    "HOLDING", "SERVICE BRAKE", "HOW IT BRAKES", "HYDRAULICS", "AUXILIARY BRAKE", "HEAT", "OVERTRAVEL DEVICE",
    "circuit 1", "circuit 2", "lower / higher", "effectiveness", "response", "accumulator", "applications", "leak",
    "torque", "descent share", "coolant", "modelled", "difference", "electric",
)  # fmt: skip


@cache
def walked(name: str) -> tuple[Snapshot, ...]:
    """Snapshots of a scenario: every two seconds, and whenever something was found."""
    scenario = find_scenario(name)
    source = PlantSource(find_rig(scenario.rig), scenario, 1)
    core = shipped_core(source.rig)

    def look() -> Iterator[Snapshot]:
        next_ns = 0
        for item in source.items():
            if core.feed(item) or core.now_ns >= next_ns:
                next_ns = core.now_ns + STEP_NS
                yield core.snapshot()

    # Before the first grid point nothing has told what this rig has not.
    return tuple(look())[1:]


def drawn(name: str, spec: ScreenSpec, size: tuple[int, int]) -> Iterator[tuple[Snapshot, Canvas]]:
    rig = find_rig(find_scenario(name).rig)
    for snap in walked(name):
        yield snap, draw_page(View(snap, rig, "LIVE"), spec, *size)


def body(canvas: Canvas) -> list[str]:
    """The rows between the banner and the line that tells of the data."""
    top = 1 + TEXT_ROWS + rows_of_glyphs(canvas.width, canvas.height)
    return ["".join(char or " " for char in row) for row in canvas.chars[top:-2]]


def places(rows: list[str], word: str) -> list[tuple[int, int]]:
    found = re.compile(rf"(?<![\w/]){re.escape(word)}(?![\w/])")
    return [(match.start(), y) for y, row in enumerate(rows) for match in found.finditer(row)]


def test_the_walks_see_what_they_are_for() -> None:
    snaps = [snap for name in SCENARIOS for snap in walked(name)]
    assert {snap.hoist for snap in snaps} >= {
        HoistState.HOISTING,
        HoistState.LOWERING,
        HoistState.STILL,
        HoistState.IN_SLIPS,
    }
    signals = {alarm.signal for snap in snaps for alarm in snap.alarms}
    assert {"margin_down", "fully_margin_down", "pressure_shortfall"} <= signals


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("name", SCENARIOS)
def test_every_figure_of_drive_keeps_its_place(name: str, size: tuple[int, int]) -> None:
    seen: dict[str, tuple[int, int]] = {}
    figures: dict[str, set[tuple[int, int]]] = {}
    for snap, canvas in drawn(name, SCREENS[0], size):
        rows = body(canvas)
        for word in DRIVE_WORDS:
            for place in places(rows, word)[:1]:
                assert seen.setdefault(word, place) == place, (word, snap.hoist)
        moving = without_unknown_motion(snap)
        for signal, dimension, signed in (
            ("height", "length", False), ("speed", "speed", True), ("room_up", "length", False), ("room_down", "length", False),
        ):  # fmt: skip
            text = SI.figure(moving.value(signal), dimension, signed)  # type: ignore[arg-type]
            at = [place for figure, place in zip(canvas.figures, canvas.figures_at, strict=True) if figure == text]
            if text is not None and at:
                # Two figures may read alike: of the places of this one some must be the same throughout.
                figures[signal] = figures.get(signal, set(at)) & set(at)
                assert figures[signal], (signal, text, snap.hoist)
    assert {"HEIGHT", "SPEED", "LOAD", "BRAKE", "HOLDING"} <= seen.keys()
    assert {"height", "speed", "room_up", "room_down"} == figures.keys()


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 50)], ids=str)
def test_every_figure_of_brakes_keeps_its_place(size: tuple[int, int]) -> None:
    seen: dict[str, tuple[int, int]] = {}
    for snap, canvas in drawn("pressure-loss", SCREENS[1], size):
        rows = body(canvas)
        for word in BRAKES_WORDS:
            # The rows stand left of the causes, whose evidence names them again.
            for place in sorted(places(rows, word))[:1]:
                assert seen.setdefault(word, place) == place, (word, snap.hoist)
    assert len(seen) > 10


@pytest.mark.parametrize("size", [(60, 20), (80, 24), (120, 40), (200, 60)], ids=str)
def test_the_word_to_act_on_stands_in_the_same_cells_on_every_screen(size: tuple[int, int]) -> None:
    """And takes no row from anything: what lies below begins in the same row with and without it."""
    rig = find_rig(find_scenario("late-brake-floor").rig)
    snaps = [snap for snap in walked("late-brake-floor") if any(alarm.signal == "margin_down" for alarm in snap.alarms)]
    assert snaps
    glyphs = rows_of_glyphs(*size)
    for snap in snaps[:3]:
        strips = set()
        for spec in SCREENS:
            canvas = draw_page(View(snap, rig, "LIVE"), spec, *size)
            strips.add("\n".join("".join(row) for row in canvas.chars[2 : 2 + glyphs]))
        assert len(strips) == 1
        assert sum(char in "█▀▄" for char in strips.pop()) > 40
