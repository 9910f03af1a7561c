"""A session's inputs through a core once more, with every grid point kept as a row of numbers.

The rules are left out: what was said stands in the session, and that is what the report tells. What the readings show is
worked out anew, so that an old session gets what a newer Stopmark can see in it.
"""

from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.adapters.chain import SessionChain
from monitor.adapters.session import Note, SessionError
from monitor.adapters.sessions import Gap
from monitor.config import Rig
from monitor.core.engine import Core
from monitor.core.rules import RuleSet
from monitor.core.signals import SIGNAL_NAMES
from monitor.core.types import GRID_NS, Action, ActionKind, Finding, Frame, HoistState, Snapshot

Numbers = npt.NDArray[np.float32]

COLUMNS: Final = (
    "height", "height_bound", "speed", "speed_bound", "layer", "turns", "room_up", "room_down", "late_margin_up",
    "late_margin_down", "hook_load", "string_load", "fast_line_tension", "design_factor", "line_work", "brake_lever",
    "service_pressure_1", "service_pressure_2", "effectiveness", "response_time", "holding_ratio",
    "disc_temperature_left", "disc_temperature_right", "disc_modelled", "aux_current", "aux_torque", "aux_share",
    "accumulator_pressure", "coolant_temperature", "overtravel_electric", "overtravel_air",
    "clutch_engaged", "leak_rate",
)  # fmt: skip
"""Signals that are kept at every grid point."""
STATES: Final = tuple(HoistState)
RESTART_NS: Final = 1_800_000_000_000
"""A silence longer than this begins a new core: nothing that was under way before it says anything after it."""
WARM_UP_NS: Final = 60_000_000_000
_DATUM: Final = (str(ActionKind.REFERENCE_HEIGHT), str(ActionKind.SLIP_AND_CUT))
_SILENCES: Final = 5.0
"""So many readings of the quickest sensor in a row must be missing to make a gap: in a slow log two seconds are none."""
_EVERY: Final = 10
"""Grid points between two looks at the brake watch's own figures."""


@dataclass(frozen=True, slots=True)
class Recording:
    """Everything a report is made of. Arrays have one entry per grid point (50 ms); NaN where not known."""

    rig: Rig
    name: str
    mode: str
    version: str
    rules_text: str
    """The rules in force at the time (TOML)."""
    start_ns: int
    end_ns: int
    watched_s: float
    """For how long the core that `snapshot` is of had been running."""
    frames: int
    unread: int
    """Frames that stand in a damaged part and could not be read."""
    t_ns: npt.NDArray[np.int64]
    columns: dict[str, Numbers]
    hoist: npt.NDArray[np.uint8]
    """Index into STATES."""
    validity: npt.NDArray[np.uint8]
    """Of the height."""
    sigma_at: npt.NDArray[np.int64]
    """Grid indices of the looks at the brake watch."""
    effectiveness_sigma: Numbers
    disc_energy_j: Numbers
    """To the friction brake in the last motion."""
    snapshot: Snapshot
    """At the end."""
    findings: list[Finding]
    actions: list[Action]
    notes: list[Note]
    gaps: list[Gap]
    restarts: int
    """Silences so long that everything was begun anew."""

    @property
    def seconds(self) -> float:
        """Length."""
        return (self.end_ns - self.start_ns) * 1e-9

    def __getitem__(self, name: str) -> Numbers:
        return self.columns[name]

    def known(self, name: str) -> float:
        """Share of the time that a column is known, 0 to 1."""
        column = self.columns[name]
        return float(np.isfinite(column).mean()) if len(column) else 0.0


class _Rows:
    """Takes what the core tells at each grid point."""

    def __init__(self, from_ns: int) -> None:
        self._from_ns = from_ns
        self.times = array("q")
        self.numbers = array("f")
        self.hoist = bytearray()
        self.validity = bytearray()
        self.sigma_at = array("q")
        self.sigma = array("f")
        self.energy = array("f")
        self._pick = itemgetter(*(SIGNAL_NAMES.index(name) for name in COLUMNS))
        self._height = SIGNAL_NAMES.index("height")
        self._code = {state: place for place, state in enumerate(STATES)}
        self._core: Core

    def attach(self, core: Core) -> None:
        """Observe `core` from now on."""
        self._core = core
        core.observer = self.look

    def look(self, t_ns: int, hoist: HoistState, numbers: Sequence[float], validities: Sequence[int]) -> None:
        """One grid point."""
        if t_ns < self._from_ns:
            return
        if not len(self.times) % _EVERY:
            self.sigma_at.append(len(self.times))
            self.sigma.append(self._core.brake_number("effectiveness_sigma")[0])
            self.energy.append(self._core.brake_number("disc_energy")[0])
        self.times.append(t_ns)
        self.numbers.extend(self._pick(numbers))
        self.hoist.append(self._code[hoist])
        self.validity.append(validities[self._height])


def collect(chain: SessionChain, from_ns: int | None = None, to_ns: int | None = None) -> Recording:
    """Replay `chain`, or the part of it from `from_ns` to `to_ns`, and keep what a report needs.

    A part is begun `WARM_UP_NS` earlier, so that the estimator stands when it starts, or at the last height reference or
    cut before it, which the height depends on; of brake health it knows only what it has seen
    since. Twelve hours of 14 sensors take about two minutes and 220 MB.

    Raises:
        SessionError: a session cannot be read.
    """
    rig = chain.rig
    start_ns = chain.t_first_ns if from_ns is None else max(from_ns, chain.t_first_ns)
    end_ns = chain.end_ns if to_ns is None else min(to_ns, chain.end_ns)
    findings = chain.findings()
    datums = [finding.t_ns for finding in findings if finding.t_ns < start_ns and finding.key in _DATUM]
    warm_ns = (datums[-1] if datums else start_ns) - WARM_UP_NS
    rows = _Rows(start_ns)
    begun_ns = 0
    core = Core(rig, RuleSet(()))
    rows.attach(core)
    actions: list[Action] = []
    frames = restarts = 0
    starts: list[int] = []
    for item in chain.inputs(None if from_ns is None else warm_ns, damaged="skip"):
        if item.t_ns > end_ns:
            break
        if core.now_ns and item.t_ns - core.now_ns > RESTART_NS:
            restarts += 1
            core = Core(rig, RuleSet(()))
            rows.attach(core)
            starts.append(len(rows.times))
        if not core.now_ns:
            begun_ns = item.t_ns
        if isinstance(item, Frame):
            frames += 1
            core.ingest(core.admit(item))
        else:
            core.act(core.admit(item))
            if item.t_ns >= start_ns:
                actions.append(item)
    # A damaged file may claim any end: beyond a long silence there is nothing to see.
    core.advance(min(max(end_ns, core.now_ns), core.now_ns + RESTART_NS))
    end_ns = min(end_ns, core.now_ns)
    if not rows.times:
        raise SessionError(f"{chain.name}: none of its readings can be read; try `stopmark sessions verify`")
    fastest_hz = max(sensor.rate_hz for sensor in rig.sensors)
    table = np.frombuffer(rows.numbers, dtype=np.float32).reshape(-1, len(COLUMNS))
    columns = {name: table[:, place] for place, name in enumerate(COLUMNS)}  # views: a copy would double the memory
    work = columns["line_work"]
    _join_work(work, starts)
    if from_ns is not None:
        work -= float(work[0])
    whole = from_ns is None and to_ns is None
    return Recording(
        rig=rig,
        name=chain.name,
        mode=chain.mode,
        version=str(chain.header.get("version", "")),
        rules_text=chain.rules_text,
        start_ns=start_ns,
        end_ns=end_ns,
        watched_s=(core.now_ns - begun_ns) * 1e-9,
        frames=frames,
        unread=max(0, chain.frames - frames) if whole else 0,
        t_ns=np.frombuffer(rows.times, dtype=np.int64),
        columns=columns,
        hoist=np.frombuffer(bytes(rows.hoist), dtype=np.uint8),
        validity=np.frombuffer(bytes(rows.validity), dtype=np.uint8),
        sigma_at=np.frombuffer(rows.sigma_at, dtype=np.int64),
        effectiveness_sigma=np.frombuffer(rows.sigma, dtype=np.float32),
        disc_energy_j=np.frombuffer(rows.energy, dtype=np.float32),
        snapshot=core.snapshot(),
        findings=[finding for finding in findings if start_ns <= finding.t_ns <= end_ns],
        actions=actions,
        notes=[note for note in chain.notes() if whole or start_ns <= note.t_ns <= end_ns],
        gaps=[
            gap
            for gap in chain.gaps()
            if (gap.lost or gap.to_ns - gap.from_ns > _SILENCES * 1e9 / fastest_hz)
            and gap.to_ns >= start_ns
            and gap.from_ns <= end_ns
        ],
        restarts=restarts,
    )


def _join_work(work: Numbers, starts: Sequence[int]) -> None:
    """Make line work run on over the places where a new core began at zero."""
    for start in starts:
        if 0 < start < len(work):
            work[start:] += work[start - 1]


def runs(mask: npt.NDArray[np.bool_], join_s: float = 0.0) -> list[tuple[int, int]]:
    """(first, one past the last) index of each stretch where `mask` holds; those closer than `join_s` are one."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    found: list[tuple[int, int]] = []
    for first, after in edges.reshape(-1, 2).tolist():
        if found and (first - found[-1][1]) * GRID_NS < join_s * 1e9:
            found[-1] = (found[-1][0], after)
        else:
            found.append((first, after))
    return found
