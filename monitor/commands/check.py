"""`stopmark check`: every mistake of a rig file at once; with a broker, which topics are alive and at what rate."""

import argparse
import asyncio
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from monitor.errors import UserError

if TYPE_CHECKING:
    from monitor.adapters.mqtt.address import BrokerUrl
    from monitor.config.rig import Rig
    from monitor.model.stream import Frame

STRENGTH_TOLERANCE: Final = 0.05
"""Makers of one kind of rope differ by less (rope tables: within a few per cent)."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    from monitor.commands.common.arguments import add_credentials_arguments, positive

    parser.add_argument("--rig", required=True, help="rig file (.toml), or the name of a shipped rig")
    parser.add_argument("--rules", metavar="FILE", help="rule catalogue (default: the one that comes with Stopmark)")
    parser.add_argument("--broker", metavar="URL", help="listen there and compare what comes with the rig file")
    add_credentials_arguments(parser)
    parser.add_argument(
        "--sparkplug",
        action="store_true",
        help="with --broker: list every metric that Sparkplug nodes send there, and propose tables for a rig file",
    )
    parser.add_argument("--for", dest="seconds", metavar="SECONDS", type=positive, default=10.0, help="how long (10)")


def run(args: argparse.Namespace) -> int:
    """Check; 0 when all is well, 1 when something is missing, 2 for mistakes in the files."""
    from monitor.config.rig_file import find_rig
    from monitor.config.rules_file import default_rules_path, load_rules
    from monitor.core.signals.table import SIGNAL_NAMES, not_fitted

    rig = find_rig(args.rig)
    rules = load_rules(Path(args.rules) if args.rules else default_rules_path(), rig, SIGNAL_NAMES, not_fitted(rig))
    print(f"{rig.name}: {rig.title}. {len(rig.sensors)} sensors, {len(rules.rules)} rules. The files are in order.")
    for note in (*missing_notes(rig, rules.left_out), *geometry_notes(rig), *rope_notes(rig)):
        print(f"  note: {note}")
    if args.broker is None:
        if args.sparkplug:
            raise UserError("--sparkplug lists what is sent on a broker: give --broker, too")
        return 0
    from monitor.adapters.mqtt.address import exposed_password, open_secrets, parse_broker_url

    credentials = Path(args.credentials) if args.credentials else None
    url = parse_broker_url(args.broker, os.environ, credentials, args.allow_open_credentials)
    for words in (*open_secrets(url, credentials), *exposed_password(url)):
        print(f"  note: {words}")
    return asyncio.run((_survey if args.sparkplug else _listen)(rig, url, args.seconds))


def missing_notes(rig: "Rig", left_out: "Sequence[str]") -> list[str]:
    """What this rig cannot be warned of, and why."""
    from monitor.presentation.missing import words_of_missing

    missing = words_of_missing(rig)
    notes = [f"not fitted: the file has {missing}"] if missing else []
    return notes + ([f"not warned of, {len(left_out)} rules: {', '.join(left_out)}"] if left_out else [])


def geometry_notes(rig: "Rig") -> list[str]:
    """What a drum cannot do although each number is allowed."""
    from monitor.config.optional_tables import ON_DRUM
    from monitor.physics.drum import DrumGeometry, turns_at_height

    if not rig.has(*ON_DRUM):
        return []

    drum = DrumGeometry(
        rig.drum.core_diameter_m,
        rig.line.rope_diameter_m,
        rig.drum.wraps_per_layer,
        rig.drum.nesting,
        rig.drum.max_layers,
        rig.drum.dead_wraps,
    )
    notes = []
    reference = rig.reference
    top, bottom = (
        turns_at_height(drum, height, reference.turns, reference.height_m, rig.line.lines)
        for height in (rig.mast.crown_m, rig.mast.floor_m)
    )
    if top > rig.drum.max_layers * rig.drum.wraps_per_layer:
        notes.append(
            f"drum: at the crown {top:.0f} wraps would be on a drum that holds "
            f"{rig.drum.max_layers * rig.drum.wraps_per_layer:.0f}: check reference.turns, drum and rope"
        )
    if bottom < rig.drum.dead_wraps:
        notes.append(
            f"drum: at the floor only {bottom:.1f} wraps are left, fewer than the {rig.drum.dead_wraps:g} dead wraps"
        )
    return notes


def rope_notes(rig: "Rig") -> list[str]:
    """Where the rope's strength is far from the tables' for its diameter and grade; nothing for a rope they do not have."""
    from monitor.physics.line import breaking_strength_n

    line = rig.line
    if not rig.has("line"):
        return []
    try:
        usual = breaking_strength_n(line.rope_diameter_m, line.grade)
    except ValueError:
        return []
    if abs(line.breaking_strength_n / usual - 1.0) <= STRENGTH_TOLERANCE:
        return []
    return [
        f"line: breaking_strength_n is {line.breaking_strength_n / 1e3:.0f} kN; rope tables have {usual / 1e3:.0f} kN for"
        f" {line.grade} of {line.rope_diameter_m * 1e3:.1f} mm: check it against the rope's certificate"
    ]


@dataclass(slots=True)
class _Heard:
    fresh: int = 0
    retained: int = 0
    good: int = 0
    why: str = ""

    def result(self, rate: float, expected: float) -> str:
        """What to say of a sensor that was heard `rate` times a second."""
        if self.fresh == 0:
            return "MISSING: only a retained message" if self.retained else "MISSING: nothing came"
        if self.good == 0:
            return f"REFUSED: {self.why}"
        if rate < 0.5 * expected:
            return "SLOW: less than half the expected rate"
        return "alive" + (f"; some refused: {self.why}" if self.why else "")


async def _listen(rig: "Rig", url: "BrokerUrl", seconds: float) -> int:
    from monitor.core.sensors.decoder import Decoder
    from monitor.model.reading import Reject

    decoder = Decoder(rig)
    heard = [_Heard() for _ in rig.sensors]
    by_topic: dict[str, list[_Heard]] = {}
    for sensor, record in zip(rig.sensors, heard, strict=True):
        by_topic.setdefault(rig.topic(sensor), []).append(record)

    def take(frame: "Frame") -> None:
        for record in by_topic.get(frame.topic, ()):
            record.retained += frame.retained
            record.fresh += not frame.retained
        for item in decoder.decode(frame):
            if isinstance(item, Reject):
                if item.sensor is not None and not frame.retained:
                    heard[item.sensor].why = f"{item.reason}: {item.detail}" if item.detail else str(item.reason)
            else:
                heard[item.sensor].good += 1
        for index, _, words in decoder.news:
            if index is not None and words:
                heard[index].why = words
        decoder.news.clear()

    await _hear(url, rig.subscriptions, take, seconds)
    _print_heard(rig, heard, seconds)
    return 1 if any(record.good == 0 for record in heard) else 0


async def _survey(rig: "Rig", url: "BrokerUrl", seconds: float) -> int:
    from monitor.commands.common.sparkplug_survey import PATTERNS, Survey

    survey = Survey()
    await _hear(url, PATTERNS, survey.take, seconds)
    for line in survey.lines(seconds):
        print(line)
    tables = [*survey.proposal(rig)]
    if tables:
        print("\nProposed for the rig file; look at each, and fill in what is left open:\n")
        print("\n".join(tables))
    return 0 if tables else 1


async def _hear(url: "BrokerUrl", topics: Sequence[str], take: Callable[["Frame"], None], seconds: float) -> None:
    """Give `take` what comes under `topics` in so many seconds.

    Raises:
        UserError: there was no connection.
    """
    from monitor.adapters.host.clock import StreamClock
    from monitor.adapters.mqtt.source import MqttSource

    state = {"connected": False, "words": "no answer yet"}

    def connection(connected: bool, words: str) -> None:
        state["connected"] = state["connected"] or connected
        state["words"] = words

    task = asyncio.create_task(MqttSource(url, topics, StreamClock.live(), take, connection).run())
    await asyncio.wait([task], timeout=seconds)
    if task.done():
        task.result()
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    if not state["connected"]:
        raise UserError(f"no connection to the broker in {seconds:g} s: {state['words']}")


def _print_heard(rig: "Rig", heard: Sequence[_Heard], seconds: float) -> None:
    print(f"{'sensor':<22}{'topic':<40}{'per s':>8}{'expected':>10}  result")
    for sensor, record in zip(rig.sensors, heard, strict=True):
        rate = record.good / seconds
        result = record.result(rate, sensor.rate_hz)
        print(f"{sensor.id:<22}{rig.topic(sensor):<40}{rate:>8.1f}{sensor.rate_hz:>10g}  {result}")
