"""`stopmark record`: watch and record without a screen, as a service of the machine.

Findings go into the session and, where alarms become active, into the log; nothing is printed.
"""

import argparse
import asyncio
import contextlib
import logging
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from monitor.commands.common.arguments import (
    add_retention_arguments,
    add_rig_arguments,
    add_run_arguments,
    retention_of,
    size,
)
from monitor.commands.common.live_run import live_driver
from monitor.commands.common.several_rigs import is_one, several_rigs, supervisor_of, url_of

if TYPE_CHECKING:
    from monitor.adapters.host.logs import ServiceLog
    from monitor.adapters.host.metrics_endpoint import HealthFile
    from monitor.adapters.host.service_manager import Notifier
    from monitor.adapters.host.shutdown import Ending
    from monitor.adapters.mqtt.address import BrokerUrl
    from monitor.commands.common.several_rigs import SeveralRigs

LOG = logging.getLogger(__name__)
T = TypeVar("T")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    add_rig_arguments(parser)
    add_run_arguments(parser)
    add_retention_arguments(parser)
    group = parser.add_argument_group("supervision and log")
    group.add_argument(
        "--metrics", metavar="[ADDR:]PORT", type=valid(place),
        help="serve how the monitor fares at http://ADDR:PORT/metrics, text format of Prometheus (default address: this"
        " machine only; port 0: any)",
    )  # fmt: skip
    group.add_argument("--health-file", metavar="FILE", type=Path, help="write the same to a file, replaced as a whole")
    group.add_argument(
        "--log", metavar="FILE", type=Path, help="log as JSON Lines; SIGHUP opens it anew (default: standard error)"
    )
    group.add_argument(
        "--log-size", metavar="SIZE", type=valid(log_size), default=10e6, help="begin a new one at (default: 10MB)"
    )
    group.add_argument("--log-keep", metavar="N", type=valid(count), default=5, help="old ones to keep (default: 5)")


def place(text: str) -> tuple[str, int]:
    """Address and port. Raises ValueError."""
    from monitor.adapters.host.metrics_endpoint import parse_place

    return parse_place(text)


def log_size(text: str) -> float:
    """Bytes. Raises ValueError."""
    try:
        return size(text)
    except ValueError as error:
        raise ValueError(f"{text!r} is not {error}") from None


def count(text: str) -> int:
    """How many files. Raises ValueError."""
    if not (text.isascii() and text.isdecimal() and 1 <= int(text) <= 1000):
        raise ValueError(f"{text!r} is not a number from 1 to 1000")
    return int(text)


def valid(read: Callable[[str], T]) -> Callable[[str], T]:
    """For argparse: the sentence of `read` instead of its name."""

    def take(text: str) -> T:
        try:
            return read(text)
        except ValueError as error:
            raise argparse.ArgumentTypeError(str(error)) from None

    return take


def run(args: argparse.Namespace) -> int:
    """Record."""
    from monitor.adapters.host.clock import StreamClock
    from monitor.adapters.host.logs import ServiceLog
    from monitor.adapters.host.metrics_endpoint import HealthFile
    from monitor.adapters.host.service_manager import Notifier
    from monitor.adapters.host.shutdown import Ending
    from monitor.config.rig_file import find_rig
    from monitor.runtime.service import FindingLog, Service

    said: list[str] = []
    url = url_of(args, said.append)
    file = HealthFile(args.health_file) if args.health_file else None
    args.no_record = False
    rig = find_rig(args.rigs[0]) if is_one(args) else None
    several = several_rigs(args) if rig is None else None
    with (
        ServiceLog(args.log, int(args.log_size), args.log_keep, [url.password or ""]) as log,
        Ending(hangup_ends=False) as ending,
        contextlib.closing(Notifier()) as notifier,
    ):
        for words in said:
            LOG.warning("%s", words)
        ending.step(f"the recordings in {args.data or 'the data folder'}")
        if several is not None:
            asyncio.run(_record_several(args, several, url, log, ending, notifier, file))
            return 0
        assert rig is not None
        findings = FindingLog()
        with live_driver(args, rig, url, StreamClock.live(), "LIVE", (findings,)) as driver:
            service = Service(driver, findings, log, notifier, args.metrics, file, url)
            driver.when_running(lambda: ending.attach(driver.stop, service.reopen_log))
            keep = retention_of(args)
            facts = {"broker": str(url), "folder": str(driver.recorder and driver.recorder.path.parent),
                    "rules": args.rules or "shipped", "keep_days": keep.max_age_days,
                    "keep_share": keep.max_disk_share, "keep_free_bytes": keep.min_free_bytes}  # fmt: skip
            try:
                asyncio.run(service.run(args.seconds, facts))
            except Exception:
                LOG.critical("ended by a fault of its own", exc_info=True)
                raise
        service.ended(ending.by or "time is up")
    return 0


async def _record_several(
    args: argparse.Namespace, rigs: "SeveralRigs", url: "BrokerUrl", log: "ServiceLog", ending: "Ending",
    notifier: "Notifier", file: "HealthFile | None",
) -> None:  # fmt: skip
    """Record several rigs until the end."""
    from monitor.fleet.rigs.service import RigsService

    async with supervisor_of(args, rigs, url) as supervisor:
        service = RigsService(supervisor, log, notifier, args.metrics, file)
        ending.attach(service.stop, service.reopen_log)
        await service.run({"broker": str(url), "rules": args.rules or "shipped"})
    if file is not None:
        file.write(service.page())
    LOG.info(
        "stopped (%s)", ending.by or "time is up", extra={"starts": {rig.name: rig.starts for rig in supervisor.rigs}}
    )
