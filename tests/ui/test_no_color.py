"""Without colour: what Textual itself draws (help, questions, the list of commands) keeps to the terminal's own two colours."""

import re

import pytest

from monitor.model.alarm import Severity
from monitor.ui.app import StopmarkApp
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.drawing.canvas_widget import strip
from monitor.ui.drawing.theme import FILL_ROLE, palette
from tests.ui import sample
from tests.ui.drivers import FakeDriver


def ink(svg: str, words: str) -> str:
    """Colour of the text in a screenshot."""
    text = words.replace(" ", "&#160;")
    found = re.search(rf'class="(\S+-r\d+)"[^>]*>[^<]*{re.escape(text)}', svg)
    assert found, words
    style = re.search(rf"\.{re.escape(found[1])} {{ fill: (#[0-9a-f]+)", svg)
    assert style
    return style[1]


@pytest.mark.parametrize("theme", ["day", "night", "contrast"])
@pytest.mark.parametrize(
    ("key", "words"), [("question_mark", "STOPMARK watches"), ("w", "Asked once per tour"), ("ctrl+p", "Acknowledge")]
)
async def test_what_lies_over_the_screen_is_readable(
    monkeypatch: pytest.MonkeyPatch, key: str, words: str, theme: str
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    app = StopmarkApp(FakeDriver(sample.calm()), theme=theme, clock=lambda: 100.0)  # type: ignore[arg-type]
    async with app.run_test(size=(80, 24)) as pilot:
        plain = ink(app.export_screenshot(), "LOWERING")
        await pilot.press(key)
        await pilot.pause()
        assert ink(app.export_screenshot(), words) == plain
        assert ink(app.export_screenshot(), "LOWERING" if key == "w" else words) == plain


@pytest.mark.parametrize("severity", list(Severity))
def test_large_glyphs_are_seen_in_a_banner_of_reversed_cells(severity: Severity) -> None:
    """Without colour a full block must not look like the blank beside it, nor a line cross the glyph."""
    canvas = Canvas(12, 1)
    canvas.area.fill(FILL_ROLE[severity])
    canvas.area.put(2, 0, "██", FILL_ROLE[severity])
    blank, block, _ = strip(canvas, 0, palette("day", "none"))
    assert bool(blank.style and blank.style.reverse) is not bool(block.style and block.style.reverse)
    assert not any(segment.style and segment.style.underline for segment in (blank, block))
