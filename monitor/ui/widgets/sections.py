"""Titled groups of label and value, flowed into as many columns as the width allows; scrolled where the height is
short."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import nan

from rich.cells import cell_len

from monitor.ui.canvas import Area, words_that_fit
from monitor.ui.theme import Role
from monitor.ui.widgets import bars

LABEL = 17


@dataclass(frozen=True, slots=True)
class Item:
    """One row. `choices` are ways to say the same value, longest first; `share` fills a bar (NaN: no bar)."""

    label: str
    choices: tuple[str, ...]
    role: Role = "base"
    share: float = nan
    mark: float | None = None
    free: bool = False
    """Words from elsewhere and not a figure: may be shortened."""


@dataclass(frozen=True, slots=True)
class Section:
    """A title and its rows."""

    title: str
    items: tuple[Item, ...] = field(default=())


Line = tuple[str, Item | None]


def _flow(sections: Sequence[Section], columns: int) -> list[list[Line]]:
    """Sections in order, whole ones, into columns of about the same length."""
    blocks: list[list[Line]] = []
    for section in sections:
        if section.items:
            blocks.append([(section.title, None), *((item.label, item) for item in section.items), ("", None)])
    total = sum(len(block) for block in blocks)
    flowed: list[list[Line]] = [[] for _ in range(columns)]
    done = 0
    for block in blocks:
        # A block goes where its middle falls, so that the columns end about level.
        column = min(columns - 1, int((done + len(block) / 2) * columns / max(1, total)))
        flowed[column] += block
        done += len(block)
    return flowed


def draw(area: Area, sections: Sequence[Section], chosen: str) -> tuple[str, ...]:
    """Draw them; returns the scroll positions (ids "0", "1", ...) when not all rows fit."""
    columns = 1 if area.width < 58 else 2 if area.width < 150 else 3
    flowed = _flow(sections, columns)
    longest = max((len(column) - 1 for column in flowed if column), default=0)
    hidden = max(0, longest - area.height)
    offset = min(hidden, int(chosen) if chosen.isdecimal() else 0)
    width = area.width // columns
    for index, column in enumerate(flowed):
        part = area.part(index * width + 1, 0, width - 3, area.height)
        for y, line in enumerate(column[offset : offset + area.height]):
            _line(part, y, line)
    if hidden:
        more = "↑↓ more" if 0 < offset < hidden else "↓ more" if offset < hidden else "↑ more"
        area.put(area.width - len(more) - 1, area.height - 1, more, "notice")
        return tuple(str(position) for position in range(hidden + 1))
    return ()


def _line(area: Area, y: int, line: Line) -> None:
    label, item = line
    if item is None:
        if label:
            area.put(0, y, label, "dim")
            area.put(len(label) + 1, y, "─" * (area.width - len(label) - 1), "frame")
        return
    start = LABEL if area.width >= 34 else 13
    area.say(0, y, label, "base", start - 1)
    if item.free:
        area.put(start, y, _shortened(item.choices, area.width - start), item.role)
        return
    end = area.best(start, y, item.choices, item.role)
    if item.share == item.share and area.width - start >= 26:
        bar = min(24, area.width - start - 16)
        x = max(end + 1, area.width - bar)
        if area.width - x >= 6:
            role: Role = item.role if item.role in ("warning", "danger", "caution") else "bar"
            bars.level(area, x, y, area.width - x, item.share, role, item.mark)


def _shortened(texts: tuple[str, ...], width: int) -> str:
    """The first of `texts` that fits; else whole words of the first; else its end, which is what tells paths apart."""
    for text in texts:
        if cell_len(text) <= width:
            return text
    words = words_that_fit(texts[0], width)
    return words if words != "…" else "…" + texts[0][-(width - 1) :] if texts[0].isascii() else words


def choices(text: str) -> tuple[str, ...]:
    """A value in words and figures, and its shorter forms: without its unit, then the bare figure."""
    head = text.partition(" ")[0]
    return (text, head) if cell_len(head) < cell_len(text) and any(char.isdigit() for char in head) else (text,)
