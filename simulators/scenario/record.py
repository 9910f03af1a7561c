"""A simulated session written to a session file, with the monitor's findings on it."""

import time
from pathlib import Path

from monitor.adapters.sessions.recorder import Recorder
from monitor.config.rules_file import default_rules_path
from monitor.config.toml_file import read_text
from monitor.errors import UserError
from monitor.model.stream import Frame
from monitor.runtime.assembly import core_of, header_of
from monitor.runtime.runner import Runner
from simulators.scenario.plant_source import PlantSource


def record(source: PlantSource, path: Path, speed: float | None = None) -> int:
    """Feed `source` to recorder and monitor and write a session; how many findings came.

    `speed` is stream seconds per second; None goes as fast as it can.

    Raises:
        UserError: there is a file at `path` already.
    """
    rules_path = Path(default_rules_path())
    rules_text = read_text(rules_path)
    core = core_of(source.rig, rules_text, str(rules_path))
    header = header_of(source.rig, rules_text, "SIMULATED", source.origin_ns)
    start = time.monotonic()
    with Recorder(path, header, wait=True) as recorder:
        runner = Runner(core, recorder)
        runner.health(source.origin_ns)
        for item in source.items():
            if speed is not None:
                ahead = (item.t_ns - source.origin_ns) * 1e-9 / speed - (time.monotonic() - start)
                if ahead > 0.002:
                    time.sleep(ahead)
            if isinstance(item, Frame):
                runner.frame(item)
            else:
                runner.action(item)
        runner.advance(source.end_ns)
        if not recorder.flush():
            raise UserError(f"{path}: could not be written ({recorder.problem})")
    return runner.findings
