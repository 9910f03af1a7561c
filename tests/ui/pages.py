"""Whole pages as the tests of the screens look at them, and two snapshots of a start."""

from dataclasses import replace
from types import MappingProxyType
from typing import Any

from monitor.model.reading import Validity, Value
from monitor.model.snapshot import Snapshot
from monitor.model.stream import Health
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.page import draw_page
from monitor.ui.screens import SCREENS, ScreenSpec
from monitor.ui.view import View
from tests.ui import sample

FIGURES = {(60, 20): 1, (80, 24): 2, (100, 30): 2, (120, 40): 3, (180, 50): 4, (200, 50): 4}
"""Size of the large figures by the terminal's."""
SIZES = tuple(FIGURES)
RIG = sample.rig()
DRIVE = SCREENS[0]
NOTE = "nothing answers at rig-broker.site:1883: is the broker running, and is this its port?"


def page(snap: Snapshot, spec: ScreenSpec = DRIVE, size: tuple[int, int] = (80, 24), **changes: object) -> Canvas:
    return draw_page(replace(View(snap, RIG, "LIVE"), **changes), spec, *size)  # type: ignore[arg-type]


def never_seen_moving() -> Snapshot:
    """Before the first reading: the estimate of the speed is next to nought, with a bound that says nothing."""
    snap = sample.height_unknown()
    nought = Value(0.07, Validity.DEGRADED)
    return replace(snap, values=MappingProxyType({**snap.values, "speed": nought, "acceleration": nought}))


def unconnected(**changes: Any) -> Snapshot:
    """A first start before the broker is there."""
    snap = replace(never_seen_moving(), alarms=(), blind_rules=35, **changes)
    health = Health(recording="on", connected=False, note=NOTE)
    return replace(snap, health=health, sensors=sample.sensors(RIG, tuple(sensor.id for sensor in RIG.sensors)))
