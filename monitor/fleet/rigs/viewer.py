"""A viewer of several rigs: the process behind one browser. It shows the overview and, opened from it, each rig's own screen.

Rows come from the hub of the process that started the rigs; one rig's snapshots from that rig's own hub, and what the crew does
there goes to it. It ends as the viewer of one rig does.
"""

import asyncio
import sys
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from monitor.errors import UserError
from monitor.fleet.rigs.app import OverviewApp, RigApp, Rigs, Screens
from monitor.fleet.rigs.browsers import RigsAsked, RigsUpdate, RigsWelcome
from monitor.fleet.rigs.overview import Shown
from monitor.fleet.rigs.wire import Invitation
from monitor.language import msgid
from monitor.presentation.format import Units
from monitor.runtime.driver import Mode
from monitor.ui.drawing.theme import ThemeName
from monitor.web.in_turn import InTurnDriver
from monitor.web.viewer import (
    FRESH_S,
    GONE,
    LEAVE_VIEW,
    HubGone,
    Pulsing,
    RemoteDriver,
    end_soon,
    join,
    knock,
    main,
)

P = TypeVar("P", bound=Pulsing)


class RemoteRigs:
    """The rigs at the far end of a hub."""

    finished = False
    """The hub's end is the end here."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._rigs: list[Shown] = []
        self._updated_s = float("-inf")
        self._asked: deque[asyncio.Future[Invitation]] = deque()
        self.known = asyncio.Event()
        """Set when something is known of them, or never will be."""

    @property
    def fresh(self) -> bool:
        """Whether an update came a moment ago."""
        return time.monotonic() - self._updated_s < FRESH_S

    def shown(self) -> list[Shown]:
        """All rigs, as the last update has them."""
        since_s = time.monotonic() - self._updated_s
        return [replace(rig, old_s=rig.old_s + since_s) for rig in self._rigs]

    def again(self, name: str) -> None:
        """Start one again that waits for it."""
        self._writer.write(RigsAsked(again=name).line())

    async def open(self, name: str) -> RemoteDriver:
        """The driver of one rig's own screen.

        Raises:
            UserError: it is not watched, does not answer, or the hub has gone.
        """
        answer = asyncio.get_running_loop().create_future()
        self._asked.append(answer)
        self._writer.write(RigsAsked(open=name).line())
        way = await answer
        return await join(way.port, way.word)

    async def run(self) -> None:
        """Take what the hub tells until it disconnects."""
        try:
            while line := await self._reader.readline():
                self._take(RigsUpdate.model_validate_json(line))
        except (ConnectionError, ValueError):
            pass
        self.known.set()
        while self._asked:
            self._refuse(GONE)

    def _take(self, update: RigsUpdate) -> None:
        if update.rigs is not None:
            self._rigs, self._updated_s = update.rigs, time.monotonic()
            self.known.set()
        if update.invitation is not None and self._asked:
            answer = self._asked.popleft()
            if not answer.done():
                answer.set_result(update.invitation)
        if update.problem is not None and self._asked:
            self._refuse(update.problem)

    def _refuse(self, why: str) -> None:
        answer = self._asked.popleft()
        if not answer.done():
            answer.set_exception(UserError(why))


class OverviewPage(Pulsing, OverviewApp):
    """The overview in a browser."""

    leave_words = LEAVE_VIEW
    quit_words = msgid("close this view (press twice); all rigs go on being watched and recorded")


class RigPage(Pulsing, RigApp):
    """One rig's screen in a browser, opened from the overview."""


async def _show(port: int, word: str) -> str:
    """Show the overview, and rigs from it; the sentence to end with, empty when it was closed in order."""
    try:
        reader, writer, welcome = await knock(port, word, RigsWelcome)
    except HubGone as gone:
        return str(gone)
    rigs = RemoteRigs(reader, writer)

    def overview(source: Rigs, mode: Mode, units: Units, theme: ThemeName, sound: bool) -> OverviewApp:
        return _for_browser(OverviewPage(source, mode, units, theme, sound), lambda: rigs.fresh)

    def own(driver: RemoteDriver, name: str, behind: OverviewApp, theme: ThemeName) -> RigApp:
        return _for_browser(RigPage(driver, name, behind, theme), lambda: driver.fresh)

    screens = Screens(rigs, welcome.mode, Units(welcome.units), "day", True, overview, own)

    def end(_: object) -> None:
        screens.stop()
        end_soon()

    InTurnDriver.at_quit = screens.stop
    listening = asyncio.create_task(rigs.run())
    listening.add_done_callback(end)
    await rigs.known.wait()
    await screens.run()
    lost = listening.done()
    listening.cancel()
    writer.close()
    return GONE if lost else ""


def _for_browser(app: P, fresh: Callable[[], bool]) -> P:
    app.fresh, app.driver_class = fresh, InTurnDriver
    return app


if __name__ == "__main__":
    sys.exit(main(_show))
