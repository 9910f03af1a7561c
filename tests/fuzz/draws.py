"""Bytes as a source of decisions: whatever makes bytes (a random generator, hypothesis, a coverage-guided fuzzer) can then
make structured inputs. When the bytes run out every decision is the first choice, so any bytes are a whole input.
"""

import struct
from collections.abc import Sequence
from typing import Final, TypeVar

T = TypeVar("T")

WHOLE: Final = (
    *(0, 1, -1, 2, 7, 127, 128, 255, 256, 1000, 32_767, 32_768, 65_535, 65_536, 1 << 31, (1 << 31) - 1, 1 << 32),
    *((1 << 53) + 1, (1 << 62) - 1, (1 << 63) - 1, -(1 << 63), 1 << 63, (1 << 64) - 1, 1 << 64, 10**30, -(10**30)),
)
"""Whole numbers at which something tends to change."""
NUMBERS: Final = (
    *(0.0, -0.0, 1.0, -1.0, 0.5, 1e-3, 1e3, 1e6, 1e9, -1e9, 1e16, 1e100, 1e300, -1e300, 1.7976931348623157e308),
    *(1e-9, 1e-300, 5e-324, float("inf"), float("-inf"), float("nan"), 0.1, 3.0000000001, 4294967295.0),
)
"""Numbers at which something tends to break."""
TEXTS: Final = (
    *("", "a", " ", "\n", "\0", "\t=1+1", "=cmd|' /C calc'!A0", "+1", "-1", "@SUM(A1)", "<script>alert(1)</script>"),
    *(
        '"',
        "'",
        "'); DROP TABLE block; --",
        "\x1b[2J\x1b[31mred",
        "\x9b31m",
        "[bold red]x[/]",
        "[/]",
        "[@click=app.quit]q",
    ),
    *(
        "../../etc/passwd",
        "/etc/passwd",
        "..",
        "C:\\x",
        "\ud800",
        "\U0010ffff",
        "\u202eabc",
        "é",
        "x" * 300,
        "%s%n",
        "{0}",
    ),
)
"""Texts that mean something to a terminal, a browser, a spreadsheet, a database or a file system."""


class Draws:
    """Decisions, read from bytes one after the other."""

    __slots__ = ("_at", "_data")

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    @property
    def left(self) -> bool:
        """Whether bytes are left."""
        return self._at < len(self._data)

    def byte(self) -> int:
        """0 to 255."""
        at = self._at
        if at >= len(self._data):
            return 0
        self._at = at + 1
        return self._data[at]

    def below(self, count: int) -> int:
        """0 to `count` - 1."""
        number, most = self.byte(), 256
        while most < count:
            number, most = number << 8 | self.byte(), most << 8
        return number % count

    def flag(self, one_in: int = 2) -> bool:
        """True about once in so many; False when nothing is left."""
        return self.byte() % one_in == 1

    def pick(self, choices: Sequence[T]) -> T:
        """One of `choices`."""
        return choices[self.below(len(choices))]

    def whole(self) -> int:
        """A whole number, often a nasty one."""
        if self.flag():
            return self.pick(WHOLE) + self.below(5) - 2
        return int.from_bytes(self.raw(self.below(9)), "little", signed=True)

    def number(self) -> float:
        """A number, often a nasty one; may be infinite or NaN."""
        kind = self.below(4)
        if kind == 0:
            return self.pick(NUMBERS)
        if kind == 1:
            return self.below(65_536) / 100.0 - 100.0
        if kind == 2:
            return float(self.pick(WHOLE))
        return float(struct.unpack("<d", self.raw(8).ljust(8, b"\0"))[0])

    def text(self) -> str:
        """A text, often a nasty one."""
        kind = self.below(4)
        if kind < 2:
            return self.pick(TEXTS)
        if kind == 2:
            return self.raw(self.below(24)).decode("latin-1")
        return self.pick(TEXTS) + self.pick(TEXTS)

    def raw(self, length: int) -> bytes:
        """At most `length` bytes as they are."""
        piece = self._data[self._at : self._at + length]
        self._at += length
        return piece


def edited(draws: Draws, text: bytes, tokens: Sequence[bytes], most: int = 6) -> bytes:
    """`text` with a few edits: bytes flipped, cut out, doubled, moved, or replaced by one of `tokens`."""
    made = bytearray(text)
    for _ in range(1 + draws.below(most)):
        at = draws.below(len(made) + 1)
        kind = draws.below(8)
        if kind == 0 and at < len(made):
            made[at] ^= 1 << draws.below(8)
        elif kind == 1:
            del made[at : at + 1 + draws.below(12)]
        elif kind == 2:
            made[at:at] = draws.pick(tokens)
        elif kind == 3:
            length = 1 + draws.below(12)
            made[at : at + length] = draws.pick(tokens)
        elif kind == 4:
            made[at:at] = made[at : at + 1 + draws.below(64)]
        elif kind == 5:
            made[at:at] = draws.raw(1 + draws.below(8))
        elif kind == 6:
            piece = made[at : at + 1 + draws.below(64)]
            del made[at : at + len(piece)]
            to = draws.below(len(made) + 1)
            made[to:to] = piece
        else:
            del made[at:]
    return bytes(made)


_FACTORS: Final = (0.0, 1e-9, 1e-6, 1e-3, 0.1, 0.5, 0.9, 1.1, 2.0, 10.0, 1e3, 1e6, 1e9, -1.0)


def edited_lines(draws: Draws, lines: Sequence[str], values: Sequence[str], most: int = 4) -> str:
    """Lines of ``name = value`` with a few edits: numbers scaled, values replaced by one of `values`, lines left out,
    doubled or moved."""
    made = list(lines)
    for _ in range(1 + draws.below(most) if draws.flag() else 1):
        at = draws.below(len(made))
        kind = draws.below(16)
        name, equals, value = made[at].partition("=")
        if kind < 8 and equals:
            made[at] = f"{name}= {_scaled(draws, value)}"
        elif kind < 13 and equals:
            made[at] = f"{name}= {draws.pick(values)}"
        elif kind == 13:
            made.insert(draws.below(len(made)), made[at])
        elif kind == 14:
            made.append(made.pop(at))
        elif len(made) > 1:
            del made[at]
    return "\n".join(made)


def _scaled(draws: Draws, value: str) -> str:
    """`value` times some factor where it is a number; a whole number stays whole."""
    factor = draws.pick(_FACTORS)
    try:
        return str(round(int(value) * factor)) if draws.flag() else repr(float(value) * factor)
    except ValueError:
        return value
