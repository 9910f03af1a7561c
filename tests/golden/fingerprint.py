"""A fingerprint of all that the monitor works out: ``python -m tests.golden.fingerprint [SCENARIO ...] [--against FILE]``.

One line per scenario: what the simulated rig sent, every finding, number and validity of every signal at every grid point, and
the state at the end, each as a hash over all bits. The compiled monitor and the interpreted one must print the same lines; with
`--against` they are compared with lines that were printed before, and every difference is said.

A NaN is a NaN here, whatever its bits; a whole number is not the same as a float of that size.
"""

import argparse
import hashlib
import json
import math
import struct
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat
from multiprocessing import get_context
from pathlib import Path
from typing import Final

from monitor.build import KIND
from monitor.config.rig_file import find_rig
from monitor.core.signals.table import SIGNALS
from monitor.model.snapshot import HoistState
from monitor.model.stream import Action, Frame
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario, shipped_scenarios

SEED: Final = 1
PARTS: Final = ("what is sent", "findings", "signals", "final state")
_PACK: Final = struct.Struct(f"<q{len(SIGNALS)}d{len(SIGNALS)}b").pack


def fingerprint(name: str, seconds: float | None = None) -> str:
    """The line of one scenario, of its first `seconds` alone where they are given."""
    scenario = find_scenario(name)
    source = PlantSource(find_rig(scenario.rig), scenario, SEED, duration_s=seconds)
    core = shipped_core(source.rig)
    sent, said, seen = hashlib.sha256(), hashlib.sha256(), hashlib.sha256()
    core.observer = observer(seen.update)
    for item in items(source.items(), sent.update):
        for finding in core.feed(item):
            said.update(repr(finding).encode())
    for finding in core.advance(source.end_ns):
        said.update(repr(finding).encode())
    state = hashlib.sha256(json.dumps(core.state(), sort_keys=True).encode())
    return " ".join([name, *(digest.hexdigest()[:20] for digest in (sent, said, seen, state))])


def items(arriving: Iterable[Frame | Action], take: Callable[[bytes], None]) -> Iterable[Frame | Action]:
    """The same items, each of them shown to `take` first."""
    for item in arriving:
        take(repr(item).encode())
        yield item


def observer(take: Callable[[bytes], None]) -> Callable[[int, HoistState, Sequence[float], Sequence[int]], None]:
    """An observer of a core that gives `take` the bits of every grid point."""

    def look(g: int, hoist: HoistState, numbers: Sequence[float], validities: Sequence[int]) -> None:
        take(_PACK(g, *[math.nan if number != number else number for number in numbers], *validities))
        take(hoist.name.encode())

    return look


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the lines; 1 when they differ from those of `--against`."""
    parser = argparse.ArgumentParser(description="Hashes of all that the monitor works out in scenarios.")
    parser.add_argument("scenarios", nargs="*", metavar="SCENARIO", help="default: all")
    parser.add_argument("--seconds", type=float, help="only so much of each")
    parser.add_argument("--jobs", type=int, default=1, help="processes (default: 1)")
    parser.add_argument("--against", type=Path, metavar="FILE", help="lines to compare with; only their scenarios")
    args = parser.parse_args(arguments)
    print(f"{KIND}:", file=sys.stderr)
    expected: dict[str, str] = {}
    if args.against:
        expected = {line.split()[0]: line for line in args.against.read_text(encoding="utf-8").splitlines()}
    names = args.scenarios or list(expected) or list(shipped_scenarios())
    different = 0
    with ProcessPoolExecutor(args.jobs, get_context("spawn")) as pool:
        for line in pool.map(fingerprint, names, repeat(args.seconds)):
            print(line, flush=True)
            name, *found = line.split()
            if expected and found != (was := expected.get(name, "").split()[1:]):
                different += 1
                wrong = [part for part, a, b in zip(PARTS, found, was, strict=False) if a != b]
                print(f"{name}: differs in {', '.join(wrong) or 'all: it was not there'}", file=sys.stderr)
    if expected:
        print(f"{len(names) - different} of {len(names)} scenarios the same to the last bit", file=sys.stderr)
    return 1 if different else 0


if __name__ == "__main__":
    sys.exit(main())
