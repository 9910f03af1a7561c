"""Every screen as a browser has it, at two sizes of the window and in two languages: whole, in sight, and in its place."""

import asyncio
import re
import signal
from collections.abc import Callable

import pytest

from monitor.language import tr
from monitor.ui.screens import SCREENS
from tests.language.catalogues import language
from tests.support.broker import Mosquitto
from tests.web.browser import Chromium, Page
from tests.web.served import Served, feeding

WINDOWS = {"small": (620, 460), "large": (1280, 800)}
LOOKS = 6


async def every_screen(page: Page, titles: list[str]) -> dict[str, str]:
    """The text of each screen, by its title, once that stands on top."""
    shown = {}
    for number, title in enumerate(titles, 1):
        shown[title] = await page.turn_to(str(number), f"{title} ·")
    return shown


def titles() -> list[str]:
    return [tr(spec.name) for spec in SCREENS[:9]]


@pytest.mark.parametrize(
    ("code", "advice", "help_", "end"),
    [
        ("en", "ADVISORY ONLY", "help", ("NOT LIVE", "The monitor was stopped.")),
        ("es", "SOLO AVISA", "ayuda", ("NO EN VIVO", "El monitor se paró.")),
    ],
)
async def test_no_screen_is_cut_off_in_a_browser(
    chromium: Chromium,
    broker: Mosquitto,
    serve: Callable[..., Served],
    code: str,
    advice: str,
    help_: str,
    end: tuple[str, str],
) -> None:
    served = serve(broker.url, "--language", code)
    with language(code):
        named = titles()
    async with feeding(broker, 60.0, 0.0):
        for width, height in WINDOWS.values():
            async with chromium.page(served.url, width, height) as page:
                await page.until(advice)
                for title, text in (await every_screen(page, named)).items():
                    rows = text.split("\n")
                    assert "…" not in text, (title, [row for row in rows if "…" in row])
                    assert advice in rows[0], title
                    assert f"?  {help_}" in rows[-1], title
                    assert len({len(row) for row in rows}) == 1
                left, top, right, bottom = await page.margins()
                assert min(left, top, right, bottom) >= 0
                # Less than a cell and the scroll bar's room are left over: the screen fills the window.
                assert max(left + right, top + bottom) < 48
                assert await page.evaluate("document.documentElement.lang") == code
                assert page.complaints == []
        async with chromium.page(served.url, 620, 460) as page:
            await page.until(advice)
            served.end(signal.SIGTERM)
            await page.until_true(f"document.getElementById('notice-title').innerText === '{end[0]}'")
            assert await page.evaluate("document.getElementById('notice-words').innerText") == end[1]


async def test_figures_keep_their_places_in_a_browser_while_the_block_moves(
    chromium: Chromium,
    broker: Mosquitto,
    serve: Callable[..., Served],
) -> None:
    served = serve(broker.url)
    async with chromium.page(served.url, *WINDOWS["large"]) as page:
        await page.until("ADVISORY ONLY")
        seen: dict[str, set[tuple[int, int]]] = {}
        heights = set()
        async with feeding(broker, 90.0, 2.0):
            await page.until("LOWERING")
            for _ in range(LOOKS):
                rows = (await page.text()).split("\n")
                for word in ("HEIGHT", "SPEED", "ROOM UP ↑", "ROOM DOWN ↓", "LOAD"):
                    found = [(row.index(word), y) for y, row in enumerate(rows) if word in row][:1]
                    seen.setdefault(word, set()).update(found)
                heights.add("".join(re.findall("[█▀▄ ]{20,}", "\n".join(rows))))
                await asyncio.sleep(0.3)
        assert len(heights) > 1, "the picture stood still"
        assert {word: len(places) for word, places in seen.items()} == dict.fromkeys(seen, 1)
