"""Large figures and words as text rows: a font 3 dots wide (the widest letters 5) and 5 high, scaled, drawn with half blocks.

Drawn as plain text so that a figure is either whole or not there: `size_that_fits` answers which size has room.
"""

from functools import lru_cache
from typing import Final

from monitor.text import plain_letters
from monitor.ui.drawing.canvas import Area
from monitor.ui.drawing.theme import Role

_FONT: Final[dict[str, tuple[str, ...]]] = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" ##", "  #", "  #", "  #", "  #"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", "###", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", "  #", "  #", "  #"),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    "−": ("  ", "  ", "##", "  ", "  "),
    "+": ("   ", " # ", "###", " # ", "   "),
    ".": (" ", " ", " ", " ", "#"),
    " ": (" ", " ", " ", " ", " "),
    "e": ("   ", "###", "###", "#  ", "###"),
    "A": ("###", "# #", "###", "# #", "# #"),
    "B": ("## ", "# #", "## ", "# #", "## "),
    "C": ("###", "#  ", "#  ", "#  ", "###"),
    "D": ("## ", "# #", "# #", "# #", "## "),
    "E": ("###", "#  ", "## ", "#  ", "###"),
    "F": ("###", "#  ", "## ", "#  ", "#  "),
    "G": ("###", "#  ", "# #", "# #", "###"),
    "H": ("# #", "# #", "###", "# #", "# #"),
    "I": ("#", "#", "#", "#", "#"),
    "J": ("  #", "  #", "  #", "# #", "###"),
    "K": ("#  #", "# # ", "##  ", "# # ", "#  #"),
    "L": ("#  ", "#  ", "#  ", "#  ", "###"),
    "M": ("#   #", "## ##", "# # #", "#   #", "#   #"),
    "N": ("#  #", "## #", "# ##", "#  #", "#  #"),
    "O": ("###", "# #", "# #", "# #", "###"),
    "P": ("###", "# #", "###", "#  ", "#  "),
    "Q": ("###", "# #", "# #", "###", "  #"),
    "R": ("###", "# #", "## ", "# #", "# #"),
    "S": ("###", "#  ", "###", "  #", "###"),
    "T": ("###", " # ", " # ", " # ", " # "),
    "U": ("# #", "# #", "# #", "# #", "###"),
    "V": ("# #", "# #", "# #", "# #", " # "),
    "W": ("#   #", "#   #", "# # #", "## ##", "#   #"),
    "X": ("# #", "# #", " # ", "# #", "# #"),
    "Y": ("# #", "# #", " # ", " # ", " # "),
    "Z": ("###", "  #", " # ", "#  ", "###"),
    "f": (" ##", " # ", "###", " # ", " # "),
    "m": ("     ", "     ", "#### ", "# # #", "# # #"),
    "t": (" # ", "###", " # ", " # ", " ##"),
    "↑": (" # ", " # ", "###", "###", "###"),
    "↓": ("###", "###", "###", " # ", " # "),
    "▲": ("  #  ", " ### ", " ### ", "#####", "#####"),
    "▼": ("#####", "#####", " ### ", " ### ", "  #  "),
}
SIZES: Final = (4, 3, 2, 1)
"""Sizes, largest first: columns per dot of a stroke."""
_HOLE: Final = {1: 1, 2: 1, 3: 3, 4: 4}
"""Columns of the inner dots of a digit: narrower than its strokes where room is short."""
_GAP: Final = {1: 1, 2: 1, 3: 2, 4: 3}
"""Columns between characters."""
_HALF_ROWS: Final = {1: (1, 1, 1, 1, 1), 2: (2, 2, 2, 2, 2), 3: (2, 4, 2, 4, 2), 4: (4, 4, 4, 4, 4)}
"""Half rows per dot, from the top. All but the smallest size end on whole rows, so that no seam shows."""


def rows_of(size: int) -> int:
    """Height in rows; plain text (size 0) takes one."""
    return (sum(_HALF_ROWS[size]) + 1) // 2 if size else 1


@lru_cache(maxsize=512)
def large(text: str, size: int) -> tuple[str, ...] | None:
    """`text` as rows of block characters, letters without their accents; None where the font has no such character."""
    text = plain_letters(text)
    if any(char not in _FONT for char in text):
        return None
    dots = ["".join(_scaled(_FONT[char][row], size, char == "+") for char in text) for row in range(5)]
    half_rows = [row for row, times in zip(dots, _HALF_ROWS[size], strict=True) for _ in range(times)]
    if len(half_rows) % 2:
        half_rows.append(" " * len(half_rows[0]))
    return tuple(
        "".join(_HALF[upper + lower] for upper, lower in zip(half_rows[i], half_rows[i + 1], strict=True))
        for i in range(0, len(half_rows), 2)
    )


_HALF: Final = {"##": "█", "# ": "▀", " #": "▄", "  ": " "}


def _scaled(row: str, size: int, plus: bool) -> str:
    """One row of dots; a plus has short arms, so that it is about as wide as a minus."""
    # Inner dots of the arrows and of M and W are strokes: as wide as the outer ones.
    inner = _HOLE[size] if len(row) in (3, 4) else size
    widths = (size,) * len(row) if len(row) < 3 else (size, *(inner,) * (len(row) - 2), size)
    if plus:
        widths = ((size + 1) // 2, size, (size + 1) // 2)
    return "".join(dot * width for dot, width in zip(row, widths, strict=True)) + " " * _GAP[size]


def width_of(text: str, size: int) -> int:
    """Columns that `text` takes."""
    rows = large(text, size)
    return len(rows[0]) - _GAP[size] if rows else len(text)


def size_that_fits(text: str, width: int, height: int, largest: int = SIZES[0]) -> int:
    """Largest size at which `text` fits, 0 when only plain text does."""
    for size in SIZES:
        if size <= largest and rows_of(size) <= height and large(text, size) and width_of(text, size) <= width:
            return size
    return 0


def draw(area: Area, text: str, size: int, role: Role = "strong") -> int:
    """Draw `text` at the area's top left; returns the column after it. Size 0 is plain text."""
    rows = large(text, size) if size else None
    if rows is None:
        return area.figure(0, 0, text, role)
    if width_of(text, size) > area.width or len(rows) > area.height:
        return area.figure(0, 0, text, role)
    area.drew(text)
    for y, row in enumerate(rows):
        area.put(0, y, row, role)
    return len(rows[0])
