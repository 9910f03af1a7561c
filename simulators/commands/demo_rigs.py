"""`stopmark demo --rigs N`: several simulated rigs on one embedded broker, each watched in a process of its own."""

import argparse
import contextlib
import re
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from monitor.errors import UserError

MOST: Final = 8
"""Each is two processes: the simulated rig and its monitor."""
_SHIFT_S: Final = 12 * 3600.0
SCENARIOS: Final = ("calm-trip", "calm-trip-light", "late-brake-floor", "calm-trip-deep")
"""What the rigs after the first one do, in turn; the first has the scenario that was asked for."""


def count(text: str) -> int:
    """How many rigs, for argparse."""
    if not (text.isascii() and text.isdecimal() and 2 <= int(text) <= MOST):
        raise argparse.ArgumentTypeError(f"{text!r} is no number from 2 to {MOST}")
    return int(text)


def run_rigs(args: argparse.Namespace) -> int:
    """Show them.

    Raises:
        UserError: words that do not go together, or the broker does not start.
    """
    from monitor.adapters.host.clock import StreamClock
    from monitor.adapters.mqtt.address import parse_broker_url
    from monitor.adapters.sessions.folder import data_folder
    from monitor.commands.common.live_run import DEMOS
    from monitor.commands.common.several_rigs import watch_several
    from monitor.commands.watch import say
    from simulators.delivery.broker import embedded_broker
    from simulators.delivery.process import start_simulated_rig

    if args.rate != 1.0 or args.sparkplug or args.teach or args.rig:
        raise UserError("--rigs goes with none of --rate, --rig, --sparkplug and --teach")
    with (
        TemporaryDirectory(prefix="stopmark-rigs-") as folder,
        embedded_broker() as address,
        contextlib.ExitStack() as stack,
    ):
        files, simulated = [], []
        for place in range(args.rigs):
            scenario = args.scenario if place == 0 else SCENARIOS[place % len(SCENARIOS)]
            files.append(str(_file(Path(folder), f"rig-{place + 1}", scenario)))
            seconds = _SHIFT_S if args.seconds is None else args.seconds + 5.0
            simulated.append(
                stack.enter_context(
                    start_simulated_rig(address, files[-1], scenario, args.seed + place, 1.0, seconds)
                )
            )  # fmt: skip
        for one in simulated:
            one.wait_ready()
        words = argparse.Namespace(**vars(args))
        words.rigs, words.fleet, words.keep_days, words.keep_share, words.keep_free = files, None, None, None, None
        words.data = args.data or str(data_folder(None) / DEMOS)
        clock = StreamClock.live()
        for one in simulated:
            one.go(*clock.begin())
        return watch_several(words, parse_broker_url(address, {}), "SIMULATED", say)


def _file(folder: Path, name: str, scenario: str) -> Path:
    """The file of the scenario's rig under another name."""
    from monitor.config.rig_file import shipped_rigs
    from simulators.scenario.scenario import find_scenario

    rig = find_scenario(scenario).rig
    text = shipped_rigs().get(rig, Path(rig)).read_text(encoding="utf-8")
    path = folder / f"{name}.toml"
    path.write_text(re.sub(r'(?m)^name = ".*"', f'name = "{name}"', text, count=1), encoding="utf-8")
    return path
