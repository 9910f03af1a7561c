"""Browsers that come and go while the soak runs: the real hub and the far ends of its viewers, without their screens.

A viewer in three never reads: it must miss pictures, not make the monitor keep them.
"""

import asyncio
import random
from collections.abc import Callable
from typing import Final

from monitor.config.rig import Rig
from monitor.model.snapshot import Snapshot
from monitor.model.stream import Request
from monitor.runtime.driver import Mode
from monitor.runtime.facts import RunFacts
from monitor.web.hub import HUB_PASS, HUB_PORT, Hub, OneRig
from monitor.web.viewer import HubGone, RemoteDriver, join

MOST: Final = 8
LOOK_S: Final = 0.002
"""Real time that the hub gets at each look."""


class Viewers:
    """The monitor as the hub sees it, and those who look. `look` once a second of the stream."""

    replay = None
    mode: Mode = "SIMULATED"

    def __init__(self, rig: Rig, snapshot: Callable[[], Snapshot], draw: random.Random) -> None:
        self.rig = rig
        self.came = self.left = self.pictures = 0
        self._snapshot = snapshot
        self._draw = draw
        self._loop = asyncio.new_event_loop()
        self._hub = Hub(OneRig(self))
        self._loop.run_until_complete(self._hub.__aenter__())
        self._open: list[tuple[RemoteDriver, asyncio.Task[None] | None]] = []

    def snapshot(self) -> Snapshot:
        """The present state, which a viewer is sent."""
        self.pictures += 1
        return self._snapshot()

    def facts(self) -> RunFacts:
        """Nothing of a live run."""
        return RunFacts()

    def act(self, request: Request) -> None:
        """Nothing: the soak's crew acts by itself."""

    async def run(self) -> None:
        """Nothing: the soak runs."""

    def look(self) -> None:
        """Let somebody come or go, now and then, and the hub do what is due."""
        self._loop.run_until_complete(self._come_and_go())

    async def _come_and_go(self) -> None:
        chance = self._draw.random()
        if chance < 0.03 and len(self._open) < MOST:
            way_in = self._hub.invitation()
            viewer = await join(int(way_in[HUB_PORT]), way_in[HUB_PASS])
            self.came += 1
            self._open.append((viewer, None if self.came % 3 == 0 else asyncio.create_task(viewer.run())))
        elif chance > 0.97 and self._open:
            await self._leave(self._open.pop(self._draw.randrange(len(self._open))))
        await asyncio.sleep(LOOK_S)

    async def _leave(self, one: tuple[RemoteDriver, asyncio.Task[None] | None]) -> None:
        viewer, reading = one
        viewer.close()
        self.left += 1
        if reading is not None:
            reading.cancel()
            with_error = await asyncio.gather(reading, return_exceptions=True)
            assert isinstance(with_error[0], (asyncio.CancelledError, HubGone)), with_error

    async def _end(self) -> None:
        while self._open:
            await self._leave(self._open.pop())
        await self._hub.__aexit__()

    def close(self) -> None:
        """Everybody leaves, and the hub closes."""
        self._loop.run_until_complete(self._end())
        self._loop.close()
