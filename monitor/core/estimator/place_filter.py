"""What the counts may have missed since the datum, as connections show it: one offset, and the places it is seen at.

Theory of operation. The counts' height is the block's plus an offset that wanders with the way. At a connection it is the place's
height plus that offset plus the hand's scatter; neither is known, both are found together (a Kalman filter of the offset and all
places; simultaneous localisation and mapping in one dimension). So a connection that agrees takes from the doubt only what its
own scatter allows, and what was missed before a place was first passed stays in doubt: a place cannot show it. An offset that the
connections point at is not put on the height, for a hand may have changed just as well; it widens the bound. Derived here.
"""

import math
from collections.abc import Mapping
from typing import Any, Final

from monitor.core.saved_state import numbers
from monitor.model.reading import Z99

ONE_SIDED_Z99: Final = 2.326
"""99 % of a normal distribution on one side."""
MOST_M: Final = 1e3


def bound_about_m(offset_m: float, sigma_m: float) -> float:
    """Half-width about nought that holds 99 % of a normal distribution about `offset_m`, within 3 % of itself."""
    return max(Z99 * sigma_m, abs(offset_m) + ONE_SIDED_Z99 * sigma_m)


class PlaceFilter:
    """The offset, m (first), and each place's height, m, with their covariance, m2. Places go by their order of beginning."""

    __slots__ = ("_grown_m", "_p", "_x")

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """A new datum: no offset, no places."""
        self._x = [0.0]
        self._p = [[0.0]]
        self._grown_m = 0.0
        """99 % half-width of what came on since the last connection that agreed, as far as the covariance has it."""

    @property
    def offset_m(self) -> float:
        """How much too high the counts put the block by what connections show."""
        return self._x[0]

    @property
    def sigma_m(self) -> float:
        """Standard deviation of that."""
        return math.sqrt(self._p[0][0])

    def know(self) -> None:
        """The height is known from elsewhere: no offset any more. What is known of the places stays."""
        self._x[0] = self._grown_m = 0.0
        for row in self._p:
            row[0] = 0.0
        self._p[0] = [0.0] * len(self._p)

    def grow_to(self, grown_m: float) -> None:
        """Since the last connection that agreed, counts may have missed so much (99 %). That goes one way, not at random."""
        if grown_m > self._grown_m:
            self._p[0][0] += (grown_m**2 - self._grown_m**2) / Z99**2
            self._grown_m = grown_m

    def begin(self, height_m: float, variance_m2: float) -> None:
        """A new place, the last in order, that the counts put at `height_m`; with the scatter of the hand, m2."""
        row = [-covariance for covariance in self._p[0]]
        for known, new in zip(self._p, row, strict=True):
            known.append(new)
        self._p.append([*row, self._p[0][0] + variance_m2])
        self._x.append(height_m - self._x[0])

    def drop(self, place: int) -> None:
        """A place is forgotten; those after it move up."""
        del self._x[place + 1], self._p[place + 1]
        for row in self._p:
            del row[place + 1]

    def agree(self, place: int, height_m: float, variance_m2: float) -> None:
        """A connection at a place, as the counts have it, that is neither a doubt nor another hand's."""
        seen = [row[0] + row[place + 1] for row in self._p]
        total = seen[0] + seen[place + 1] + variance_m2
        innovation = height_m - self._x[place + 1] - self._x[0]
        self._x = [x + s * innovation / total for x, s in zip(self._x, seen, strict=True)]
        self._p = [
            [p - a * b / total for p, b in zip(row, seen, strict=True)] for row, a in zip(self._p, seen, strict=True)
        ]
        self._p[0][0] = max(0.0, self._p[0][0])
        self._grown_m = 0.0

    def state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values."""
        return {"x": list(self._x), "p": [p for row in self._p for p in row], "grown_m": self._grown_m}

    def restore(self, saved: Mapping[str, Any], places: int) -> None:
        """Take up what `state` gave with so many places.

        Raises:
            ValueError: it is not such a state; nothing is taken up then.
        """
        n = places + 1
        x, flat = numbers(saved, "x", n), numbers(saved, "p", n * n)
        (grown,) = numbers({"grown_m": [saved.get("grown_m")]}, "grown_m", 1)
        rows = [list(flat[n * i : n * i + n]) for i in range(n)]
        wrong = max(abs(value) for value in (*x, *flat, grown)) > MOST_M or grown < 0.0
        # A covariance: the same both ways, no variance below zero, no correlation beyond one.
        for i in range(n):
            for j in range(i + 1):
                wrong = wrong or abs(rows[i][j] - rows[j][i]) > 1e-9 or rows[i][i] < 0.0
                wrong = wrong or rows[i][j] ** 2 > rows[i][i] * rows[j][j] * (1.0 + 1e-6) + 1e-12
        if wrong:
            raise ValueError("places: no covariance")
        self._x, self._p, self._grown_m = list(x), rows, grown
