"""Terminals whose font holds little more than 256 characters: the console of a machine without a desktop."""

import pytest

from monitor.ui.app import StopmarkApp
from monitor.ui.drawing.canvas_widget import CanvasWidget
from monitor.ui.drawing.glyphs import CONSOLE, for_console
from monitor.ui.drawing.theme import SHAPE
from monitor.ui.page import draw_page
from monitor.ui.screens import SCREENS
from monitor.ui.view import View
from tests.ui import sample
from tests.ui.drivers import FakeDriver

FONT = frozenset(bytes(range(0x80, 0x100)).decode("cp437")) | frozenset("☺☻♥♦♣♠•◘○◙♂♀♪♫☼►◄↕‼¶§▬↨↑↓→←∟↔▲▼⌂")
"""What the font of the oldest console holds beside ASCII."""


@pytest.mark.parametrize("name", sorted(sample.SAMPLES))
@pytest.mark.parametrize("spec", SCREENS, ids=lambda spec: spec.id)
def test_every_character_has_a_form_in_the_console_font(name: str, spec: object) -> None:
    view = View(sample.SAMPLES[name](), sample.rig(), "LIVE", history=sample.history())
    canvas = draw_page(view, spec, 120, 40)  # type: ignore[arg-type]
    for row in canvas.chars:
        shown = for_console("".join(row))
        assert len(shown) == len(row)
        assert all(char.isascii() or char in FONT for char in shown), shown


def test_severities_and_marks_still_differ() -> None:
    assert len({for_console(shape) for shape in SHAPE.values()}) == 4
    assert len({for_console(char) for char in "◁◀◄"}) >= 2
    assert for_console("✓") != for_console("▶") != for_console("○")
    assert all(len(char) == len(form) == 1 for char, form in CONSOLE.items())


def test_curves_keep_their_upper_and_lower_halves() -> None:
    assert for_console("⠁⣿⣀⠀⡇") == "▀█▄ █"


@pytest.mark.parametrize(("term", "plain"), [("linux", True), ("xterm-256color", False), ("screen", False)])
async def test_the_console_is_known_by_its_name(monkeypatch: pytest.MonkeyPatch, term: str, plain: bool) -> None:
    monkeypatch.setenv("TERM", term)
    app = StopmarkApp(FakeDriver(sample.danger()), clock=lambda: 100.0)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        face = app.screen.query_one(CanvasWidget)
        told = "".join(face.render_line(y).text for y in range(24))
        assert ("◆ DANGER" in told) is not plain
        assert ("♦ DANGER" in told) is plain
