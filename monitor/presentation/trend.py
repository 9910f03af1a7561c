"""Which way a signal has gone, in a word."""

import math
from collections.abc import Sequence
from statistics import median
from typing import Final

SHARE: Final = 0.02
"""Of the signal's own size: less is no change."""
LEAST_POINTS: Final = 9


def trend(numbers: Sequence[float], least: float = 0.0) -> str:
    """The way of `numbers`, oldest first, NaN where not known: "rising", "falling", "steady", "varies" (it swings, as the rig
    is worked), or "no trend yet". Medians of the first and the last third are compared, so that no single reading tells; a
    change must exceed `least`, a fiftieth of the signal's size, and the scatter within the thirds."""
    known = [x for x in numbers if not math.isnan(x)]
    if len(known) < LEAST_POINTS or len(known) < len(numbers) / 3:
        return "no trend yet"
    third = len(known) // 3
    parts = known[:third], known[-third:]
    before, after = (median(part) for part in parts)
    scatter = max(median(abs(x - median(part)) for x in part) for part in parts)
    change = after - before
    floor = max(least, SHARE * max(abs(before), abs(after)))
    if abs(change) > max(floor, 3.0 * scatter):
        return "rising" if change > 0 else "falling"
    return "steady" if max(known) - min(known) <= max(2.0 * floor, 6.0 * scatter) else "varies"
