"""A grid of characters with a role each. Screens draw on it with plain functions; one widget turns it into lines.

Drawing so has three merits: a screen is a pure function of what it shows and can be tested as text, one widget
repaints only the lines that changed, and text from sensors or configuration can never be taken for markup, because
nothing here parses any.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from rich.cells import cell_len

from monitor.text import printable as safe
from monitor.ui.drawing.theme import Role

BLANK = " "
_CONTINUED = ""
"""Right half of a character two cells wide."""


def printable(text: str) -> str:
    """`text` without anything that could move the cursor or hide: each such character becomes "�"."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(char if cell_len(char) > 0 else "�" for char in safe(text, len(text)))


def words_that_fit(text: str, width: int) -> str:
    """As many whole words of `text` as fit in `width` cells, with "…" where some were left out. Never part of a
    word."""
    text = printable(text)
    if cell_len(text) <= width:
        return text
    kept = ""
    for word in text.split():
        longer = f"{kept} {word}" if kept else word
        if cell_len(longer) + 2 > width:
            break
        kept = longer
    if kept:
        return f"{kept} …"
    return "…" if width > 0 else ""


def name_that_fits(name: str, width: int) -> str:
    """A name of one piece in `width` cells: start and end, which tell names apart, with "…" between. ASCII names only;
    others as `words_that_fit`."""
    if len(name) <= width or not name.isascii() or width < 5:
        return words_that_fit(name, width)
    end = (width - 1) * 2 // 3
    return f"{printable(name[: width - 1 - end])}…{printable(name[-end:])}"


def first_that_fits(choices: Sequence[str], width: int) -> str:
    """The first of `choices` that fits in `width` cells, the last one when none does."""
    return next((text for text in choices if cell_len(text) <= width), choices[-1])


def wrapped(text: str, width: int, rows: int) -> list[str]:
    """`text` in at most `rows` lines of whole words; the last one ends in "…" when not all of it fits."""
    lines: list[str] = []
    rest = printable(text).split()
    while rest and len(lines) < rows:
        if len(lines) == rows - 1:
            lines.append(words_that_fit(" ".join(rest), width))
            break
        line = ""
        while rest and cell_len(f"{line} {rest[0]}" if line else rest[0]) <= width:
            word = rest.pop(0)
            line = f"{line} {word}" if line else word
        if not line:
            lines.append(words_that_fit(" ".join(rest), width))
            break
        lines.append(line)
    return lines


SpotKind = Literal["row", "key", "banner", "time"]


@dataclass(frozen=True, slots=True)
class Spot:
    """Part of a row that answers to a click."""

    y: int
    left: int
    right: int
    """First column after it."""
    kind: SpotKind
    id: str


@dataclass(slots=True)
class Canvas:
    """`height` rows of `width` cells. `cut` collects figures that had no room: a layout that leaves any there is
    wrong."""

    width: int
    height: int
    chars: list[list[str]] = field(init=False)
    roles: list[list[Role]] = field(init=False)
    cut: list[str] = field(init=False)
    figures: list[str] = field(init=False)
    """Every figure drawn, the large ones too: what tests look through."""
    figures_at: list[tuple[int, int]] = field(init=False)
    """Column and row of each of them."""
    spots: list[Spot] = field(init=False)
    places: tuple[str, ...] = ()
    """Ids of the rows a cursor can stand on, as the screen's drawing found them."""
    texts: dict[str, str] = field(default_factory=dict)
    """What a row says in full, by its id: what is copied."""

    def __post_init__(self) -> None:
        self.chars = [[BLANK] * self.width for _ in range(self.height)]
        self.roles = [["base"] * self.width for _ in range(self.height)]
        self.cut = []
        self.figures = []
        self.figures_at = []
        self.spots = []

    @property
    def area(self) -> "Area":
        """All of it."""
        return Area(self, 0, 0, self.width, self.height)

    def hit(self, x: int, y: int) -> Spot | None:
        """What lies at that cell."""
        return next((spot for spot in self.spots if spot.y == y and spot.left <= x < spot.right), None)

    def text(self) -> str:
        """The characters alone."""
        return "\n".join("".join(row).rstrip() for row in self.chars)


@dataclass(frozen=True, slots=True)
class Area:
    """A rectangle of a canvas; coordinates are its own. Whatever lies outside is not drawn."""

    canvas: Canvas
    left: int
    top: int
    width: int
    height: int

    def part(self, x: int, y: int, width: int, height: int) -> "Area":
        """A rectangle inside this one, clipped to it."""
        x, y = max(0, x), max(0, y)
        return Area(
            self.canvas,
            self.left + x,
            self.top + y,
            max(0, min(width, self.width - x)),
            max(0, min(height, self.height - y)),
        )

    def put(self, x: int, y: int, text: str, role: Role = "base") -> int:
        """Draw `text` (already printable) and return the column after it. Clipped at the rectangle's edge."""
        if not 0 <= y < self.height:
            return x + len(text)
        chars, roles = self.canvas.chars[self.top + y], self.canvas.roles[self.top + y]
        left, width = self.left, self.width
        if text.isascii():
            for char in text:
                if 0 <= x < width:
                    chars[left + x] = char
                    roles[left + x] = role
                x += 1
            return x
        for char in text:
            size = cell_len(char)
            if x >= 0 and x + size <= width:
                chars[left + x] = char
                roles[left + x] = role
                if size == 2:
                    chars[left + x + 1] = _CONTINUED
                    roles[left + x + 1] = role
            x += size
        return x

    def say(self, x: int, y: int, text: str, role: Role = "base", width: int | None = None) -> int:
        """Draw words from anywhere: made printable, whole words only, at most `width` cells. Returns the column
        after."""
        room = self.width - x if width is None else min(width, self.width - x)
        return self.put(x, y, words_that_fit(text, room), role)

    def figure(self, x: int, y: int, text: str, role: Role = "strong") -> int:
        """Draw a figure whole, or note in `Canvas.cut` that it had no room."""
        size = cell_len(text)
        if not (0 <= y < self.height and x >= 0 and x + size <= self.width):
            self.canvas.cut.append(text)
            return x + size
        self.drew(text, x, y)
        return self.put(x, y, text, role)

    def drew(self, figure: str, x: int = 0, y: int = 0) -> None:
        """Note that a figure is drawn there."""
        self.canvas.figures.append(figure)
        self.canvas.figures_at.append((self.left + x, self.top + y))

    def best(self, x: int, y: int, choices: Sequence[str], role: Role = "strong") -> int:
        """Draw the first of `choices` that fits whole; the last one counts as cut when none does."""
        return self.figure(x, y, first_that_fits(choices, self.width - x), role)

    def right(self, x_end: int, y: int, text: str, role: Role = "base") -> int:
        """Draw `text` so that it ends before column `x_end`; returns its first column."""
        x = x_end - cell_len(text)
        self.figure(x, y, text, role)
        return x

    def spot(self, y: int, id: str, kind: SpotKind = "row", x: int = 0, width: int | None = None) -> None:
        """Have the row `y` answer to clicks, from column `x` on over `width` cells (to the edge)."""
        if 0 <= y < self.height:
            end = self.width if width is None else min(self.width, x + width)
            self.canvas.spots.append(Spot(self.top + y, self.left + x, self.left + end, kind, id))

    def fill(self, role: Role, char: str = BLANK) -> None:
        """Every cell the same."""
        for y in range(self.height):
            self.put(0, y, char * self.width, role)

    def rule(self, y: int, role: Role = "frame", title: str = "") -> None:
        """A thin line across, with a title on it."""
        self.put(0, y, "─" * self.width, role)
        if title and self.width > len(title) + 4:
            self.put(1, y, f" {title} ", "dim")
