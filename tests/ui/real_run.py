"""Pictures of a real run: a shipped scenario goes through the monitor's core, and the app draws what it then knows.

``python -m tests.ui.real_run`` writes those that README.md shows; a test holds their words against the live screen.
"""

import asyncio
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from html import unescape
from pathlib import Path
from typing import Final

from monitor.config.rig_file import find_rig
from monitor.model.snapshot import HoistState, Snapshot
from monitor.ui.app import StopmarkApp
from monitor.ui.drawing.theme import ThemeName
from monitor.ui.history import History
from simulators.scenario.scenario import find_scenario
from tests.ui.drivers import FakeDriver
from tests.ui.test_places import walked
from tests.ui.walk import shown

FOLDER: Final = Path(__file__).parent / "real_run"
SCENARIO: Final = "late-brake-floor"
SIZE: Final = (120, 40)
_TEXT: Final = re.compile(r'<text class="[^"]*" x="[\d.]+" y="([\d.]+)"[^>]*>([^<]*)</text>')
_WORD: Final = re.compile(r"[A-Za-z0-9]+")


@dataclass(frozen=True, slots=True)
class Picture:
    """What is shown, when, in which colours."""

    name: str
    moment: Callable[[Snapshot], bool]
    theme: ThemeName
    keys: tuple[str, ...] = ()


def _lowers(snap: Snapshot) -> bool:
    return snap.hoist is HoistState.LOWERING and snap.value("speed").number < -0.5 and not snap.alarms


def _warns(snap: Snapshot) -> bool:
    return any(alarm.signal == "margin_down" and alarm.active for alarm in snap.alarms)


PICTURES: Final = (
    Picture("drive-calm", _lowers, "day"),
    Picture("drive-brake-now", _warns, "night"),
    Picture("trends", _warns, "day", ("5", "minus")),
)


@cache
def _until(moment: Callable[[Snapshot], bool]) -> tuple[Snapshot, ...]:
    """The run up to the first such moment."""
    snaps = walked(SCENARIO)
    at = next(place for place, snap in enumerate(snaps) if moment(snap))
    return snaps[: at + 1]


def app_at(picture: Picture) -> StopmarkApp:
    """The app as it is then."""
    snaps = _until(picture.moment)
    rig = find_rig(find_scenario(SCENARIO).rig)
    app = StopmarkApp(FakeDriver(snaps[-1], "SIMULATED", rig=rig), picture.theme, clock=lambda: 100.0, depth="full")
    app.history = History()
    for snap in snaps:
        app.history.feed(snap)
    return app


async def drawn(picture: Picture) -> tuple[str, str]:
    """The picture (SVG) and the words of the live screen."""
    app = app_at(picture)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press(*picture.keys)
        await pilot.pause()
        return app.export_screenshot(title="Stopmark"), shown(app)


def words(text: str) -> list[list[str]]:
    """The words of each row that has some."""
    return [found for row in text.splitlines() if (found := _WORD.findall(row))]


def words_of_picture(svg: str) -> list[list[str]]:
    """The same of a picture, by the places of its texts."""
    rows: dict[float, str] = {}
    for y, text in _TEXT.findall(svg):
        rows[float(y)] = f"{rows.get(float(y), '')} {unescape(text)}"
    return words("\n".join(rows[y] for y in sorted(rows)).replace("\xa0", " "))


def main() -> None:
    """Write them."""
    FOLDER.mkdir(exist_ok=True)
    for picture in PICTURES:
        svg, _ = asyncio.run(drawn(picture))
        (FOLDER / f"{picture.name}.svg").write_text(svg, encoding="utf-8")


if __name__ == "__main__":
    main()
