"""What the recorder gathers between two commits, and how a batch of it becomes rows."""

import sqlite3
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from monitor.adapters.sessions.blocks import BLOCK_BYTES, BLOCK_NS, FEW_FRAMES, LONGEST_BLOCK_NS, MAX_BLOCK_FRAMES
from monitor.adapters.sessions.format import Note, action_row, finding_row
from monitor.model.alarm import Finding
from monitor.model.stream import Action, Frame
from monitor.text import clean_text

FRAME_BYTES: Final = 200
"""What a frame costs in memory beside its payload; used for bounds only."""

MAX_FINDINGS: Final = 10_000
"""Findings kept in memory while the disk refuses."""


@dataclass(frozen=True, slots=True)
class Advanced:
    """Stream time has reached `t_ns`."""

    t_ns: int


@dataclass(frozen=True, slots=True)
class CoreState:
    """What the core knows at `t_ns`, packed."""

    t_ns: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Rotate:
    """From here on the recording is in another file."""

    path: Path
    header: Mapping[str, str]


Entry = Frame | Action | Finding | Advanced | Note | CoreState


@dataclass(slots=True)
class Batch:
    """What one block's commit holds. `actions` carry the number of this batch's frames before them."""

    frames: list[Frame] = field(default_factory=list)
    bytes: int = 0
    actions: list[tuple[int, Action]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    states: list[tuple[int, int, CoreState]] = field(default_factory=list)
    """Each with the number of this batch's frames and of its actions before it."""
    advanced_ns: int = 0
    lost: int = 0
    """Frames that were dropped from it because the disk refused for too long."""
    rotate: Rotate | None = None
    """Before this batch the recording goes on in another file."""

    @property
    def empty(self) -> bool:
        """Whether there is nothing to write."""
        said = self.findings or self.notes or self.states
        return not (self.frames or self.actions or said or self.advanced_ns or self.rotate)

    @property
    def size(self) -> int:
        """Memory of the frames, roughly, bytes."""
        return self.bytes + FRAME_BYTES * len(self.frames)

    def fits(self, frame: Frame, gap_ns: int) -> bool:
        """Whether `frame` may join this block. A silence of more than `gap_ns` ends it: lists find gaps between blocks."""
        frames = self.frames
        if not frames:
            return True
        most_ns = BLOCK_NS if len(frames) >= FEW_FRAMES else LONGEST_BLOCK_NS
        return (
            frame.t_ns - frames[0].t_ns < most_ns
            and frame.t_ns - frames[-1].t_ns <= gap_ns
            and self.bytes < BLOCK_BYTES
            and len(frames) < MAX_BLOCK_FRAMES
        )

    def add(self, entry: Entry) -> None:
        """Take `entry`, which comes after all that is in it."""
        if isinstance(entry, Frame):
            self.frames.append(entry)
            self.bytes += len(entry.payload) + len(entry.topic)
        elif isinstance(entry, Action):
            self.actions.append((len(self.frames), entry))
        elif isinstance(entry, Finding):
            self.findings.append(entry)
            return
        elif isinstance(entry, Note):
            self.notes.append(entry)
            return
        elif isinstance(entry, CoreState):
            self.states.append((len(self.frames), len(self.actions), entry))
        elif not isinstance(entry, Advanced):
            raise TypeError(f"{entry!r} cannot be recorded")
        if entry.t_ns > self.advanced_ns:
            self.advanced_ns = entry.t_ns

    def drop_frames(self) -> int:
        """Drop the frames; keep actions and findings. Returns how many frames were dropped."""
        count = len(self.frames)
        self.lost += count
        self.frames, self.bytes = [], 0
        self.actions = [(0, action) for _, action in self.actions]
        self.states = [(0, actions, state) for _, actions, state in self.states]
        return count

    def join(self, before: "Batch") -> None:
        """Add what is left of `before`, an earlier batch that also lost its frames."""
        self.lost += before.lost
        self.rotate = before.rotate
        # Of the states the latest of each batch is enough: nothing can be replayed between them.
        self.states = [(0, len(before.actions) + actions, state) for _, actions, state in self.states[-1:]]
        self.actions = before.actions + self.actions
        self.findings = (before.findings + self.findings)[-MAX_FINDINGS:]
        self.notes = before.notes + self.notes


def drop_oldest(held: deque[Batch], most_bytes: int, most_frames: int) -> int:
    """Drop the oldest frames of `held` until it is within both bounds. Returns how many were dropped."""
    size, frames, dropped = sum(batch.size for batch in held), sum(len(batch.frames) for batch in held), 0
    for batch in held:
        if size <= most_bytes and frames <= most_frames:
            break
        size -= batch.size
        frames -= len(batch.frames)
        dropped += batch.drop_frames()
    # Batches that lost their frames are joined: a disk that refuses for a week must not fill the memory either.
    while len(held) > 1 and held[0].lost and held[1].lost and held[1].rotate is None:
        first = held.popleft()
        held[0].join(first)
    return dropped


def insert(base: sqlite3.Connection, batch: Batch, before: int, data: bytes) -> None:
    """Write `batch` into an open transaction: `data` is its packed block, `before` the number of frames before it.

    Raises:
        sqlite3.Error: the disk refuses.
    """
    frames, end_ns = batch.frames, batch.advanced_ns
    if frames or end_ns:
        first_ns, last_ns = (frames[0].t_ns, frames[-1].t_ns) if frames else (end_ns, end_ns)
        base.execute(
            "INSERT INTO block (t_first_ns, t_last_ns, advanced_ns, first_frame, frames, data) VALUES (?, ?, ?, ?, ?, ?)",
            (first_ns, last_ns, end_ns, before, len(frames), data),
        )
    base.executemany(
        "INSERT INTO action (before, t_ns, kind, target, number, text, who) VALUES (?, ?, ?, ?, ?, ?, ?)",
        [action_row(action, before + place) for place, action in batch.actions],
    )
    if batch.states:
        (last,) = base.execute("SELECT coalesce(max(id), 0) FROM action").fetchone()
        earlier = last - len(batch.actions)
        base.executemany(
            "INSERT INTO checkpoint (before, actions, t_ns, state) VALUES (?, ?, ?, ?)",
            [(before + frames, earlier + actions, state.t_ns, state.data) for frames, actions, state in batch.states],
        )
    base.executemany(
        "INSERT INTO finding (t_ns, kind, key, severity, before, after, message, guidance, number, threshold)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [finding_row(finding) for finding in batch.findings],
    )
    notes = list(batch.notes)
    if batch.lost:
        text = f"{batch.lost} frames were lost: the disk refused for too long"
        notes.append(Note(end_ns, "gap", text, float(batch.lost)))
    base.executemany(
        "INSERT INTO note (t_ns, kind, text, number) VALUES (?, ?, ?, ?)",
        [(note.t_ns, note.kind, clean_text(note.text), note.number) for note in notes],
    )
