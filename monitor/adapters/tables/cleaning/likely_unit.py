"""Whether a column can be in the unit that the map gives it, and which unit it is likelier to be in.

Kilonewtons read as newtons are no load at all, feet read as metres a block above its crown. A column of which hardly a cell is
a reading in its unit, while in another unit nearly all would be, is in that other unit.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from monitor.units import UNITS, Unit

LEAST_CELLS: Final = 200
"""So many numbers at least must be there to judge by."""
HARDLY: Final = 0.5
"""Share in range below which the unit is wrong, or the range is."""
NEARLY_ALL: Final = 0.95
USED: Final = 0.1
"""Share of its range that a column in the right unit uses at least: millimetres fit any mast."""


@dataclass(frozen=True, slots=True)
class Believable:
    """What a column's readings must do, SI: lie from `low` to `high`; and one in 20 of them reach `reached` at least."""

    low: float
    high: float
    reached: float

    def look(self, numbers: Sequence[float], unit: Unit) -> tuple[float, float]:
        """If the numbers are in `unit`: the share of them that are readings, and what one in 20 of these reaches."""
        inside = sorted(si for si in map(unit.to_si, numbers) if self.low <= si <= self.high)
        return len(inside) / len(numbers), inside[int(0.95 * len(inside))] if inside else -math.inf


def wrong_unit(numbers: Sequence[float], unit: str, believable: Believable) -> str | None:
    """What to say of a column of `numbers` that is said to be in `unit`; None where it can be.

    Numbers that are in range and reach nothing may be those of a rig at rest: they are wrong only if another unit fits.
    """
    if len(numbers) < LEAST_CELLS:
        return None
    given = UNITS[unit]
    share, top = believable.look(numbers, given)
    if share >= HARDLY and top >= believable.reached:
        return None
    others = [
        (*believable.look(numbers, other), other.name)
        for other in UNITS.values()
        if other.dimension == given.dimension and other.name != unit
    ]
    least = max(believable.reached, USED * believable.high)
    fits = [(top, name) for share, top, name in others if share >= NEARLY_ALL and top >= least]
    if share >= HARDLY and not fits:
        return None
    ordered = sorted(numbers)
    low, high = ordered[int(0.01 * len(ordered))], ordered[int(0.99 * len(ordered))]
    words = f"its cells lie from {low:g} to {high:g}, which in {unit} this rig cannot show"
    if fits:
        return f"{words}; in {' or '.join(name for _, name in sorted(fits, reverse=True)[:3])} it can: mend unit"
    return f"{words}, nor in any other unit: look at column, quantity, unit and range"
