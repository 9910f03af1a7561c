"""Every shipped scenario: its expectations hold, and its findings are those that were committed."""

import pytest

from simulators.scenario.scenario import find_scenario, shipped_scenarios
from tests.golden.regenerate import FOLDER, lines_of, play

NAMES = sorted(shipped_scenarios())


@pytest.mark.parametrize("name", NAMES)
def test_scenario_gives_its_golden_findings(name: str) -> None:
    scenario = find_scenario(name)
    findings, source = play(scenario)
    events = [(event.name, event.t_ns) for event in source.events]
    assert scenario.judge(findings, events, source.origin_ns) == []
    golden = (FOLDER / f"{name}.jsonl").read_text(encoding="utf-8").splitlines()
    assert lines_of(findings, source) == golden, (
        "regenerate with: python -m tests.golden.regenerate, and look at git diff"
    )


def test_there_is_one_golden_file_per_scenario() -> None:
    assert len(NAMES) >= 24
    golden = sorted(path.stem for path in FOLDER.glob("*.jsonl"))
    assert golden == NAMES, "a new scenario: python -m tests.golden.regenerate NAME, and read what it wrote"
