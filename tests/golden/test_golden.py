"""Every shipped scenario: its expectations hold, and its findings are those that were committed."""

from simulators.scenario.scenario import shipped_scenarios
from tests.golden.regenerate import FOLDER, lines_of
from tests.support.played import Played

NAMES = sorted(shipped_scenarios())


def test_scenario_gives_its_golden_findings(run: Played) -> None:
    findings, source, scenario = run.findings, run.source, run.source.scenario
    events = [(event.name, event.t_ns) for event in source.events]
    assert scenario.judge(findings, events, source.origin_ns) == []
    golden = (FOLDER / f"{scenario.name}.jsonl").read_text(encoding="utf-8").splitlines()
    assert lines_of(findings, source) == golden, (
        "regenerate with: python -m tests.golden.regenerate, and look at git diff"
    )


def test_there_is_one_golden_file_per_scenario() -> None:
    assert len(NAMES) >= 24
    golden = sorted(path.stem for path in FOLDER.glob("*.jsonl"))
    assert golden == NAMES, "a new scenario: python -m tests.golden.regenerate NAME, and read what it wrote"
