"""Titled groups of label and value, flowed into as many columns as the width allows; scrolled where the height is
short."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import nan

from rich.cells import cell_len

from monitor.language import tr
from monitor.ui.drawing.canvas import Area, words_that_fit
from monitor.ui.drawing.theme import SEVERITY_OF, Role
from monitor.ui.view import ScreenState
from monitor.ui.widgets import bars, listing

LABEL = 17
MOST_ROWS = 6
"""Of one item."""


@dataclass(frozen=True, slots=True)
class Item:
    """One row. `choices` are ways to say the same value, longest first; `share` fills a bar (NaN: no bar)."""

    label: str
    choices: tuple[str, ...]
    role: Role = "base"
    share: float = nan
    mark: float | None = None
    free: bool = False
    """Words from elsewhere and not a figure: may go on in further rows."""
    id: str = ""
    """Where there is one the cursor can stand on the row."""


@dataclass(frozen=True, slots=True)
class Section:
    """A title and its rows."""

    title: str
    items: tuple[Item, ...] = field(default=())


Line = tuple[str, Item | None]


def _rows(item: Item, width: int) -> list[Line]:
    """An item as lines of `width` cells: words that do not fit go on below."""
    room = width - _start(width)
    if not item.free or any(cell_len(text) <= room for text in item.choices):
        return [(item.label, item)]
    first, *more = folded(item.choices[0], max(1, room), MOST_ROWS)
    rows: list[Line] = [(item.label, replace(item, choices=(first,)))]
    rows += [("", replace(item, choices=(line,))) for line in more]
    return rows


def _start(width: int) -> int:
    """Column of the values."""
    return LABEL if width >= 34 else 15


def folded(text: str, width: int, rows: int) -> list[str]:
    """`text` in at most `rows` lines: whole words, and what is longer than a line (a path) broken where the line ends. The
    last one ends in "…" when not all of it fits."""
    lines = [""]
    for word in text.split():
        piece = word
        if lines[-1] and cell_len(f"{lines[-1]} {piece}") <= width:
            lines[-1] += f" {piece}"
            continue
        while cell_len(piece) > width:
            cut = max(1, next(end for end in range(len(piece), -1, -1) if cell_len(piece[:end]) <= width))
            lines.append(piece[:cut])
            piece = piece[cut:]
        lines.append(piece)
    lines = [line for line in lines if line] or [""]
    if len(lines) > rows:
        lines = [*lines[: rows - 1], words_that_fit(f"{lines[rows - 1]} {lines[rows]}", width)]
    return lines


def _flow(sections: Sequence[Section], columns: int, width: int) -> list[list[Line]]:
    """Sections in order, whole ones, into columns of about the same length."""
    blocks: list[list[Line]] = []
    for section in sections:
        if section.items:
            rows = [row for item in section.items for row in _rows(item, width)]
            blocks.append([(section.title, None), *rows, ("", None)])
    filled = max(1, min(columns, len(blocks)))
    total = sum(len(block) for block in blocks)
    flowed: list[list[Line]] = [[] for _ in range(columns)]
    done = 0
    for block in blocks:
        # A block goes where its middle falls, so that the columns end about level.
        column = min(filled - 1, int((done + len(block) / 2) * filled / max(1, total)))
        flowed[column] += block
        done += len(block)
    return flowed


def draw(area: Area, sections: Sequence[Section], chosen: str, columns: int = 0) -> tuple[str, ...]:
    """Draw them, whole sections to a page, in so many `columns` (0: as many as fit the width). Returns the rows a cursor can
    stand on, which turns the page; where there are none, the pages (ids "0", "1", ...) when not all fit on one."""
    rows = tuple(item.id for section in sections for item in section.items if item.id)
    columns = columns or (1 if area.width < 58 else 2 if area.width < 150 else 3)
    width = area.width // columns
    pages = [_flow(sections, columns, width - 3)]
    if any(len(column) - 1 > area.height for column in pages[0]):
        # The last row then tells that there is more.
        pages = _pages(sections, columns, width - 3, max(1, area.height - 1))
    if rows:
        page = next((number for number, page in enumerate(pages) if chosen in _ids(page)), 0)
    else:
        page = min(len(pages) - 1, int(chosen) if chosen.isdecimal() else 0)
    for index, column in enumerate(pages[page]):
        part = area.part(index * width + 1, 0, width - 3, area.height)
        for y, line in enumerate(column):
            _line(part, y, line)
            item = line[1]
            if item is not None and item.id:
                part.spot(y, item.id)
                if item.id == chosen:
                    area.put(index * width, y, "›", "strong")
                    room = _start(part.width) - 1
                    part.put(0, y, " " * room, "select")
                    part.say(0, y, line[0], "select", room)
    if len(pages) == 1:
        return rows
    more = tr("↑↓ more") if 0 < page < len(pages) - 1 else tr("↑ more") if page else tr("↓ more")
    words = tr("page {page} of {pages}  {more}", page=page + 1, pages=len(pages), more=more)
    area.put(area.width - len(words) - 1, area.height - 1, words, "notice")
    return rows or tuple(str(number) for number in range(len(pages)))


def _ids(page: Sequence[Sequence[Line]]) -> set[str]:
    return {item.id for column in page for _, item in column if item is not None and item.id}


def searched(area: Area, sections: Sequence[Section], state: ScreenState, columns: int = 0) -> tuple[str, ...]:
    """As `draw`, of the rows that the search and the filter leave."""
    area, kept = sift(area, sections, state)
    pages = draw(area, kept, state.chosen, columns)
    area.canvas.texts.update((page, area.canvas.texts[""]) for page in pages)
    return pages


def sift(area: Area, sections: Sequence[Section], state: ScreenState) -> tuple[Area, list[Section]]:
    """Say on top what is searched; returns the area left and the sections with the rows that the search and the filter leave. A
    section's title counts as a word of each of its rows. Copied is the row with an id, else all that is left."""
    rows = {
        (place, number): _entry(f"{place} {number}", section, item)
        for place, section in enumerate(sections)
        for number, item in enumerate(section.items)
    }
    found = listing.arranged(list(rows.values()), state)
    left = frozenset(found.ids)
    kept = []
    for place, section in enumerate(sections):
        items = [item for number, item in enumerate(section.items) if rows[place, number].id in left]
        kept.append(Section(section.title, tuple(items)))
        texts = {item.id: rows[place, number].words for number, item in enumerate(section.items) if item.id}
        area.canvas.texts.update(texts)
    area.canvas.texts[""] = "\n".join(row.words for row in rows.values() if row.id in left)
    return listing.head(area, found), kept


def _entry(id: str, section: Section, item: Item) -> listing.Row:
    danger = item.role == "danger"
    words = f"{section.title}: {item.label.strip()} {item.choices[0]}".strip()
    return listing.Row(id, words, SEVERITY_OF.get(item.role), kept=danger)


def _pages(sections: Sequence[Section], columns: int, width: int, height: int) -> list[list[list[Line]]]:
    """Sections in order into columns of at most `height` rows, and those into pages. A section taller than that goes on in the
    next column; its title with it."""
    filled: list[list[Line]] = [[]]
    for section in sections:
        rows = [row for item in section.items for row in _rows(item, width)]
        while rows:
            room = height - len(filled[-1])
            if filled[-1] and room < min(1 + len(rows), height):
                filled.append([])
                room = height
            filled[-1] += [(section.title, None), *rows[: max(1, room - 1)], ("", None)]
            rows = rows[max(1, room - 1) :]
    return [filled[start : start + columns] for start in range(0, len(filled), columns)]


def _line(area: Area, y: int, line: Line) -> None:
    label, item = line
    if item is None:
        if label:
            area.put(0, y, label, "dim")
            area.put(len(label) + 1, y, "─" * (area.width - len(label) - 1), "frame")
        return
    start = _start(area.width)
    area.say(0, y, label, "base", start - 1)
    if item.free:
        fitting = (text for text in item.choices if cell_len(text) <= area.width - start)
        area.put(start, y, next(fitting, words_that_fit(item.choices[0], area.width - start)), item.role)
        return
    end = area.best(start, y, item.choices, item.role)
    if item.share == item.share and area.width - start >= 26:
        bar = min(24, area.width - start - 16)
        x = max(end + 1, area.width - bar)
        if area.width - x >= 6:
            bars.level(area, x, y, area.width - x, item.share, bars.role_beside(item.role), item.mark)
