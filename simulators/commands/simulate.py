"""`stopmark simulate`: the simulated rig alone, publishing to a broker or writing a session file."""

import argparse
import asyncio
import json
import math
import os
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common.arguments import positive
from monitor.errors import UserError

if TYPE_CHECKING:
    from monitor.config.rig import Rig
    from monitor.model.stream import Frame
    from simulators.scenario.plant_source import TruthEvent
    from simulators.scenario.scenario import Scenario
    from simulators.sensors.node import SimulatedNode


def rate_of(text: str) -> float:
    """Stream seconds per second: a number from 0.1 to 200, or ``max``."""
    if text == "max":
        return math.inf
    number = positive(text)
    if not 0.1 <= number <= 200:
        raise argparse.ArgumentTypeError(f"{text!r} is no rate: give a number from 0.1 to 200, or max")
    return number


def add_scenario_arguments(parser: argparse.ArgumentParser) -> None:
    """Words that name what is simulated."""
    parser.add_argument("--rig", help="shipped rig, or a rig file (default: the scenario's)")
    parser.add_argument("--scenario", default="calm-trip", help="name (see stopmark scenarios) or file")
    parser.add_argument("--sparkplug", action="store_true", help="the sensors come as metrics of a Sparkplug node")
    parser.add_argument("--seed", type=int, default=1, help="the machine and the hands on it (default: 1)")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    add_scenario_arguments(parser)
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--broker", metavar="URL", help="publish to mqtt://host[:port] or mqtts://host[:port]")
    where.add_argument("--session", metavar="FILE", type=Path, help="write a session file (.stopmark) to replay")
    parser.add_argument("--credentials", metavar="FILE", type=Path, help="TOML file with user, password, ca, cert, key")
    parser.add_argument(
        "--rate", type=rate_of, default=None, help="stream seconds per second, or max (default: 1; into a session: max)"
    )
    parser.add_argument("--for", dest="seconds", metavar="SECONDS", type=positive, help="length (default: scenario)")
    parser.add_argument(
        "--once", action="store_true", help="end when the broker goes away, in place of connecting again"
    )
    # For a demonstration: connect, say "ready", and take the clock's origin from standard input.
    parser.add_argument("--wait", action="store_true", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    """Simulate. What the truth does is printed as JSON Lines."""
    from monitor.config.rig_file import find_rig
    from simulators.scenario.scenario import find_scenario

    scenario = find_scenario(args.scenario)
    rig = find_rig(args.rig or scenario.rig)
    scenario = scenario.on(rig, find_rig(scenario.rig))
    if args.sparkplug:
        scenario = scenario.model_copy(update={"sparkplug": True})
    if args.session is not None:
        return _write(args, rig, scenario)
    from monitor.adapters.host.clock import StreamClock
    from monitor.adapters.mqtt.address import parse_broker_url
    from simulators.delivery.pace import Pacer
    from simulators.delivery.publish import Publisher
    from simulators.scenario.plant_source import PlantSource

    url = parse_broker_url(args.broker, os.environ, args.credentials, allow_open=True)
    rate = 1.0 if args.rate is None else args.rate
    # A scenario that does not fit the rig is refused before anything is sent.
    topics = PlantSource(rig, scenario, args.seed).rig.topics

    def start() -> StreamClock | None:
        if args.wait:
            print(json.dumps({"event": "ready"}), flush=True)
            origin, _, monotonic = sys.stdin.readline().partition(":")
            if not monotonic:
                raise UserError("nobody gave the word to start")
            return StreamClock(int(origin), rate, int(monotonic))
        return None if math.isinf(rate) else StreamClock(time.time_ns(), rate)

    nodes: list[SimulatedNode] = []

    def frames(clock: "StreamClock | None") -> Iterator["Frame"]:
        origin_ns = clock.origin_ns if clock is not None else time.time_ns()
        source = PlantSource(rig, scenario, args.seed, origin_ns, args.seconds, on_event=print_event)
        print(json.dumps({"event": "start", "t_ns": source.origin_ns}), flush=True)
        nodes.extend(source.nodes)
        yield from source

    def lost(words: str) -> None:
        print(f"stopmark simulate: {words}; it goes on trying, --once ends it", file=sys.stderr, flush=True)
        for node in nodes:
            node.lose_broker()

    def found() -> None:
        print(json.dumps({"event": "broker back"}), flush=True)
        for node in nodes:
            node.find_broker()

    pacer = Pacer(topics) if args.wait and rate != 1.0 else None
    publisher = Publisher(url, pacer, once=args.once or args.wait)
    asyncio.run(publisher.run(frames, start, lost, found))
    print(json.dumps({"event": "end", "frames": publisher.sent, "skipped": publisher.skipped}), flush=True)
    return 0


def print_event(event: "TruthEvent") -> None:
    """One truth event as one line of JSON."""
    print(json.dumps({"event": "truth", **asdict(event)}), flush=True)


def _write(args: argparse.Namespace, rig: "Rig", scenario: "Scenario") -> int:
    from simulators.scenario.plant_source import PlantSource
    from simulators.scenario.record import record

    source = PlantSource(rig, scenario, args.seed, duration_s=args.seconds, on_event=print_event)
    speed = None if args.rate is None or math.isinf(args.rate) else args.rate
    findings = record(source, args.session, speed)
    print(json.dumps({"event": "end", "session": str(args.session), "findings": findings}), flush=True)
    return 0
