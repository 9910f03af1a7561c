"""A time range of a session through a core once more, in one piece or in several at the same time.

Theory of operation
    A core must see a stream in order, so one core cannot share its work among processors. But a session of format 2 holds
    a checkpoint about every minute: what the core knew then. A *piece* begins at a checkpoint, is fed for `WARM_UP_S`
    without anything being kept, so that filter and watches stand, and is then kept to the beginning of the next piece.
    Where the pieces begin depends on the record alone, never on the number of processors: a report in two processes and
    one in eight are the same to the last digit.

    What a checkpoint does not hold comes to be as it was within the warm-up: the estimator's state, the marks that it has
    learned, short memories. So numbers from pieces differ a little from those of one run in one piece; a test says by how
    much. Findings are never computed again: a report reads it from the session.
"""

import logging
import os
from array import array
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import partial
from operator import itemgetter
from pathlib import Path
from typing import Final

import numpy as np

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.pieces import COLUMNS, STATES, WORK, Columns, Counts, Piece, joined
from monitor.analysis.processes import in_processes
from monitor.config.rule import RuleSet
from monitor.core.engine import Core
from monitor.model.progress import OnProgress, nobody
from monitor.model.reading import Sample
from monitor.model.snapshot import HoistState
from monitor.model.stream import CARRIED_TOPIC, GRID_NS, Action, ActionKind, Frame
from monitor.runtime.assembly import law_of
from monitor.runtime.session_feed import WARM_UP_S, begin

_log = logging.getLogger(__name__)

RESTART_NS: Final = 1_800_000_000_000
"""A silence longer than this begins a new core, which is given the state of the one before: nothing that was under way
before it says anything after it."""
PIECE_NS: Final = 3_600_000_000_000
"""Length of a piece, about."""
_WARM_UP_NS: Final = round(WARM_UP_S * 1e9)
_NEAR_NS: Final = 600_000_000_000
"""A piece begins so near to where it should, with the string in slips if it can be."""
_DATUM: Final = (str(ActionKind.REFERENCE_HEIGHT), str(ActionKind.SLIP_AND_CUT))
_EVERY: Final = 10
"""Grid points between two looks at the brake watch's own figures."""
_TELL_EVERY: Final = 256
"""Messages between two words on how far it is."""


@dataclass(frozen=True, slots=True)
class TimeRange:
    """What to replay: from `from_ns` (the session's start when None) to before `to_ns`, or to `end_ns` inclusive."""

    from_ns: int | None
    to_ns: int | None
    """A grid point at which the next piece begins; None: this one is the last."""
    end_ns: int


Elsewhere = Callable[[Callable[[TimeRange], Piece], Sequence[TimeRange]], Iterator[tuple[TimeRange, Piece]]]
"""Has a work done for each of several ranges, and gives each with its piece as it comes."""


class _Replay:
    """Feeds a time range to a core, or to one after another, and keeps what it gives at each grid point."""

    def __init__(self, chain: SessionChain, time_range: TimeRange) -> None:
        self._chain = chain
        self._range = time_range
        self._from_ns = chain.t_first_ns if time_range.from_ns is None else max(time_range.from_ns, chain.t_first_ns)
        self._times = array("q")
        self._numbers = array("f")
        self._hoist = bytearray()
        self._validity = bytearray()
        self._sigma_at = array("q")
        self._sigma = array("f")
        self._energy = array("f")
        self._starts: list[int] = []
        """Rows at which line work began at zero again."""
        self._work_before: float | None = None
        """Line work of the first core before the first row."""
        self._code = {state: place for place, state in enumerate(STATES)}
        self._counts = Counts(len(chain.rig.sensors))
        self._core: Core
        self._since_ns = 0
        self._restarts = 0
        self._pick: Callable[[Sequence[float]], tuple[float, ...]]
        self._height = self._line_work = 0
        self._new_core()

    def _new_core(self) -> None:
        self._core = Core(self._chain.rig, RuleSet(()), law=law_of(self._chain.header))
        # They come in the order in which a core reads them.
        names = self._core.observe(self._on_grid_point, COLUMNS)
        self._pick = itemgetter(*(names.index(name) for name in COLUMNS))
        self._height, self._line_work = names.index("height"), names.index("line_work")

    def _restart_core(self, t_ns: int) -> Core:
        """After a long silence a new core continues from the state of the old one, as over a restart: the datum is kept, what
        was under way is not."""
        state = self._core.state()
        self._new_core()
        self._core.restore(state, t_ns)
        return self._core

    def _on_grid_point(self, t_ns: int, hoist: HoistState, numbers: Sequence[float], validities: Sequence[int]) -> None:
        """Observer of the core: keep this grid point as a row."""
        if t_ns < self._from_ns:
            self._work_before = numbers[self._line_work]
            return
        if self._core.thinned or not len(self._times) % _EVERY:
            if not self._times:
                # What was counted before the range is not of it.
                self._counts.add(self._core.snapshot(), t_ns - self._since_ns, -1)
                if self._work_before is None:
                    self._work_before = numbers[self._line_work]
            self._sigma_at.append(len(self._times))
            self._sigma.append(self._core.brake_number("effectiveness_sigma")[0])
            self._energy.append(self._core.brake_number("disc_energy")[0])
        self._times.append(t_ns)
        self._numbers.extend(self._pick(numbers))
        self._hoist.append(self._code[hoist])
        self._validity.append(validities[self._height])

    def _inputs(self) -> Iterator[Frame | Sample | Action]:
        chain, from_ns = self._chain, self._range.from_ns
        if from_ns is not None and chain.checkpoint_before(from_ns - _WARM_UP_NS) is None:
            # Of a session without checkpoints at least the height must be that of the last reference or cut.
            datums = [found.t_ns for found in chain.findings() if found.t_ns < from_ns and found.key in _DATUM]
            place_ns = (datums[-1] if datums else from_ns) - _WARM_UP_NS
            return chain.readings(self._core.decoder, place_ns, "skip")
        return begin(self._core, chain, from_ns, WARM_UP_S, damaged="skip")

    def run(self, on_progress: OnProgress = nobody) -> Piece:
        """Replay."""
        to_ns, end_ns, from_ns = self._range.to_ns, self._range.end_ns, self._from_ns
        last_ns = end_ns if to_ns is None else min(end_ns, to_ns - 1)
        actions: list[Action] = []
        frames = 0
        core = self._core
        for item in self._inputs():
            t_ns = item.t_ns
            if t_ns > last_ns:
                break
            if type(item) is not Sample or t_ns - core.now_ns > RESTART_NS:
                core = self._beginning_at(item)
            core.feed(item)
            if t_ns < from_ns:
                continue
            if isinstance(item, Action):
                actions.append(item)
                continue
            frames += 1
            if not frames % _TELL_EVERY:
                on_progress(frames, t_ns)
        # A damaged file may claim any end: beyond a long silence there is nothing to see.
        last_ns = end_ns if to_ns is None else to_ns - 1
        if to_ns is None or last_ns - core.now_ns <= RESTART_NS:
            core.advance(min(max(last_ns, core.now_ns), core.now_ns + RESTART_NS))
        self._counts_so_far()
        return self._piece(frames, actions)

    def _beginning_at(self, item: Frame | Sample | Action) -> Core:
        """The core that is to take `item`: another one where a long silence comes before it. Notes what begins anew with it."""
        core, t_ns = self._core, item.t_ns
        carried = isinstance(item, Frame) and item.topic == CARRIED_TOPIC
        if core.now_ns and (carried or t_ns - core.now_ns > RESTART_NS):
            self._counts_so_far()
            if carried:
                self._since_ns = t_ns
            else:
                self._restarts += t_ns >= self._from_ns
                core = self._restart_core(t_ns)
            self._starts.append(len(self._times))
            if not self._times:
                self._work_before = 0.0
        if not core.now_ns:
            self._since_ns = t_ns
        return core

    def _counts_so_far(self) -> None:
        """Take the counts of a core that ends here."""
        if self._times:
            self._counts.add(self._core.snapshot(), self._core.now_ns - self._since_ns)

    def _piece(self, frames: int, actions: list[Action]) -> Piece:
        """All rows as arrays, with line work summed over the cores."""
        numbers = np.frombuffer(self._numbers, dtype=np.float32).reshape(-1, len(COLUMNS))
        columns = Columns(len(numbers))
        for place, name in enumerate(COLUMNS):
            columns.put(name, numbers[:, place])
        del numbers
        self._numbers = array("f")
        work = columns.pop(WORK).copy()
        first = next((at for at in self._starts if at > 0), len(work))
        work[:first] -= np.float32(self._work_before or 0.0)
        for start in self._starts:
            if 0 < start < len(work):
                work[start:] += work[start - 1]
        columns.put(WORK, work)
        return Piece(
            t_ns=np.frombuffer(self._times, dtype=np.int64),
            starts=np.array(sorted({start for start in self._starts if 0 < start < len(work)}), np.int64),
            columns=columns,
            hoist=np.frombuffer(bytes(self._hoist), dtype=np.uint8),
            validity=np.frombuffer(bytes(self._validity), dtype=np.uint8),
            sigma_at=np.frombuffer(self._sigma_at, dtype=np.int64),
            sigma=np.frombuffer(self._sigma, dtype=np.float32),
            energy=np.frombuffer(self._energy, dtype=np.float32),
            snapshot=self._counts.snapshot(self._core.snapshot()),
            watched_s=self._counts.watched_ns * 1e-9,
            frames=frames,
            actions=actions,
            restarts=self._restarts,
            end_ns=self._core.now_ns,
        )


def replay(
    chain: SessionChain, from_ns: int | None, end_ns: int, jobs: int = 1, on_progress: OnProgress = nobody,
    elsewhere: Elsewhere | None = None,
) -> Piece:  # fmt: skip
    """Replay `chain` from `from_ns` (its start when None) to `end_ns`, in pieces, as many at the same time as there are `jobs`:
    with one of them one after another, so that it gives the same. A short session, and one without checkpoints, in one piece.
    With `elsewhere` other machines do the pieces, which find the sessions under the same paths.

    Raises:
        SessionError: a session cannot be read. UserError: it could not be done elsewhere.
    """
    cuts = cuts_of(chain, from_ns, end_ns)
    if not cuts:
        return _Replay(chain, TimeRange(from_ns, None, end_ns)).run(on_progress)
    ranges = [TimeRange(start, stop, end_ns) for start, stop in zip((from_ns, *cuts), (*cuts, None), strict=True)]
    if elsewhere is not None:
        return joined(_elsewhere(chain, ranges, elsewhere, on_progress))
    if jobs > 1:
        try:
            return joined(_in_parallel(chain, ranges, min(jobs, len(ranges)), on_progress))
        except (OSError, ImportError, BrokenProcessPool) as error:
            # A machine that gives no processes takes longer; whoever waits is told why.
            _log.warning("one process works out what %d could: %s", min(jobs, len(ranges)), error)
    return joined(_one_after_another(chain, ranges, on_progress))


def processors() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def cuts_of(chain: SessionChain, from_ns: int | None, end_ns: int) -> list[int]:
    """Grid points at which pieces begin, each `WARM_UP_S` after a checkpoint that can be taken up whole."""
    start_ns = chain.t_first_ns if from_ns is None else max(from_ns, chain.t_first_ns)
    times = np.array(sorted(chain.checkpoint_times()), np.int64) + _WARM_UP_NS
    cuts: list[int] = []
    if len(times):
        end_ns = min(end_ns, int(times[-1]) + PIECE_NS)  # a damaged file may claim any end
    at_ns = start_ns + PIECE_NS
    while at_ns <= end_ns - PIECE_NS // 3:
        least_ns = max(at_ns - _NEAR_NS, cuts[-1] + GRID_NS if cuts else start_ns)
        near = times[(times > least_ns) & (times < at_ns + _NEAR_NS)]
        found = None
        for t_ns in near[np.argsort(np.abs(near - at_ns), kind="stable")].tolist():
            in_slips = _in_slips_at(chain, t_ns - _WARM_UP_NS)
            if in_slips is not None and (found is None or in_slips):
                found = -(-t_ns // GRID_NS) * GRID_NS
            if in_slips:
                break
        if found is not None:
            cuts.append(found)
        at_ns += PIECE_NS
    return cuts


def _in_slips_at(chain: SessionChain, t_ns: int) -> bool | None:
    """Whether the string was in slips at the checkpoint of `t_ns`; None where it cannot be taken up whole."""
    kept = chain.checkpoint_before(t_ns)
    try:
        if kept is None or kept.t_ns != t_ns or Core(chain.rig, RuleSet(())).restore(kept.state, t_ns, same_run=True):
            return None
    except ValueError:
        return None
    hoist = kept.state.get("hoist")
    return isinstance(hoist, Mapping) and hoist.get("in_slips") is True


def _one_after_another(chain: SessionChain, ranges: Sequence[TimeRange], on_progress: OnProgress) -> list[Piece]:
    pieces: list[Piece] = []
    done = 0

    def reached(frames: int, t_ns: int) -> None:
        on_progress(done + frames, t_ns)

    for one in ranges:
        pieces.append(_Replay(chain, one).run(reached))
        done += pieces[-1].frames
    return pieces


def _in_parallel(
    chain: SessionChain, ranges: Sequence[TimeRange], jobs: int, on_progress: OnProgress = nobody
) -> list[Piece]:
    begins_ns = [chain.t_first_ns if one.from_ns is None else one.from_ns for one in ranges]

    def add_up(frames: list[int], reached_ns: list[int]) -> None:
        done_ns = sum(max(0, to_ns - from_ns) for from_ns, to_ns in zip(begins_ns, reached_ns, strict=True))
        on_progress(sum(frames), begins_ns[0] + done_ns)

    paths = [session.path for session in chain.sessions]
    return in_processes(partial(_replayed, paths), ranges, jobs, add_up)


def _elsewhere(
    chain: SessionChain, ranges: Sequence[TimeRange], elsewhere: Elsewhere, on_progress: OnProgress
) -> list[Piece]:
    """The pieces, told as done one after another, whichever they are."""
    begins_ns = chain.t_first_ns if ranges[0].from_ns is None else ranges[0].from_ns
    paths = [session.path.resolve() for session in chain.sessions]
    found: dict[TimeRange, Piece] = {}
    frames, done_ns = 0, begins_ns
    for time_range, piece in elsewhere(partial(_replayed, paths, on_progress=nobody), ranges):
        found[time_range] = piece
        frames += piece.frames
        done_ns += piece.end_ns - (begins_ns if time_range.from_ns is None else time_range.from_ns)
        on_progress(frames, done_ns)
    return [found[time_range] for time_range in ranges]


def _replayed(paths: Sequence[Path], time_range: TimeRange, on_progress: OnProgress) -> Piece:
    with SessionChain(paths) as chain:
        piece = _Replay(chain, time_range).run(on_progress)
    on_progress(piece.frames, piece.end_ns)
    return piece
