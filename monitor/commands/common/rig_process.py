"""The process of one rig among several: a live run with its own recorder and ledger, and no screen."""

import argparse
import asyncio
import socket
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

from monitor.commands.common.live_run import live_driver
from monitor.commands.common.screen import choose_words

if TYPE_CHECKING:
    from monitor.adapters.mqtt.address import BrokerUrl
    from monitor.config.fleet_file import RigPlace
    from monitor.config.rig import Rig
    from monitor.runtime.driver import Mode

PRELOAD: Final = (
    "monitor.adapters.ledger.writer",
    "monitor.adapters.mqtt.source",
    "monitor.adapters.sessions.segments",
    "monitor.commands.common.rig_process",
    "monitor.config.rules_file",
    "monitor.fleet.rigs.process",
    "monitor.runtime.restart",
)
"""What every such process needs: imported once, and shared by all."""


def rig_process(
    wire: socket.socket, rig: "Rig", place: "RigPlace", url: "BrokerUrl", args: argparse.Namespace, mode: "Mode"
) -> None:
    """Watch `rig` until the other end of `wire` says so, or closes. The target of a process: ends with an exit code."""
    from monitor.adapters.host.clock import StreamClock
    from monitor.errors import UserError, sentence_of
    from monitor.fleet.rigs.process import Link, alone, logging_to, serve
    from monitor.fleet.rigs.wire import Report
    from monitor.runtime.findings import Tally
    from monitor.runtime.live import summary_of
    from monitor.runtime.service import FindingLog

    alone()
    link, code = Link(wire), 0
    args = argparse.Namespace(**vars(args))
    args.rules = place.rules or args.rules
    args.data = str(Path(args.data) / rig.name)
    try:
        choose_words(args)  # its row is in the words of the overview
        with logging_to(link, url.password or ""):
            findings, tally = FindingLog(), Tally()
            sinks = (link.finding, findings, tally)
            with live_driver(args, rig, url, StreamClock.live(), mode, sinks) as driver:
                asyncio.run(serve(driver, findings, link, wire, url, args.seconds))
                summary = summary_of(driver, tally)
            link.send(Report(summary=summary))
    except UserError as error:
        link.send(Report(problem=str(error)))
        code = 2
    except Exception as error:
        link.send(Report(problem=f"internal error ({type(error).__name__}: {sentence_of(error)})"))
        code = 1
    finally:
        link.close()
    sys.exit(code)
