"""`stopmark watch`: a rig, or several, through a real broker."""

import argparse
import asyncio
import contextlib
import json
import logging
import sys
from typing import TYPE_CHECKING

from monitor.commands.common.arguments import (
    add_retention_arguments,
    add_rig_arguments,
    add_session_arguments,
    port,
)
from monitor.commands.common.live_run import live_driver
from monitor.commands.common.screen import choose_words, screen_of
from monitor.commands.common.several_rigs import is_one, url_of, watch_several

if TYPE_CHECKING:
    from monitor.adapters.host.shutdown import Ending
    from monitor.adapters.mqtt.address import BrokerUrl
    from monitor.config.rig import Rig
    from monitor.model.stream import Clock
    from monitor.runtime.driver import Mode


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    add_rig_arguments(parser)
    parser.add_argument("--web", action="store_true", help="serve the screen to browsers instead of showing it here")
    parser.add_argument("--bind", metavar="ADDR", help="with --web: address to serve at (default: this machine only)")
    parser.add_argument("--port", metavar="N", type=port, help="with --web: port to serve at (default: 8100; 0: any)")
    add_session_arguments(parser)
    add_retention_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Watch."""
    from monitor.adapters.host.clock import StreamClock
    from monitor.config.rig_file import find_rig
    from monitor.errors import UserError

    if not args.web and not (args.bind is None and args.port is None):
        raise UserError("--bind and --port say where to serve the screen: add --web")
    if args.plain and (args.web or args.headless):
        raise UserError("--plain is for this terminal: leave out --web and --headless")
    if not is_one(args):
        return watch_several(args, url_of(args, say), "LIVE", say)
    rig = find_rig(args.rigs[0])
    url = url_of(args, say)
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
    logging.getLogger().addHandler(
        logging.NullHandler()
    )  # the screen shows it; a line on standard error would tear the screen
    screen = screen_of(args)
    ending.step(f"the recordings in {args.data or 'the data folder'}")
    with live_driver(args, rig, url, clock, mode, screen.sinks) as driver:
        driver.when_running(lambda: ending.attach(driver.stop))
        return screen.show(driver)


def watch_headless(
    args: argparse.Namespace, rig: "Rig", url: "BrokerUrl", clock: "Clock", mode: "Mode", ending: "Ending"
) -> int:
    """Findings on standard output, whether or not they are read."""
    from monitor.adapters.host.line_writer import LineWriter
    from monitor.runtime.findings import Tally, finding_line
    from monitor.runtime.live import run_for, summary_of

    tally = Tally()
    ending.step(f"the recordings in {args.data or 'the data folder'}")
    with LineWriter() as output:
        sinks = (lambda finding: output(finding_line(finding)), tally)
        with live_driver(args, rig, url, clock, mode, sinks) as driver:
            driver.when_running(lambda: ending.attach(driver.stop))
            warned = False

            def unread() -> bool:
                """Whether to end because the output is closed: not while there is a recording to keep."""
                nonlocal warned
                if output.gone and not warned:
                    warned = True
                    say("nobody reads the findings any more" + ("; recording goes on" if driver.recorder else ""))
                return output.gone and driver.recorder is None

            with contextlib.suppress(KeyboardInterrupt):
                asyncio.run(run_for(driver, args.seconds, unread))
        # Not before the end: what the last readings bring is found then.
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

    choose_words(args)
    tally = Tally()
    with listen(args.bind, args.port) as page, Ending() as ending, LineWriter() as output:
        sinks = (lambda finding: output(finding_line(finding)), tally) if args.headless else (tally,)
        with live_driver(args, rig, url, clock, mode, sinks) as driver, contextlib.suppress(KeyboardInterrupt):
            page.serve(driver, args.seconds, ending)
        if args.headless:
            output(json.dumps(summary_of(driver, tally)))
    return 0
