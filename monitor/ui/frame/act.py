"""The word to act on, in big glyphs: what to do in DANGER and WARNING, which way the block goes, and what room is left.

It stands below the banner's first row, on every screen and at every size, and its rows are kept free while nothing is wrong,
so that no figure ever moves for it.

How large: character heights of 20 to 22 minutes of arc are preferred and 16 are the least (ISO 9241-303; NUREG-0700 asks for 16
at the greatest viewing distance, and gives the formula used here: height = 6.283 · distance · minutes / 21600). At four metres
these are 23 and 19 mm. A screen of 24 inches, 16 to 9, is 299 mm high, so that one of H rows needs 20 minutes in 0.078 · H rows:

    rows of the screen     20   24   32   40   60   80
    rows of 20 minutes    1.6  1.9  2.5  3.1  4.7  6.2
    rows of a glyph       2.5  2.5  2.5    5    7    7

The font is coarser than the 5 by 7 dots that ISO 9241-303 asks of running capitals: these are a dozen fixed words.
"""

from typing import Final

from monitor.language import tr
from monitor.model.alarm import AlarmView
from monitor.model.snapshot import Snapshot
from monitor.presentation.format import Units, plain
from monitor.ui.acts import ACTS, Act
from monitor.ui.drawing import digits
from monitor.ui.drawing.canvas import Area
from monitor.ui.drawing.theme import FILL_ROLE, Role
from monitor.ui.queries import heading


def rows_of_glyphs(width: int, height: int) -> int:
    """Rows that the word takes on a screen of that size."""
    return digits.rows_of(_size(width, height))


_WIDEST: Final = "BRAKE FULLY"
"""The widest word that has no shorter one and stands beside a direction and a room."""


def _size(width: int, height: int) -> int:
    if height >= 44 and width >= _needed(3):
        return 3
    return 2 if height >= 33 and width >= _needed(2) else 1


def _needed(size: int) -> int:
    """Columns in which the widest word stands beside arrow, figure and unit."""
    return (
        2 + digits.width_of(tr(_WIDEST), size) + 2 * size + 1 + digits.width_of("▼", size) + _right(False, size, "ft")
    )


def draw_act(area: Area, snap: Snapshot, units: Units, alarm: AlarmView) -> None:
    """The word for `alarm` over all of `area`, with the direction and the room that is left at its right end."""
    act = ACTS.get(alarm.signal, Act(alarm.severity.name))
    way = heading(snap) if act.way is None else act.way
    draw_word(
        area,
        tr(act.word),
        tr(act.short),
        FILL_ROLE[alarm.severity],
        *(_left(snap, units, way) if way else ("", "", "")),
    )


def act_in_words(snap: Snapshot, units: Units, alarm: AlarmView) -> str:
    """What `draw_act` draws, in one row of text."""
    act = ACTS.get(alarm.signal, Act(alarm.severity.name))
    way = heading(snap) if act.way is None else act.way
    return " ".join((tr(act.word), *(part for part in (_left(snap, units, way) if way else ()) if part)))


def draw_word(area: Area, word: str, short: str, role: Role, arrow: str = "", figure: str = "", unit: str = "") -> None:
    """The word at the left, arrow, figure and unit at the right, as large as all of them fit."""
    area.fill(role)
    size = next(size for size in (3, 2, 1) if digits.rows_of(size) <= area.height)
    narrow = area.width < _needed(1)
    if narrow and arrow:
        arrow = "↑" if arrow == "▲" else "↓"
    end = area.width - (0 if narrow else 2)
    if unit:
        end -= len(unit) if narrow else digits.width_of(unit, size)
        if narrow:
            area.put(end, area.height - 1, unit, role)
        else:
            digits.draw(area.part(end, 0, area.width - end, area.height), unit, size, role)
        end -= 1 if narrow else 2 * size
    gap = 1 if narrow else 2 * size
    if figure:
        end -= digits.width_of(figure, size)
        digits.draw(area.part(end, 0, area.width - end, area.height), figure, size, role)
        # The arrow has one place, left of which only a figure below zero reaches.
        end = min(area.width - _right(narrow, size, unit), end - gap)
    left = 1 if narrow else 2
    widths = [digits.width_of(text, size) for text in (word, short) if text]
    if arrow and left + min(widths) + gap + digits.width_of(arrow, size) <= end:
        end -= digits.width_of(arrow, size)
        digits.draw(area.part(end, 0, area.width - end, area.height), arrow, size, role)
    room = end - left - (1 if narrow else 2 * size + 1)
    fitting = next((text for text in (word, short) if text and digits.width_of(text, size) <= room), short or word)
    digits.draw(area.part(left, 0, room, area.height), fitting, size, role)


def _right(narrow: bool, size: int, unit: str) -> int:
    """Columns from the arrow's end to the right edge: the same whatever the figure."""
    widest = digits.width_of("0.0", size)
    if narrow:
        return len(unit) + 1 + widest + 1
    return 2 + digits.width_of(unit, size) + 2 * size + widest + 2 * size


def _left(snap: Snapshot, units: Units, way: int) -> tuple[str, str, str]:
    """The arrow of the direction, and figure and unit of the room that is left there."""
    arrow = "▲" if way > 0 else "▼"
    room = snap.value("room_up" if way > 0 else "room_down")
    if not room.known or room.word:
        return arrow, "", ""
    shown = units.shown("length")
    number = shown.number(room.number)
    return arrow, plain(number, 1 if -9.95 < number < 9.95 else 0), shown.label
