"""Search, filter and order of a list: one way for every list, with words for what is not shown.

A screen makes a `Row` of each entry, has them `arranged` by its state, draws `head` on top and then what is left. An
unacknowledged DANGER, and one that stands, is always among the rows shown, and first.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from monitor.language import tr
from monitor.model.alarm import Severity
from monitor.presentation.format import clock, signal_word
from monitor.ui.drawing.canvas import Area, first_that_fits, printable
from monitor.ui.view import ScreenState

LEAST: Final = (None, Severity.CAUTION, Severity.WARNING, Severity.DANGER)
"""Steps of the filter: everything, then what is at least that bad."""


@dataclass(frozen=True, slots=True)
class Row:
    """One entry of a list, as it is searched, ordered and copied."""

    id: str
    words: str
    """All that is known of it: what is searched, and copied as text."""
    severity: Severity | None = None
    """None where nothing is wrong with it."""
    order: tuple[str | float, ...] = ()
    """What each column of `arranged` is ordered by; of one kind for all rows of a column."""
    t_ns: int | None = None
    """When it came, for a search by time of day."""
    kept: bool = False
    """Never filtered away."""


@dataclass(frozen=True, slots=True)
class Arranged:
    """What is left of a list, in its order."""

    ids: tuple[str, ...]
    total: int
    words: tuple[str, ...]
    """What is searched, filtered and ordered by, ways to say it, longest first; empty where nothing is."""


def arranged(rows: Sequence[Row], state: ScreenState, columns: Sequence[str] = ()) -> Arranged:
    """`rows` searched, filtered and ordered as `state` asks for; `columns` name what `Row.order` holds."""
    least = LEAST[state.least % len(LEAST)]
    terms = state.search.casefold().split()
    found = [
        row for row in rows if row.kept or (_bad_enough(row, least) and all(_matches(row, term) for term in terms))
    ]
    column = state.column % (len(columns) + 1)
    if column:
        # Stable: within equals the list's own order stays. What is never filtered away stays on top.
        found.sort(key=lambda row: (not row.kept, row.order[column - 1]))
    ids = tuple(row.id for row in found)
    if not (terms or least is not None or column):
        return Arranged(ids, len(rows), ())
    by = [tr('search "{search}"', search=printable(state.search))] if terms else []
    by += (
        [
            tr("{severity} and worse", severity=signal_word(least))
            if least is not Severity.DANGER
            else signal_word(least)
        ]
        if least is not None
        else []
    )
    count = tr("{ids} of {rows} shown", ids=len(ids), rows=len(rows))
    order = tr("by {columns}", columns=tr(columns[column - 1])) if column else ""
    always = tr("DANGER always") if (terms or least is not None) and any(row.kept for row in rows) else ""
    asked = ", ".join(
        word for word, on in ((tr("search"), terms), (tr("filter"), least is not None), (tr("sorted"), column)) if on
    )
    wordings = (
        [count, *by, order, always, tr("esc ends it")],
        [count, *by, order, always],
        [count, asked, always],
        [count],
    )
    return Arranged(ids, len(rows), tuple(" · ".join(part for part in parts if part) for parts in wordings))


def head(area: Area, found: Arranged) -> Area:
    """Say on the first row what is not shown, where there is a search, filter or order; returns the rest."""
    if not found.words:
        return area
    area.put(1, 0, first_that_fits(found.words, area.width - 2), "notice")
    rest = area.part(0, 1, area.width, area.height - 1)
    if not found.ids:
        rest.say(2, 1, tr("Nothing fits. esc shows everything again."), "base")
    return rest


def first_row(chosen: int, count: int, rows: int, below: int = 0) -> int:
    """The first of `count` entries to show in so many rows, so that the chosen one is seen and, if there is room, `below` after
    it."""
    return min(max(0, chosen - rows + 1 + min(below, rows - 1)), max(0, count - rows))


def texts(area: Area, rows: Sequence[Row]) -> None:
    """Have the canvas know what each row says, for whoever copies one."""
    area.canvas.texts.update((row.id, row.words) for row in rows)


def _bad_enough(row: Row, least: Severity | None) -> bool:
    return least is None or (row.severity is not None and row.severity >= least)


def _matches(row: Row, term: str) -> bool:
    """Whether a row has the word, or came within the times of day (UTC) "HH:MM-HH:MM"; the last minute counts whole."""
    start, dash, end = term.partition("-")
    if dash and _is_time(start) and _is_time(end):
        if row.t_ns is None:
            return False
        at = clock(row.t_ns)
        # Over midnight the later time of day is the smaller one.
        after, before = at >= start, at[: len(end)] <= end
        return (after and before) if start <= end else (after or before)
    return term in row.words.casefold()


def _is_time(text: str) -> bool:
    parts = text.split(":")
    return 2 <= len(parts) <= 3 and all(len(part) == 2 and part.isdecimal() for part in parts)
