"""`stopmark replay`: a recorded session once more."""

import argparse
import asyncio
import json
import math
from pathlib import Path

from monitor.errors import UserError


def speed_of(text: str) -> float:
    """A replay speed: a number from 0.1 to 1000, or ``max``."""
    if text == "max":
        return math.inf
    try:
        speed = float(text)
    except ValueError:
        speed = math.nan
    if not 0.1 <= speed <= 1000:
        raise argparse.ArgumentTypeError(f"{text!r} is no speed: give a number from 0.1 to 1000, or max")
    return speed


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    parser.add_argument("session", metavar="SESSION", type=Path, help="a recorded session (.stopmark)")
    parser.add_argument("--speed", type=speed_of, default=None, help="0.1 to 1000, or max (default: 1; headless: max)")
    parser.add_argument(
        "--headless", action="store_true", help="print findings as JSON Lines, a summary last; no screen"
    )


def run(args: argparse.Namespace) -> int:
    """Play it."""
    from monitor.adapters.replay import SessionReader
    from monitor.live import Tally, print_finding
    from monitor.playback import ReplayDriver, play

    speed = args.speed if args.speed is not None else (math.inf if args.headless else 1.0)
    with SessionReader(args.session) as session:
        if session.end_ns == 0:
            raise UserError(f"{args.session}: holds no readings")
        if not args.headless:
            from monitor.ui.app import run_app

            return run_app(ReplayDriver(session, speed))
        tally = Tally()
        driver = ReplayDriver(session, speed, (print_finding, tally))
        if math.isinf(speed):
            driver.play_out()
        else:
            asyncio.run(play(driver))
        summary = {
            "summary": "replay",
            "session": str(args.session),
            "rig": driver.rig.name,
            "stream_seconds": round((driver.end_ns - driver.start_ns) * 1e-9, 3),
            "frames": session.frames,
            "raised": tally.raised,
        }
        print(json.dumps(summary), flush=True)
    return 0
