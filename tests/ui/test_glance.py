"""What the driller takes from the screen at one look: no figure that is not known, none that runs into another."""

from dataclasses import replace
from types import MappingProxyType

import pytest

from monitor.core.types import HoistState, Snapshot, Validity, Value
from monitor.ui.canvas import Canvas
from monitor.ui.page import draw_page
from monitor.ui.screens import SCREENS, ScreenSpec
from monitor.ui.view import View
from tests.ui import sample
from tests.ui.walk import app_with, shown

SIZES = ((60, 20), (80, 24), (100, 30), (120, 40), (180, 45), (200, 50))
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
