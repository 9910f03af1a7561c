"""Which points of the grid are evaluated: all of them, or, while every sensor is slow, those at which something can be new.

Theory of operation
    A reading every ten seconds makes one grid point of two hundred differ from the one before it. While *every* sensor of the
    rig is slow the grid is thinned: of its points only these are evaluated,

    * the first after an input, so that nothing is found any later than on the full grid;
    * the one `settle_ns` after that, by when what must last for half a second has lasted, if anything waits for that: an alarm
      for its delay, a block for its rest, a string for its slips (`Core` knows);
    * then one for each interval of the quickest sensor (`idle_ns`): silence is noticed there.

    How slow a sensor is its readings say, by the time at which they came: its *interval* is at first what the rig's file says,
    then the mean over `readings` of them in a row, and nothing as soon as two come within `near_ns`. A silent sensor stays what
    it was: silence is no slowness, and a quick sensor that falls silent is watched on the full grid. One quick sensor is
    enough for the full grid, as rules may look at any.

    All this depends on the rig's file and on recorded inputs, never on a clock or on how inputs were waited for: at each
    moment of the stream a recording and a live run thin alike. The parameters stand in the session's header (`GridLaw.plain`),
    so that a session replays by the law it was recorded under; a session whose header has none was recorded on the full grid,
    and under law 1 the second look was always taken.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.core.saved_state import whole
from monitor.model.stream import GRID_NS, SECOND_NS

VERSION: Final = 2
"""Of the law. A header that names a later one cannot be replayed to the letter."""


@dataclass(frozen=True, slots=True)
class GridLaw:
    """The parameters of the thinned grid. Times in nanoseconds of stream time."""

    near_ns: int = SECOND_NS // 2
    """Two readings of one sensor nearer than this make it quick at once."""
    slow_ns: int = 19 * SECOND_NS // 20
    """Interval from which on a sensor is slow: readings once a second are, with some jitter."""
    readings: int = 10
    """So many readings in a row give a sensor's interval."""
    settle_ns: int = SECOND_NS
    """The second look, so long after the first; a multiple of the grid."""
    idle_least_ns: int = SECOND_NS
    idle_most_ns: int = 15 * SECOND_NS
    """Time between two looks in a silence, at the least and at most: line work is bridged over no more than 15 s."""
    law: int = VERSION

    def plain(self) -> dict[str, int]:
        """The law as a session's header keeps it."""
        return {name: getattr(self, name) for name in _NAMES}

    @classmethod
    def of(cls, kept: object) -> "GridLaw | None":
        """The law in a session's header; None, the full grid always, where it has none.

        Raises:
            ValueError: it is no law, or a later one than this.
        """
        if kept is None:
            return None
        if not isinstance(kept, Mapping) or (law := whole(kept, "law", 1)) > VERSION:
            raise ValueError("it was recorded by a newer Stopmark, under a law of the grid that this one does not know")
        times = {name: whole(kept, name, GRID_NS, 3600 * SECOND_NS) for name in _NAMES if name.endswith("_ns")}
        if times["settle_ns"] % GRID_NS:
            raise ValueError("settle_ns is no multiple of the grid")
        return cls(readings=whole(kept, "readings", 2, 1000), law=law, **times)

    def idle_ns(self, interval_ns: int) -> int:
        """Time between two looks in a silence: the quickest sensor's interval, up to whole seconds."""
        seconds = -(-interval_ns // SECOND_NS)
        return min(max(seconds * SECOND_NS, self.idle_least_ns), self.idle_most_ns)


_NAMES: Final = tuple(field.name for field in fields(GridLaw))
PRESENT: Final = GridLaw()
"""What sessions are recorded under now."""


class Pace:
    """How slow each sensor is, and when the next look is due while all of them are."""

    __slots__ = (
        "_always_settles", "_begun_ns", "_count", "_idle_ns", "_ids", "_intervals_ns", "_last_ns", "_law", "_near_ns",
        "_readings", "fresh_ns", "slow",
    )  # fmt: skip

    def __init__(self, rig: Rig, law: GridLaw) -> None:
        self._law = law
        self._near_ns, self._readings = law.near_ns, law.readings
        self._always_settles = law.law == 1
        self._ids: Sequence[str] = tuple(sensor.id for sensor in rig.sensors)
        self._intervals_ns = [round(SECOND_NS / sensor.rate_hz) for sensor in rig.sensors]
        self._last_ns = [0] * len(self._ids)
        self._begun_ns = [0] * len(self._ids)
        """Of each sensor: when the readings began that are counted."""
        self._count = [0] * len(self._ids)
        self.fresh_ns = 0
        """The first grid point after the last input, while slow."""
        self.slow = False
        """Whether every sensor is slow."""
        self._idle_ns = law.idle_most_ns
        self._judge()

    def _judge(self) -> None:
        quickest = min(self._intervals_ns)
        self.slow = quickest >= self._law.slow_ns
        self._idle_ns = self._law.idle_ns(quickest)

    def reading(self, sensor: int, t_ns: int) -> None:
        """A good reading of the sensor with that index in the rig's tuple came at `t_ns`."""
        last = self._last_ns[sensor]
        self._last_ns[sensor] = t_ns
        if t_ns - last < self._near_ns or not last:
            self._begun_ns[sensor], self._count[sensor] = t_ns, 0
            if last and self._intervals_ns[sensor]:
                self._intervals_ns[sensor] = 0
                self._judge()
            return
        count = self._count[sensor] + 1
        if count < self._readings:
            self._count[sensor] = count
            return
        mean = (t_ns - self._begun_ns[sensor]) // count
        self._begun_ns[sensor], self._count[sensor] = t_ns, 0
        if mean != self._intervals_ns[sensor]:
            self._intervals_ns[sensor] = mean
            self._judge()

    def after_input(self, t_ns: int) -> int:
        """An input came at `t_ns`, while slow: the next grid point."""
        self.fresh_ns = fresh = (t_ns // GRID_NS + 1) * GRID_NS
        return fresh

    def after_point(self, g: int, waiting: bool) -> int:
        """The grid point `g` was evaluated, while slow: the next one, unless an input comes before it. `waiting`: something
        comes true if it lasts."""
        since = g - self.fresh_ns
        if since < self._law.settle_ns and (waiting or self._always_settles):
            return self.fresh_ns + self._law.settle_ns
        return self.fresh_ns + (since // self._idle_ns + 1) * self._idle_ns

    def state(self) -> dict[str, list[int]]:
        """What a restart, or a replay from a later moment, must not lose, of each sensor: its interval, ns; when its last
        reading came, since when they are counted, and how many there are."""
        rows = zip(self._intervals_ns, self._last_ns, self._begun_ns, self._count, strict=True)
        return dict(zip(self._ids, map(list, rows), strict=True))

    def restore(self, saved: Mapping[str, Any], same_run: bool) -> None:
        """Take up what `state` gave; a sensor that it does not know stays as it is. In another run than that, readings are
        counted anew: what lies between two runs is no interval.

        Raises:
            ValueError: it is not such a state.
        """
        rows: dict[int, list[int]] = {}
        for place, name in enumerate(self._ids):
            if name in saved:
                row = saved[name]
                if not isinstance(row, list) or len(row) != 4:
                    raise ValueError(f"{name}: no list of 4 numbers")
                rows[place] = [whole({name: value}, name) for value in row]
        for place, (interval_ns, last_ns, begun_ns, count) in rows.items():
            self._intervals_ns[place] = interval_ns
            if same_run:
                self._last_ns[place], self._begun_ns[place], self._count[place] = last_ns, begun_ns, count
        self._judge()
