"""Helpers of the tests that walk through the app by keys."""

from dataclasses import dataclass

from textual.pilot import Pilot

from monitor.model.snapshot import Snapshot
from monitor.ui.app import StopmarkApp
from monitor.ui.dialogs import Ask
from monitor.ui.drawing.canvas_widget import CanvasWidget
from tests.ui.drivers import FakeDriver

Walk = Pilot[int]


@dataclass
class Clock:
    """Seconds that pass when told."""

    now_s: float = 100.0

    def __call__(self) -> float:
        return self.now_s


def shown(app: StopmarkApp) -> str:
    """What is on the screen."""
    canvas = app.screen_stack[0].query_one(CanvasWidget).shown
    assert canvas is not None
    return canvas.text()


def app_with(snap: Snapshot | None, **driver: object) -> tuple[StopmarkApp, FakeDriver, Clock]:
    """An app, its driver and its clock."""
    clock = Clock()
    fake = FakeDriver(snap, **driver)  # type: ignore[arg-type]
    return StopmarkApp(fake, clock=clock), fake, clock


async def initials(pilot: Walk, text: str = "kr") -> None:
    """Answer the question for initials."""
    assert isinstance(pilot.app.screen, Ask)
    await pilot.press(*text, "enter")
    await pilot.pause()


async def wait(pilot: Walk, clock: Clock, seconds: float) -> None:
    """Let the app's clock pass, and have it look at it."""
    clock.now_s += seconds
    assert isinstance(pilot.app, StopmarkApp)
    pilot.app.tick()
    await pilot.pause()
