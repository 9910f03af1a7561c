"""A scenario written for one rig, on another: loads and heights are brought to scale, so that every demo runs on every rig."""

import pytest

from monitor.config.rig_file import find_rig
from monitor.model.alarm import Severity
from simulators.scenario.direct_feed import findings_of
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario


@pytest.mark.parametrize("name", ["light", "deep"])
def test_the_late_brake_crosses_the_limit_of_any_rig_and_is_warned_of(name: str) -> None:
    scenario, rig = find_scenario("late-brake-floor"), find_rig(name)
    source = PlantSource(rig, scenario.on(rig, find_rig(scenario.rig)), 1)
    warned = [f.t_ns for f in findings_of(source) if f.key == "brake-now-down" and f.after == "unacknowledged"]
    crossed = next(event.t_ns for event in source.events if event.name == "lower_limit")
    assert min(warned) < crossed


@pytest.mark.parametrize("name", ["light", "deep"])
def test_a_calm_trip_is_calm_on_any_rig(name: str) -> None:
    scenario, rig = find_scenario("calm-trip"), find_rig(name)
    source = PlantSource(rig, scenario.on(rig, find_rig(scenario.rig)), 1, duration_s=240.0)
    raised = [f for f in findings_of(source) if f.kind == "alarm" and f.after == "unacknowledged"]
    assert [f.key for f in raised if f.severity >= Severity.WARNING] == []


def test_on_its_own_rig_a_scenario_is_itself() -> None:
    scenario, rig = find_scenario("calm-trip"), find_rig("land")
    assert scenario.on(rig, rig) is scenario
