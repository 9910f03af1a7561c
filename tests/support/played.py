"""A shipped scenario played once: its findings, what screens had to show, and the recording a report is made of."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.analysis.recording import COLUMNS, STATES, Recording, elapsed_of
from monitor.config.rig_file import find_rig
from monitor.model.alarm import Finding
from monitor.model.snapshot import HoistState, Snapshot
from monitor.model.stream import Frame
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
from tests.golden.regenerate import SEED
from tests.support.recorded import rules

LOOK_NS = 10_000_000_000
"""Stream time between two snapshots."""
MOST_LOOKS = 400
_BRAKE_EVERY = 10
"""Grid points between two looks at the brake watch's own figures, as in a report's replay."""


@dataclass(frozen=True)
class Played:
    """What came of a scenario."""

    source: PlantSource
    findings: list[Finding]
    snapshots: list[Snapshot]
    """At intervals, and whenever an alarm changed."""
    recording: Recording


def played(name: str) -> Played:
    """The scenario `name` with the golden seed."""
    scenario = find_scenario(name)
    source = PlantSource(find_rig(scenario.rig), scenario, SEED)
    core = shipped_core(source.rig)
    findings: list[Finding] = []
    snapshots: list[Snapshot] = []
    times: list[int] = []
    rows: list[tuple[float, ...]] = []
    hoists: list[int] = []
    heights: list[int] = []
    sigmas: list[float] = []
    energies: list[float] = []

    def look(t_ns: int, hoist: HoistState, numbers: Sequence[float], validities: Sequence[int]) -> None:
        if not len(times) % _BRAKE_EVERY:
            sigmas.append(core.brake_number("effectiveness_sigma")[0])
            energies.append(core.brake_number("disc_energy")[0])
        times.append(t_ns)
        rows.append(tuple(numbers))
        hoists.append(STATES.index(hoist))
        heights.append(validities[place["height"]])

    names = core.observe(look, COLUMNS)
    place = {column: names.index(column) for column in COLUMNS}
    frames, next_ns = 0, 0
    for item in source.items():
        found = core.feed(item)
        findings += found
        frames += isinstance(item, Frame)
        if item.t_ns >= next_ns or (len(snapshots) < MOST_LOOKS and any(one.kind == "alarm" for one in found)):
            snapshots.append(core.snapshot())
            next_ns = item.t_ns + LOOK_NS
    findings += core.advance(source.end_ns)
    snapshots.append(core.snapshot())
    table = np.array(rows, np.float32)
    recording = Recording(
        rig=source.rig, name=name, mode="SIMULATION", version="", rules_text=rules(), start_ns=times[0], end_ns=times[-1],
        watched_s=(times[-1] - times[0]) * 1e-9, frames=frames, unread=0, t_ns=np.array(times, np.int64),
        starts=np.empty(0, np.int64), elapsed_ns=elapsed_of(np.array(times, np.int64), np.empty(0, np.int64)),
        columns={column: table[:, at] for column, at in place.items()}, hoist=np.array(hoists, np.uint8),
        validity=np.array(heights, np.uint8), sigma_at=np.arange(0, len(times), _BRAKE_EVERY),
        effectiveness_sigma=np.array(sigmas, np.float32), disc_energy_j=np.array(energies, np.float32),
        snapshot=snapshots[-1], findings=findings, actions=[], notes=[], gaps=[], restarts=0,
    )  # fmt: skip
    return Played(source, findings, snapshots, recording)
