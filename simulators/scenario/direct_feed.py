"""A simulated session fed straight into the monitor's core: no broker, no clock, as fast as the machine allows."""

from collections.abc import Iterator
from pathlib import Path

from monitor.config.rig import Rig
from monitor.config.rules_file import default_rules_path
from monitor.config.toml_file import read_text
from monitor.core.engine import Core
from monitor.model.alarm import Finding
from monitor.runtime.assembly import core_of
from simulators.scenario.plant_source import PlantSource


def shipped_core(rig: Rig) -> Core:
    """A core for `rig` with the rules that come with Stopmark."""
    path = Path(default_rules_path())
    return core_of(rig, read_text(path), str(path))


def findings_of(source: PlantSource, core: Core | None = None) -> Iterator[Finding]:
    """What the monitor finds in `source`, in order."""
    core = core or shipped_core(source.rig)
    for item in source.items():
        yield from core.feed(item)
    yield from core.advance(source.end_ns)
