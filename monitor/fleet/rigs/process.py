"""One rig's end of a fleet: its run, told to the overview line by line, and obedient to it.

What it says never waits for a reader (`LineWriter`). When the overview's end of the wire closes, however that came about, the
run ends in order, with everything recorded.
"""

import asyncio
import contextlib
import logging
import os
import signal
import socket
import threading
from collections.abc import Iterator
from typing import Final

from monitor.adapters.host.line_writer import LineWriter
from monitor.adapters.host.metrics import begins_now, families
from monitor.adapters.host.service_manager import Notifier
from monitor.adapters.mqtt.address import BrokerUrl
from monitor.fleet.rigs.row import row_of
from monitor.fleet.rigs.wire import FamilySent, Invitation, Logged, Order, Report
from monitor.model.alarm import Finding
from monitor.runtime.live import LiveDriver
from monitor.runtime.service import FindingLog, Service
from monitor.web.hub import HUB_PASS, HUB_PORT, Hub, OneRig

ROW_S: Final = 0.5
"""Real time between two rows."""
FIGURES_S: Final = 5.0
"""Real time between two sets of metrics."""
ORDER_BYTES: Final = 1 << 16


_USUAL: Final = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime"}
"""What every line of a log has; the rest are fields of its own."""


class Link:
    """What a rig's process says. From any thread."""

    def __init__(self, wire: socket.socket) -> None:
        self._output = LineWriter(wire.fileno())
        self._lock = threading.Lock()

    def send(self, report: Report) -> None:
        """Send it, without waiting."""
        with self._lock:
            self._output(report.line())

    def finding(self, finding: Finding) -> None:
        """Send a finding: a sink."""
        self.send(Report(finding=finding))

    def close(self) -> None:
        """Send what still waits."""
        self._output.close()


class _ToOverview(logging.Handler):
    def __init__(self, link: Link, secret: str) -> None:
        super().__init__()
        self._link, self._secret = link, secret

    def emit(self, record: logging.LogRecord) -> None:
        """Send one line of the log."""
        words = record.getMessage()
        if record.exc_info and record.exc_info[1] is not None:
            words = f"{words}: {type(record.exc_info[1]).__name__}: {record.exc_info[1]}"
        if self._secret:
            words = words.replace(self._secret, "***")
        fields = {
            key: one if isinstance(one, str | int | float | None) else str(one)
            for key, one in vars(record).items()
            if key not in _USUAL
        }
        self._link.send(Report(log=Logged(level=record.levelno, logger=record.name, words=words, fields=fields)))


@contextlib.contextmanager
def logging_to(link: Link, secret: str) -> Iterator[None]:
    """Have everything that is logged go to the overview, without the `secret`."""
    root = logging.getLogger()
    root.handlers[:] = [_ToOverview(link, secret)]
    root.setLevel(logging.INFO)
    yield


def alone() -> None:
    """Make this process independent of the terminal of whoever started it: its signals are for that one, its screen too."""
    if hasattr(os, "setsid"):
        with contextlib.suppress(OSError):
            os.setsid()
    begins_now()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    nothing = os.open(os.devnull, os.O_RDWR)
    for handle in (0, 1, 2):
        os.dup2(nothing, handle)
    os.close(nothing)


async def serve(
    driver: LiveDriver, findings: FindingLog, link: Link, wire: socket.socket, url: BrokerUrl, seconds: float | None
) -> None:
    """Run the rig until the overview asks for its end or has gone, or for `seconds` of stream time.

    Raises:
        Exception: what the driver raises.
    """
    with contextlib.suppress(NotImplementedError, AttributeError):
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, driver.stop)
    service = Service(driver, findings, None, Notifier({}), url=url)
    # Its own handle: the loop closes it at its end, when there is still something to say.
    reader, _ = await asyncio.open_connection(sock=wire.dup(), limit=ORDER_BYTES)
    async with contextlib.AsyncExitStack() as stack:
        tasks = [
            asyncio.create_task(_obey(driver, reader, link, stack)),
            asyncio.create_task(_say_rows(driver, link)),
            asyncio.create_task(_say_figures(service, link)),
        ]
        try:
            await service.run(seconds, {})
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)


async def _obey(driver: LiveDriver, reader: asyncio.StreamReader, link: Link, stack: contextlib.AsyncExitStack) -> None:
    """Carry out orders; the end of the wire is one to end."""
    hub: Hub | None = None
    with contextlib.suppress(ConnectionError):
        while line := await reader.readline():
            order = Order.model_validate_json(line)
            if order.stop:
                break
            if order.act is not None:
                driver.act(order.act.request())
            if order.invite:
                if hub is None:  # a port only where somebody looks
                    hub = await stack.enter_async_context(Hub(OneRig(driver)))
                way = hub.invitation()
                link.send(Report(invitation=Invitation(port=int(way[HUB_PORT]), word=way[HUB_PASS])))
    driver.stop()


async def _say_rows(driver: LiveDriver, link: Link) -> None:
    while True:
        link.send(Report(row=row_of(driver.rig, driver.snapshot())))
        await asyncio.sleep(ROW_S)


async def _say_figures(service: Service, link: Link) -> None:
    while True:
        await asyncio.sleep(FIGURES_S)
        found = [
            FamilySent(
                name=one.name, kind=one.kind, help=one.help, samples=[(dict(label), n) for label, n in one.samples]
            )
            for one in families(service.facts())
        ]
        link.send(Report(families=found))
