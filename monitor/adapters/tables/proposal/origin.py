"""From where a column's numbers count: a position from the crown downwards or from a zero of its own, a load without the block.

Nothing in such a log says by how much. What is proposed puts it where the rig's file has it, and is named as doubtful: strokes,
stands and speeds hang on it no more than line work does on another zero of the height.
"""

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from monitor.adapters.tables.proposal.quantities import FoundColumn, Sampled
from monitor.config.rig import Rig
from monitor.units import STANDARD_GRAVITY_M_S2, UNITS

_DOWNWARDS: Final = re.compile(
    r"\b(below|beneath|under|from|down from)\s+(the\s+)?(crown|top)\b|\bcrown\s+(distance|clearance)\b"
    r"|\bsous\s+(la\s+)?couronne\b|\b(bajo|desde)\s+(la\s+)?corona\b|\bunter\s+(der\s+)?krone\b|\bот\s+кронблока\b"
)
OUTSIDE: Final = 0.5
"""Share of the positions beyond the mast from which on their zero is another."""
NOTHING: Final = 0.03
"""A load up to this share of the highest is nothing."""
OFTEN: Final = 0.05
"""Share of the readings at nothing that shows a hook whose block is not weighed."""
LITTLE: Final = 0.3
"""Loads up to this share of the highest are looked at: of these nearly all must be nothing."""


def with_origin(found: FoundColumn, column: Sampled, rig: Rig) -> FoundColumn:
    """The column with the sense and the zero that its numbers seem to have."""
    if found.quantity == "block_position":
        return _position(found, column, rig)
    if found.quantity == "hook_load":
        return _load(found, column.numbers, rig)
    return found


def _ends(numbers: Sequence[float]) -> tuple[float, float]:
    ordered = sorted(numbers)
    return ordered[int(0.01 * len(ordered))], ordered[int(0.99 * (len(ordered) - 1))]


def _position(found: FoundColumn, column: Sampled, rig: Rig) -> FoundColumn:
    unit, mast = UNITS[found.unit], rig.mast
    downwards = bool(_DOWNWARDS.search(f"{column.name} {column.words}".casefold()))
    sense = -1 if downwards else 1
    add = round(unit.from_si(mast.crown_m), 2) if downwards else 0.0
    heights = [unit.to_si(sense * number + add) for number in column.numbers]
    low, high = _ends(heights)
    outside = sum(not mast.floor_m - 3.0 <= height <= mast.crown_m + 3.0 for height in heights)
    if outside >= OUTSIDE * len(heights) and high - low <= mast.crown_m - mast.floor_m:
        add = round(add + unit.from_si(rig.limits.lower_m - low), 2)
        words = (
            f"its numbers count from another zero ({column.numbers[0]:g} {unit.name} at first); with {add:g} added the lowest is "
            f"at {rig.name}'s lower limit: put the true one (add)"
        )
    elif downwards:
        words = (
            f"its name says that it falls while the block rises; it is taken off {rig.name}'s crown, {add:g} {unit.name} "
            "(sense, add)"
        )
    else:
        return found
    return replace(found, sense=sense, add=add, doubts=(*found.doubts, f"block position: {words}"))


def _load(found: FoundColumn, numbers: Sequence[float], rig: Rig) -> FoundColumn:
    unit = UNITS[found.unit]
    high = _ends(numbers)[1]
    if high <= 0.0:
        return found
    nothing = sum(abs(number) <= NOTHING * high and number != 0.0 for number in numbers)
    little = sum(abs(number) <= LITTLE * high and number != 0.0 for number in numbers)
    if nothing < OFTEN * len(numbers) or nothing < 0.9 * little:
        return found
    add = round(unit.from_si(rig.block.mass_kg * STANDARD_GRAVITY_M_S2), 1)
    doubt = (
        f"hook load: it is next to nothing in {nothing / len(numbers):.0%} of the readings, so the block is not weighed; "
        f"{rig.name}'s block is added, {add:g} {unit.name}: put the true one (add)"
    )
    return replace(found, add=add, doubts=(*found.doubts, doubt))
