"""`stopmark demo`: one command to see the whole chain at work, from the plant's truth to the warning.

An embedded broker is started, the simulated rig publishes to it from a process of its own, and the monitor subscribes:
nothing but messages goes from one to the other. What the truth did is compared with the warnings only at the end.
"""

import argparse
import asyncio
import contextlib
import json
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from monitor.commands.common.arguments import positive
from monitor.commands.common.screen import choose_words, screen_of
from simulators.commands.demo_rigs import count, run_rigs
from simulators.commands.simulate import add_scenario_arguments

if TYPE_CHECKING:
    from monitor.model.alarm import Finding

SHIFT_S = 12 * 3600.0

WARNS_OF = {
    "lower_limit": ("brake-now-down", "brake-fully-down", "will-cross-down"),
    "floor": ("brake-now-down", "brake-fully-down", "will-cross-down"),
    "upper_limit": ("brake-now-up", "brake-fully-up", "will-cross-up"),
    "crown": ("brake-now-up", "brake-fully-up", "will-cross-up"),
}
"""For each thing that the truth may do: the alarms of WARNING and above that announce it beforehand."""


def rate_of(text: str) -> float:
    """Stream seconds per second, 0.1 to 50."""
    number = positive(text)
    if not 0.1 <= number <= 50:
        raise argparse.ArgumentTypeError(f"{text!r} is no rate: give a number from 0.1 to 50")
    return number


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    from monitor.commands.common.arguments import add_session_arguments

    add_scenario_arguments(parser)
    parser.add_argument("--rate", type=rate_of, default=1.0, help="stream seconds per second (default: 1)")
    parser.add_argument(
        "--teach",
        action="store_true",
        help="five short situations with your hand on the simulated levers, then what came of it",
    )
    parser.add_argument(
        "--rigs", metavar="N", type=count, help="so many rigs at once, each in a process of its own, and their overview"
    )
    add_session_arguments(parser)


class Watcher:
    """Remembers when each alarm was first raised. A sink."""

    def __init__(self) -> None:
        self.raised: list[tuple[int, str]] = []

    def __call__(self, finding: "Finding") -> None:
        """Take a finding."""
        if finding.raised:
            self.raised.append((finding.t_ns, finding.key))

    def beside(self, events: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Each truth event with the alarm that announced it, and how many seconds before (the last motion toward it)."""
        rows = []
        since = 0
        for event in events:
            row = {key: event[key] for key in ("name", "t_ns", "height_m", "speed_m_s")}
            names = WARNS_OF.get(event["name"], ())
            first = min(
                ((t, key) for t, key in self.raised if key in names and since <= t < event["t_ns"]), default=None
            )
            row["warned_by"] = first[1] if first else None
            row["warned_s_before"] = round((event["t_ns"] - first[0]) * 1e-9, 3) if first else None
            rows.append(row)
        return rows


def run(args: argparse.Namespace) -> int:
    """Show it."""
    if args.rigs:
        return run_rigs(args)
    if args.teach:
        return _teach(args)
    from monitor.adapters.host.clock import StreamClock
    from monitor.adapters.host.line_writer import LineWriter
    from monitor.adapters.host.shutdown import Ending
    from monitor.adapters.mqtt.address import parse_broker_url
    from monitor.commands.common.live_run import live_driver
    from monitor.config.rig_file import find_rig
    from monitor.runtime.findings import Tally, finding_line
    from monitor.runtime.live import Intake, run_for, summary_of
    from simulators.delivery.broker import embedded_broker
    from simulators.delivery.pace import PACE_TOPIC, PacedClock, PacedIntake
    from simulators.delivery.process import start_simulated_rig
    from simulators.scenario.plant_source import PlantSource
    from simulators.scenario.scenario import find_scenario

    scenario = find_scenario(args.scenario)
    rig_name = args.rig or scenario.rig
    rig = find_rig(rig_name)
    scenario = scenario.on(rig, find_rig(scenario.rig))
    if args.sparkplug:
        scenario = scenario.model_copy(update={"sparkplug": True})
    rig = PlantSource(
        rig, scenario, args.seed
    ).rig  # a scenario that does not fit the rig is refused before anything starts
    with Ending() as ending, LineWriter() as output, embedded_broker() as address:
        clock = StreamClock.live() if args.rate == 1.0 else PacedClock(time.time_ns(), args.rate)
        # On the screen the rig works on until the person quits; headless it ends with the scenario.
        longest = None if args.headless else SHIFT_S
        seconds = longest if args.seconds is None else args.seconds + 2 * args.rate
        with start_simulated_rig(
            address, rig_name, args.scenario, args.seed, args.rate, seconds, args.sparkplug
        ) as simulated:
            simulated.wait_ready()
            url = parse_broker_url(address, {})
            tally, watcher = Tally(), Watcher()
            sinks: list[Callable[[Finding], None]] = [tally, watcher]
            screen = None if args.headless else screen_of(args)
            if screen is not None:
                sinks += screen.sinks
            else:
                sinks.append(lambda finding: output(finding_line(finding)))
            intake = None
            if isinstance(clock, PacedClock):
                paced = clock
                intake = Intake(PACE_TOPIC, lambda topics, on_frame: PacedIntake(paced, topics, on_frame).take)
            with live_driver(args, rig, url, clock, "SIMULATED", sinks, intake) as driver:
                driver.when_running(lambda: ending.attach(driver.stop))
                driver.when_connected(lambda: simulated.go(*clock.begin()))
                if screen is not None:
                    return screen.show(driver)
                with contextlib.suppress(KeyboardInterrupt):
                    asyncio.run(run_for(driver, args.seconds, lambda: simulated.finished or output.gone))
                simulated.stop()
                end_ns = clock.now_ns()
            summary = summary_of(driver, tally)
            summary["scenario"] = scenario.name
            summary["seed"] = args.seed
            summary["truth"] = watcher.beside([event for event in simulated.events if event["t_ns"] <= end_ns])
            output(json.dumps(summary))
    return 0


def _teach(args: argparse.Namespace) -> int:
    """The training: the same plant and the same monitor, in one process and without a record."""
    from monitor.errors import UserError

    if args.headless or args.plain:
        raise UserError("--teach is for the screen: leave out --headless and --plain")
    choose_words(args)
    from simulators.training.screen import run_training

    return run_training(args.theme, args.seed)
