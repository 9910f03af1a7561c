"""`stopmark replay`: recorded sessions once more."""

import argparse
import asyncio
import json
import math
import sys
from contextlib import nullcontext
from typing import TYPE_CHECKING

from monitor.commands.common.progress import Progress
from monitor.commands.common.screen import add_screen_arguments, screen_of
from monitor.commands.common.session_range import add_session_range, add_sessions, print_faults, session_range
from monitor.errors import UserError

if TYPE_CHECKING:
    from monitor.adapters.sessions.chain import SessionChain
    from monitor.runtime.replay import ReplayDriver

BEFORE_FINDING_NS = 5_000_000_000
"""`--at` begins this long before the finding, so that one sees how it came to it."""


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
    add_sessions(parser)
    parser.add_argument("--speed", type=speed_of, default=None, help="0.1 to 1000, or max (default: 1; headless: max)")
    where = parser.add_mutually_exclusive_group()
    add_session_range(parser, begin=where)
    where.add_argument(
        "--at", metavar="FINDING",
        help="begin 5 s before a finding: its name (brake-now-up; brake-now-up:2 is the second of them), as report and"
        " --headless tell it, or its number among all (the row of it in export --what findings)",
    )  # fmt: skip
    add_screen_arguments(parser)
    parser.add_argument("--loop", action="store_true", help="begin again at the end")
    parser.add_argument("--paused", action="store_true", help="begin paused")
    parser.add_argument(
        "--rules", metavar="FILE", default="recorded",
        help='what other rules would have said: a rule catalogue, "shipped", or "recorded" (the default)',
    )  # fmt: skip
    parser.add_argument(
        "--headless", action="store_true", help="print findings as JSON Lines, a summary last; no screen"
    )


def run(args: argparse.Namespace) -> int:
    """Play it."""
    from monitor.adapters.sessions.chain import SessionChain
    from monitor.commands.common.arguments import rules_text
    from monitor.runtime.findings import Tally, print_finding
    from monitor.runtime.replay import ReplayDriver, play

    speed = args.speed if args.speed is not None else (math.inf if args.headless else 1.0)
    if args.headless and (args.loop or args.paused or args.plain):
        raise UserError("--loop, --paused and --plain are for a person: leave them out with --headless")
    with SessionChain(args.sessions) as session:
        text, where = rules_text(args.rules, session)
        from_ns, to_ns = session_range(args, session, finding_ns(args.at, session) if args.at else None)
        unsound = print_faults(session)
        tally = Tally()
        screen = None if args.headless else screen_of(args)
        driver = ReplayDriver(
            session, speed, (print_finding, tally) if screen is None else screen.sinks, rules_text=text, rules_path=where,
            from_ns=from_ns, to_ns=to_ns, loop=args.loop, paused=args.paused,
        )  # fmt: skip
        if screen is not None:
            return screen.show(driver)
        if math.isinf(speed):
            sign = Progress(f"replaying {driver.rig.name}", done=lambda: _done(driver))
            with nullcontext() if sys.stdout.isatty() else sign:  # there the findings are the sign
                driver.play_out()
        else:
            asyncio.run(play(driver))
        summary = {
            "summary": "replay",
            "session": ", ".join(map(str, args.sessions)),
            "rig": driver.rig.name,
            "rules": args.rules,
            "stream_seconds": round((driver.end_ns - driver.from_ns) * 1e-9, 3),
            "frames": driver.frames,
            "raised": tally.raised,
        }
        if unsound:
            summary["not_sound"] = unsound
        print(json.dumps(summary), flush=True)
    return 0


def _done(driver: "ReplayDriver") -> tuple[int, float]:
    """Readings so far, and the share of the time that has been played."""
    whole_ns = driver.end_ns - driver.from_ns
    played_ns = driver.core.now_ns - driver.from_ns
    return driver.frames, played_ns / whole_ns if whole_ns > 0 else math.nan


def finding_ns(word: str, session: "SessionChain") -> int:
    """Stream time shortly before the recorded finding that `word` names: ``12`` is the 12th, ``brake-now-up`` the first
    of that key, ``brake-now-up:2`` its second.

    Raises:
        UserError: there is no such finding.
    """
    found = session.findings()
    if word.isdecimal():
        if not 1 <= int(word) <= len(found):
            raise UserError(f"--at {word}: the session has {len(found)} findings")
        return max(session.t_first_ns, found[int(word) - 1].t_ns - BEFORE_FINDING_NS)
    rung = [f for f in found if f.raised or f.prompted or f.kind not in ("alarm", "prompt")]
    named = [f for f in rung if f.key == word]
    place = 1
    key, colon, count = word.rpartition(":")
    if not named and colon and count.isdecimal():
        named, place = [f for f in rung if f.key == key], int(count)
    if named and not 1 <= place <= len(named):
        raise UserError(f"--at {word}: the session has it {len(named)} time{'s' if len(named) > 1 else ''}")
    if not named:
        keys = ", ".join(sorted({f.key for f in rung})) or "none"
        raise UserError(f"--at {word}: no such finding in the session; it has: {keys}")
    return max(session.t_first_ns, named[place - 1].t_ns - BEFORE_FINDING_NS)
