"""A live run keeps the rig's ledger by itself, without ever holding up the watch.

The loop gives what happens (actions, findings) and, every few seconds, a look at the figures; out of these come drafts,
which only wait in a queue. A thread of its own enters them, all that wait in one transaction, by the rules of `drafts`:
what `stopmark ledger take` brought meanwhile, or what a commit that seemed to fail had written, is not entered again.

While the ledger cannot be written (another program holds it, the disk is full) that is said once in the log and in the
session's notes, the drafts wait, and it is tried again every two seconds. A draft is let go only once it is on the disk.

A file beside the ledger marks that a run is under way. A clean stop takes it away; a run that finds one at its start
enters that the run before had none.
"""

import json
import logging
import os
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Final, Self

from monitor.adapters.host.os_errors import why_refused
from monitor.adapters.ledger.entries import BRAKE_FIGURES, BRAKE_WORDS, DAY_NS, Draft, Gleaner, Stretch, enter, is_cut
from monitor.adapters.ledger.ledger import Entry, EntryError, Ledger, LedgerError, iso
from monitor.model.alarm import Finding
from monitor.model.snapshot import Snapshot
from monitor.model.stream import GRID_NS, Action, Frame

LOG = logging.getLogger(__name__)

LINE_KINDS: Final = ("line-cut", "line-new", "line-strung")
RETRY_S: Final = 2.0
"""Real time between two attempts while the ledger cannot be written."""
SEEN_S: Final = 10.0
"""Real time between two touches of the mark of a running monitor: how exactly a restart can say when it was last seen."""
MOST_WAITING: Final = 20_000
"""Drafts that wait; what comes then is left to `stopmark ledger take`."""
_GRACE_S: Final = 1.0
_THEN: Final = "entries wait meanwhile"
_HOUR_NS: Final = 3_600_000_000_000
_EVENTS: Final = 5

Note = Callable[[int, str, str], None]
"""Takes a note about the recording: stream time, kind, words."""


class Keeper:
    """Keeps one rig's ledger during one run. Every method returns at once; nothing but `close` waits for the disk.

    `action`, `finding`, `look` and `stop` are called from one thread (the loop's); what can be read, from any.
    """

    def __init__(self, path: Path, note: Note, t_ns: int) -> None:
        """Keep the ledger at `path` for a run that starts at stream time `t_ns`.

        A ledger that cannot be used is no error here: `problem` then says why, and it is tried again.
        """
        self.path = path
        self.problem = ""
        """Why the ledger cannot be written, in words; empty while it can."""
        self.written = 0
        """Entries of this run."""
        self.line_events: tuple[Entry, ...] = ()
        """The latest events in the drilling line's life, newest first."""
        self._mark = path.with_name(path.name + "-running")
        self._snapshot: Callable[[], Snapshot | None] = lambda: None
        self._note = note
        self._start_ns = t_ns
        self._t_ns = t_ns
        self._gleaner = Gleaner()
        self._work = _Work(t_ns)
        self._brake = _BrakeDay()
        self._queue: deque[Draft | Stretch] = deque()
        self._left_out = 0
        self._faulty = False
        self._waiting: list[Draft | Stretch] = []
        self._opened = False
        self._marked = False
        self._wake = threading.Event()
        self._wake.set()
        self._deadline_s: float | None = None
        self._clean = False
        self._thread = threading.Thread(target=self._run, name="ledger", daemon=True)

    # -- the loop's side ------------------------------------------------------------------------------------------

    def watch(self, snapshot: Callable[[], Snapshot | None]) -> None:
        """The run begins, and with it the keeping: `snapshot` shows its present state."""
        self._snapshot = snapshot
        self._thread.start()

    def frame(self, frame: Frame) -> None:
        """Nothing: no entry is made out of a reading."""

    def action(self, action: Action) -> None:
        """Something the crew did, with its time as the core takes it; to be given before the core takes it."""
        self._gleaner.action(action)

    def finding(self, finding: Finding) -> None:
        """A sink: what the core found. A fault in here is told, and harms nothing but the ledger."""
        try:
            self._t_ns = finding.t_ns
            if is_cut(finding):
                self._look(self._snapshot())
                self._put(self._work.close())
            self._put(self._gleaner.finding(finding))
        except Exception as error:
            self._fault(error)

    def look(self) -> None:
        """Look at the figures; to be called every few seconds."""
        try:
            self._look(self._snapshot())
        except Exception as error:
            self._fault(error)

    def stop(self) -> None:
        """The run ends as it should: what was done since the last entries is entered, and that the stop was clean."""
        self.look()
        self._put(self._work.close())
        self._put(self._brake.close(self._t_ns // GRID_NS * GRID_NS))
        self._clean = True

    def close(self, timeout_s: float = 5.0) -> bool:
        """Enter what waits, and end. False when some of it could not be entered within `timeout_s`; that is told."""
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

    def _put(self, draft: Draft | Stretch | None) -> None:
        if draft is None:
            return
        if self.waiting >= MOST_WAITING:
            self._left_out += 1
            return
        self._queue.append(draft)
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
            self._say(f"the ledger is no longer kept, on a fault of its own ({type(error).__name__}: {error})")

    def _write(self) -> None:
        try:
            if self._waiting or self.problem or not self._opened:
                # Opened anew each time: a file that was moved or put in its place meanwhile is not written blindly.
                with Ledger(self.path, _GRACE_S) as ledger:
                    self._opened = True
                    self._enter(ledger)
                    self._read_line_events(ledger)
            self._touch()
        except (LedgerError, OSError) as error:
            self._say(why_refused(error, self.path, _THEN))
            return
        if self.problem:
            self._say("")
        if self._left_out:
            words = f"{self._left_out} entries found no room while the ledger could not be written"
            self._left_out = 0
            self._tell(f"{words}: `stopmark ledger take` brings them from this session")

    def _enter(self, ledger: Ledger) -> None:
        """Enter what waits. What can be no entry is told, and does not hold up the rest."""
        written_ns = time.time_ns()
        try:
            self.written += enter(ledger, self._waiting, written_ns)[0]
            self._waiting.clear()
        except EntryError:
            while self._waiting:
                try:
                    self.written += enter(ledger, self._waiting[:1], written_ns)[0]
                except EntryError as error:
                    self._tell(f"left out of the ledger: {error}")
                del self._waiting[0]

    def _read_line_events(self, ledger: Ledger) -> None:
        found = [entry for kind in LINE_KINDS for entry in ledger.entries(kind)]
        found.sort(key=lambda entry: entry.t_ns, reverse=True)
        self.line_events = tuple(found[:_EVENTS])

    def _say(self, problem: str) -> None:
        """A new state of the ledger; told when it is one."""
        if problem != self.problem:
            self.problem = problem
            self._tell(problem or "the ledger is written again")

    def _tell(self, words: str) -> None:
        LOG.warning("%s: %s", self.path.name, words)
        self._note(self._t_ns, "ledger", words)

    def _end(self) -> None:
        if self._waiting:
            self._tell(
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
        """What an earlier run left behind is the first thing to enter."""
        try:
            seen_ns = self._mark.stat().st_mtime_ns
        except OSError:
            return
        try:
            begun = f"begun {_moment(int(json.loads(self._mark.read_text(encoding='utf-8'))['started_ns']))}, "
        except (OSError, ValueError, TypeError, KeyError, OverflowError):
            begun = ""
        words = f"the run before, {begun}last seen {_moment(seen_ns)}, had ended without a clean stop"
        away_s = max(0.0, (self._start_ns - seen_ns) * 1e-9)
        self._waiting.append(Draft("restart", self._start_ns, text=words, numbers={"away_s": away_s}))

    def _touch(self) -> None:
        """Mark that a run is under way, once that an earlier one was has been entered; keep the mark's time fresh."""
        if self._marked and self._mark.exists():
            os.utime(self._mark)
            return
        told = {"process": os.getpid(), "started_ns": self._start_ns}
        self._mark.write_text(json.dumps(told), encoding="utf-8")
        self._marked = True


def _moment(t_ns: int) -> str:
    return iso(t_ns)[:19].replace("T", " ")


class _Work:
    """Line work since the last entry, as seen look by look."""

    def __init__(self, t_ns: int) -> None:
        self._times = [t_ns]
        self._sums = [0.0]

    def look(self, t_ns: int, sum_j: float) -> Stretch | None:
        """The sum at `t_ns`. With the hour full, the stretch up to here."""
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

    def close(self) -> Stretch | None:
        """The stretch up to the last look, if anything was done in it; the next begins there."""
        stretch = Stretch(tuple(self._times), tuple(self._sums))
        self._times = self._times[-1:]
        self._sums = self._sums[-1:]
        return stretch if stretch.done_j > 0.0 else None


class _BrakeDay:
    """The brake's figures of a day: the last of each that was found on this day, not merely still standing."""

    def __init__(self) -> None:
        self._day: int | None = None
        self._stood: dict[str, float | None] = {}
        self._found: dict[str, float] = {}

    def look(self, t_ns: int, snapshot: Snapshot) -> Draft | None:
        """The figures at `t_ns`. At the first look of a new day, the entry of the day before."""
        day = t_ns // DAY_NS
        ended = self.close(((self._day or 0) + 1) * DAY_NS - GRID_NS) if self._day not in (None, day) else None
        self._day = day
        for name, signal in BRAKE_FIGURES.items():
            value = snapshot.value(signal)
            number = value.number if value.known else None
            if name in self._stood and number is not None and number != self._stood[name]:
                self._found[name] = number
            if number is not None or name not in self._stood:
                self._stood[name] = number
        return ended

    def close(self, t_ns: int) -> Draft | None:
        """The entry at `t_ns` of what was found so far, if anything was."""
        numbers, self._found = self._found, {}
        return Draft("brake", t_ns, text=BRAKE_WORDS, numbers=numbers) if numbers else None
