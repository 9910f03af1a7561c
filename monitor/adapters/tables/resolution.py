"""How finely a column of a log is written: the least step between two of its readings."""

import math
from collections.abc import Iterable
from itertools import pairwise
from typing import Final

MOST_DECIMALS: Final = 9
LARGEST: Final = 1e12
"""A larger step is no resolution, but readings of which nothing is in common."""
ENOUGH: Final = 20
"""With so many different readings the least step between two of them is the column's own step."""


def resolution_of(words: Iterable[str]) -> float:
    """The least step of readings that are written as `words`, with a point; 0 where it cannot be told.

    It is one unit of the last decimal that is ever used, or the least distance of two different readings where there are many
    (a recorder may write 10.25 and 10.50 and nothing between).
    """
    decimals = 0
    readings = set()
    for word in words:
        try:
            reading = float(word)
        except ValueError:
            continue
        if not math.isfinite(reading):
            continue
        readings.add(round(reading, MOST_DECIMALS))  # a converted unit leaves a remainder far behind the point
        mantissa, _, power = word.lower().partition("e")
        decimals = MOST_DECIMALS + 1 if power else max(decimals, len(mantissa.partition(".")[2].rstrip("0")))
    if not readings:
        return 0.0
    least = 0.0 if decimals > MOST_DECIMALS else 10.0**-decimals
    if len(readings) >= ENOUGH:
        least = max(least, min(later - one for one, later in pairwise(sorted(readings))))
    return least if least < LARGEST else 0.0
