"""Rigs of which little is known: the land rig with tables of its file left out, and what a simulated land rig sends them."""

import json
from collections.abc import Collection, Iterator, Sequence
from functools import cache
from itertools import combinations
from random import Random
from typing import Any

from monitor.config.optional_tables import MAY_LACK
from monitor.config.rig import Rig
from monitor.config.rig_file import shipped_rigs
from monitor.config.toml_file import read_toml, validate
from monitor.model.stream import Action, Frame
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario

TABLES: tuple[str, ...] = (*MAY_LACK, "aux", "overtravel")
_POSITION = {
    "id": "position", "quantity": "block_position", "unit": "m", "value": "/value", "time": "/t", "rate_hz": 20,
    "stale_after_s": 0.5, "range": [-2, 45], "sigma": 0.003,
}  # fmt: skip


def _table(without: Collection[str]) -> dict[str, Any]:
    data = read_toml(shipped_rigs()["land"])
    data["sensors"] = [*data["sensors"], _POSITION]
    if {"line", "drum", "reference"} & set(without):  # counts mean nothing then
        data["sensors"] = [sensor for sensor in data["sensors"] if sensor["quantity"] != "drum_counts"]
        data["reference"].pop("counts")
    if "overtravel" in without:
        data["limits"].pop("overtravel_m")
    return {name: value for name, value in data.items() if name not in without}


def rig_without(without: Collection[str], **tables: Any) -> Rig:
    """The land rig, which also gives its block position, without these tables; `tables` replace others."""
    return validate(Rig, _table(without) | tables, f"land without {', '.join(sorted(without)) or 'nothing'}")


def subsets(random: int, seed: int) -> Iterator[frozenset[str]]:
    """Tables to leave out: all of them, each alone, all but each, and some sets by `seed`."""
    yield frozenset(TABLES)
    for table in TABLES:
        yield frozenset({table})
        yield frozenset(TABLES) - {table}
    every = [frozenset(some) for size in range(2, len(TABLES) - 1) for some in combinations(TABLES, size)]
    yield from Random(seed).sample(every, random)


@cache
def readings(scenario: str, seconds: float) -> tuple[Frame | Action, ...]:
    """What the whole rig sends in `scenario`."""
    source = PlantSource(rig_without(()), find_scenario(scenario), seed=3, duration_s=seconds)
    return tuple(source.items())


def of(rig: Rig, items: Sequence[Frame | Action]) -> list[Frame | Action]:
    """Of `items` what `rig` listens to."""
    topics = {rig.topic(sensor) for sensor in rig.sensors}
    return [item for item in items if isinstance(item, Action) or item.topic in topics]


def as_plain(rig: Rig) -> dict[str, Any]:
    """The rig as a record keeps it."""
    plain: dict[str, Any] = json.loads(rig.model_dump_json())
    return plain
