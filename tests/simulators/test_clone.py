"""A copy of the plant stands exactly where the plant stands, whatever has happened to it."""

import json
import math
from typing import Any

import pytest

from monitor.config.rig_file import find_rig
from simulators.machine.plant import Plant
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario

_ATTRIBUTES = ("getset_descriptor", "member_descriptor")


def contents(thing: Any) -> Any:
    """All that `thing` holds, down to plain numbers; of compiled classes too, whose attributes are descriptors."""
    if isinstance(thing, list | tuple) or type(thing).__name__ == "deque":
        return [contents(item) for item in thing]
    if thing is None or isinstance(thing, str | int | float):
        return thing
    names = set(getattr(thing, "__dict__", {}))
    for kind in type(thing).__mro__:
        names |= {name for name, item in vars(kind).items() if type(item).__name__ in _ATTRIBUTES}
    if not type(thing).__module__.startswith("simulators") or "truth" in type(thing).__module__:
        return repr(thing)  # of the rig's file, or drawn once: never changes
    return {name: contents(getattr(thing, name)) for name in sorted(names - {"__dict__", "__weakref__"})}


@pytest.mark.parametrize(
    "scenario", ["pressure-loss", "overtravel-half", "dragging-caliper", "calm-trip", "line-parted"]
)
def test_clone_is_equal_and_goes_on_equally(scenario: str) -> None:
    shown = find_scenario(scenario)
    source = PlantSource(find_rig(shown.rig), shown, 1, duration_s=min(shown.duration_s, 90.0))
    for tick, _ in enumerate(source.ticks()):
        if tick % 1000 == 999:
            _goes_on_equally(source.plant.clone(), source.plant.clone(), source.plant)


def _goes_on_equally(twin: Plant, other: Plant, plant: Plant) -> None:
    held = contents(plant)
    assert len(held) > 20
    assert json.dumps(contents(twin)) == json.dumps(held)
    for _ in range(50):
        twin.tick()
        other.tick()
    assert json.dumps(contents(twin)) == json.dumps(contents(other))
    assert json.dumps(contents(plant)) == json.dumps(held), "the plant itself stood still"
    assert math.isfinite(twin.height_m)
