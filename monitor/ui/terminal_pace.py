"""How far a terminal is behind, and when to paint on it. Pure: it is given the time.

What is written goes into buffers (of the system, of a network connection) that nobody can look into; a slow line would show
a picture of minutes ago as that of now. So the terminal is asked, behind a picture, where its cursor is, which it answers when
it has taken all before that. Few pictures are under way at a time, and while the answers are late only one.

The question moves the cursor to a place of its own, which the answer names: answers that get lost mix nothing up. A terminal
that has never answered is painted on as if it were quick.
"""

from typing import Final

UNDER_WAY: Final = 3
"""Pictures that may wait for their answer while the answers are in time: with 0.7 s there and back, over a satellite, four a
second are painted."""
LATE_S: Final = 1.0
"""An answer later than this is late, s."""
ASK_AGAIN_S: Final = 3.0
"""How long an answer is waited for before it is asked again, doubled each time: an answer may have been lost."""
HELD_S: Final = 60.0
"""After so long without an answer there is another picture: it says how old all before it is."""
_ROW: Final = 2
"""In the first row the answer would be the code of a function key."""
_PLACES: Final = range(2, 20)


def question(place: int) -> str:
    """What asks: keep the cursor, move it, ask where it is (DSR 6 of ECMA-48), put it back."""
    return f"\x1b7\x1b[{_ROW};{place}H\x1b[6n\x1b8"


class TerminalPace:
    """The questions that wait for an answer, and what the last one told."""

    def __init__(self) -> None:
        self._asked_s: dict[int, float] = {}
        """When each was asked, by its place, oldest first."""
        self._behind: set[int] = set()
        """Those that were asked right behind a picture: they alone tell how long one takes."""
        self._place = _PLACES[0]
        self._last_s = self._picture_s = float("-inf")
        self._again_after_s = ASK_AGAIN_S
        self._took_s: float | None = None
        """How long the last picture took to its answer; None before the first answer."""

    def ask(self, now_s: float, picture: bool = True) -> str:
        """What to write behind a picture, or to ask again; empty where the terminal needs no question now."""
        if picture:
            self._picture_s = now_s
        elif not self._full:
            return ""
        if self._full:
            if now_s - self._last_s < self._again_after_s:
                return ""
            self._again_after_s = min(2 * self._again_after_s, HELD_S)
        place, self._last_s = self._place, now_s
        self._place = place + 1 if place + 1 in _PLACES else _PLACES[0]
        self._asked_s.pop(place, None)
        self._asked_s[place] = now_s
        (self._behind.add if picture else self._behind.discard)(place)
        return question(place)

    def answer(self, row: int, column: int, now_s: float) -> bool:
        """Take where the cursor is said to be (rows and columns from 1). False where that answers nothing."""
        if row != _ROW or column not in self._asked_s:
            return False
        place = 0
        while place != column:  # what was asked before is settled, too
            place = next(iter(self._asked_s))
            asked_s = self._asked_s.pop(place)
            if place in self._behind or self._took_s is None:
                self._took_s = now_s - asked_s
        self._again_after_s = ASK_AGAIN_S
        return True

    def may_paint(self, now_s: float) -> bool:
        """Whether another picture would be seen soon."""
        return self._took_s is None or not self._full or now_s - self._picture_s >= HELD_S

    def late_s(self, now_s: float) -> float:
        """How old a picture is when the terminal has taken it, s, as far as that is known; 0 where it keeps up."""
        if self._took_s is None:
            return 0.0
        late_s = max(self._took_s, now_s - min(self._asked_s.values(), default=now_s))
        return late_s if late_s > LATE_S else 0.0

    @property
    def _full(self) -> bool:
        slow = self._took_s is not None and self._took_s > LATE_S
        return len(self._asked_s) >= (1 if slow else UNDER_WAY)
