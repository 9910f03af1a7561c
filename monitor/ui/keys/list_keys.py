"""The keys of every list: search, filter, order, and back to all of it. The same on each screen that has one."""

from dataclasses import replace
from typing import Final

from monitor.language import tr
from monitor.ui.keys.key import Key, ScreenContext

LONGEST_SEARCH: Final = 40


def _search(context: ScreenContext) -> None:
    def take(text: str) -> None:
        context.set_screen_state(replace(context.screen_state(), search=text, chosen=""))

    explain = tr("Words that a row must have, or a time 02:10-02:25 (UTC). esc ends the search.")
    context.ask(tr("Search"), explain, r".*", LONGEST_SEARCH, take)


def _filter(context: ScreenContext) -> None:
    context.set_screen_state(replace(context.screen_state(), least=context.screen_state().least + 1))


def _sort(context: ScreenContext) -> None:
    context.set_screen_state(replace(context.screen_state(), column=context.screen_state().column + 1))


def _all(context: ScreenContext) -> None:
    context.set_screen_state(replace(context.screen_state(), search="", least=0, column=0))


SEARCH: Final = Key("slash", _search, "find", "search this list by words (sensor, state) or time 02:10-02:25", cap="/")
FILTER: Final = Key(
    "f", _filter, "filter", "at least CAUTION, WARNING, DANGER, or all; a DANGER not ack. always stays", late=True
)
SORT: Final = Key("b", _sort, "sort by", "sort this list by its next column, at last as it was", late=True)
EVERYTHING: Final = Key("escape", _all, "all", "end search, filter and sorting", footer=False, cap="esc")
LIST_KEYS: Final = (SEARCH, FILTER, SORT, EVERYTHING)
SECTION_KEYS: Final = (SEARCH, FILTER, EVERYTHING)
"""Where the rows stand in sections, whose order says something."""
