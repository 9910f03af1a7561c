"""A block: the raw frames of about one second, packed so that every byte comes back and a reading costs few bytes.

Readings of one sensor look alike: the same words around numbers that change a little. So a payload is split into its
words and its runs of digits. Frames with the same topic and words are of one *kind*; the kind is written once, and the
digits of its frames become columns of whole numbers, of which only the steps are stored. Whatever does not look like
that is a kind of its own, with all of its payload as the words. Then everything is compressed by zlib, with the kinds
of the session's first block as its dictionary.

Before compression (little-endian):
    u8 layout (1) · u32 frames n · u32 kinds k · u32 length of the table of kinds · i64 first time · i64 unit of time
    table of kinds, each: u8 retained · u8 numbers m · text topic · (m + 1) texts of words · m x u8 how they are written
    column of n: kind of each frame
    column of n: steps of time, in units
    for each kind, for each of its m numbers: i64 first (as a step from that of the kind before) · column of steps
A text is u32 length and bytes. A column is u8 width (1, 2, 4 or 8), then signed numbers in planes: all lowest bytes,
then all next bytes, and so on. Numbers are written plain (0); with a 1 before them where zeros may lead (1); doubled,
plus one where negative, so that -0 stays apart from 0 (2); or, where none of that gives the same digits back, as a text of
the digits of all frames, in lines (3).
"""

import re
import struct
import zlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import accumulate, pairwise
from typing import Final

from monitor.core.types import Frame

BLOCK_NS: Final = 1_000_000_000
"""Longest stretch of stream time in one block."""
BLOCK_BYTES: Final = 4 << 20
"""A block is closed when its payloads reach this size."""
MAX_PAYLOAD_BYTES: Final = 16 << 20
"""Largest payload that a session holds."""
MAX_RAW_BYTES: Final = BLOCK_BYTES + MAX_PAYLOAD_BYTES + (40 << 20)
"""No honest block is larger than this, packed or unpacked; a hostile one is refused there."""
MAX_BLOCK_FRAMES: Final = 200_000
DICTIONARY_BYTES: Final = 32_000
"""zlib looks back no further than 32 KiB."""

_SPLIT_BYTES: Final = 1024
_MAX_NUMBERS: Final = 12
_MAX_DIGITS: Final = 17
_HEAD: Final = struct.Struct("<BIIIqq")
_FIRST: Final = struct.Struct("<q")
_LENGTH: Final = struct.Struct("<I")
_CODES: Final = {1: "b", 2: "h", 4: "i", 8: "q"}
_split = re.compile(rb"(-?[0-9]+)").split


def _column(numbers: Sequence[int]) -> bytes:
    low, high = min(numbers, default=0), max(numbers, default=0)
    reach = max(high, -low - 1)
    width = 1 if reach < 1 << 7 else 2 if reach < 1 << 15 else 4 if reach < 1 << 31 else 8
    raw = struct.pack(f"<{len(numbers)}{_CODES[width]}", *numbers)
    return bytes((width,)) + (raw if width == 1 else b"".join(raw[place::width] for place in range(width)))


def _steps(numbers: Iterable[int]) -> list[int]:
    return [later - earlier for earlier, later in pairwise(numbers)]


def _text(text: bytes) -> bytes:
    return _LENGTH.pack(len(text)) + text


_PLAIN, _LED, _SIGNED, _TEXT = range(4)


def _mode(digits: Sequence[bytes]) -> int:
    """How a column of numbers can be written so that every digit comes back."""
    negative = any(text[0] == 45 for text in digits)
    if any(len(text) > 1 and (text[0] == 48 or (text[:2] == b"-0" and len(text) > 2)) for text in digits):
        return _TEXT if negative else _LED
    return _SIGNED if negative and b"-0" in digits else _PLAIN


def _double(text: bytes) -> int:
    return 2 * int(text[1:]) + 1 if text[0] == 45 else 2 * int(text)


def _halve(number: int) -> bytes:
    return b"-%d" % (number >> 1) if number & 1 else b"%d" % (number >> 1)


_WRITE: Final[Mapping[int, Callable[[Sequence[bytes]], list[int]]]] = {
    _PLAIN: lambda digits: [int(text) for text in digits],
    _LED: lambda digits: [int(b"1" + text) for text in digits],
    _SIGNED: lambda digits: [_double(text) for text in digits],
}


def _parts(payload: bytes) -> list[bytes]:
    """Words and numbers of a payload in turn; the payload whole where its numbers are too many or too long."""
    if len(payload) > _SPLIT_BYTES:
        return [payload]
    parts = _split(payload)
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
    kinds: dict[tuple[str, bool, tuple[bytes, ...]], int] = {}
    rows: list[list[list[bytes]]] = []
    which: list[int] = []
    for frame in frames:
        parts = _parts(frame.payload)
        key = (frame.topic, frame.retained, tuple(parts[::2]))
        kind = kinds.get(key)
        if kind is None:
            kind = kinds[key] = len(rows)
            rows.append([])
        which.append(kind)
        rows[kind].append(parts[1::2])
    table: list[bytes] = []
    columns: list[bytes] = []
    before = [0] * _MAX_NUMBERS
    for (topic, retained, words), numbers in zip(kinds, rows, strict=True):
        table.append(bytes((retained, len(words) - 1)) + _text(topic.encode("utf-8", "surrogatepass")))
        table += map(_text, words)
        for place, digits in enumerate(zip(*numbers, strict=True)):
            mode = _mode(digits)
            table.append(bytes((mode,)))
            if mode == _TEXT:
                columns.append(_text(b"\n".join(digits)))
                continue
            column = _WRITE[mode](digits)
            columns += (_FIRST.pack(column[0] - before[place]), _column(_steps(column)))
            before[place] = column[0]
    described = b"".join(table)
    times = [frame.t_ns for frame in frames]
    steps = _steps(times)
    unit = 1 if any(step % 1000 for step in steps) else 1000
    if unit != 1:
        steps = [step // unit for step in steps]
    head = _HEAD.pack(1, len(frames), len(rows), len(described), times[0], unit)
    engine = zlib.compressobj(6, zdict=dictionary) if dictionary else zlib.compressobj(6)
    packed = engine.compress(b"".join((head, described, _column(which), _column(steps), *columns)))
    return packed + engine.flush(), described[-DICTIONARY_BYTES:]


def unpack_block(data: bytes, dictionary: bytes = b"") -> list[Frame]:
    """The frames of a block.

    Raises:
        ValueError: the block is damaged, or larger than any honest block; the message says how.
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
        return _Unpacking(raw).frames()
    except (struct.error, IndexError, KeyError, UnicodeDecodeError, StopIteration, TypeError) as error:
        raise ValueError(f"its content does not fit its own counts ({error})") from None


class _Unpacking:
    """Walks through an unpacked block, believing nothing in it."""

    def __init__(self, raw: bytes) -> None:
        self._raw = raw
        self._at = 0
        self._budget = MAX_RAW_BYTES

    def frames(self) -> list[Frame]:
        layout, count, kinds, length, first_ns, unit = _HEAD.unpack_from(self._raw)
        if layout != 1:
            raise ValueError(f"its layout is {layout}, and this version knows only 1")
        if not 0 < count <= MAX_BLOCK_FRAMES or not 0 < kinds <= count or not 0 < unit <= 1_000_000_000:
            raise ValueError("it claims more frames or kinds than it can hold")
        self._at = _HEAD.size
        described = [self._kind() for _ in range(kinds)]
        if self._at != _HEAD.size + length:
            raise ValueError("its table of kinds does not have the length it claims")
        which = self._column(count)
        steps = self._column(count - 1)
        if min(which) < 0:
            raise ValueError("it names a kind below 0")
        sizes = [0] * kinds
        for kind in which:
            sizes[kind] += 1
        before = [0] * _MAX_NUMBERS
        payloads = []
        for (_, _, words, written), size in zip(described, sizes, strict=True):
            payloads.append(iter(self._payloads(words, written, size, before)))
        if self._at != len(self._raw):
            raise ValueError("it goes on after its end")
        heads = [(*kind[:2], payload) for kind, payload in zip(described, payloads, strict=True)]
        frames = []
        for kind, t_ns in zip(which, accumulate((step * unit for step in steps), initial=first_ns), strict=True):
            topic, retained, payload = heads[kind]
            frames.append(Frame(t_ns, topic, next(payload), retained))
        return frames

    def _take(self, length: int) -> bytes:
        piece = self._raw[self._at : self._at + length]
        if len(piece) != length:
            raise ValueError("it ends too early")
        self._at += length
        return piece

    def _text(self) -> bytes:
        (length,) = _LENGTH.unpack(self._take(4))
        return self._take(length)

    def _column(self, count: int) -> tuple[int, ...]:
        width = self._take(1)[0]
        raw = self._take(count * width)
        if width != 1:
            mixed = bytearray(len(raw))
            for place in range(width):
                mixed[place::width] = raw[place * count : (place + 1) * count]
            raw = bytes(mixed)
        return struct.unpack(f"<{count}{_CODES[width]}", raw)

    def _kind(self) -> tuple[str, bool, list[bytes], bytes]:
        retained, numbers = self._take(2)
        if numbers > _MAX_NUMBERS:
            raise ValueError("a payload in it has too many numbers")
        topic = str(self._text(), "utf-8", "surrogatepass")
        words = [self._text() for _ in range(numbers + 1)]
        return topic, retained == 1, words, self._take(numbers)

    def _payloads(self, words: list[bytes], written: bytes, size: int, before: list[int]) -> list[bytes]:
        if size == 0:
            raise ValueError("a kind in it has no frame")
        self._budget -= size * sum(map(len, words))
        if self._budget < 0:
            raise ValueError("its payloads are larger than any block can be")
        if not written:
            return [words[0]] * size
        columns: list[Iterable[int | bytes]] = []
        form = words[0].replace(b"%", b"%%")
        for place, mode in enumerate(written):
            if mode == _TEXT:
                lines = self._text().split(b"\n")
                self._budget -= sum(map(len, lines))
                columns.append(lines)
                form += b"%b"
            else:
                (first,) = _FIRST.unpack(self._take(8))
                before[place] += first
                column = accumulate(self._column(size - 1), initial=before[place])
                if mode == _PLAIN:
                    columns.append(column)
                elif mode == _LED:
                    columns.append((b"%d" % number)[1:] for number in column)
                elif mode == _SIGNED:
                    columns.append(_halve(number) for number in column)
                else:
                    raise ValueError(f"its numbers are written in a way {mode} that this version does not know")
                form += b"%d" if mode == _PLAIN else b"%b"
            form += words[place + 1].replace(b"%", b"%%")
        return [form % row for row in zip(*columns, strict=True)]
