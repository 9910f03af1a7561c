"""`Core.feed` admits and dispatches: it gives what `admit` with `ingest` or `act` gives."""

from dataclasses import replace

import pytest

from monitor.config.rig_file import find_rig
from monitor.model.stream import Action, ActionKind, Frame
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario


def test_feeding_is_admitting_and_taking() -> None:
    rig, scenario = find_rig("land"), find_scenario("calm-trip")
    frames = list(PlantSource(rig, scenario, 1, duration_s=5.0))
    middle = frames[len(frames) // 2].t_ns
    note = Action(middle - 40_000_000, ActionKind.NOTE, text="a note that comes late", who="ab")
    items = [item for item in frames if item.t_ns < middle] + [note] + [item for item in frames if item.t_ns >= middle]
    fed, by_hand = shipped_core(rig), shipped_core(rig)
    for item in items:
        admitted = by_hand.admit(item)
        wanted = by_hand.ingest(admitted) if isinstance(admitted, Frame) else by_hand.act(admitted)
        assert fed.feed(item) == wanted
    assert repr(fed.snapshot()) == repr(by_hand.snapshot())


def test_an_input_that_comes_late_counts_from_where_the_stream_is() -> None:
    rig = find_rig("land")
    core = shipped_core(rig)
    start_ns = 1_700_000_000_000_000_000
    core.feed(Frame(start_ns, "somewhere", b"1"))
    late = Action(start_ns - 1_000_000_000, ActionKind.NOTE, text="late", who="ab")
    with pytest.raises(ValueError, match="admit it first"):
        core.act(late)
    (said,) = core.feed(late)
    assert said.t_ns == start_ns
    assert core.feed(replace(late, t_ns=start_ns + 1))[-1].t_ns == start_ns + 1
