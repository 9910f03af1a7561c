"""A live run writes the rig's ledger by itself, and never holds up the watch.

The run's loop gives actions and findings as they happen and, every few seconds, a look at the figures. Out of these come
candidates for entries, which wait in a queue. A thread writes all that wait in one transaction, by the rules of `entries`: what
`stopmark ledger take` brought meanwhile, or what a commit that seemed to fail had written, is not entered again.

While the ledger cannot be written (another program holds it, the disk is full), the log and the session's notes say so once,
the candidates wait, and the thread tries again every two seconds. A candidate is let go only once it is on the disk.

A file beside the ledger marks that a run is under way. A clean stop removes it; a run that finds one at its start enters that
the run before had no clean stop.
"""

import json
import logging
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Final, Self

from monitor.adapters.host.os_errors import disk_error_text
from monitor.adapters.ledger.entries import (
    BRAKE_FIGURES,
    BRAKE_WORDS,
    DAY_NS,
    EntryCollector,
    NewEntry,
    WorkSum,
    add_entries,
    is_cut,
)
from monitor.adapters.ledger.ledger import Entry, EntryError, Ledger, LedgerError, iso
from monitor.adapters.ledger.trend import BrakeTrend, brake_trends
from monitor.files import check_regular, read_bounded
from monitor.model.alarm import Finding
from monitor.model.snapshot import Snapshot
from monitor.model.stream import GRID_NS, Action, Frame

LOG = logging.getLogger(__name__)
_MARK_BYTES: Final = 4096

LINE_KINDS: Final = ("line-cut", "line-new", "line-strung")
RETRY_S: Final = 2.0
"""Real time between two attempts while the ledger cannot be written."""
SEEN_S: Final = 10.0
"""Real time between two touches of the mark of a running monitor: how exactly a restart can say when it was last seen."""
MOST_WAITING: Final = 20_000
"""Candidates that wait; what comes then is left to `stopmark ledger take`."""
_GRACE_S: Final = 1.0
_THEN: Final = "entries wait meanwhile"
_HOUR_NS: Final = 3_600_000_000_000
_EVENTS: Final = 5

Note = Callable[[int, str, str], None]
"""Takes a note about the recording: stream time, kind, words."""


class LedgerWriter:
    """Writes one rig's ledger during one run. Every method returns at once; only `close` waits for the disk.

    `action`, `finding`, `look` and `stop` are called from one thread (the loop's); what can be read, from any.
    """

    def __init__(self, path: Path, note: Note, t_ns: int, levels: Mapping[str, float] = MappingProxyType({})) -> None:
        """For the ledger at `path` and a run that starts at stream time `t_ns`; `levels` of the brake's figures at which alarms
        come.

        A ledger that cannot be used is no error here: `problem` then says why, and the thread tries again.
        """
        self.path = path
        self.problem = ""
        """Why the ledger cannot be written, in words; empty while it can."""
        self.written = 0
        """Entries of this run."""
        self.line_events: tuple[Entry, ...] = ()
        """The latest events in the drilling line's life, newest first."""
        self.brake_trends: tuple[BrakeTrend, ...] = ()
        """Where the brake's figures are heading."""
        self._levels = levels
        self._trends_of: tuple[int, ...] = (-1,)
        self._mark = path.with_name(path.name + "-running")
        self._snapshot: Callable[[], Snapshot | None] = lambda: None
        self._note = note
        self._start_ns = t_ns
        self._t_ns = t_ns
        self._collector = EntryCollector()
        self._work = _Work(t_ns)
        self._brake = _BrakeDay()
        self._queue: deque[NewEntry | WorkSum] = deque()
        self._left_out = 0
        self._faulty = False
        self._waiting: list[NewEntry | WorkSum] = []
        self._opened = False
        self._marked = False
        self._wake = threading.Event()
        self._wake.set()
        self._deadline_s: float | None = None
        self._clean = False
        self._thread = threading.Thread(target=self._run, name="ledger", daemon=True)

    # -- the loop's side ------------------------------------------------------------------------------------------

    def start(self, snapshot: Callable[[], Snapshot | None]) -> None:
        """Begin to write, at the start of the run; `snapshot` gives its present state."""
        self._snapshot = snapshot
        self._thread.start()

    def frame(self, frame: Frame) -> None:
        """Nothing: no entry is made out of a reading."""

    def action(self, action: Action) -> None:
        """Take an action, with its final time, before the core takes it."""
        self._collector.action(action)

    def finding(self, finding: Finding) -> None:
        """Take a finding. A fault in here is reported, and harms nothing but the ledger."""
        try:
            self._t_ns = finding.t_ns
            if is_cut(finding):
                self._look(self._snapshot())
                self._put(self._work.close())
            self._put(self._collector.finding(finding))
        except Exception as error:
            self._fault(error)

    def look(self) -> None:
        """Look at the figures. To be called every few seconds."""
        try:
            self._look(self._snapshot())
        except Exception as error:
            self._fault(error)

    def stop(self) -> None:
        """Note that the run ends as it should, and queue what was done since the last entries."""
        self.look()
        self._put(self._work.close())
        self._put(self._brake.close(self._t_ns // GRID_NS * GRID_NS))
        self._clean = True

    def close(self, timeout_s: float = 5.0) -> bool:
        """Write what waits, and end. False when some of it could not be written within `timeout_s`; that is reported."""
        if self._thread.ident is None:
            return True  # the run never began
        self._deadline_s = time.monotonic() + timeout_s
        self._wake.set()
        self._thread.join(timeout_s + 2 * _GRACE_S)
        return not self._thread.is_alive() and not self._waiting and not self._queue

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None:
            self.stop()
        self.close()

    @property
    def waiting(self) -> int:
        """Drafts that are not entered yet."""
        return len(self._queue) + len(self._waiting)

    def _look(self, snapshot: Snapshot | None) -> None:
        if snapshot is None:
            return
        self._t_ns = t_ns = snapshot.t_ns // GRID_NS * GRID_NS
        self._put(self._brake.look(t_ns, snapshot))
        work = snapshot.value("line_work")
        if work.known:
            self._put(self._work.look(t_ns, work.number))

    def _put(self, candidate: NewEntry | WorkSum | None) -> None:
        if candidate is None:
            return
        if self.waiting >= MOST_WAITING:
            self._left_out += 1
            return
        self._queue.append(candidate)
        self._wake.set()

    def _fault(self, error: Exception) -> None:
        if not self._faulty:
            self._faulty = True
            LOG.exception("the ledger is not kept as it should")
            self._note(self._t_ns, "ledger", f"the ledger is not kept as it should ({type(error).__name__}: {error})")

    # -- the thread's side ----------------------------------------------------------------------------------------

    def _run(self) -> None:
        next_try_s = 0.0
        try:
            self._find_mark()
            while True:
                if self._deadline_s is None:
                    self._wake.wait(RETRY_S if self.problem else SEEN_S)
                    self._wake.clear()
                closing = self._deadline_s is not None
                while self._queue:
                    self._waiting.append(self._queue.popleft())
                if closing or not self.problem or time.monotonic() >= next_try_s:
                    self._write()
                    next_try_s = time.monotonic() + RETRY_S
                if closing and (not self.problem or time.monotonic() >= (self._deadline_s or 0.0)):
                    break
                if closing:
                    self._wake.clear()
                    self._wake.wait(0.1)
            self._end()
        except Exception as error:
            LOG.exception("the ledger's thread stopped")
            self._set_problem(f"the ledger is no longer kept, on a fault of its own ({type(error).__name__}: {error})")

    def _write(self) -> None:
        try:
            if self._waiting or self.problem or not self._opened:
                # Opened again each time: a file that was moved or put in its place meanwhile is not written blindly.
                with Ledger(self.path, _GRACE_S) as ledger:
                    self._opened = True
                    self._add(ledger)
                    self._read_back(ledger)
            self._touch()
        except (LedgerError, OSError) as error:
            self._set_problem(disk_error_text(error, self.path, _THEN))
            return
        if self.problem:
            self._set_problem("")
        if self._left_out:
            words = f"{self._left_out} entries found no room while the ledger could not be written"
            self._left_out = 0
            self._report(f"{words}: `stopmark ledger take` brings them from this session")

    def _add(self, ledger: Ledger) -> None:
        """Write what waits. What can be no entry is reported, and does not hold up the rest."""
        written_ns = time.time_ns()
        try:
            self.written += add_entries(ledger, self._waiting, written_ns)[0]
            self._waiting.clear()
        except EntryError:
            while self._waiting:
                try:
                    self.written += add_entries(ledger, self._waiting[:1], written_ns)[0]
                except EntryError as error:
                    self._report(f"left out of the ledger: {error}")
                del self._waiting[0]

    def _read_back(self, ledger: Ledger) -> None:
        """Read what screens show of the ledger; trends only where their entries have changed."""
        found = [entry for kind in LINE_KINDS for entry in ledger.entries(kind)]
        found.sort(key=lambda entry: entry.t_ns, reverse=True)
        self.line_events = tuple(found[:_EVENTS])
        of_brake = [entry for kind in ("brake", "pads") for entry in ledger.entries(kind)]
        ids = tuple(entry.id for entry in of_brake)
        if ids != self._trends_of:
            self._trends_of = ids
            self.brake_trends = tuple(brake_trends(of_brake, self._levels))

    def _set_problem(self, problem: str) -> None:
        """Report why the ledger cannot be written, or that it can again, where that is new."""
        if problem != self.problem:
            self.problem = problem
            self._report(problem or "the ledger is written again")

    def _report(self, words: str) -> None:
        LOG.warning("%s: %s", self.path.name, words)
        self._note(self._t_ns, "ledger", words)

    def _end(self) -> None:
        if self._waiting:
            self._report(
                f"{len(self._waiting)} entries could not be written before the end:"
                " `stopmark ledger take` brings them from this session"
            )
        if self._clean and self._marked:
            try:
                self._mark.unlink(missing_ok=True)
            except OSError as error:
                LOG.warning("%s cannot be removed: %s", self._mark, error)

    # -- the mark of a running monitor ----------------------------------------------------------------------------

    def _find_mark(self) -> None:
        """Queue, before all else, that the run before had no clean stop, where it left its mark."""
        try:
            seen_ns = self._mark.stat().st_mtime_ns
        except OSError:
            return
        try:
            begun = f"begun {_moment(int(json.loads(read_bounded(self._mark, _MARK_BYTES))['started_ns']))}, "
        except (OSError, ValueError, TypeError, KeyError, OverflowError):
            begun = ""
        words = f"the run before, {begun}last seen {_moment(seen_ns)}, had ended without a clean stop"
        away_s = max(0.0, (self._start_ns - seen_ns) * 1e-9)
        self._waiting.append(NewEntry("restart", self._start_ns, text=words, numbers={"away_s": away_s}))

    def _touch(self) -> None:
        """Mark that a run is under way, once what an earlier mark said is entered; keep the mark's time fresh."""
        if self._marked and self._mark.exists():
            os.utime(self._mark)
            return
        content = {"process": os.getpid(), "started_ns": self._start_ns}
        check_regular(self._mark, may_lack=True)
        self._mark.write_text(json.dumps(content), encoding="utf-8")
        self._marked = True


def _moment(t_ns: int) -> str:
    return iso(t_ns)[:19].replace("T", " ")


class _Work:
    """Line work since the last entry, look by look."""

    def __init__(self, t_ns: int) -> None:
        self._times = [t_ns]
        self._sums = [0.0]

    def look(self, t_ns: int, sum_j: float) -> WorkSum | None:
        """Take the sum at `t_ns`, J. Returns the work up to here when an hour is full."""
        times, sums = self._times, self._sums
        if t_ns <= times[-1]:
            return None
        hour_ns = times[0] // _HOUR_NS
        if len(sums) > 1 and sums[-2] == sums[-1] == sum_j:
            times[-1] = t_ns
        else:
            times.append(t_ns)
            sums.append(sum_j)
        return self.close() if t_ns // _HOUR_NS != hour_ns else None

    def close(self) -> WorkSum | None:
        """The work up to the last look, if there was any; the next sum begins there."""
        done = WorkSum(tuple(self._times), tuple(self._sums))
        self._times = self._times[-1:]
        self._sums = self._sums[-1:]
        return done if done.done_j > 0.0 else None


class _BrakeDay:
    """The brake's figures of a day: the last value of each that is new on this day, not left over from the day before."""

    def __init__(self) -> None:
        self._day: int | None = None
        self._last: dict[str, float | None] = {}
        self._new: dict[str, float] = {}

    def look(self, t_ns: int, snapshot: Snapshot) -> NewEntry | None:
        """Take the figures at `t_ns`. Returns the entry of the day before, at the first look of a new day."""
        day = t_ns // DAY_NS
        ended = self.close(((self._day or 0) + 1) * DAY_NS - GRID_NS) if self._day not in (None, day) else None
        self._day = day
        for name, signal in BRAKE_FIGURES.items():
            value = snapshot.value(signal)
            number = value.number if value.known else None
            if name in self._last and number is not None and number != self._last[name]:
                self._new[name] = number
            if number is not None or name not in self._last:
                self._last[name] = number
        return ended

    def close(self, t_ns: int) -> NewEntry | None:
        """The entry at `t_ns` of what was new so far, if anything was."""
        numbers, self._new = self._new, {}
        return NewEntry("brake", t_ns, text=BRAKE_WORDS, numbers=numbers) if numbers else None
