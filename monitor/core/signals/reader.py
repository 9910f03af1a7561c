"""Many rows of SIGNALS read at once, from one grid point.

Rows of one part are read together, so that its validity is looked at once a part and not once a row; last readings come straight
from the grid point. Read one by one, the rows give the same.
"""

import math
from collections.abc import Callable, Collection
from typing import Any

from monitor.config.rig import Rig
from monitor.core.signals.grid_point import GridPoint
from monitor.core.signals.table import SIGNAL_NAMES, SIGNALS, BrakeNumber, LastReading, Part, PartNumber
from monitor.model.reading import ABSENT_FLAG, DEGRADED, INVALID, Validity


class _Group:
    """Rows of one part."""

    __slots__ = ("alike", "numbers", "part", "places", "unknown")

    def __init__(self, part: Callable[[GridPoint], Part]) -> None:
        self.part = part
        self.places: list[int] = []
        self.numbers: list[Callable[[Any], float]] = []

    def close(self) -> None:
        """All rows are in."""
        size = len(self.places)
        self.unknown = (math.nan,) * size
        self.alike = tuple((min(validity, INVALID),) * size for validity in map(int, Validity))
        """As many times each validity."""


class SignalReader:
    """Reads the rows of these names, for one rig: what it cannot have is not fitted and costs nothing."""

    def __init__(self, rig: Rig, names: Collection[str] = SIGNAL_NAMES) -> None:
        groups: dict[Callable[[GridPoint], Part], _Group] = {}
        fitted = {sensor.quantity for sensor in rig.sensors}
        absent, readings, brakes, others = [], [], [], []
        for place, signal in enumerate(SIGNALS):
            if signal.name not in names:
                continue
            read = signal.read
            compared = (read.quantity,) if isinstance(read, LastReading) else signal.sensors
            if not rig.has(*signal.needs) or not fitted.issuperset(compared):
                absent.append(place)
            elif isinstance(read, PartNumber):
                group = groups.setdefault(read.part, _Group(read.part))
                group.places.append(place)
                group.numbers.append(read.number)
            elif isinstance(read, LastReading):
                readings.append((place, read.quantity))
            elif isinstance(read, BrakeNumber):
                brakes.append((place, read.number))
            else:
                others.append((place, read))
        for group in groups.values():
            group.close()
        self._groups = [(group.part, group.numbers, group.unknown, group.alike) for group in groups.values()]
        self._quantities = [quantity for _, quantity in readings]
        self._brakes = [number for _, number in brakes]
        self._others = [read for _, read in others]
        self._absent_numbers = (ABSENT_FLAG[0],) * len(absent)
        self._absent_validities = (ABSENT_FLAG[1],) * len(absent)
        self.places = (
            *(place for group in groups.values() for place in group.places),
            *(place for place, _ in readings),
            *(place for place, _ in brakes),
            *(place for place, _ in others),
            *absent,
        )
        """Its rows by their places in SIGNALS, in the order in which it reads them."""
        self.names = tuple(SIGNAL_NAMES[place] for place in self.places)

    def read(self, point: GridPoint) -> tuple[list[float], list[int]]:
        """Numbers and validities of its rows, in its own order."""
        numbers: list[float] = []
        validities: list[int] = []
        for get, group, unknown, alike in self._groups:
            part = get(point)
            validity = part.validity
            numbers += [number(part) for number in group] if validity <= DEGRADED else unknown
            validities += alike[validity]
        readings, brakes = point.readings, point.brakes
        pairs = [readings[quantity] for quantity in self._quantities]
        pairs += [number(brakes) for number in self._brakes]
        pairs += [read(point) for read in self._others]
        if pairs:
            more, of_more = zip(*pairs, strict=True)
            numbers += more
            validities += of_more
        numbers += self._absent_numbers
        validities += self._absent_validities
        return numbers, validities
