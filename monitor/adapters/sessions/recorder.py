"""The recorder writes every input and every finding to the disk, in order, and never holds up the watch.

The loop only appends to a queue. A thread with its own connection takes what has gathered, packs it into blocks of at
most one second of stream, and commits it about every 0.8 s of real time: at real speed a killed monitor loses less than
a second, and a fast simulation still asks the disk for no more than two syncs per second.

When the disk refuses (full, read-only, pulled out) the recorder says so in `Recorder.problem`, holds the latest inputs in
memory, drops and counts what no longer fits, and tries again every two seconds. What was lost is noted in the session as a gap.
A slow disk is reported too (`Recorder.slow`): a power cut then costs more than a second.
"""

import json
import logging
import os
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, Literal

from monitor.adapters.host.os_errors import disk_error_text
from monitor.adapters.sessions.batches import (
    FRAME_BYTES,
    Advanced,
    Batch,
    CoreState,
    Entry,
    Rotate,
    drop_oldest,
    insert,
)
from monitor.adapters.sessions.blocks import MAX_PAYLOAD_BYTES, pack_block
from monitor.adapters.sessions.format import Note, SessionError, open_for_writing, pack_state
from monitor.adapters.sessions.gaps import silence_of
from monitor.model.alarm import Finding
from monitor.model.stream import Action, Frame
from monitor.text import clean_text

LOG = logging.getLogger(__name__)

PERIOD_S: Final = 0.8
"""Real time between two commits; with the commit itself it stays under a second."""
RETRY_S: Final = 2.0
"""Real time between two attempts while the disk refuses."""
HELD_BYTES: Final = 64 << 20
"""Payload held in memory while the disk refuses; beyond it the oldest is dropped and counted."""
HELD_FRAMES: Final = 300_000
SLOW_S: Final = 1.3
"""A disk is slow when inputs take longer than this to be safe on it, `_SLOW_TIMES` times in a row."""
STUCK_S: Final = 4.0
"""A disk is slow at once when one write takes longer than this."""
_SLOW_TIMES: Final = 3
CHECKPOINT_NS: Final = 60_000_000_000
"""Stream time between two checkpoints, the most that a replay plays to reach a moment. Each takes about 1 kB."""
_THEN: Final = "recording goes on by itself"
State = Literal["on", "failed"]


def header_texts(header: Mapping[str, object]) -> dict[str, str]:
    """The header's values as JSON texts.

    Raises:
        ValueError, TypeError: a value is no JSON.
    """
    return {key: clean_text(json.dumps(value, allow_nan=False)) for key, value in header.items()}


class Recorder:
    """Writes one session. Every method returns at once; nothing but `close` waits for the disk.

    It may be called from one thread (the loop's). `state` and `problem` may be read from any.
    """

    def __init__(
        self,
        path: Path,
        header: Mapping[str, object],
        *,
        wait: bool = False,
        max_pages: int | None = None,
        hold: Callable[[], None] | None = None,
    ) -> None:
        """Start a session at `path`. A disk that refuses is no error here: `state` is then "failed", and it is retried.

        `header` needs ``rig``, ``config`` and ``rules``; see `monitor.adapters.sessions.format`. With `wait` a source that is
        faster than the disk is held back instead of losing frames: for simulations and imports, never for a live rig.
        `max_pages` caps the file's size in SQLite pages. `hold` is called before a file is opened, from any thread, and
        raises OSError while that must not be.

        Raises:
            SessionError: there is a file at `path` already.
        """
        if os.path.exists(path):  # False where the folder cannot be looked into
            raise SessionError(f"{path}: exists already; a recording never continues or overwrites an old session")
        self.path = path
        self.checkpoint_due_ns = 0
        """Stream time from which on the next `checkpoint` is wanted; each file begins with one."""
        self._header: Mapping[str, str] = header_texts(header)
        self._gap_ns = silence_of(header.get("config"))
        self._wait = wait
        self._max_pages = max_pages
        self._hold = hold
        self._queue: deque[Entry | Rotate] = deque()
        # Two counters, each written by one thread only, so that no lock is needed in the path of every frame.
        self._put_bytes = 0
        self._taken_bytes = 0
        self._overflowed = 0
        self._overflow_noted = 0
        self._dropped = 0
        self._problem = ""
        self._committed_s = time.monotonic()
        self._slow_for = 0
        self._slow = False
        self.held_bytes = 0
        """Payload in the thread's hands that is not on the disk, beyond what came since it last took."""
        self._base: sqlite3.Connection | None = None
        self._inode: tuple[int, int] | None = None
        self._frames = 0
        self._dictionary = b""
        self._in_doubt: tuple[int, int] | None = None
        self._held: deque[Batch] = deque()
        self._open_batch = Batch()
        self._wake = threading.Event()
        self._room = threading.Event()
        self._closing = False
        self._stopped = False
        self._flush_wanted = False
        self._flushed = threading.Event()
        self._try_open()
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    # -- the loop's side ------------------------------------------------------------------------------------------

    def frame(self, frame: Frame) -> None:
        """Record one frame, with its time as the core took it. A payload beyond the format's bound is cut there."""
        if len(frame.payload) > MAX_PAYLOAD_BYTES:
            frame = frame._replace(payload=frame.payload[:MAX_PAYLOAD_BYTES])
        size = len(frame.payload) + FRAME_BYTES
        if self._put_bytes - self._taken_bytes > HELD_BYTES:
            if not self._wait or self._stopped:
                self._overflowed += 1
                return
            self._await_room()
        self._put_bytes += size
        self._queue.append(frame)

    def action(self, action: Action) -> None:
        """Record one action of the crew."""
        self._put(action)

    def finding(self, finding: Finding) -> None:
        """Record one finding."""
        self._put(finding)

    def advanced(self, t_ns: int) -> None:
        """Record that stream time has reached `t_ns`, whether or not anything came in."""
        self._put(Advanced(t_ns))

    def note(self, t_ns: int, kind: str, text: str, number: float | None = None) -> None:
        """Record something about the recording itself, such as a step of the wall clock."""
        self._put(Note(t_ns, kind, text, number))

    def checkpoint(self, t_ns: int, state: Mapping[str, Any]) -> None:
        """Record what the core knows at `t_ns`, after everything given so far. Wanted from `checkpoint_due_ns` on."""
        self.checkpoint_due_ns = t_ns + CHECKPOINT_NS
        self._put(CoreState(t_ns, pack_state(state)))

    def rotate(self, path: Path, header: Mapping[str, object]) -> None:
        """Go on in a new file: what was given before this call goes into the old one, the rest into `path`."""
        self.path = path
        self.checkpoint_due_ns = 0
        self._put(Rotate(path, header_texts(header)))

    @property
    def state(self) -> State:
        """Whether recordings reach the disk."""
        return "failed" if self._problem else "on"

    @property
    def problem(self) -> str:
        """Why the disk refuses, in words; empty while it does not."""
        return self._problem

    @property
    def lost(self) -> int:
        """Frames that could not be kept."""
        return self._overflowed + self._dropped

    @property
    def waiting_bytes(self) -> int:
        """Roughly what waits in memory to be written."""
        return self._put_bytes - self._taken_bytes + self.held_bytes

    @property
    def behind_s(self) -> float:
        """Real time since everything given was on the disk: what a power cut now would cost. About a second at most on a
        healthy disk."""
        return time.monotonic() - self._committed_s

    @property
    def slow(self) -> bool:
        """Whether the disk takes so long that more than a second may be lost."""
        return not self._problem and (self._slow or self.behind_s > STUCK_S)

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Wait until everything given so far is on the disk. False when it is not within `timeout_s`."""
        self._flushed.clear()
        self._flush_wanted = True
        self._wake.set()
        return self._flushed.wait(timeout_s) and not self._problem

    def close(self, timeout_s: float = 10.0) -> bool:
        """Write what is left and close the file. False when some of it could not be written within `timeout_s`."""
        if self._closing:
            return not self._problem
        self._closing = True
        self._wake.set()
        self._thread.join(timeout_s)
        return not self._thread.is_alive() and not self._problem

    def __enter__(self) -> "Recorder":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _put(self, item: Entry | Rotate) -> None:
        if not self._stopped:  # nobody would ever take it
            self._queue.append(item)

    def _await_room(self) -> None:
        while self._put_bytes - self._taken_bytes > HELD_BYTES // 2 and self._thread.is_alive():
            self._room.clear()
            self._wake.set()
            self._room.wait(0.1)

    # -- the thread's side ----------------------------------------------------------------------------------------

    def _run(self) -> None:
        next_try_s = 0.0
        began_s = time.monotonic()
        try:
            while True:
                # Counted from beginning to beginning: a slow disk must not lengthen the time between two commits as well.
                self._wake.wait(max(0.0, began_s + PERIOD_S - time.monotonic()))
                self._wake.clear()
                began_s = time.monotonic()
                closing, flushing = self._closing, self._flush_wanted
                self._flush_wanted = False
                self._take()
                # Before the write as well: a disk that hangs in it holds up all of this.
                self.held_bytes = sum(batch.size for batch in self._held) + self._open_batch.size
                if not self._problem or closing or flushing or time.monotonic() >= next_try_s:
                    self._write()
                    next_try_s = time.monotonic() + RETRY_S
                    if not self._problem:
                        self._note_committed(began_s)
                self._drop_oldest()
                self.held_bytes = sum(batch.size for batch in self._held) + self._open_batch.size
                if flushing:
                    self._flushed.set()
                if closing:
                    break
        except Exception as error:
            # The thread must not die in silence: the watch goes on, and says that nothing is kept.
            LOG.exception("the recorder stopped")
            self._problem = f"the recorder stopped on a fault of its own ({type(error).__name__}: {error})"
        finally:
            self._stopped = True
            self._close_file()
            self._flushed.set()

    def _note_committed(self, began_s: float) -> None:
        """Note that all given before `began_s` is on the disk, and whether that took too long."""
        slow = self.behind_s > SLOW_S
        self._committed_s = began_s
        self._slow_for = self._slow_for + 1 if slow != self._slow else 0
        if self._slow_for >= _SLOW_TIMES:
            self._slow, self._slow_for = slow, 0
            if self._wait:
                pass  # what comes can wait, too, and comes again from where it came
            elif slow:
                LOG.warning("the disk is slow: after a power cut more than a second of the recording may be missing")
            else:
                LOG.info("the disk is quick enough again")

    def _take(self) -> None:
        """Take what has gathered and sort it into batches."""
        queue = self._queue
        for _ in range(len(queue)):
            item = queue.popleft()
            if isinstance(item, Rotate):
                self._next_batch().rotate = item
                continue
            if isinstance(item, Frame):
                self._taken_bytes += len(item.payload) + FRAME_BYTES
                if not self._open_batch.fits(item, self._gap_ns):
                    self._next_batch()
            self._open_batch.add(item)
        fresh = self._overflowed - self._overflow_noted
        if fresh:
            self._overflow_noted += fresh
            text = f"{fresh} frames were lost: they came faster than the disk takes them"
            self._open_batch.add(Note(self._open_batch.advanced_ns, "gap", text, float(fresh)))
        self._room.set()

    def _next_batch(self) -> Batch:
        self._held.append(self._open_batch)
        self._open_batch = Batch()
        return self._open_batch

    def _write(self) -> None:
        """Commit everything held, in one transaction per file."""
        if not self._open_batch.empty:
            self._next_batch()
        try:
            while self._held:
                first = self._held[0]
                if first.rotate is not None:
                    self._change_file(first.rotate)
                    first.rotate = None
                self._commit()
            if self._problem:
                LOG.info("recording goes on in %s", self.path_now)
            self._problem = ""
        except (sqlite3.Error, OSError, ValueError) as error:
            self._fail(error)

    def _commit(self) -> None:
        base = self._connection()
        if self._in_doubt is not None:
            after, count = self._in_doubt
            self._in_doubt = None
            if self._frames == after:  # the commit that seemed to fail had reached the disk
                self._drop_held(count)
                return
        count, frames = 0, self._frames
        base.execute("BEGIN IMMEDIATE")
        for batch in self._held:
            if batch.rotate is not None:
                break
            insert(base, batch, frames, self._pack(base, batch.frames) if batch.frames else b"")
            frames += len(batch.frames)
            count += 1
        if frames > self._frames:
            self._in_doubt = frames, count
        base.execute("COMMIT")
        self._in_doubt = None
        self._frames = frames
        self._drop_held(count)

    def _drop_held(self, count: int) -> None:
        for _ in range(count):
            self._held.popleft()

    def _pack(self, base: sqlite3.Connection, frames: list[Frame]) -> bytes:
        data, dictionary = pack_block(frames, self._dictionary)
        if not self._dictionary and dictionary:
            base.execute("INSERT INTO header VALUES ('dictionary', ?)", (json.dumps(dictionary.hex()),))
            self._dictionary = dictionary
        return data

    def _drop_oldest(self) -> None:
        """Drop the oldest frames when the disk has refused for so long that memory would run out."""
        count = drop_oldest(self._held, HELD_BYTES, HELD_FRAMES)
        if count:
            self._dropped += count
            self._in_doubt = None

    def _connection(self) -> sqlite3.Connection:
        if self._base is None:
            if self._hold is not None:
                self._hold()
            self._base = open_for_writing(self.path_now, self._header, self._max_pages)
            (self._frames,) = self._base.execute("SELECT coalesce(max(first_frame + frames), 0) FROM block").fetchone()
            kept = self._base.execute("SELECT value FROM header WHERE key = 'dictionary'").fetchone()
            self._dictionary = bytes.fromhex(json.loads(kept[0])) if kept else b""
            self._inode = self._identity()
        elif self._identity() != self._inode:
            raise OSError("the session's file was moved or deleted while it was being written")
        return self._base

    def _identity(self) -> tuple[int, int]:
        found = os.stat(self.path_now)
        return found.st_dev, found.st_ino

    def _try_open(self) -> None:
        self.path_now = self.path
        try:
            self._connection()
        except (sqlite3.Error, OSError) as error:
            self._fail(error)

    def _change_file(self, change: Rotate) -> None:
        self._close_file()
        self.path_now, self._header = change.path, change.header
        self._connection()

    def _fail(self, error: Exception) -> None:
        words = disk_error_text(error, self.path_now, _THEN)
        if words != self._problem:
            LOG.warning("not recording: %s", words)
        self._problem = words
        self._close_file(checkpoint=False)

    def _close_file(self, checkpoint: bool = True) -> None:
        """Close the file; with `checkpoint` it then stands alone: no -wal beside it, now or when it is read."""
        base, self._base = self._base, None
        if base is None:
            return
        try:
            if base.in_transaction:
                base.execute("ROLLBACK")
            if checkpoint:
                base.execute("PRAGMA busy_timeout=200")
                base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                base.execute("PRAGMA journal_mode=DELETE")
        except sqlite3.Error as error:
            LOG.debug("closing %s: %s", self.path_now, error)
        finally:
            base.close()
