"""A rig whose height comes once in five seconds: heights with honest bounds, a notice, and no warnings that cannot be in time."""

import json

from monitor.config.rig_file import find_rig
from monitor.model.alarm import Severity
from monitor.model.reading import Validity
from monitor.model.stream import Frame
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario

EVERY_S = 5.0


def test_a_calm_trip_with_one_height_in_five_seconds_stays_calm_and_says_that_data_are_slow() -> None:
    rig = find_rig("land")
    slow = tuple(
        sensor.model_copy(update={"rate_hz": 1 / EVERY_S, "stale_after_s": 3 * EVERY_S})
        if sensor.id == "drum"
        else sensor
        for sensor in rig.sensors
    )
    rig = rig.model_copy(update={"sensors": slow})
    source = PlantSource(rig, find_scenario("calm-trip"), 1, duration_s=240.0)
    core = shipped_core(rig)
    raised = []
    last_ns = 0
    inside = looks = 0
    for item in source.items():
        if isinstance(item, Frame):
            if item.topic.endswith("/drum"):
                assert json.loads(item.payload)["value"] > 0
                if item.t_ns - last_ns < (EVERY_S - 0.5) * 1e9:
                    continue
                last_ns = item.t_ns
            raised += [f for f in core.feed(item) if f.after == "unacknowledged"]
            if item.topic.endswith("/coolant") and source.plant.t_s > 30.0:
                seen = core.snapshot()
                height, bound = seen.value("height"), seen.value("height_bound")
                assert seen.value("margin_down").validity is Validity.INVALID
                if height.known:
                    looks += 1
                    inside += abs(height.number - source.plant.height_m) <= bound.number
    assert "slow-data" in {finding.key for finding in raised}
    assert [finding.key for finding in raised if finding.severity >= Severity.WARNING] == []
    assert looks > 150
    assert inside / looks >= 0.99
