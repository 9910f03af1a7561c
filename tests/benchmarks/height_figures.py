"""How right the height is in shipped scenarios in which one encoder misleads.

Run it with ``python -m tests.benchmarks.height_figures [SCENARIO ...]``; it prints one line per scenario: the share of the looks
at which the height was VALID, the share of those with the truth inside the 99 % bound, and when the crew was first told.
"""

import sys
from collections.abc import Sequence

from monitor.config.rig_file import find_rig
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.reading import Validity
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario

SCENARIOS = ("counts-missed", "rope-slip", "cut-and-slip-forgotten", "clock-wrong", "broker-pauses", "bad-network")
HEIGHT, BOUND = SIGNAL_NAMES.index("height"), SIGNAL_NAMES.index("height_bound")


def figures(name: str) -> str:
    """The line of one scenario."""
    scenario = find_scenario(name)
    source = PlantSource(find_rig(scenario.rig), scenario, 1)
    core = shipped_core(source.rig)
    from_s = scenario.faults[0].start_s
    looks = valid = inside = 0
    told: float | None = None
    for tick, (now, items) in enumerate(source.ticks()):
        found = [finding for item in items for finding in core.feed(item)]
        at_s = (now - source.origin_ns) * 1e-9
        if at_s < from_s:
            continue
        if tick % 20 == 0:
            found += core.advance(now)
            (height, validity), (bound, _) = core.values[HEIGHT], core.values[BOUND]
            looks += 1
            if validity == Validity.VALID:
                valid += 1
                inside += abs(height - source.plant.height_m) <= bound
        if told is None and any(f.key.startswith(("height-", "verdict:drum")) and f.after for f in found):
            told = at_s - from_s
    shares = f"VALID {100 * valid / looks:5.1f} %, inside {100 * inside / max(valid, 1):5.1f} % of it"
    return f"{name:24} {shares}, told {'never' if told is None else f'after {told:.1f} s'}"


def main(names: Sequence[str]) -> None:
    """Print the figures."""
    for name in names or SCENARIOS:
        print(figures(name))


if __name__ == "__main__":
    main(sys.argv[1:])
