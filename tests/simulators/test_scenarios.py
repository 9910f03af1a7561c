"""Scenario files: those that ship, those that are wrong, and how a scenario judges findings."""

import re
from pathlib import Path

import pytest

from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path, load_rules
from monitor.config.toml_file import ConfigError, validate
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Finding, Severity
from simulators.commands.scenarios import run as list_scenarios
from simulators.crew import operator, programs
from simulators.crew.programs import PROGRAMS
from simulators.crew.settings import SETTINGS
from simulators.faults.table import FAULTS, kind_of
from simulators.scenario.plant_source import DEFAULT_ORIGIN_NS, PlantSource
from simulators.scenario.scenario import Scenario, Work, find_scenario, load_scenario, shipped_scenarios


def test_shipped_scenarios_load_fit_their_rig_and_say_what_they_are() -> None:
    found = shipped_scenarios()
    assert len(found) >= 24
    for name, path in found.items():
        scenario = load_scenario(path)
        assert scenario.name == name
        assert len(scenario.description) <= 110
        assert scenario.problems_on(find_rig(scenario.rig)) == []


def test_shipped_scenarios_use_every_program_and_nearly_every_fault() -> None:
    scenarios = [load_scenario(path) for path in shipped_scenarios().values()]
    assert {scenario.work.program for scenario in scenarios} == set(PROGRAMS), "each program needs a scenario"
    used = {getattr(fault, "kind", "") for scenario in scenarios for fault in scenario.faults}
    unused = {kind_of(fault) for fault in FAULTS} - used
    assert unused <= {"bad-quality", "hot-discs"}, "each fault needs a scenario that shows it"


def test_settings_are_those_that_somebody_asks_for() -> None:
    """A setting that no program asks for would be ignored in silence."""
    source = "".join(Path(module.__file__ or "").read_text(encoding="utf-8") for module in (operator, programs))
    assert set(re.findall(r'\.get\("(\w+)",', source)) == set(SETTINGS)
    settings = {"string_n": 1e6, "brake_at_m": 3.0, "stand_m": 28.0}
    home, deep = find_rig("land"), find_rig("deep")
    moved = (
        find_scenario("calm-trip")
        .model_copy(update={"work": Work(program="trip", start_m=3.0, settings=settings)})
        .on(deep, home)
    )
    low, high = home.limits.lower_m, home.limits.upper_m
    share = (3.0 - low) / (high - low)
    assert moved.work.settings == {
        "string_n": pytest.approx(1e6 * deep.block.rated_load_kg / home.block.rated_load_kg),
        "brake_at_m": pytest.approx(deep.limits.lower_m + share * (deep.limits.upper_m - deep.limits.lower_m)),
        "stand_m": 28.0,
    }


def test_every_shipped_scenario_speaks_of_alarms_that_there_are() -> None:
    """A finding that must not come, misspelt, would never come."""
    for path in shipped_scenarios().values():
        scenario = load_scenario(path)
        rules = load_rules(default_rules_path(), find_rig(scenario.rig), SIGNAL_NAMES).rules
        known = {rule.key for rule in rules} | {rule.id for rule in rules}
        assert {*scenario.forbid.keys, *(expect.key for expect in scenario.expect)} <= known, path.name


def test_every_mistake_in_a_file_is_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(
        """
format = 1
description = "wrong"
duration_s = -5
colour = "red"
[work]
program = "dance"
start_m = "high"
settings = { tempo = 3.0 }
[[faults]]
kind = "gremlin"
start_s = 1
[[faults]]
kind = "freeze"
start_s = 1
[[expect]]
key = "brake-now-up"
before = "lunch"
""",
        encoding="utf-8",
    )
    with pytest.raises(ConfigError) as caught:
        load_scenario(path)
    text = "\n".join(caught.value.problems)
    assert len(caught.value.problems) == 8
    for word in (
        "duration_s",
        "colour",
        "start_m",
        "work.settings.tempo",
        "faults.0",
        "faults.1",
        "expect.0.before",
        str(path),
    ):
        assert word in text


def test_programs_and_times_are_checked_too(tmp_path: Path) -> None:
    path = tmp_path / "late.toml"
    path.write_text(
        'description = "late"\nduration_s = 10.0\n[work]\nprogram = "dance"\nstart_m = 3.0\n'
        '[[faults]]\nkind = "aux-lost"\nstart_s = 20.0\n',
        encoding="utf-8",
    )
    with pytest.raises(ConfigError) as caught:
        load_scenario(path)
    assert len(caught.value.problems) == 2
    assert "unknown program 'dance'" in caught.value.problems[0]
    assert "after the end" in caught.value.problems[1]


def test_unknown_names_are_answered_with_the_known_ones(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="calm-trip"):
        find_scenario("no-such-thing")
    with pytest.raises(ConfigError, match="no such file"):
        find_scenario(str(tmp_path / "missing.toml"))


def test_a_scenario_that_does_not_fit_the_rig_is_refused() -> None:
    scenario = find_scenario("encoder-freeze")
    with pytest.raises(ConfigError, match="has no sensor 'drum'"):
        PlantSource(find_rig("light"), scenario)
    high = scenario.model_copy(update={"work": scenario.work.model_copy(update={"start_m": 80.0}), "faults": ()})
    with pytest.raises(ConfigError, match="outside the mast"):
        PlantSource(find_rig("land"), high)


def finding(key: str, t_s: float, severity: Severity = Severity.WARNING) -> Finding:
    """An alarm raised at a time of the run."""
    return Finding(DEFAULT_ORIGIN_NS + int(t_s * 1e9), "alarm", key, severity, "normal", "unacknowledged", "")


def problems_of(table: dict[str, object], findings: list[Finding], events: list[tuple[str, float]]) -> list[str]:
    """What a scenario with these expectations says."""
    base = {"description": "x", "work": {"program": "wait", "start_m": 5.0}}
    scenario = validate(Scenario, base | table, "test")
    at = [(name, DEFAULT_ORIGIN_NS + int(t_s * 1e9)) for name, t_s in events]
    return scenario.judge(findings, at, DEFAULT_ORIGIN_NS)


def test_expectations() -> None:
    want: dict[str, object] = {"expect": [{"key": "brake-now-up", "before": "upper_limit"}]}
    assert problems_of(want, [finding("brake-now-up", 3.0)], [("upper_limit", 4.0)]) == []
    assert "did not come" in problems_of(want, [], [("upper_limit", 4.0)])[0]
    assert "1.00 s after" in problems_of(want, [finding("brake-now-up", 5.0)], [("upper_limit", 4.0)])[0]
    assert "never got there" in problems_of(want, [finding("brake-now-up", 5.0)], [])[0]
    timed: dict[str, object] = {"expect": [{"key": "a", "after_s": 2.0, "within_s": 1.0}]}
    assert problems_of(timed, [finding("a", 2.5)], []) == []
    assert problems_of(timed, [finding("a", 1.0), finding("a", 3.5)], []) != []


def test_prohibitions() -> None:
    calm: dict[str, object] = {"forbid": {"severity": "WARNING", "keys": ["slack-line"]}, "expect": [{"key": "b"}]}
    assert problems_of(calm, [finding("b", 1.0), finding("c", 1.0, Severity.CAUTION)], []) == []
    assert "unexpected WARNING c" in problems_of(calm, [finding("b", 1.0), finding("c", 1.0)], [])[0]
    assert (
        "forbidden slack-line"
        in problems_of(calm, [finding("b", 1.0), finding("slack-line", 2.0, Severity.NOTICE)], [])[0]
    )


def test_list_of_scenarios_names_them_all(capsys: pytest.CaptureFixture[str]) -> None:
    import argparse

    assert list_scenarios(argparse.Namespace(json=False)) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == sorted(shipped_scenarios())
