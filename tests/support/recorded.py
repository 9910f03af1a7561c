"""Sessions for the tests of the record: simulated ones, and ones made by hand."""

import json
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from monitor.adapters.sessions.recorder import Recorder
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path
from monitor.config.toml_file import read_text
from monitor.model.alarm import Finding
from monitor.model.stream import Action, Frame
from monitor.runtime.assembly import core_of, header_of
from monitor.runtime.runner import Runner
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.record import record
from simulators.scenario.scenario import find_scenario

START_NS = 1_767_225_600_000_000_000


def simulated(path: Path, scenario: str, seconds: float | None = None) -> Path:
    """A session of `scenario` at `path`."""
    plan = find_scenario(scenario)
    record(PlantSource(find_rig(plan.rig), plan, seed=1, duration_s=seconds), path)
    return path


def rules() -> str:
    return read_text(Path(default_rules_path()))


def changed(text: str, rule: str, **values: object) -> str:
    """A rule catalogue with fields of one rule set to other values."""
    head, mark, tail = text.partition(f'id = "{rule}"\n')
    assert mark
    block, end, rest = tail.partition("[[rule]]")
    for name, value in values.items():
        block, count = re.subn(rf"(?m)^{name} = .*$", f"{name} = {json.dumps(value)}", block)
        assert count == 1
    return head + mark + block + end + rest


def by_hand(
    path: Path,
    items: Sequence[Frame | Action],
    change: Callable[[dict[str, Any]], None] = lambda config: None,
    findings: Sequence[Finding] = (),
    start_ns: int = START_NS,
    rig: Rig | None = None,
) -> Path:
    """A session of `rig` (the land rig where none is given) with these inputs; `change` edits the configuration in its header."""
    rig = rig or find_rig("land")
    header: dict[str, Any] = dict(header_of(rig, rules(), "LIVE", start_ns))
    change(header["config"])
    with Recorder(path, header, wait=True) as recorder:
        runner = Runner(core_of(rig, rules(), "rules"), recorder)
        for item in items:
            if isinstance(item, Frame):
                runner.frame(item)
            else:
                runner.action(item)
        for finding in findings:
            recorder.finding(finding)
        runner.advance((items[-1].t_ns if items else start_ns) + 1_000_000_000)
        assert recorder.flush(60.0)
    return path


def reading(t_ns: int, sensor: str, value: float, **more: object) -> Frame:
    """One message of the land rig."""
    fields: Mapping[str, object] = {"value": value, "t": t_ns // 1_000_000, **more}
    return Frame(t_ns, f"rig/land/hoist/{sensor}", json.dumps(fields).encode())
