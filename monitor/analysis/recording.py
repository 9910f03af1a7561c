"""A session's inputs through a core once more, with every grid point kept as a row of numbers.

The rules are left out: the session holds the findings, and the report shows those. What the readings show is
worked out again, so that an old session gets what a newer Stopmark can see in it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.format import Note, SessionError
from monitor.adapters.sessions.gaps import Gap
from monitor.analysis.parallel_replay import Elsewhere, replay
from monitor.analysis.pieces import COLUMNS, STATES, Numbers
from monitor.analysis.work.series import Series, has_readings, series_of_sessions
from monitor.config.rig import Rig
from monitor.model.alarm import Finding
from monitor.model.progress import OnProgress, nobody
from monitor.model.snapshot import Snapshot
from monitor.model.stream import GRID_NS, Action

__all__ = ["COLUMNS", "STATES", "Numbers", "Recording", "collect"]


@dataclass(frozen=True, slots=True)
class Recording:
    """Everything a report is made of. Arrays have one entry per grid point that was evaluated: 50 ms apart, or seconds where the
    data are slow (`monitor.core.pace`). NaN where not known."""

    rig: Rig
    name: str
    mode: str
    version: str
    rules_text: str
    """The rules in force at the time (TOML)."""
    start_ns: int
    end_ns: int
    watched_s: float
    """How long the session was watched: silences before a new beginning left out."""
    frames: int
    unread: int
    """Frames that stand in a damaged part and could not be read."""
    t_ns: npt.NDArray[np.int64]
    elapsed_ns: npt.NDArray[np.int64]
    """Time since the first grid point, silences before a new beginning left out; one more entry, for the end."""
    starts: npt.NDArray[np.int64]
    """Grid indices at which there was a new beginning."""
    columns: Mapping[str, Numbers]
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
    """At the end; the counts of its sensors and refusals are those of the whole record."""
    findings: list[Finding]
    actions: list[Action]
    notes: list[Note]
    gaps: list[Gap]
    restarts: int
    """Silences so long that a new core began after them."""
    faults: list[str] = field(default_factory=list)
    """What is wrong with the sessions, as `sessions verify` tells it."""
    series: Series | None = None
    """The readings of height and load, where they say the height by themselves."""

    @property
    def seconds(self) -> float:
        """Length."""
        return (self.end_ns - self.start_ns) * 1e-9

    @property
    def away(self) -> list[tuple[int, int]]:
        """Silences so long that nothing was waited for: (from, to), ns."""
        return [(int(self.t_ns[place]), int(self.t_ns[place + 1])) for place in self.holes]

    @property
    def holes(self) -> list[int]:
        """Grid indices after which such a silence begins."""
        return [at - 1 for at in self.starts.tolist() if self.t_ns[at] - self.t_ns[at - 1] > GRID_NS]

    def seconds_of(self, first: int, after: int) -> float:
        """How long the rows from `first` to before `after` stand, s."""
        return int(self.elapsed_ns[after] - self.elapsed_ns[first]) * 1e-9

    def later(self, index: int, seconds: float) -> int:
        """The first row at least so long after row `index`; one past the last where there is none."""
        at_ns = int(self.elapsed_ns[min(index, len(self.t_ns))]) + round(seconds * 1e9 / GRID_NS) * GRID_NS
        return min(int(np.searchsorted(self.elapsed_ns, at_ns)), len(self.t_ns))

    def way_m(self, first: int, after: int) -> float:
        """Way of the block over those rows by its speed where that is known, m, up positive."""
        speed = self.columns["speed"][first:after]
        return float(np.nansum(speed * np.diff(self.elapsed_ns[first : after + 1]))) * 1e-9

    def share(self, mask: npt.NDArray[np.bool_]) -> float:
        """Share of the time for which `mask`, an entry per row, holds, 0 to 1."""
        total = int(self.elapsed_ns[-1])
        return float(np.diff(self.elapsed_ns)[mask].sum()) / total if total else 0.0

    def __getitem__(self, name: str) -> Numbers:
        return self.columns[name]

    def known(self, name: str) -> float:
        """Share of the time that a column is known, 0 to 1."""
        return self.share(np.isfinite(self.columns[name]))


def collect(
    chain: SessionChain,
    from_ns: int | None = None,
    to_ns: int | None = None,
    jobs: int = 1,
    on_progress: OnProgress = nobody,
    elsewhere: Elsewhere | None = None,
) -> Recording:
    """Replay `chain`, or the part of it from `from_ns` to `to_ns`, and keep what a report needs.

    A part is begun at the last checkpoint at least a minute earlier; where there is none (older sessions) a minute earlier,
    or at the last height reference or cut before it, which the height depends on, and of brake health it then knows only
    what it has seen since. A long session is replayed in pieces, as many at the same time as there are `jobs`,
    or `elsewhere`.

    Raises:
        SessionError: a session cannot be read. UserError: it could not be done elsewhere.
    """
    rig = chain.rig
    start_ns = chain.t_first_ns if from_ns is None else max(from_ns, chain.t_first_ns)
    end_ns = chain.end_ns if to_ns is None else min(to_ns, chain.end_ns)
    findings = chain.findings()
    piece = replay(chain, from_ns, end_ns, jobs, on_progress, elsewhere)
    end_ns = min(end_ns, piece.end_ns)
    if not len(piece.t_ns):
        raise SessionError(f"{chain.name}: none of its readings can be read; try `stopmark sessions verify`")
    whole = from_ns is None and to_ns is None
    return Recording(
        rig=rig,
        name=chain.name,
        mode=chain.mode,
        version=str(chain.header.get("version", "")),
        rules_text=chain.rules_text,
        start_ns=start_ns,
        end_ns=end_ns,
        watched_s=piece.watched_s,
        frames=piece.frames,
        unread=max(0, chain.frames - piece.frames) if whole else 0,
        t_ns=piece.t_ns,
        elapsed_ns=elapsed_of(piece.t_ns, piece.starts),
        starts=piece.starts,
        columns=piece.columns,
        hoist=piece.hoist,
        validity=piece.validity,
        sigma_at=piece.sigma_at,
        effectiveness_sigma=piece.sigma,
        disc_energy_j=piece.energy,
        snapshot=piece.snapshot,
        findings=[finding for finding in findings if start_ns <= finding.t_ns <= end_ns],
        actions=piece.actions,
        notes=[note for note in chain.notes() if whole or start_ns <= note.t_ns <= end_ns],
        gaps=[gap for gap in chain.gaps() if gap.to_ns >= start_ns and gap.from_ns <= end_ns],
        restarts=piece.restarts,
        faults=chain.faults(),
        series=series_of_sessions(chain, start_ns, end_ns + 1) if has_readings(rig) else None,
    )


def elapsed_of(t_ns: npt.NDArray[np.int64], starts: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Time since the first of `t_ns` with the steps to the rows `starts`, and the last, taken as one of the grid."""
    steps = np.diff(t_ns, append=t_ns[-1:] + GRID_NS)
    steps[starts - 1] = GRID_NS
    return np.concatenate(([0], np.cumsum(steps)))
