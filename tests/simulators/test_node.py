"""The simulated rig on Sparkplug: it is read like the plain one, and a recording of it replays, whole and in part."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.tables.columns import ColumnDecoder
from monitor.config.rig_file import find_rig
from monitor.core.sensors.sparkplug.schema import Payload
from monitor.model.stream import Frame
from monitor.runtime.replay import ReplayDriver
from simulators.faults.node import NodeFault
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.record import record
from simulators.scenario.scenario import find_scenario

LAND = find_rig("land")


def source(*faults: NodeFault, seconds: float = 3.0) -> PlantSource:
    scenario = find_scenario("calm-trip").model_copy(update={"sparkplug": True, "faults": faults})
    return PlantSource(LAND, scenario, 1, duration_s=seconds)


def fed(made: PlantSource) -> Any:
    core = shipped_core(made.rig)
    for item in made.items():
        core.feed(item)
    core.advance(made.end_ns)
    return core


def test_it_reads_like_the_plain_rig() -> None:
    plain = PlantSource(LAND, find_scenario("calm-trip"), 1, duration_s=3.0)
    on_node, on_topics = fed(source()).snapshot(), fed(plain).snapshot()
    assert on_node.rejects == {}
    for one, other in zip(on_node.sensors, on_topics.sensors, strict=True):
        assert one.id == other.id
        assert not one.stale
        assert math.isclose(one.value.number, other.value.number, rel_tol=0.02, abs_tol=0.05 * abs(other.value.number))


@pytest.mark.parametrize(
    ("what", "reason"),
    [
        ("stored", "historical value, not a fresh reading"),
        ("alias-twice", "alias given to two metrics"),
        ("rebirth", ""),
        ("aliases-swapped", ""),
    ],
)
def test_its_faults_are_told_or_borne(what: Any, reason: str) -> None:
    core = fed(source(NodeFault(what=what, start_s=1.0, length_s=0.4), seconds=2.5))
    rejects = core.snapshot().rejects
    assert (reason in rejects) is bool(reason)
    assert all(word in (reason, "sequence number repeated", "too old to use") for word in rejects)
    assert not any(sensor.stale for sensor in core.snapshot().sensors)


def test_a_recording_replays_whole_and_reads_the_same_from_its_middle(tmp_path: Path) -> None:
    death = NodeFault(what="death", start_s=1.0, length_s=0.5)
    missing = NodeFault(what="missing", share=0.3, start_s=2.0, length_s=0.5)
    path = tmp_path / "node.stopmark"
    record(source(death, missing, seconds=4.0), path)
    with SessionReader(path) as reader:
        said = reader.findings()
        assert any("went away" in found.message for found in said)
        assert any("missing before number" in found.message for found in said)
        again: list[Any] = []
        ReplayDriver(reader, math.inf, [again.append]).play_out()
        assert again == said
        middle_ns = reader.t_first_ns + 3_000_000_000
        whole = [*ColumnDecoder(reader.rig).read(reader)]
        late = [*ColumnDecoder(reader.rig).read(reader, middle_ns)]
        times, values = (np.concatenate([getattr(part, name) for part in whole]) for name in ("t_ns", "value"))
        assert np.array_equal(values[times >= middle_ns], np.concatenate([part.value for part in late]))
        assert len(values) > 400


def test_on_plain_rigs_nothing_is_changed() -> None:
    fault = NodeFault(what="death", start_s=0.5)
    scenario = find_scenario("calm-trip")
    plain = [*PlantSource(LAND, scenario, 1, duration_s=1.0)]
    assert [*PlantSource(LAND, scenario.model_copy(update={"faults": (fault,)}), 1, duration_s=1.0)] == plain
    assert all(isinstance(item, Frame) for item in plain)


def numbers_of(frames: Sequence[Frame]) -> list[int]:
    """The sequence numbers that a host would count, of what it hears."""
    return [Payload.FromString(frame.payload).seq for frame in frames if "NDEATH" not in frame.topic]


def test_a_node_without_a_broker_is_silent_and_begins_anew_with_births() -> None:
    made = source(seconds=3.0)
    (node,) = made.nodes
    before, silent, after = [], [], []
    for t_ns, items in made.ticks():
        at_s = (t_ns - made.origin_ns) * 1e-9
        if node.alive and 1.0 <= at_s < 2.0:
            node.lose_broker()
        elif not node.alive and at_s >= 2.0:
            node.find_broker()
        frames = [item for item in items if isinstance(item, Frame)]
        (before if at_s <= 1.0 else silent if at_s <= 2.0 else after).extend(frames)
    assert [frame.topic.split("/")[2] for frame in (before[0], after[0])] == ["NBIRTH", "NBIRTH"]
    assert not silent
    births = [Payload.FromString(frame.payload) for frame in (before[0], after[0])]
    assert [birth.metrics[0].long_value for birth in births] == [1, 2]  # bdSeq: each connection has its own
    for frames in (before, after):
        assert numbers_of(frames) == [place % 256 for place in range(len(frames))]
    core = shipped_core(made.rig)
    for frame in after:
        core.feed(frame)
    core.advance(made.end_ns)
    assert core.snapshot().rejects == {}
    assert not any(sensor.stale for sensor in core.snapshot().sensors)
