"""Writes the golden findings of every shipped scenario: ``python -m tests.golden.regenerate [SCENARIO ...]``.

One JSON Lines file per scenario: what the monitor found and what the truth did, in order, times in seconds since the
start. A change of behaviour is then a diff that can be read: regenerate, look at ``git diff``, and commit it if it is
meant.
"""

import json
import sys
from pathlib import Path

from monitor.config.rig_file import find_rig
from monitor.model.alarm import Finding
from simulators.scenario.direct_feed import findings_of
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import Scenario, find_scenario, shipped_scenarios

FOLDER = Path(__file__).parent
SEED = 1


def play(scenario: Scenario) -> tuple[list[Finding], PlantSource]:
    """The findings of `scenario` with the golden seed, and the source that has run."""
    source = PlantSource(find_rig(scenario.rig), scenario, SEED)
    return list(findings_of(source)), source


def lines_of(findings: list[Finding], source: PlantSource) -> list[str]:
    """The golden file's lines. Numbers to four digits: enough to see a change, too few for another compiler's noise."""
    rows: list[tuple[float, dict[str, object]]] = []
    for event in source.events:
        at = round((event.t_ns - source.origin_ns) * 1e-9, 3)
        rows.append((at, {"t_s": at, "truth": event.name, "height_m": round(event.height_m, 3)}))
    for finding in findings:
        at = round((finding.t_ns - source.origin_ns) * 1e-9, 3)
        row: dict[str, object] = {
            "t_s": at,
            "kind": finding.kind,
            "key": finding.key,
            "severity": finding.severity.name,
            "before": finding.before,
            "after": finding.after,
        }
        if finding.number is not None:
            row["number"] = float(f"{finding.number:.4g}")
        rows.append((at, row))
    rows.sort(key=lambda row: row[0])
    return [json.dumps(row) for _, row in rows]


def main(names: list[str]) -> int:
    """Regenerate; 1 when a scenario's own expectations are not met."""
    failed = 0
    for name in names or list(shipped_scenarios()):
        scenario = find_scenario(name)
        findings, source = play(scenario)
        text = "".join(line + "\n" for line in lines_of(findings, source))
        (FOLDER / f"{name}.jsonl").write_text(text, encoding="utf-8")
        events = [(event.name, event.t_ns) for event in source.events]
        for problem in scenario.judge(findings, events, source.origin_ns):
            failed += 1
            print(f"{name}: {problem}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
