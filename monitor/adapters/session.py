"""The session file: what came in, what the crew did, what was said about it. Plain tables in one SQLite file.

Tables (all times ns of stream time, all numbers SI)
    header   key, value (JSON): ``rig`` (its name), ``config`` (the whole rig), ``rules`` (text), ``version``,
             ``created``, ``mode``
    block    raw frames, about one second each: first and last time, how far time had advanced, index of the first
             frame, number of frames, and the frames themselves, compressed
    action   what the crew did; ``before`` is the number of frames of this file that came before it
    finding  what the monitor said
    note     what happened to the recording itself: a gap, a step of the wall clock

The inputs of a session are its frames and actions in exact order: action *a* comes right before frame number
``a.before``. A block and the actions and findings of its second are committed together, or not at all.

A block before compression (little-endian, columns rather than rows because they compress better and read faster):
    u8 layout (1) · u32 frames n · u32 topics k · i64 first time
    k x (u32 length, bytes)    topics, UTF-8
    n x u8 (u32 if k > 256)    topic of each frame
    n x u8                     bit 0: retained
    u8 width (4 or 8) · n x    time since the frame before, in planes: all lowest bytes, then all next bytes, ...
    n x u32 in planes          length of each payload
    payloads                   of topic 0 in order, then of topic 1, ...
"""

import sqlite3
import struct
import zlib
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from monitor.core.types import Action, ActionKind, Finding, Frame, Severity
from monitor.errors import UserError

APPLICATION_ID: Final = 0x53544D4B
"""Marks an SQLite file as one of ours ("STMK")."""
VERSION: Final = 1
"""Version of the tables, in SQLite's ``user_version``."""
SUFFIX: Final = ".stopmark"

BLOCK_NS: Final = 1_000_000_000
"""Longest stretch of stream time in one block."""
BLOCK_BYTES: Final = 4 << 20
"""A block is closed when its payloads reach this size."""
MAX_PAYLOAD_BYTES: Final = 16 << 20
"""Largest payload that a session holds."""
MAX_RAW_BYTES: Final = BLOCK_BYTES + MAX_PAYLOAD_BYTES + (8 << 20)
"""No honest block is larger than this when decompressed; a hostile one is refused there."""
MAX_BLOCK_FRAMES: Final = 400_000

SCHEMA: Final = (
    "CREATE TABLE header (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
    "CREATE TABLE block (id INTEGER PRIMARY KEY, t_first_ns INTEGER NOT NULL, t_last_ns INTEGER NOT NULL,"
    " advanced_ns INTEGER NOT NULL, first_frame INTEGER NOT NULL, frames INTEGER NOT NULL, data BLOB NOT NULL)",
    "CREATE TABLE action (id INTEGER PRIMARY KEY, before INTEGER NOT NULL, t_ns INTEGER NOT NULL, kind TEXT NOT NULL,"
    " target TEXT NOT NULL, number, text TEXT NOT NULL, who TEXT NOT NULL)",
    "CREATE TABLE finding (id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, kind TEXT NOT NULL, key TEXT NOT NULL,"
    " severity TEXT NOT NULL, before TEXT NOT NULL, after TEXT NOT NULL, message TEXT NOT NULL,"
    " guidance TEXT NOT NULL, number, threshold)",
    "CREATE TABLE note (id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL, number)",
    "CREATE INDEX block_by_time ON block (t_last_ns)",
    "CREATE INDEX action_by_place ON action (before)",
)
TABLES: Final = ("header", "block", "action", "finding", "note")

_HEAD = struct.Struct("<BIIq")


class SessionError(UserError):
    """A session that cannot be used; the message says which file, what is wrong, and what to do."""


def open_for_writing(path: Path, header: Mapping[str, str], max_pages: int | None = None) -> sqlite3.Connection:
    """The session at `path`, made when it does not exist. `header` holds JSON texts. `max_pages` caps the file (tests).

    Raises:
        sqlite3.Error, OSError: the file cannot be made or written.
    """
    base = sqlite3.connect(path, timeout=2.0, isolation_level=None, check_same_thread=False)
    try:
        if max_pages is not None:
            base.execute(f"PRAGMA max_page_count={int(max_pages)}")
        base.execute("PRAGMA journal_mode=WAL")
        base.execute("PRAGMA synchronous=FULL")
        base.execute("PRAGMA journal_size_limit=4194304")
        if base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
            base.execute("BEGIN IMMEDIATE")
            base.execute(f"PRAGMA application_id={APPLICATION_ID}")
            base.execute(f"PRAGMA user_version={VERSION}")
            for statement in SCHEMA:
                base.execute(statement)
            base.executemany("INSERT INTO header VALUES (?, ?)", sorted(header.items()))
            base.execute("COMMIT")
    except BaseException:
        base.close()
        raise
    return base


def _planes(numbers: Sequence[int], width: int) -> bytes:
    raw = struct.pack(f"<{len(numbers)}{'I' if width == 4 else 'q'}", *numbers)
    return b"".join(raw[place::width] for place in range(width))


def _from_planes(data: memoryview, count: int, width: int) -> tuple[int, ...]:
    raw = bytearray(count * width)
    for place in range(width):
        raw[place::width] = data[place * count : (place + 1) * count]
    return struct.unpack(f"<{count}{'I' if width == 4 else 'q'}", raw)


def pack_block(frames: Sequence[Frame]) -> bytes:
    """`frames` (at least one, in order) in the layout above, compressed.

    Raises:
        ValueError: no frame, or more than `MAX_BLOCK_FRAMES`.
    """
    if not 1 <= len(frames) <= MAX_BLOCK_FRAMES:
        raise ValueError(f"a block holds 1 to {MAX_BLOCK_FRAMES} frames, not {len(frames)}")
    places: dict[str, int] = {}
    of_topic: list[list[bytes]] = []
    topics: list[int] = []
    for frame in frames:
        place = places.get(frame.topic)
        if place is None:
            place = places[frame.topic] = len(of_topic)
            of_topic.append([])
        topics.append(place)
        of_topic[place].append(frame.payload)
    first_ns = frames[0].t_ns
    times = [frame.t_ns for frame in frames]
    steps = [0, *(later - earlier for earlier, later in pairwise(times))]
    width = 4 if min(steps) >= 0 and max(steps) < 1 << 32 else 8
    names = [name.encode("utf-8", "surrogatepass") for name in places]
    parts = [
        _HEAD.pack(1, len(frames), len(names), first_ns),
        *(struct.pack("<I", len(name)) + name for name in names),
        bytes(topics) if len(names) <= 256 else struct.pack(f"<{len(topics)}I", *topics),
        bytes(frame.retained for frame in frames),
        bytes((width,)),
        _planes(steps, width),
        _planes([len(frame.payload) for frame in frames], 4),
        *(b"".join(payloads) for payloads in of_topic),
    ]
    return zlib.compress(b"".join(parts), 6)


def unpack_block(data: bytes) -> list[Frame]:
    """The frames of a block.

    Raises:
        ValueError: the block is damaged, or larger than any honest block; the message says how.
    """
    engine = zlib.decompressobj()
    try:
        raw = engine.decompress(data, MAX_RAW_BYTES)
    except zlib.error as error:
        raise ValueError(f"its compressed data is damaged ({error})") from None
    if not engine.eof:
        big = len(raw) >= MAX_RAW_BYTES
        raise ValueError("it is larger than any block can be" if big else "its compressed data ends too early")
    try:
        return _unpack(memoryview(raw))
    except (struct.error, IndexError, UnicodeDecodeError, OverflowError) as error:
        raise ValueError(f"its content does not fit its own counts ({error})") from None


def _unpack(view: memoryview) -> list[Frame]:
    layout, count, kinds, t_ns = _HEAD.unpack_from(view)
    if layout != 1:
        raise ValueError(f"its layout is {layout}, and this version knows only 1")
    if count > MAX_BLOCK_FRAMES or count > len(view) or kinds > count:
        raise ValueError("it claims more frames or topics than it can hold")
    at = _HEAD.size
    names = []
    for _ in range(kinds):
        (length,) = struct.unpack_from("<I", view, at)
        names.append(str(view[at + 4 : at + 4 + length], "utf-8", "surrogatepass"))
        at += 4 + length
    wide = 1 if kinds <= 256 else 4
    topics: Sequence[int] = struct.unpack_from(f"<{count}{'B' if wide == 1 else 'I'}", view, at)
    at += count * wide
    retained = bytes(view[at : at + count])
    width = view[at + count]
    at += count + 1
    if width not in (4, 8):
        raise ValueError(f"its times are {width} bytes wide, not 4 or 8")
    if len(view) < at + count * (width + 4):
        raise ValueError("it ends too early")
    steps = _from_planes(view[at:], count, width)
    at += count * width
    lengths = _from_planes(view[at:], count, 4)
    at += count * 4
    if at + sum(lengths) != len(view):
        raise ValueError("its payloads do not have the length it claims")
    # Where each topic's payloads begin: they lie one topic after another.
    starts = [0] * kinds
    for topic, length in zip(topics, lengths, strict=True):
        starts[topic] += length
    for topic, total in enumerate(starts):
        starts[topic] = at
        at += total
    body = view.tobytes()
    frames = []
    for topic, length, step, kept in zip(topics, lengths, steps, retained, strict=True):
        t_ns += step
        start = starts[topic]
        starts[topic] = end = start + length
        frames.append(Frame(t_ns, names[topic], body[start:end], kept == 1))
    return frames


def _plain(number: float | None) -> float | str | None:
    """SQLite keeps no NaN (it stores NULL), so NaN is kept as a word."""
    return "nan" if number is not None and number != number else number


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def clean_text(text: str) -> str:
    """`text` without what UTF-8 cannot carry (half of a surrogate pair becomes a question mark)."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return text.encode("utf-8", "replace").decode("utf-8")
    return text


def action_row(action: Action, before: int) -> tuple[Any, ...]:
    """Row of ``action`` without its id."""
    words = (clean_text(action.target), _plain(action.number), clean_text(action.text), clean_text(action.who))
    return (before, action.t_ns, action.kind.value, *words)


def action_of(row: Sequence[Any]) -> Action:
    """The action in a row (t_ns, kind, target, number, text, who).

    Raises:
        ValueError, TypeError: the row holds something else.
    """
    t_ns, kind, target, number, text, who = row
    if not (isinstance(t_ns, int) and isinstance(target, str) and isinstance(text, str) and isinstance(who, str)):
        raise TypeError("a column holds the wrong type")
    return Action(t_ns, ActionKind(kind), target, _number(number), text, who)


def finding_row(finding: Finding) -> tuple[Any, ...]:
    """Row of ``finding`` without its id."""
    f = finding
    words = [clean_text(word) for word in (f.before, f.after, f.message, f.guidance)]
    return (f.t_ns, f.kind, clean_text(f.key), f.severity.name, *words, _plain(f.number), _plain(f.threshold))


_KINDS = ("alarm", "instrument", "action", "hoist", "check", "health")


def finding_of(row: Sequence[Any]) -> Finding:
    """The finding in a row (t_ns, kind, key, severity, before, after, message, guidance, number, threshold).

    Raises:
        ValueError, TypeError, KeyError: the row holds something else.
    """
    t_ns, kind, key, severity, before, after, message, guidance, number, threshold = row
    if not isinstance(t_ns, int) or not all(isinstance(word, str) for word in (key, before, after, message, guidance)):
        raise TypeError("a column holds the wrong type")
    if kind not in _KINDS:
        raise ValueError(f"unknown kind {kind!r}")
    level = Severity[severity]
    return Finding(t_ns, kind, key, level, before, after, message, guidance, _number(number), _number(threshold))
