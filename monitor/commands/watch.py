"""`stopmark watch`: a rig through a real broker."""

import argparse
import asyncio
import contextlib
import gc
import json
import logging
import math
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common.screen import add_screen_arguments, show

if TYPE_CHECKING:
    from monitor.adapters.host.shutdown import Ending
    from monitor.adapters.mqtt.address import BrokerUrl
    from monitor.adapters.sessions.segments import Retention
    from monitor.config.rig import Rig
    from monitor.model.alarm import Finding
    from monitor.runtime.driver import Mode
    from monitor.runtime.live import LiveDriver
    from monitor.runtime.runner import Clock

DEMOS = "demos"
"""Folder of what a demo records, inside the user's data folder."""
YOUNG_OBJECTS = (700, 10, 10)
"""How often a running watch has its garbage collected: Python's own usual, much more often than while it starts."""


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
    """Words that every live run with a screen shares."""
    parser.add_argument(
        "--headless", action="store_true", help="print findings as JSON Lines, a summary last; no screen"
    )
    parser.add_argument("--no-record", action="store_true", help="keep no session")
    add_screen_arguments(parser)
    add_run_arguments(parser)


def add_run_arguments(parser: argparse.ArgumentParser) -> None:
    """Words that every live run shares."""
    parser.add_argument("--data", metavar="DIR", help="folder for sessions (default: the user's data folder)")
    parser.add_argument("--rules", metavar="FILE", help="rule catalogue (default: the one that comes with Stopmark)")
    parser.add_argument(
        "--for", dest="seconds", metavar="SECONDS", type=positive, help="stop after so many stream seconds"
    )


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    add_rig_arguments(parser)
    parser.add_argument("--web", action="store_true", help="serve the screen to browsers instead of showing it here")
    parser.add_argument("--bind", metavar="ADDR", help="with --web: address to serve at (default: this machine only)")
    parser.add_argument("--port", metavar="N", type=port, help="with --web: port to serve at (default: 8100; 0: any)")
    add_session_arguments(parser)
    add_retention_arguments(parser)


def add_rig_arguments(parser: argparse.ArgumentParser) -> None:
    """Which rig, and how to reach it."""
    parser.add_argument("--rig", required=True, help="rig file (.toml), or the name of a shipped rig")
    parser.add_argument("--broker", required=True, metavar="URL", help="mqtt://host[:port] or mqtts://host[:port]")
    parser.add_argument(
        "--credentials",
        metavar="FILE",
        help="TOML file with user, password, ca, cert, key (or use STOPMARK_MQTT_USER, and STOPMARK_MQTT_PASSWORD or the name"
        " of a file in STOPMARK_MQTT_PASSWORD_FILE)",
    )


def add_retention_arguments(parser: argparse.ArgumentParser) -> None:
    """How long recordings stay. The defaults are those of `Retention`; None is no bound, and "none" says so."""
    group = parser.add_argument_group(
        "how long sessions stay",
        "The oldest go first, never the newest. Each removal is written into the session being recorded; one that was flagged,"
        " or held findings that nobody had acknowledged, is removed only with a warning that names them.",
    )
    group.add_argument(
        "--keep-days",
        metavar="DAYS",
        type=bound(days),
        help="remove older ones (default: 90; none: never); a stretch without any recording counts as a day at most",
    )
    group.add_argument(
        "--keep-share", metavar="PERCENT", type=bound(share), help="of the disk, for recordings (default: 50%%; none)"
    )
    group.add_argument(
        "--keep-free",
        metavar="SIZE",
        type=bound(size),
        help="room to keep free, as 500MB or 2GB (default: 200MB; none)",
    )


def bound(read: Callable[[str], float]) -> Callable[[str], float]:
    """For argparse: what `read` makes of a word, or infinity for "none"."""

    def take(text: str) -> float:
        if text.strip().lower() == "none":
            return math.inf
        try:
            return read(text.strip())
        except ValueError as error:
            raise argparse.ArgumentTypeError(f"{text!r} is not {error}, nor none") from None

    return take


def days(text: str) -> float:
    """A number of days above zero. Raises ValueError."""
    return _number(text, 36_500.0, "a number of days above 0")


def share(text: str) -> float:
    """A share of the disk, 0 to 1, from percent. Raises ValueError."""
    return _number(text.removesuffix("%"), 100.0, "a share in percent, above 0 and at most 100") / 100.0


def size(text: str) -> float:
    """Bytes, from a number with MB, GB or TB. Raises ValueError."""
    words = "a size such as 500MB or 2GB"
    for unit, factor in (("MB", 1e6), ("GB", 1e9), ("TB", 1e12)):
        if text.upper().endswith(unit):
            return _number(text[: -len(unit)], 1e15 / factor, words) * factor
    raise ValueError(words)


def _number(text: str, most: float, words: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0.0 < number <= most:
        raise ValueError(words)
    return number


def retention_of(args: argparse.Namespace) -> "Retention":
    """The bounds that were given, and the defaults for those that were not."""
    from monitor.adapters.sessions.segments import Retention

    usual = Retention()

    def pick(given: float | None, default: float | None) -> float | None:
        return default if given is None else None if given == math.inf else given

    free = pick(args.keep_free, usual.min_free_bytes)
    return Retention(
        pick(args.keep_days, usual.max_age_days),
        pick(args.keep_share, usual.max_disk_share),
        None if free is None else int(free),
    )


def port(text: str) -> int:
    """A port, for argparse."""
    if not text.isascii() or not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no port: give a number from 0 to 65535")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Watch."""
    from monitor.adapters.host.clock import StreamClock
    from monitor.adapters.mqtt.address import parse_broker_url
    from monitor.config.rig_file import find_rig
    from monitor.errors import UserError

    if not args.web and not (args.bind is None and args.port is None):
        raise UserError("--bind and --port say where to serve the screen: add --web")
    rig = find_rig(args.rig)
    url = parse_broker_url(args.broker, os.environ, Path(args.credentials) if args.credentials else None)
    serve = watch_in_browsers if args.web else watch
    return serve(args, rig, url, StreamClock.live(), "LIVE")


def watch(args: argparse.Namespace, rig: "Rig", url: "BrokerUrl", clock: "Clock", mode: "Mode") -> int:
    """Record and watch a rig until the end; screen or headless."""
    from monitor.adapters.host.shutdown import Ending

    with Ending() as ending:
        return (watch_headless if args.headless else watch_on_screen)(args, rig, url, clock, mode, ending)


def watch_on_screen(
    args: argparse.Namespace, rig: "Rig", url: "BrokerUrl", clock: "Clock", mode: "Mode", ending: "Ending"
) -> int:
    """Until the person quits, or a signal ends it: a closed terminal among them."""
    logging.getLogger().addHandler(logging.NullHandler())  # the screen tells; a line on standard error would tear it
    with live_driver(args, rig, url, clock, mode, ()) as driver:
        driver.when_running(lambda: ending.attach(driver.stop))
        return show(driver, args)


def watch_headless(
    args: argparse.Namespace, rig: "Rig", url: "BrokerUrl", clock: "Clock", mode: "Mode", ending: "Ending"
) -> int:
    """Findings on standard output, whoever reads them or not."""
    from monitor.adapters.host.line_writer import LineWriter
    from monitor.runtime.findings import Tally, finding_line
    from monitor.runtime.live import run_for, summary_of

    tally = Tally()
    with LineWriter() as output:
        sinks = (lambda finding: output(finding_line(finding)), tally)
        with live_driver(args, rig, url, clock, mode, sinks) as driver:
            driver.when_running(lambda: ending.attach(driver.stop))
            told = False

            def unread() -> bool:
                """Whether to end because nobody reads: not while there is a recording to keep."""
                nonlocal told
                if output.gone and not told:
                    told = True
                    say("nobody reads the findings any more" + ("; recording goes on" if driver.recorder else ""))
                return output.gone and driver.recorder is None

            with contextlib.suppress(KeyboardInterrupt):
                asyncio.run(run_for(driver, args.seconds, unread))
            output(json.dumps(summary_of(driver, tally)))
        output.close()
        if output.unwritten and not output.gone:
            say(f"{output.unwritten} lines were not printed: nobody read them; a session has them all")
    return 0


def say(words: str) -> None:
    """A line for the person at the terminal, if there still is one."""
    from monitor.text import harmless

    with contextlib.suppress(OSError, ValueError, AttributeError):
        print(f"stopmark: {harmless(words)}", file=sys.stderr, flush=True)


def watch_in_browsers(args: argparse.Namespace, rig: "Rig", url: "BrokerUrl", clock: "Clock", mode: "Mode") -> int:
    """Record and watch a rig until the end; the screen in any number of browsers. Headless prints findings besides."""
    from monitor.adapters.host.line_writer import LineWriter
    from monitor.adapters.host.shutdown import Ending
    from monitor.runtime.findings import Tally, finding_line
    from monitor.runtime.live import summary_of
    from monitor.web import listen

    tally = Tally()
    with listen(args.bind, args.port) as page, Ending() as ending, LineWriter() as output:
        sinks = (lambda finding: output(finding_line(finding)), tally) if args.headless else (tally,)
        with live_driver(args, rig, url, clock, mode, sinks) as driver:
            with contextlib.suppress(KeyboardInterrupt):
                page.serve(driver, args.seconds, ending)
            if args.headless:
                output(json.dumps(summary_of(driver, tally)))
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
    from monitor.adapters.ledger.ledger import ledger_path
    from monitor.adapters.ledger.writer import Keeper
    from monitor.adapters.sessions.folder import DataFolder, data_folder
    from monitor.adapters.sessions.recorder import Recorder
    from monitor.adapters.sessions.segments import SegmentedRecorder
    from monitor.config.rules_file import default_rules_path
    from monitor.config.toml_file import read_text
    from monitor.runtime.assembly import header_of
    from monitor.runtime.live import LiveDriver

    rules_path = Path(args.rules or default_rules_path())
    rules_text = read_text(rules_path)
    if args.no_record:
        yield _settled(LiveDriver(rig, rules_text, str(rules_path), url, clock, mode, None, sinks))
        return
    # A demo is recorded apart: a rig's own sessions stay among themselves, and its folder free for its own monitor.
    place = data_folder(args.data)
    if mode == "SIMULATED" and not args.data:
        place /= DEMOS
    with DataFolder(place, patient=mode == "LIVE") as folder:
        now_ns = clock.now_ns()
        header = header_of(rig, rules_text, mode, now_ns)
        with (
            SegmentedRecorder(folder, rig.name, header, now_ns, retention_of(args))
            if mode == "LIVE"
            else Recorder(folder.session_path(rig.name, now_ns), header)
        ) as recorder:
            # A simulation's checks and line work have no place among a rig's own.
            keeper = Keeper(ledger_path(folder.path, rig.name), recorder.note, now_ns) if mode == "LIVE" else None
            with keeper or contextlib.nullcontext():
                driver = LiveDriver(rig, rules_text, str(rules_path), url, clock, mode, recorder, sinks, keeper)
                yield _settled(driver)
                driver.runner.advance(clock.now_ns())
                driver.runner.checkpoint()


def _settled(driver: "LiveDriver") -> "LiveDriver":
    """Tell the collector of garbage that what is here by now stays: going through all of it holds the watch up for 15 ms."""
    gc.freeze()
    gc.set_threshold(*YOUNG_OBJECTS)
    return driver
