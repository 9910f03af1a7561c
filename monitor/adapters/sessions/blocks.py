"""A block: the raw frames of about one second, or some dozens of slow ones, packed so that every byte comes back and a
reading costs few bytes.

Readings of one sensor look alike: the same words around numbers that change a little. So a payload is split into its
words and its runs of digits. Frames with the same topic and words are of one *kind*; the kind is written once, and the
digits of its frames become columns of whole numbers, of which only the steps are stored. Whatever does not look like
that is a kind of its own, with all of its payload as the words. Then everything is compressed by zlib, with the kinds
of the session's first block as its dictionary.

Before compression (little-endian):
    u8 layout (1) · u32 frames n · u32 kinds k · u32 length of the table of kinds · i64 first time · i64 unit of time
    table of kinds, sorted, each: u8 retained · u8 numbers m · text topic · (m + 1) texts of words
    column of n: kind of each frame
    column of n - 1: steps of time, in units
    for each kind, for each of its m numbers: u8 how it is written · i64 first (as a step from that of the kind before)
        · column of steps
A text is u32 length and bytes. A column is u8 width (1, 2, 4 or 8), then signed numbers in planes: all lowest bytes,
then all next bytes, and so on. Numbers are written plain (0); with a 1 before them where zeros may lead (1); doubled,
plus one where negative, so that -0 stays apart from 0 (2); or, where none of that gives the same digits back, as the
digits of all frames in lines (3; the first is then their length, and the width 1).
"""

import re
import struct
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Final, TypeVar

from monitor.adapters.sessions.columns import CODES, LED, PLAIN, SIGNED, TEXT, Kind, Numbers, Packed
from monitor.model.stream import Frame

T = TypeVar("T")

BLOCK_NS: Final = 1_000_000_000
"""Stream time in one block, unless it has very few frames then."""
FEW_FRAMES: Final = 100
"""A block of fewer frames goes on: with a reading every ten seconds it would have one row."""
LONGEST_BLOCK_NS: Final = 1_200 * 1_000_000_000
"""Most stream time in one block."""
BLOCK_BYTES: Final = 4 << 20
"""A block is closed when its payloads reach this size."""
MAX_PAYLOAD_BYTES: Final = 16 << 20
"""Largest payload that a session holds."""
MAX_RAW_BYTES: Final = BLOCK_BYTES + MAX_PAYLOAD_BYTES + (40 << 20)
"""Largest block, packed or unpacked. No recorder writes a larger one; a larger one is refused."""
MAX_BLOCK_FRAMES: Final = 200_000
EFFORT: Final = 6
"""How hard zlib tries, 1 to 9."""
EFFORT_WITH_MUCH: Final = 1
"""The same for blocks of `MUCH_BYTES` and more: a quarter of the time, and a quarter more on the disk."""
MUCH_BYTES: Final = 1 << 18
DICTIONARY_BYTES: Final = 32_000
"""zlib looks back no further than 32 KiB."""

_SPLIT_BYTES: Final = 1024
_MAX_NUMBERS: Final = 12
_MAX_DIGITS: Final = 17
_HEAD: Final = struct.Struct("<BIIIqq")
_FIRST: Final = struct.Struct("<Bq")
_NUMBERS: Final = struct.Struct("<BqB")
_LENGTH: Final = struct.Struct("<I")
_split = re.compile(rb"(-?[0-9]+)").split


def _column(numbers: Sequence[int]) -> bytes:
    low, high = min(numbers, default=0), max(numbers, default=0)
    reach = max(high, -low - 1)
    width = 1 if reach < 1 << 7 else 2 if reach < 1 << 15 else 4 if reach < 1 << 31 else 8
    raw = struct.pack(f"<{len(numbers)}{CODES[width]}", *numbers)
    return bytes((width,)) + (raw if width == 1 else b"".join(raw[place::width] for place in range(width)))


def _steps(numbers: Iterable[int]) -> list[int]:
    return [later - earlier for earlier, later in pairwise(numbers)]


def _text(text: bytes) -> bytes:
    return _LENGTH.pack(len(text)) + text


def _mode(digits: Sequence[bytes]) -> int:
    """How a column of numbers can be written so that every digit comes back."""
    negative = any(text[0] == 45 for text in digits)
    if any(len(text) > 1 and (text[0] == 48 or (text[:2] == b"-0" and len(text) > 2)) for text in digits):
        return TEXT if negative else LED
    return SIGNED if negative and b"-0" in digits else PLAIN


def _double(text: bytes) -> int:
    return 2 * int(text[1:]) + 1 if text[0] == 45 else 2 * int(text)


_WRITE: Final[Mapping[int, Callable[[Sequence[bytes]], list[int]]]] = {
    PLAIN: lambda digits: [int(text) for text in digits],
    LED: lambda digits: [int(b"1" + text) for text in digits],
    SIGNED: lambda digits: [_double(text) for text in digits],
}


def _parts(payload: bytes) -> list[bytes]:
    """Words and numbers of a payload in turn; the payload whole where its numbers are too many or too long."""
    if len(payload) > _SPLIT_BYTES or payload.count(b",") > 2 * _MAX_NUMBERS:  # a long list of numbers
        return [payload]
    parts = _split(payload, _MAX_NUMBERS + 1)  # one more tells that there are too many
    if len(parts) > 2 * _MAX_NUMBERS + 1 or max(map(len, parts[1::2]), default=0) > _MAX_DIGITS:
        return [payload]
    return parts


def pack_block(frames: Sequence[Frame], dictionary: bytes = b"") -> tuple[bytes, bytes]:
    """`frames` (at least one, in order) as a block's bytes, and what would serve later blocks as their dictionary.

    Raises:
        ValueError: no frame, or more than `MAX_BLOCK_FRAMES`.
    """
    if not 1 <= len(frames) <= MAX_BLOCK_FRAMES:
        raise ValueError(f"a block holds 1 to {MAX_BLOCK_FRAMES} frames, not {len(frames)}")
    groups: dict[tuple[str, bool, tuple[bytes, ...]], list[list[bytes]]] = {}
    keys = []
    for frame in frames:
        parts = _parts(frame.payload)
        key = (frame.topic, frame.retained, tuple(parts[::2]))
        keys.append(key)
        group = groups.get(key)
        if group is None:
            groups[key] = [parts[1::2]]
        else:
            group.append(parts[1::2])
    # Sorted, so that the table is nearly always the same: it packs to a few bytes, and readers need to see it once.
    kinds = sorted(groups)
    places = {key: place for place, key in enumerate(kinds)}
    which = [places[key] for key in keys]
    table: list[bytes] = []
    columns: list[bytes] = []
    before = [0] * _MAX_NUMBERS
    for topic, retained, words in kinds:
        table.append(bytes((retained, len(words) - 1)) + _text(topic.encode("utf-8", "surrogatepass")))
        table += map(_text, words)
        for place, digits in enumerate(zip(*groups[topic, retained, words], strict=True)):
            mode = _mode(digits)
            if mode == TEXT:
                lines = b"\n".join(digits)
                columns += (_NUMBERS.pack(TEXT, len(lines), 1), lines)
                continue
            column = _WRITE[mode](digits)
            columns += (_FIRST.pack(mode, column[0] - before[place]), _column(_steps(column)))
            before[place] = column[0]
    described = b"".join(table)
    times = [frame.t_ns for frame in frames]
    steps = _steps(times)
    unit = 1 if any(step % 1000 for step in steps) else 1000
    if unit != 1:
        steps = [step // unit for step in steps]
    head = _HEAD.pack(1, len(frames), len(kinds), len(described), times[0], unit)
    raw = b"".join((head, described, _column(which), _column(steps), *columns))
    effort = EFFORT if len(raw) < MUCH_BYTES else EFFORT_WITH_MUCH
    engine = zlib.compressobj(effort, zdict=dictionary) if dictionary else zlib.compressobj(effort)
    packed = engine.compress(raw)
    return packed + engine.flush(), described[-DICTIONARY_BYTES:]


Table = tuple[tuple[str, bool, tuple[bytes, ...], int], ...]
"""The kinds in a block: topic, whether retained, words and the length of these."""


@dataclass(frozen=True, slots=True)
class Block:
    """A block taken apart, its numbers still packed."""

    first_ns: int
    unit_ns: int
    which: Packed
    """Kind of each frame."""
    steps: Packed
    """Time from each frame to the next, in units."""
    raw: bytes
    """The block unpacked; the columns lie in it."""
    table: Table
    """Most blocks have the same, and then the same object."""
    sizes: tuple[int, ...]
    """Frames of each kind."""
    columns: tuple[int, ...]
    """Four numbers for each number of each kind, in turn: how it is written, the first (the length, if as text), the width
    of a step, and where in `raw` its steps begin."""

    def kind(self, place: int) -> Kind:
        """One of the kinds, with its columns."""
        topic, retained, words, _ = self.table[place]
        at = 4 * sum(len(self.table[before][2]) - 1 for before in range(place))
        return self._kind(topic, retained, words, self.sizes[place], at)

    def kinds(self) -> list[Kind]:
        """All kinds, with their columns."""
        made, at = [], 0
        for (topic, retained, words, _), size in zip(self.table, self.sizes, strict=True):
            made.append(self._kind(topic, retained, words, size, at))
            at += 4 * (len(words) - 1)
        return made

    def _kind(self, topic: str, retained: bool, words: tuple[bytes, ...], size: int, at: int) -> Kind:
        raw, found = self.raw, self.columns
        columns: list[Numbers | tuple[bytes, ...]] = []
        for place in range(at, at + 4 * (len(words) - 1), 4):
            mode, first, width, start = found[place : place + 4]
            if mode == TEXT:
                columns.append(tuple(raw[start : start + first].split(b"\n")))
            else:
                columns.append(Numbers(mode, first, width, size - 1, raw[start : start + width * (size - 1)]))
        return Kind(topic, retained, words, size, tuple(columns))

    def frames(self) -> list[Frame]:
        """The frames, in order."""
        return self.in_order(Kind.frames)

    def in_order(self, read: Callable[[Kind, list[int]], Sequence[T]]) -> list[T]:
        """What `read` makes of the frames of each kind, of which it gets the times: one for each, all of them in order."""
        kinds, which, unit_ns = self.kinds(), self.which.numbers(), self.unit_ns
        times: list[list[int]] = [[] for _ in kinds]
        t_ns = self.first_ns
        for kind, step in zip(which, (0, *self.steps.numbers()), strict=True):
            t_ns += step * unit_ns
            times[kind].append(t_ns)
        read_next = [iter(read(kind, of_kind)).__next__ for kind, of_kind in zip(kinds, times, strict=True)]
        return [read_next[kind]() for kind in which]


def open_block(data: bytes, dictionary: bytes = b"") -> Block:
    """A block's bytes taken apart.

    Raises:
        ValueError: the block is damaged, or larger than any block may be; the message says how.
    """
    engine = zlib.decompressobj(zdict=dictionary) if dictionary else zlib.decompressobj()
    try:
        raw = engine.decompress(data, MAX_RAW_BYTES)
    except zlib.error as error:
        raise ValueError(f"its compressed data is damaged ({error})") from None
    if not engine.eof:
        big = len(raw) >= MAX_RAW_BYTES
        raise ValueError("it is larger than any block can be" if big else "its compressed data ends too early")
    try:
        return _BlockReader(raw).block()
    except (struct.error, IndexError, UnicodeDecodeError) as error:
        raise ValueError(f"its content does not fit its own counts ({error})") from None


def unpack_block(data: bytes, dictionary: bytes = b"") -> list[Frame]:
    """The frames of a block.

    Raises:
        ValueError: as `open_block`.
    """
    return open_block(data, dictionary).frames()


class _BlockReader:
    """Reads an unpacked block from start to end, and checks every count and length in it."""

    def __init__(self, raw: bytes) -> None:
        self._raw = raw
        self._at = 0

    def block(self) -> Block:
        layout, count, kinds, length, first_ns, unit = _HEAD.unpack_from(self._raw)
        if layout != 1:
            raise ValueError(f"its layout is {layout}, and this version knows only 1")
        if not 0 < count <= MAX_BLOCK_FRAMES or not 0 < kinds <= count or not 0 < unit <= 1_000_000_000:
            raise ValueError("it claims more frames or kinds than it can hold")
        self._at = _HEAD.size
        read = _table if length <= DICTIONARY_BYTES else _table.__wrapped__  # no use to keep one so large
        table = read(self._take(length), kinds)
        which = self._column(count)
        steps = self._column(count - 1)
        counts = Counter(which.numbers())
        if counts.keys() != set(range(kinds)):
            raise ValueError("its frames are not of the kinds in its table")
        sizes = tuple([counts[place] for place in range(kinds)])
        columns = self._columns(table, sizes)
        if self._at != len(self._raw):
            raise ValueError("it goes on after its end")
        return Block(first_ns, unit, which, steps, self._raw, table, sizes, columns)

    def _take(self, length: int) -> bytes:
        piece = self._raw[self._at : self._at + length]
        if len(piece) != length:
            raise ValueError("it ends too early")
        self._at += length
        return piece

    def _column(self, count: int) -> Packed:
        width = self._take(1)[0]
        if width not in CODES:
            raise ValueError(f"a column in it is {width} bytes wide")
        return Packed(width, count, self._take(count * width))

    def _columns(self, table: Table, sizes: Sequence[int]) -> tuple[int, ...]:
        """Where the numbers are; see `Block.columns`. One turn of the loop per sensor and second: kept short."""
        raw, at, unpack, head = self._raw, self._at, _NUMBERS.unpack_from, _NUMBERS.size
        befores = [0] * _MAX_NUMBERS
        budget = MAX_RAW_BYTES
        columns: list[int] = []
        for (_, _, words, length), size in zip(table, sizes, strict=True):
            budget -= size * length
            for place in range(len(words) - 1):
                mode, first, width = unpack(raw, at)
                start = at + head
                if mode < TEXT and width in CODES:
                    at = start + width * (size - 1)
                    first = befores[place] = befores[place] + first
                elif mode == TEXT:
                    at = start + first
                    budget -= first
                    if first < 0 or raw.count(b"\n", start, at) != size - 1:
                        raise ValueError("a column in it does not have as many lines as frames")
                else:
                    raise ValueError(
                        f"its numbers are written in a way ({mode}, {width}) that this version does not know"
                    )
                columns += (mode, first, width, start)
        if budget < 0:
            raise ValueError("its payloads are larger than any block can be")
        self._at = at
        return tuple(columns)


@lru_cache(maxsize=64)
def _table(described: bytes, kinds: int) -> Table:
    """The table of kinds: topic, whether retained, words and their length. Successive blocks mostly have the same."""
    at = 0

    def text() -> bytes:
        nonlocal at
        (length,) = _LENGTH.unpack_from(described, at)
        start, at = at + 4, at + 4 + length
        return described[start:at]

    table = []
    for _ in range(kinds):
        retained, numbers = described[at : at + 2]
        if numbers > _MAX_NUMBERS:
            raise ValueError("a payload in it has too many numbers")
        at += 2
        topic = str(text(), "utf-8", "surrogatepass")
        words = tuple(text() for _ in range(numbers + 1))
        table.append((topic, retained == 1, words, sum(map(len, words))))
    if at != len(described):
        raise ValueError("its table of kinds does not have the length it claims")
    return tuple(table)
