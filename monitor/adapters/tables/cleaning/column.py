"""One column of a field log: its cells in order, each settled as a reading or as dropped with the reason.

What a cell says by itself (missing, no number, out of range) is settled at once; what only those around it say (`position`,
`load`) a few rows later. Of a column that is filled forward a repeat is a reading only when the next one is overdue.
"""

import math
from dataclasses import dataclass
from typing import Final, Protocol

from monitor.adapters.tables.cleaning.cell import FILLED, OPEN, Cell
from monitor.adapters.tables.cleaning.likely_unit import Believable
from monitor.adapters.tables.cleaning.load import LoadChanges, LoadCheck, Ways
from monitor.adapters.tables.cleaning.position import PositionCheck, Reach, fastest
from monitor.adapters.tables.field_map import LogColumn, LogMap
from monitor.adapters.tables.numbers import number_in
from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from monitor.units import STANDARD_GRAVITY_M_S2, UNITS

CHANGE_M_S2: Final = 1.5
"""No hoist changes its speed faster from second to second than hard braking does (common practice, no source)."""
FASTEST_M_S: Final = 2.5
"""Blocks of other rigs than the one in the map's file go this fast (common practice, no source)."""
OUTSIDE_MAST_M: Final = 1.0
LEAST_HEIGHT_M: Final = 0.5
"""A block that never comes higher than this is one whose metres were read as a smaller unit."""
LOAD_STEP: Final = 0.25
"""Share of the block's weight by which a load that is taken up or set down changes at least."""
SAMPLE: Final = 4000
"""Numbers kept to judge the unit by."""


class Check(Protocol):
    """Settles cells by those around them."""

    def take(self, cell: Cell) -> None:
        """The next cell that may be a reading, open."""

    def finish(self) -> None:
        """Nothing comes any more: settle all."""


@dataclass(frozen=True, slots=True)
class Habits:
    """What the first rows of a log show of a column."""

    loads: LoadChanges
    """Shared by the columns of a log: the load's writes it, the position's looks at it."""
    ways: Ways
    """Shared as well: the position's writes it, the load's looks at it."""
    row_s: float
    """From one row to the next."""
    reading_s: float
    """From one reading to the next: more where the rows between repeat it."""
    usual_m_s: float = math.inf
    """The fastest that the block goes in them; infinite where they do not tell."""
    rare_repeats: int = 0
    """So often in a row a position seldom repeats itself at rest."""

    @property
    def filled(self) -> bool:
        """Whether rows repeat readings."""
        return self.reading_s > self.row_s


class NumberWords:
    """Numbers as the log writes them."""

    def __init__(self, mapping: LogMap) -> None:
        self._missing = frozenset(word.strip() for word in mapping.missing)
        self._comma = mapping.decimal == ","

    def number(self, word: str) -> tuple[float, str]:
        """The number in `word`, or NaN and why there is none."""
        word = word.strip()
        if not word:
            return math.nan, "missing"
        if word in self._missing:
            return math.nan, f"marked missing ({word[:12]})"
        try:
            number = number_in(word, self._comma)
        except ValueError:
            return math.nan, "not a number"
        return (number, "") if math.isfinite(number) else (math.nan, "not a finite number")


def converted(column: LogColumn, number: float) -> float:
    """A number of the log as the map counts: its sense turned, its zero moved. Counts of an encoder stay what they are."""
    if column.quantity == "drum_counts":
        return number
    return number + column.add if column.sense == 1 else column.add - number


class ColumnCleaner:
    """Accepts or refuses the cells of one column. `sensor` is what the column is in `rig`."""

    def __init__(self, column: LogColumn, mapping: LogMap, sensor: Sensor, rig: Rig, habits: Habits) -> None:
        self._column = column
        self._words = NumberWords(mapping)
        self._zero = converted(column, 0.0)
        self._converts = column.add != 0.0 or column.sense != 1
        self._low, self._high = sensor.range
        self._unit = unit = UNITS[column.unit]
        self._mast = (-math.inf, math.inf)
        if column.quantity == "block_position":
            ends = rig.mast.floor_m - OUTSIDE_MAST_M, rig.mast.crown_m + OUTSIDE_MAST_M
            self._mast = (unit.from_si(ends[0]), unit.from_si(ends[1]))
        self._filled_ns = round((habits.reading_s + 0.5 * habits.row_s) * 1e9) if habits.filled else 0
        self._kept: tuple[int, float] = (0, math.nan)
        self._check = _check_of(column, sensor, rig, habits)
        self._ways = habits.ways if column.quantity == "block_position" else None
        self.believable = _believable(column, sensor, rig)
        self.sample: list[float] = []
        """Some of the numbers in its cells, in range or not."""
        self._step = self._count = 1

    def take(self, t_ns: int, word: str) -> Cell:
        """The next cell; open while it hangs on those after it."""
        number, reason = self._words.number(word)
        if not reason:
            if self._converts:
                number = round(converted(self._column, number), 9)
            self._count -= 1
            if not self._count:
                self._count = self._step
                self.sample.append(number)
                if len(self.sample) == SAMPLE:
                    del self.sample[::2]
                    self._step *= 2
            reason = self._objection(number)
        if reason:
            return Cell(t_ns, number, math.nan, reason)
        if self._filled_ns:
            then, before = self._kept
            if number == before and t_ns - then < self._filled_ns:
                return Cell(t_ns, number, math.nan, FILLED)
            self._kept = t_ns, number
        if self._check is None:
            return Cell(t_ns, number, number)
        cell = Cell(t_ns, number, self._unit.to_si(number), OPEN)
        if self._ways is not None:
            self._ways.add(t_ns, cell.si)
        self._check.take(cell)
        return cell

    def finish(self) -> None:
        """Nothing comes any more: settle all."""
        if self._check is not None:
            self._check.finish()

    @property
    def jumps(self) -> list[tuple[int, float]]:
        """When its level jumped and nothing explains it, and by how much, SI."""
        return self._check.jumps if isinstance(self._check, PositionCheck) else []

    def _objection(self, number: float) -> str:
        """Why the number by itself cannot be a reading; empty where it can."""
        if number == self._zero and self._column.zero_is_missing:
            return "zero where none can be"
        if not self._low <= number <= self._high:
            return f"out of range ({self._low:g} to {self._high:g} {self._column.unit})"
        low, high = self._mast
        return "" if low <= number <= high else f"beyond the mast ({low:g} to {high:g} {self._column.unit})"


def _check_of(column: LogColumn, sensor: Sensor, rig: Rig, habits: Habits) -> Check | None:
    unit, period_s = UNITS[column.unit], habits.reading_s
    tolerance = 4.0 * sensor.sigma * abs(unit.scale)
    if column.max_rate is not None:
        return PositionCheck(Reach(column.max_rate * abs(unit.scale), math.inf, tolerance), period_s)
    if column.quantity == "block_position":
        speed_m_s = fastest(habits.usual_m_s, max(rig.limits.credible_speed_m_s, FASTEST_M_S))
        reach = Reach(speed_m_s, CHANGE_M_S2, min(0.2, tolerance) + 0.02)
        return PositionCheck(reach, period_s, habits.rare_repeats, habits.loads, habits.usual_m_s)
    if column.quantity == "hook_load":
        gravity = STANDARD_GRAVITY_M_S2
        return LoadCheck(rig.block.rated_load_kg * gravity, rig.block.mass_kg * gravity, habits.loads, habits.ways)
    return None


def _believable(column: LogColumn, sensor: Sensor, rig: Rig) -> Believable | None:
    """What the column must do to be in its unit; None where anything goes."""
    unit = UNITS[column.unit]
    if unit.dimension in ("count", "switch"):
        return None
    low, high = sorted((unit.to_si(sensor.range[0]), unit.to_si(sensor.range[1])))
    reached = {
        "hook_load": 0.4 * rig.block.mass_kg * STANDARD_GRAVITY_M_S2,
        "block_position": rig.mast.floor_m + LEAST_HEIGHT_M,
    }
    return Believable(low, high, reached.get(column.quantity, -math.inf))
