"""`stopmark watch`: a rig through a real broker."""

import argparse
import asyncio
import contextlib
import json
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.adapters.address import BrokerUrl
    from monitor.config import Rig
    from monitor.core.types import Finding
    from monitor.live import LiveDriver, Mode
    from monitor.runner import Clock


def positive(text: str) -> float:
    """A number above zero, for argparse."""
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0.0 < number < 1e9:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number above 0")
    return number


def add_session_arguments(parser: argparse.ArgumentParser) -> None:
    """Words that every live run shares."""
    parser.add_argument(
        "--headless", action="store_true", help="print findings as JSON Lines, a summary last; no screen"
    )
    parser.add_argument("--data", metavar="DIR", help="folder for sessions (default: the user's data folder)")
    parser.add_argument("--no-record", action="store_true", help="keep no session")
    parser.add_argument("--rules", metavar="FILE", help="rule catalogue (default: the one that comes with Stopmark)")
    parser.add_argument(
        "--for", dest="seconds", metavar="SECONDS", type=positive, help="stop after so many stream seconds"
    )


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    parser.add_argument("--rig", required=True, help="rig file (.toml), or the name of a shipped rig")
    parser.add_argument("--broker", required=True, metavar="URL", help="mqtt://host[:port] or mqtts://host[:port]")
    parser.add_argument(
        "--credentials",
        metavar="FILE",
        help="TOML file with user, password, ca, cert, key (or use STOPMARK_MQTT_USER and STOPMARK_MQTT_PASSWORD)",
    )
    parser.add_argument("--web", action="store_true", help="serve the screen to browsers instead of showing it here")
    parser.add_argument("--bind", metavar="ADDR", help="with --web: address to serve at (default: this machine only)")
    parser.add_argument("--port", metavar="N", type=port, help="with --web: port to serve at (default: 8100; 0: any)")
    add_session_arguments(parser)


def port(text: str) -> int:
    """A port, for argparse."""
    if not text.isascii() or not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no port: give a number from 0 to 65535")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Watch."""
    from monitor.adapters.address import parse_broker_url
    from monitor.adapters.clock import StreamClock
    from monitor.config import find_rig
    from monitor.errors import UserError

    if not args.web and not (args.bind is None and args.port is None):
        raise UserError("--bind and --port say where to serve the screen: add --web")
    rig = find_rig(args.rig)
    url = parse_broker_url(args.broker, os.environ, Path(args.credentials) if args.credentials else None)
    serve = watch_in_browsers if args.web else watch
    return serve(args, rig, url, StreamClock.live(), "LIVE")


def watch(args: argparse.Namespace, rig: "Rig", url: "BrokerUrl", clock: "Clock", mode: "Mode") -> int:
    """Record and watch a rig until the end; screen or headless. Shared with the demo."""
    from monitor.live import Tally, print_finding, run_for, summary_of

    tally = Tally()
    with live_driver(args, rig, url, clock, mode, (print_finding, tally) if args.headless else (tally,)) as driver:
        if not args.headless:
            from monitor.ui.app import run_app

            return run_app(driver)
        with contextlib.suppress(KeyboardInterrupt):
            asyncio.run(run_for(driver, args.seconds))
        print(json.dumps(summary_of(driver, tally)), flush=True)
    return 0


def watch_in_browsers(args: argparse.Namespace, rig: "Rig", url: "BrokerUrl", clock: "Clock", mode: "Mode") -> int:
    """Record and watch a rig until the end; the screen in any number of browsers. Headless prints findings besides."""
    from monitor.live import Tally, print_finding, summary_of
    from monitor.web import listen

    tally = Tally()
    sinks = (print_finding, tally) if args.headless else (tally,)
    with listen(args.bind, args.port) as page, live_driver(args, rig, url, clock, mode, sinks) as driver:
        with contextlib.suppress(KeyboardInterrupt):
            page.serve(driver, args.seconds)
        if args.headless:
            print(json.dumps(summary_of(driver, tally)), flush=True)
    return 0


@contextlib.contextmanager
def live_driver(
    args: argparse.Namespace,
    rig: "Rig",
    url: "BrokerUrl",
    clock: "Clock",
    mode: "Mode",
    sinks: Sequence[Callable[["Finding"], None]],
) -> Iterator["LiveDriver"]:
    """A live driver with its recorder and, of a real rig, its ledger's keeper; all are closed at the end, with the last
    readings on the disk."""
    from monitor.adapters.folder import DataFolder
    from monitor.adapters.keeper import Keeper
    from monitor.adapters.ledger import ledger_path
    from monitor.adapters.recorder import Recorder
    from monitor.adapters.segments import SegmentedRecorder
    from monitor.config import read_text
    from monitor.core.rules import default_rules_path
    from monitor.live import LiveDriver, data_folder, header_of

    rules_path = Path(args.rules or default_rules_path())
    rules_text = read_text(rules_path)
    if args.no_record:
        yield LiveDriver(rig, rules_text, str(rules_path), url, clock, mode, None, sinks)
        return
    with DataFolder(data_folder(args.data)) as folder:
        now_ns = clock.now_ns()
        header = header_of(rig, rules_text, mode, now_ns)
        with (
            SegmentedRecorder(folder, rig.name, header, now_ns)
            if mode == "LIVE"
            else Recorder(folder.session_path(rig.name, now_ns), header)
        ) as recorder:
            # A simulation's checks and line work have no place among a rig's own.
            keeper = Keeper(ledger_path(folder.path, rig.name), recorder.note, now_ns) if mode == "LIVE" else None
            with keeper or contextlib.nullcontext():
                driver = LiveDriver(rig, rules_text, str(rules_path), url, clock, mode, recorder, sinks, keeper)
                yield driver
                driver.runner.advance(clock.now_ns())
