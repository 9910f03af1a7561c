"""What the driller takes from the screen at one look: no figure that is not known, none that runs into another."""

from dataclasses import replace
from itertools import pairwise
from types import MappingProxyType

import pytest

from monitor.core.checks_overtravel import OVERTRAVEL
from monitor.core.types import CheckReading, CheckStepView, Health, HoistState, Snapshot, Validity, Value
from monitor.ui.canvas import Canvas
from monitor.ui.format import System, Units
from monitor.ui.page import draw_page
from monitor.ui.screens import SCREENS, ScreenSpec
from monitor.ui.view import View
from monitor.ui.widgets import digits
from tests.ui import sample
from tests.ui.walk import app_with, shown

FIGURES = {(60, 20): 1, (80, 24): 2, (100, 30): 2, (120, 40): 3, (180, 50): 4, (200, 50): 4}
"""Size of the large figures by the terminal's."""
SIZES = tuple(FIGURES)
RIG = sample.rig()
DRIVE, TRENDS = SCREENS[0], SCREENS[4]


def page(snap: Snapshot, spec: ScreenSpec = DRIVE, size: tuple[int, int] = (80, 24), **changes: object) -> Canvas:
    return draw_page(replace(View(snap, RIG, "LIVE"), **changes), spec, *size)  # type: ignore[arg-type]


def never_seen_moving() -> Snapshot:
    """Before the first reading: the estimate of the speed is next to nought, with a bound that says nothing."""
    snap = sample.height_unknown()
    nought = Value(0.07, Validity.DEGRADED)
    return replace(snap, values=MappingProxyType({**snap.values, "speed": nought, "acceleration": nought}))


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_no_speed_is_shown_while_the_motion_is_unknown(size: tuple[int, int]) -> None:
    canvas = page(never_seen_moving(), size=size)
    assert "MOTION UNKNOWN" in canvas.text()
    assert "SPEED UNKNOWN" in canvas.text()
    assert not [figure for figure in canvas.figures if "0.07" in figure]


async def test_trends_keep_no_speed_of_an_unknown_motion() -> None:
    snap = never_seen_moving()
    app, driver, _ = app_with(snap)
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("5", "u")
        driver.held = replace(snap, t_ns=snap.t_ns + sample.SECOND)
        app.tick()
        await pilot.pause()
        assert "block speed  unknown" in shown(app)
        assert "0.07 m/s" not in shown(app)


def test_a_known_motion_keeps_its_degraded_speed() -> None:
    snap = sample.degraded()
    assert snap.hoist is not HoistState.UNKNOWN
    assert "−0.80" in page(snap).figures


def columns_of(canvas: Canvas, word: str) -> int:
    line = next(line for line in canvas.text().splitlines() if word in line)
    return line.index(word)


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("system", ["si", "field"])
@pytest.mark.parametrize(("height_m", "speed_m_s"), [(38.1, 0.0), (38.1, 0.4), (30.37, -1.42), (30.37, 1.5)])
def test_height_and_speed_are_told_apart(
    size: tuple[int, int], system: System, height_m: float, speed_m_s: float
) -> None:
    """As large as each other, and further apart than the digits of one figure."""
    units, large = Units(system), FIGURES[size]
    snap = replace(sample.calm(), values=sample.values(height=height_m, speed=speed_m_s))
    canvas = page(snap, size=size, units=units)
    start = columns_of(canvas, "HEIGHT") + digits.width_of(units.number(height_m, "length"), large)
    speed = columns_of(canvas, "SPEED")
    gap = digits.width_of("00", large) - 2 * digits.width_of("0", large)
    assert speed - start >= 2 * gap
    assert speed + digits.width_of(units.number(speed_m_s, "speed", signed=True), large) <= size[0]
    assert large_rows(canvas, start - 2) == digits.rows_of(large)


def large_rows(canvas: Canvas, before: int) -> int:
    """Rows of the large figure that ends in column `before`."""
    rows = canvas.chars[first_row(canvas, "HEIGHT") : first_row(canvas, "±")]
    return sum(any(char in "█▀▄" for char in row[columns_of(canvas, "HEIGHT") : before]) for row in rows)


def first_row(canvas: Canvas, word: str) -> int:
    return next(y for y, line in enumerate(canvas.text().splitlines()) if word in line)


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (120, 40)], ids=str)
def test_limits_have_their_names_beside_the_mast(size: tuple[int, int]) -> None:
    text = page(sample.calm(), size=size).text()
    assert "upper" in text
    assert "lower" in text
    assert "crown" in text


def test_bars_of_neighbouring_rows_do_not_run_into_one() -> None:
    canvas = page(sample.still(), SCREENS[1], (120, 40))
    for above, below in pairwise(canvas.chars):
        assert not any(a == b == "█" for a, b in zip(above, below, strict=True))


def test_the_next_alarms_are_named_at_80_by_24() -> None:
    rows = page(sample.warning()).text().splitlines()
    assert "Auxiliary brake takes only 41 %" in rows[3]


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_troubles_of_the_data_are_named_whole(size: tuple[int, int]) -> None:
    snap = replace(never_seen_moving(), blind_rules=35, health=Health(recording="on", connected=False))
    canvas = page(replace(snap, sensors=sample.sensors(RIG, ("drum", "lever", "coolant"))), size=size)
    text = "".join(canvas.chars[-2])
    assert "BROKER NOT CONNECTED" in text
    assert "…" not in text.partition("drum")[0]
    assert "SILENT" in text or size[0] < 80


def guided(step: int) -> Snapshot:
    """An overtravel test at one of its steps, with the words that the core gives."""
    words = [entry.words for entry in OVERTRAVEL.steps]
    steps = tuple(
        CheckStepView(text, "done" if place < step else "now" if place == step else "open", place == 0)
        for place, text in enumerate(words)
    )
    readings = (
        CheckReading("hook load", Value(208_000.0, Validity.VALID), "force"),
        CheckReading("block height", Value(34.6, Validity.VALID), "length"),
        CheckReading("overtravel device, electric", Value(0.0, Validity.VALID), "switch"),
        CheckReading("overtravel device, air", Value(1.0, Validity.VALID), "switch"),
    )
    check = replace(
        sample.checks()[1], running=True, steps=steps, readings=readings, hint="11.7 ft to the device's height",
        about=OVERTRAVEL.about, progress=0.3,
    )  # fmt: skip
    return replace(sample.still(), checks=(check, *sample.checks()[2:]))


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("step", range(len(OVERTRAVEL.steps)))
def test_a_guided_check_always_shows_step_wait_readings_and_keys(size: tuple[int, int], step: int) -> None:
    canvas = page(guided(step), SCREENS[6], size)
    text = " ".join(" ".join(canvas.text().replace("│", " ").split()).split())
    assert "x: break off" in text
    assert ("space: done with this step" in text) == (step == 0)
    right = "\n".join(line.partition("│")[2] or line for line in canvas.text().splitlines())
    assert OVERTRAVEL.steps[step].words in " ".join(right.split()), "the step at hand is never shortened"
    assert "Waits: 11.7 ft" in text
    assert "hook load 208 kN" in text
    if size[1] >= 24:
        assert "overtravel device, electric not tripped" in text
        assert "overtravel device, air TRIPPED" in text


def test_switches_are_called_the_same_everywhere() -> None:
    snap = sample.still()
    assert "not tripped" in page(snap, SCREENS[1], (120, 40)).text()
    rows = page(snap, SCREENS[3], (120, 40)).text().splitlines()
    assert "not tripped" in next(row for row in rows if "overtravel-air" in row)
    assert "released" in next(row for row in rows if "clutch" in row)
