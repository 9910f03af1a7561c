"""Continuous recording: one session file per hour; the oldest are removed when they are too old or take too much room.

A run of the monitor is a row of segments. Each holds the whole header and says which run it belongs to, its number in it,
and which file went before; replayed one after another they are the run, input for input.

In its first hour a run keeps the last file of the run before, whatever the bounds: a start reads there what it left.

Every removal is noted in the session that is being recorded. When the removed session held alarms nobody had acknowledged, or
was flagged, it is also logged as a warning.
"""

import logging
import shutil
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from monitor.adapters.sessions.catalogue import SessionSummary, settle_session, summarise
from monitor.adapters.sessions.folder import DataFolder, session_files, started_ns
from monitor.adapters.sessions.recorder import Recorder, State
from monitor.model.alarm import Finding
from monitor.model.stream import Action, Frame

LOG = logging.getLogger(__name__)

HOUR_NS: Final = 3_600_000_000_000
DAY_NS: Final = 24 * HOUR_NS
LOOK_NS: Final = 300_000_000_000
"""Stream time between two looks at the bounds: others fill disks too, and for a quarter of an hour memory holds what a full
one refuses."""


@dataclass(frozen=True, slots=True)
class Retention:
    """How long recordings stay. None: no bound of that kind."""

    max_age_days: float | None = 90.0
    max_disk_share: float | None = 0.5
    """Share of the whole disk that recordings may take."""
    min_free_bytes: int | None = 200_000_000
    """Room to keep free on the disk, so that the recording itself can go on."""


@dataclass(frozen=True, slots=True)
class Usage:
    """The disk under a data folder, bytes."""

    total: int
    free: int
    recordings: int


def disk_usage(folder: Path) -> Usage:
    """The disk under `folder` now."""
    usage = shutil.disk_usage(folder)
    return Usage(usage.total, usage.free, sum(path.stat().st_size for path in session_files(folder)))


@dataclass(frozen=True, slots=True)
class Removal:
    """One session that was removed, or should have been."""

    path: Path
    why: str
    warning: str = ""
    """What the session held that somebody may miss; empty when nothing."""

    @property
    def words(self) -> str:
        """One sentence for the record."""
        return f"removed {self.path.name}: {self.why}" + (f"; it held {self.warning}" if self.warning else "")


def prune(
    folder: Path,
    retention: Retention,
    now_ns: int,
    usage: Callable[[Path], Usage] = disk_usage,
    keep: Collection[Path] = (),
) -> list[Removal]:
    """Remove the oldest sessions in `folder`: those that are too old, and as many more as the disk's bounds ask for.

    `usage` tells about the disk. The newest session and those in `keep` always stay. See `ages_ns` on what is old.
    """
    removals = []
    most_ns = None if retention.max_age_days is None else round(retention.max_age_days * DAY_NS)
    files = [*session_files(folder)]
    old = {} if most_ns is None else ages_ns(files, now_ns, most_ns)
    for path in files[:-1]:
        if path in keep:
            continue
        if most_ns is not None and old.get(path, 0) > most_ns:
            why = f"older than {retention.max_age_days:g} days"
        else:
            disk = usage(folder)
            share, free = retention.max_disk_share, retention.min_free_bytes
            if share is not None and disk.recordings > share * disk.total:
                why = f"recordings take more than {share:.0%} of the disk"
            elif free is not None and disk.free < free:
                why = f"less than {free / 1e6:,.0f} MB are free on the disk"
            else:
                break  # the rest is younger
        removals.append(_remove(path, why, summarise(path)))
    return removals


def ages_ns(files: Sequence[Path], now_ns: int, most_ns: int) -> dict[Path, int]:
    """How old each of `files` (oldest first) is. A time in which nothing was recorded counts as a day at most, or as half
    of `most_ns` where that is less: a computer's clock that is years ahead must not cost a season's recordings, nor must
    a rig that stood for long."""
    longest_ns = min(DAY_NS, most_ns // 2)
    found: dict[Path, int] = {}
    later_ns, age_ns = now_ns, 0
    for path in reversed(files):
        start_ns = started_ns(path)
        if start_ns is not None and start_ns <= later_ns:
            age_ns += min(later_ns - start_ns, longest_ns)
            later_ns = start_ns
            found[path] = age_ns
    return found


def _remove(path: Path, why: str, summary: SessionSummary) -> Removal:
    held = [f"the flag {flag!r}" for flag in summary.flags]
    if summary.unacknowledged:
        held.append(f"findings nobody had acknowledged ({', '.join(summary.unacknowledged)})")
    if summary.problem:
        held.append("what could not be read any more")
    removal = Removal(path, why, " and ".join(held))
    try:
        path.unlink()
        for beside in ("-wal", "-shm"):
            path.with_name(path.name + beside).unlink(missing_ok=True)
    except OSError as error:
        removal = Removal(path, f"{why}, but it could not be removed ({error.strerror})", removal.warning)
    (LOG.warning if removal.warning else LOG.info)("%s", removal.words)
    return removal


class SegmentedRecorder:
    """A `Recorder` that goes on in a new file after every hour of stream time. The same methods, the same rules."""

    def __init__(
        self,
        folder: DataFolder,
        rig: str,
        header: Mapping[str, object],
        now_ns: int,
        retention: Retention = Retention(),
        segment_ns: int = HOUR_NS,
        usage: Callable[[Path], Usage] = disk_usage,
    ) -> None:
        """Start recording `rig` into the held `folder` at stream time `now_ns`.

        Raises:
            FolderError: `rig` is no plain name.
        """
        self._folder = folder
        self._rig = rig
        self._header = dict(header)
        self._run_ns = now_ns
        self._segment = 1
        self._segment_ns = segment_ns
        self._next_ns = now_ns + segment_ns
        self._retention = retention
        self._usage = usage
        self._pruning: threading.Thread | None = None
        self._next_look_ns = 0
        self._looked = False
        self.session_before = folder.last(rig)
        """What the run before left: this one goes on from it, and may not have read it yet. None where there is none."""
        self._recorder = Recorder(folder.session_path(rig, now_ns), self._segment_header(""), hold=folder.hold)
        self._prune(now_ns)

    def _segment_header(self, previous: str) -> dict[str, object]:
        return {**self._header, "run": self._run_ns, "segment": self._segment, "previous": previous}

    def _rotate_at(self, t_ns: int) -> None:
        previous = self._recorder.path.name
        self._segment += 1
        self._next_ns += (1 + (t_ns - self._next_ns) // self._segment_ns) * self._segment_ns
        self._recorder.rotate(self._folder.session_path(self._rig, t_ns), self._segment_header(previous))
        self._prune(t_ns)

    def _prune(self, t_ns: int) -> None:
        """Remove what is to go, in a thread of its own: reading and removing files must not hold up the watch."""
        if self._pruning is not None and self._pruning.is_alive():
            return
        self._next_look_ns = t_ns + LOOK_NS
        # Without memory or a thread to be had the watch goes on, and the next look tries again.
        pruning = threading.Thread(target=self._prune_now, args=(t_ns,), name="retention", daemon=True)
        try:
            pruning.start()
        except (RuntimeError, MemoryError) as error:
            LOG.warning("old sessions cannot be removed for now (%s)", error)
            self._recorder.note(t_ns, "removal", f"old sessions could not be removed ({error})")
            return
        self._pruning = pruning

    def _prune_now(self, t_ns: int) -> None:
        try:
            self._folder.begin(self._recorder.path)
            keep = {self._recorder.path, self._recorder.path_now}
            for path in session_files(self._folder.path):
                if path not in keep:
                    settle_session(path)
            if not self._looked:
                self._looked = True
                self._ask_about_clock(t_ns, keep)
            if self._segment == 1 and self.session_before is not None:
                keep.add(self.session_before)
            for removal in prune(self._folder.path, self._retention, t_ns, self._usage, keep):
                self._recorder.note(t_ns, "removal", removal.words)
        except Exception as error:  # a fault here must not end in silence, nor touch the recording
            LOG.exception("old sessions could not be removed")
            self._recorder.note(t_ns, "removal", f"old sessions could not be removed ({error})")

    def _ask_about_clock(self, t_ns: int, keep: Collection[Path]) -> None:
        """Where nothing in the folder is young enough to stay, either the monitor has not run for a very long time or the
        computer's clock is far ahead: the person is asked, and told what it means for the recordings."""
        days = self._retention.max_age_days
        starts = [started_ns(path) for path in session_files(self._folder.path) if path not in keep]
        known = [start for start in starts if start is not None]
        if days is None or not known or t_ns - max(known) <= days * DAY_NS:
            return
        words = (
            f"nothing was recorded in the last {days:g} days: is the computer's clock right? For the age of sessions that time"
            " counts as one day at most, so that none is lost by it"
        )
        LOG.warning("%s", words)
        self._recorder.note(t_ns, "removal", words)

    # -- the recorder's methods -----------------------------------------------------------------------------------

    def frame(self, frame: Frame) -> None:
        """Record one frame."""
        if frame.t_ns >= self._next_ns:
            self._rotate_at(frame.t_ns)
        self._recorder.frame(frame)

    def action(self, action: Action) -> None:
        """Record one action of the crew."""
        if action.t_ns >= self._next_ns:
            self._rotate_at(action.t_ns)
        self._recorder.action(action)

    def finding(self, finding: Finding) -> None:
        """Record one finding, beside the input that led to it."""
        self._recorder.finding(finding)

    def advanced(self, t_ns: int) -> None:
        """Record that stream time has reached `t_ns`."""
        if t_ns >= self._next_look_ns:
            self._prune(t_ns)
        self._recorder.advanced(t_ns)

    def checkpoint(self, t_ns: int, state: Mapping[str, Any]) -> None:
        """Record what the core knows, after everything given so far."""
        self._recorder.checkpoint(t_ns, state)

    @property
    def checkpoint_due_ns(self) -> int:
        """Stream time from which on the next `checkpoint` is wanted."""
        return self._recorder.checkpoint_due_ns

    def note(self, t_ns: int, kind: str, text: str, number: float | None = None) -> None:
        """Record something about the recording itself."""
        self._recorder.note(t_ns, kind, text, number)

    @property
    def path(self) -> Path:
        """The segment that is being written."""
        return self._recorder.path

    @property
    def state(self) -> State:
        """Whether recordings reach the disk."""
        return self._recorder.state

    @property
    def problem(self) -> str:
        """Why the disk refuses, in words; empty while it does not."""
        return self._recorder.problem

    @property
    def lost(self) -> int:
        """Frames that could not be kept."""
        return self._recorder.lost

    @property
    def waiting_bytes(self) -> int:
        """Roughly what waits in memory to be written."""
        return self._recorder.waiting_bytes

    @property
    def behind_s(self) -> float:
        """Real time since everything given was on the disk."""
        return self._recorder.behind_s

    @property
    def slow(self) -> bool:
        """Whether the disk takes so long that more than a second may be lost."""
        return self._recorder.slow

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Wait until everything given so far is on the disk. False when it is not within `timeout_s`."""
        return self._recorder.flush(timeout_s)

    def close(self, timeout_s: float = 10.0) -> bool:
        """Write what is left and close. False when some of it could not be written within `timeout_s`."""
        if self._pruning is not None:
            self._pruning.join(timeout_s)
        return self._recorder.close(timeout_s)

    def __enter__(self) -> "SegmentedRecorder":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
