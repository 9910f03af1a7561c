"""The screens as they were looked at and accepted: as pictures (SVG) where colours matter, else as text.

Accept new ones with --snapshot-update, and look at each before it is committed.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import pytest

from monitor.model.snapshot import Snapshot
from monitor.ui.app import StopmarkApp
from monitor.ui.drawing.canvas_widget import CanvasWidget
from monitor.ui.drawing.theme import THEMES, ThemeName
from tests.ui import sample
from tests.ui.drivers import FakeDriver, FakeReplay

SIZES = ((60, 20), (80, 24), (120, 40), (200, 50))
USUAL = (80, 24)
TEXTS: Final = Path(__file__).parent / "pictures_as_text"
Compare = Callable[..., bool]


def app_of(snap: Snapshot, theme: ThemeName = "day", **driver: Any) -> StopmarkApp:
    """An app whose clock stands still, with five minutes behind it."""
    app = StopmarkApp(FakeDriver(snap, **driver), theme=theme, clock=lambda: 100.0, depth="full")
    app.history = sample.history()
    return app


# ---- pictures -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("theme", THEMES)
def test_drive(snap_compare: Compare, theme: ThemeName) -> None:
    assert snap_compare(app_of(sample.warning(), theme), terminal_size=USUAL)


@pytest.mark.parametrize("state", ["danger", "unknown"])
def test_drive_in_other_states(snap_compare: Compare, state: str) -> None:
    assert snap_compare(app_of(sample.SAMPLES[state]()), terminal_size=USUAL)


@pytest.mark.parametrize(("state", "theme"), [("calm", "day"), ("warning", "night")])
def test_drive_large(snap_compare: Compare, state: str, theme: ThemeName) -> None:
    assert snap_compare(app_of(sample.SAMPLES[state](), theme), terminal_size=(120, 40))


@pytest.mark.parametrize("key", ["2", "3", "4", "5", "6", "7", "8"])
def test_other_screens(snap_compare: Compare, key: str) -> None:
    assert snap_compare(app_of(sample.warning()), press=[key], terminal_size=USUAL)


def test_alarm_list_in_a_flood(snap_compare: Compare) -> None:
    assert snap_compare(app_of(sample.flood(), "contrast"), press=["3", "down", "down"], terminal_size=(120, 40))


def test_replay(snap_compare: Compare) -> None:
    app = app_of(sample.calm(), mode="REPLAY", replay=FakeReplay(speed=4.0))
    assert snap_compare(app, press=["8"], terminal_size=USUAL)


def test_help(snap_compare: Compare) -> None:
    assert snap_compare(app_of(sample.calm()), press=["question_mark"], terminal_size=USUAL)


def test_initials(snap_compare: Compare) -> None:
    app = app_of(replace(sample.still(), alarms=()))
    assert snap_compare(app, press=["w"], terminal_size=USUAL)


# ---- as text --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Page:
    """A screen that is kept as text."""

    state: str
    size: tuple[int, int]
    keys: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Name of its file."""
        return "-".join((self.state, *self.keys, f"{self.size[0]}x{self.size[1]}"))


PAGES: Final = (
    *(Page(state, size) for state in ("calm", "warning") for size in SIZES),
    *(Page(state, USUAL) for state in ("degraded", "still", "hoisting", "bare", "flood")),
    *(Page("warning", size, (key,)) for key in "2345678" for size in SIZES if size != USUAL),
)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
async def test_as_text(page: Page, request: pytest.FixtureRequest) -> None:
    app = app_of(sample.SAMPLES[page.state]())
    async with app.run_test(size=page.size) as pilot:
        await pilot.press(*page.keys)
        shown = app.query_one(CanvasWidget).shown
        assert shown is not None
        text = shown.text() + "\n"
    file = TEXTS / f"{page.name}.txt"
    if request.config.getoption("update_snapshots"):
        file.parent.mkdir(exist_ok=True)
        file.write_text(text, encoding="utf-8")
    assert text == file.read_text(encoding="utf-8")


def test_no_text_is_kept_that_nothing_compares() -> None:
    assert {path.stem for path in TEXTS.iterdir()} == {page.name for page in PAGES}
