"""The recorder: every input and every finding onto the disk, in order, without ever holding up the watch.

The loop only appends to a queue. A thread with its own connection takes what has gathered, packs it into blocks of at
most one second of stream, and commits it about every 0.7 s of real time: at real speed a killed monitor loses less than
a second, and a fast simulation still asks the disk for no more than two syncs per second.

When the disk refuses (full, read-only, pulled out) the recorder says so in `Recorder.problem`, holds the most recent
stretch in memory, drops and counts what no longer fits, and tries again every two seconds. What was lost stands in the
session's notes as a gap.
"""

import json
import logging
import os
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final, Literal, assert_never

from monitor.adapters.blocks import BLOCK_BYTES, BLOCK_NS, MAX_BLOCK_FRAMES, MAX_PAYLOAD_BYTES, pack_block
from monitor.adapters.folder import DataFolder as DataFolder
from monitor.adapters.session import SessionError, action_row, clean_text, finding_row, open_for_writing
from monitor.core.types import Action, Finding, Frame

LOG = logging.getLogger(__name__)

PERIOD_S: Final = 0.7
"""Real time between two commits: with the commit itself it stays under a second."""
RETRY_S: Final = 2.0
"""Real time between two attempts while the disk refuses."""
HELD_BYTES: Final = 64 << 20
"""Payload held in memory while the disk refuses; beyond it the oldest is dropped and counted."""
HELD_FRAMES: Final = 300_000
FRAME_BYTES: Final = 200
"""What a frame costs in memory beside its payload; used for the bound only."""

State = Literal["on", "failed"]


@dataclass(frozen=True, slots=True)
class _Advanced:
    t_ns: int


@dataclass(frozen=True, slots=True)
class _Note:
    t_ns: int
    kind: str
    text: str
    number: float | None


@dataclass(frozen=True, slots=True)
class _Rotate:
    path: Path
    header: Mapping[str, str]


_Item = Frame | Action | Finding | _Advanced | _Note | _Rotate


@dataclass(slots=True)
class _Batch:
    """What one block's commit holds. `actions` carry the number of this batch's frames before them."""

    frames: list[Frame] = field(default_factory=list)
    bytes: int = 0
    actions: list[tuple[int, Action]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    notes: list[_Note] = field(default_factory=list)
    advanced_ns: int = 0
    lost: int = 0
    """Frames that were dropped from it because the disk refused for too long."""
    rotate: _Rotate | None = None
    """Before this batch the recording goes on in another file."""

    def fits(self, frame: Frame) -> bool:
        """Whether `frame` may join this block."""
        if self.lost:
            return False
        return not self.frames or (
            frame.t_ns - self.frames[0].t_ns < BLOCK_NS
            and self.bytes < BLOCK_BYTES
            and len(self.frames) < MAX_BLOCK_FRAMES
        )


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
        self, path: Path, header: Mapping[str, object], *, wait: bool = False, max_pages: int | None = None
    ) -> None:
        """Start a session at `path`. A disk that refuses is no error here: `state` is then "failed", and it is retried.

        `header` needs ``rig``, ``config`` and ``rules``; see `monitor.adapters.session`. With `wait` a source that is
        faster than the disk is held back instead of losing frames: for simulations and imports, never for a live rig.
        `max_pages` caps the file's size in SQLite pages.

        Raises:
            SessionError: there is a file at `path` already.
        """
        if path.exists():
            raise SessionError(f"{path}: exists already; a recording never continues or overwrites an old session")
        self.path = path
        self._header: Mapping[str, str] = header_texts(header)
        self._wait = wait
        self._max_pages = max_pages
        self._queue: deque[_Item] = deque()
        # Two counters, each written by one thread only, so that no lock is needed in the path of every frame.
        self._put_bytes = 0
        self._taken_bytes = 0
        self._overflowed = 0
        self._dropped = 0
        self._problem = ""
        self._base: sqlite3.Connection | None = None
        self._inode: tuple[int, int] | None = None
        self._frames = 0
        self._dictionary = b""
        self._in_doubt: tuple[int, int] | None = None
        self._held: deque[_Batch] = deque()
        self._open_batch = _Batch()
        self._wake = threading.Event()
        self._room = threading.Event()
        self._closing = False
        self._flush_wanted = False
        self._flushed = threading.Event()
        self._try_open()
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    # -- the loop's side ------------------------------------------------------------------------------------------

    def frame(self, frame: Frame) -> None:
        """Record one frame, with its time as the core took it. A payload beyond the format's bound is cut there."""
        size = len(frame.payload) + FRAME_BYTES
        if size > MAX_PAYLOAD_BYTES:
            frame = replace(frame, payload=frame.payload[: MAX_PAYLOAD_BYTES - FRAME_BYTES])
        if self._put_bytes - self._taken_bytes > HELD_BYTES:
            if not self._wait:
                self._overflowed += 1
                return
            self._await_room()
        self._put_bytes += size
        self._queue.append(frame)

    def action(self, action: Action) -> None:
        """Record one action of the crew."""
        self._queue.append(action)

    def finding(self, finding: Finding) -> None:
        """Record one finding."""
        self._queue.append(finding)

    def advanced(self, t_ns: int) -> None:
        """Record that stream time has reached `t_ns`, whether or not anything came in."""
        self._queue.append(_Advanced(t_ns))

    def note(self, t_ns: int, kind: str, text: str, number: float | None = None) -> None:
        """Record something about the recording itself, such as a step of the wall clock."""
        self._queue.append(_Note(t_ns, kind, text, number))

    def rotate(self, path: Path, header: Mapping[str, object]) -> None:
        """Go on in a new file: what was given before this call goes into the old one, the rest into `path`."""
        self.path = path
        self._queue.append(_Rotate(path, header_texts(header)))

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

    def _await_room(self) -> None:
        while self._put_bytes - self._taken_bytes > HELD_BYTES // 2 and self._thread.is_alive():
            self._room.clear()
            self._wake.set()
            self._room.wait(0.1)

    # -- the thread's side ----------------------------------------------------------------------------------------

    def _run(self) -> None:
        next_try_s = 0.0
        try:
            while True:
                self._wake.wait(PERIOD_S)
                self._wake.clear()
                closing, flushing = self._closing, self._flush_wanted
                self._flush_wanted = False
                self._take()
                if not self._problem or closing or flushing or time.monotonic() >= next_try_s:
                    self._write()
                    next_try_s = time.monotonic() + RETRY_S
                self._shed()
                if flushing:
                    self._flushed.set()
                if closing:
                    break
        except (
            Exception
        ) as error:  # the thread must not die in silence: the watch goes on, and says that nothing is kept
            LOG.exception("the recorder stopped")
            self._problem = f"the recorder stopped on a fault of its own ({type(error).__name__}: {error})"
        finally:
            self._shut()
            self._flushed.set()

    def _take(self) -> None:
        """Sort what has gathered into batches."""
        queue = self._queue
        for _ in range(len(queue)):
            item = queue.popleft()
            batch = self._open_batch
            if isinstance(item, Frame):
                self._taken_bytes += len(item.payload) + FRAME_BYTES
                if not batch.fits(item):
                    batch = self._next_batch()
                batch.frames.append(item)
                batch.bytes += len(item.payload) + len(item.topic)
                batch.advanced_ns = max(batch.advanced_ns, item.t_ns)
            elif isinstance(item, _Advanced):
                batch.advanced_ns = max(batch.advanced_ns, item.t_ns)
            elif isinstance(item, Finding):
                batch.findings.append(item)
            elif isinstance(item, Action):
                batch.actions.append((len(batch.frames), item))
                batch.advanced_ns = max(batch.advanced_ns, item.t_ns)
            elif isinstance(item, _Note):
                batch.notes.append(item)
            elif isinstance(item, _Rotate):
                self._next_batch().rotate = item
            else:
                assert_never(item)
        self._room.set()

    def _next_batch(self) -> _Batch:
        self._held.append(self._open_batch)
        self._open_batch = _Batch()
        return self._open_batch

    def _write(self) -> None:
        """Commit everything held, in one transaction per file."""
        batch = self._open_batch
        if batch.frames or batch.actions or batch.findings or batch.notes or batch.advanced_ns or batch.rotate:
            self._next_batch()
        try:
            while self._held:
                first = self._held[0]
                if first.rotate is not None:
                    self._change_file(first.rotate)
                    first.rotate = None
                self._commit()
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
            frames = self._insert(base, batch, frames)
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

    def _insert(self, base: sqlite3.Connection, batch: _Batch, before: int) -> int:
        if batch.frames:
            row = (batch.frames[0].t_ns, batch.frames[-1].t_ns, batch.advanced_ns, before, len(batch.frames))
            data = self._pack(base, batch.frames)
        else:
            row, data = (batch.advanced_ns, batch.advanced_ns, batch.advanced_ns, before, 0), b""
        if batch.frames or batch.advanced_ns:
            base.execute(
                "INSERT INTO block (t_first_ns, t_last_ns, advanced_ns, first_frame, frames, data)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (*row, data),
            )
        base.executemany(
            "INSERT INTO action (before, t_ns, kind, target, number, text, who) VALUES (?, ?, ?, ?, ?, ?, ?)",
            [action_row(action, before + place) for place, action in batch.actions],
        )
        base.executemany(
            "INSERT INTO finding (t_ns, kind, key, severity, before, after, message, guidance, number, threshold)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [finding_row(finding) for finding in batch.findings],
        )
        notes = [(note.t_ns, note.kind, clean_text(note.text), note.number) for note in batch.notes]
        if batch.lost:
            text = f"{batch.lost} frames were lost: the disk refused for too long"
            notes.append((batch.advanced_ns, "gap", text, float(batch.lost)))
        base.executemany("INSERT INTO note (t_ns, kind, text, number) VALUES (?, ?, ?, ?)", notes)
        return before + len(batch.frames)

    def _pack(self, base: sqlite3.Connection, frames: list[Frame]) -> bytes:
        data, dictionary = pack_block(frames, self._dictionary)
        if not self._dictionary and dictionary:
            base.execute("INSERT INTO header VALUES ('dictionary', ?)", (json.dumps(dictionary.hex()),))
            self._dictionary = dictionary
        return data

    def _shed(self) -> None:
        """Drop the oldest frames when the disk has refused for so long that memory would run out."""
        size = sum(batch.bytes + FRAME_BYTES * len(batch.frames) for batch in self._held)
        frames = sum(len(batch.frames) for batch in self._held)
        for batch in self._held:
            if size <= HELD_BYTES and frames <= HELD_FRAMES:
                break
            size -= batch.bytes + FRAME_BYTES * len(batch.frames)
            frames -= len(batch.frames)
            self._dropped += len(batch.frames)
            batch.lost += len(batch.frames)
            batch.frames, batch.bytes = [], 0
            batch.actions = [(0, action) for _, action in batch.actions]
        # Batches that lost their frames are joined: a disk that refuses for a week must not fill the memory either.
        while len(self._held) > 1 and self._held[0].lost and self._held[1].lost and self._held[1].rotate is None:
            self._in_doubt = None
            first, second = self._held.popleft(), self._held[0]
            second.lost += first.lost
            second.rotate = first.rotate
            second.actions = first.actions + second.actions
            second.findings = (first.findings + second.findings)[-HELD_FRAMES // 30 :]
            second.notes = first.notes + second.notes

    def _connection(self) -> sqlite3.Connection:
        if self._base is None:
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

    def _change_file(self, change: _Rotate) -> None:
        self._shut()
        self.path_now, self._header = change.path, change.header
        self._connection()

    def _fail(self, error: Exception) -> None:
        words = problem_words(error, self.path_now)
        if words != self._problem:
            LOG.warning("not recording: %s", words)
        self._problem = words
        self._shut(checkpoint=False)

    def _shut(self, checkpoint: bool = True) -> None:
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


def problem_words(error: Exception, path: Path) -> str:
    """Why a session at `path` cannot be written, and what to do about it."""
    text = str(error).lower()
    if "full" in text:
        return f"the disk is full: free some space in {path.parent}; recording goes on by itself"
    if "readonly" in text or "read-only" in text or isinstance(error, PermissionError):
        return f"no permission to write in {path.parent}: recording goes on by itself once there is"
    if isinstance(error, FileNotFoundError) or not path.parent.is_dir():
        return f"the folder {path.parent} is not there: recording goes on by itself once it is"
    if "unable to open" in text:
        return f"{path} cannot be opened for writing: check the folder's permissions and space"
    if "locked" in text:
        return f"{path} is held by another program"
    return f"{path} cannot be written ({error})"
