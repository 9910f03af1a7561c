"""Columns of a block, taken apart: the numbers in the payloads of one kind, and the payloads made of them again.

How they lie in a block is told in `monitor.adapters.sessions.blocks`.
"""

import struct
from collections.abc import Iterable, Sequence
from itertools import accumulate
from typing import Final

from monitor.model.stream import Frame

PLAIN, LED, SIGNED, TEXT = range(4)
"""How a number in a payload is written: as it is, with a 1 before it, doubled with its sign, or as its digits."""
CODES: Final = {1: "b", 2: "h", 4: "i", 8: "q"}
"""Of signed numbers, by their width in bytes."""


class Packed:
    """A column as it lies in a block: `size` signed numbers of `width` bytes, in planes."""

    __slots__ = ("planes", "size", "width")

    def __init__(self, width: int, size: int, planes: bytes) -> None:
        self.width: Final = width
        self.size: Final = size
        self.planes: Final = planes

    def numbers(self) -> tuple[int, ...]:
        """The numbers themselves."""
        return _unpacked(self.width, self.size, self.planes)


def _unpacked(width: int, size: int, planes: bytes) -> tuple[int, ...]:
    """`size` signed numbers of `width` bytes, which lie in planes."""
    raw: bytes | bytearray = planes
    if width == 2:
        mixed = bytearray(len(raw))
        mixed[::2], mixed[1::2] = raw[:size], raw[size:]
        raw = mixed
    elif width != 1:
        mixed = bytearray(len(raw))
        for place in range(width):
            mixed[place::width] = raw[place * size : (place + 1) * size]
        raw = mixed
    return struct.unpack(f"<{size}{CODES[width]}", raw)


class Numbers:
    """One number in the payloads of a kind: its first value and the steps that follow."""

    __slots__ = ("first", "mode", "planes", "size", "width")

    def __init__(self, mode: int, first: int, width: int, size: int, planes: bytes) -> None:
        self.mode: Final = mode
        self.first: Final = first
        self.width: Final = width
        self.size: Final = size
        self.planes: Final = planes
        """The steps, as in `Packed`."""

    def values(self) -> Iterable[int]:
        """The whole numbers that are stored."""
        return accumulate(_unpacked(self.width, self.size, self.planes), initial=self.first)


class Kind:
    """Frames of one topic whose payloads have the same words around their numbers."""

    __slots__ = ("columns", "retained", "size", "topic", "words")

    def __init__(
        self,
        topic: str,
        retained: bool,
        words: tuple[bytes, ...],
        size: int,
        columns: tuple[Numbers | tuple[bytes, ...], ...],
    ) -> None:
        self.topic: Final = topic
        self.retained: Final = retained
        self.words: Final = words
        self.size: Final = size
        """Number of frames."""
        self.columns: Final = columns
        """For each number in the payload: whole numbers, or the digits of all frames as they were."""

    def payloads(self) -> list[bytes]:
        """The payloads, in the order of the frames."""
        if not self.columns:
            return [self.words[0]] * self.size
        cells: list[Iterable[int | bytes]] = []
        form = self.words[0].replace(b"%", b"%%")
        for column, words in zip(self.columns, self.words[1:], strict=True):
            plain = False
            if not isinstance(column, Numbers):
                cells.append(column)
            elif column.mode == PLAIN:
                cells.append(column.values())
                plain = True
            elif column.mode == LED:
                cells.append([text[1:] for text in _digits(column.values())])
            else:
                cells.append([_halve(number) for number in column.values()])
            form += (b"%d" if plain else b"%b") + words.replace(b"%", b"%%")
        return [form % row for row in zip(*cells, strict=True)]

    def frames(self, times: Sequence[int]) -> list[Frame]:
        """The frames, which came at `times`."""
        topic, retained, new = self.topic, self.retained, tuple.__new__  # its own constructor is written in Python
        return [
            new(Frame, (t_ns, topic, payload, retained)) for t_ns, payload in zip(times, self.payloads(), strict=True)
        ]


def _digits(numbers: Iterable[int]) -> list[bytes]:
    """Every number written out."""
    row = tuple(numbers)
    return (b"%d " * len(row) % row).split()


def _halve(number: int) -> bytes:
    return b"-%d" % (number >> 1) if number & 1 else b"%d" % (number >> 1)
