"""How right the height is in shipped scenarios in which one encoder misleads.

Run it with ``python -m tests.benchmarks.height_figures [SCENARIO ...]``; the share of the looks
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
from tests.benchmarks.figures import Figure, show

SCENARIOS = ("counts-missed", "rope-slip", "cut-and-slip-forgotten", "clock-wrong", "broker-pauses", "bad-network")
HEIGHT, BOUND = SIGNAL_NAMES.index("height"), SIGNAL_NAMES.index("height_bound")


def figures(name: str) -> list[Figure]:
    """Those of one scenario, from its fault on."""
    scenario = find_scenario(name)
    source = PlantSource(find_rig(scenario.rig), scenario, 1)
    core = shipped_core(source.rig)
    from_s = scenario.faults[0].start_s
    looks = valid = inside = 0
    said_s: float | None = None
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
        if said_s is None and any(f.key.startswith(("height-", "verdict:drum")) and f.after for f in found):
            said_s = at_s - from_s
    said = "the crew is not told" if said_s is None else f"the crew is told after {said_s:.1f} s"
    return [
        Figure(f"{name}: looks at which the height is VALID", 100 * valid / looks, f"% ({said})"),
        Figure(f"{name}: truth inside the 99 % bound while VALID", 100 * inside / max(valid, 1), "%", "99"),
    ]


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    names = sys.argv[1:] if arguments is None else arguments
    return [figure for name in names or SCENARIOS for figure in show(*figures(name))]


if __name__ == "__main__":
    main()
