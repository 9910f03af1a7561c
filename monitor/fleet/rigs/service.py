"""Several rigs as a service: one log, one page of metrics, one word to the service manager for all of them."""

import asyncio
import logging
import os
import platform
import time
from collections import Counter
from collections.abc import Mapping
from importlib.metadata import version
from typing import Final

from monitor.adapters.host.logs import ServiceLog
from monitor.adapters.host.loopback import is_loopback
from monitor.adapters.host.metrics import Family, Sample, not_up, of_process, page
from monitor.adapters.host.metrics_endpoint import Endpoint, HealthFile
from monitor.adapters.host.service_manager import Notifier
from monitor.fleet.rigs.overview import Shown, shown_now, status_words
from monitor.fleet.rigs.supervisor import Supervisor, happens

LOG = logging.getLogger(__name__)

TURN_S: Final = 0.5
FILE_S: Final = 5.0
"""Real time between two health files."""


class RigsService:
    """The service around the supervisor."""

    def __init__(
        self,
        supervisor: Supervisor,
        log: ServiceLog,
        notifier: Notifier,
        place: tuple[str, int] | None = None,
        file: HealthFile | None = None,
    ) -> None:
        """Serve metrics at `place` and write them to `file`, where given.

        Raises:
            UserError: the port of `place` cannot be opened.
        """
        self._supervisor, self._log, self._notifier, self._file = supervisor, log, notifier, file
        self.endpoint = Endpoint(*place, self.page) if place else None
        self._turn_s = min(TURN_S, notifier.watchdog_s / 3) if notifier.watchdog_s else TURN_S
        self._stopping = asyncio.Event()

    def stop(self) -> None:
        """End `run`, from the event loop's thread."""
        self._stopping.set()

    def reopen_log(self) -> None:
        """Go on in a new log file: somebody has moved the old one."""
        self._log.reopen()

    async def run(self, details: Mapping[str, object]) -> None:
        """Watch until stopped, or until the time of every rig is up. `details` are logged at the start."""
        rigs = [rig.name for rig in self._supervisor.rigs]
        facts = {"version": version("stopmark"), "python": platform.python_version(), "pid": os.getpid(), "rigs": rigs}
        LOG.info("started", extra=facts | dict(details))
        if self.endpoint is not None:
            await self.endpoint.start()
            LOG.info("figures are at %s", self.endpoint.url)
            if not is_loopback(self.endpoint.host):
                LOG.warning("%s can be reached from other machines, and asks nobody who they are", self.endpoint.url)
        file_s, ready = 0.0, False
        try:
            while not (self._stopping.is_set() or self._supervisor.finished):
                rigs_now = shown_now(self._supervisor)
                self._notifier.status(words_of(rigs_now))
                ready = ready or (any(rig.row is not None for rig in rigs_now) and self._notifier.ready())
                self._notifier.alive()
                if self._file is not None and time.monotonic() >= file_s:
                    file_s = time.monotonic() + FILE_S
                    await asyncio.to_thread(self._file.write, self.page())
                await happens(self._stopping, self._turn_s)
        finally:
            self._notifier.status("stopping")
            self._notifier.stopping()
            if self.endpoint is not None:
                await self.endpoint.close()

    def page(self) -> str:
        """The metrics of all rigs, now; of a rig that is not watched, that it is not."""
        rigs = shown_now(self._supervisor)
        states = Counter("watched" if rig.row else "starting" if rig.starting else "not watched" for rig in rigs)
        counts: list[Sample] = [
            ({"state": state}, float(states[state])) for state in ("watched", "starting", "not watched")
        ]
        starts: list[Sample] = [({"rig": rig.name}, float(rig.starts)) for rig in self._supervisor.rigs]
        own = [
            Family("stopmark_rigs", "gauge", "Rigs of this monitor, by whether they are watched.", counts),
            Family("stopmark_rig_starts_total", "counter", "How often the rig's process was started.", starts),
            *of_process(self._log.lost),
        ]
        off = {rig.name for rig in rigs if rig.row is None}
        each = [not_up(rig.name) if rig.name in off else rig.families for rig in self._supervisor.rigs]
        return page(own, *each)


def words_of(rigs: list[Shown]) -> str:
    """One line: how many rigs are watched, and the worst that there is."""
    watched = sum(rig.row is not None for rig in rigs)
    worst = min(rigs, key=lambda rig: rig.order)
    words, severity = status_words(worst)
    bad = f"{worst.name}: {f'{severity.name} ' if severity is not None and not worst.problem else ''}{words}"
    return f"{watched} of {len(rigs)} rigs watched; {bad if severity is not None else 'no alarm'}"
