"""Heights at which the string changes between slips and hook: the known points that every connection passes.

The slips hold the string at the floor, and a tool joint stands as high above them stand after stand; so the block takes the
string, or sets it, at one of few heights: low where the joint is made up, a stand higher where a stand was pulled. A height that
comes again confirms the counts between; one that lies off from those before says that counts were lost, rope slipped or line was
cut. One encoder is enough for that. How far the heights scatter is seen, not assumed: a hand that sets its slips anywhere
confirms little. Where the string stood when the watch began may be any height: one that differs from it is told, and no more
(derived here).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from monitor.core.saved_state import number, optional, whole

NEAR_M: Final = 4.0
"""Heights further apart than this are different places: half the shortest pipe that is handled singly (9 m), less some."""
TOLERANCE_M: Final = 0.35
"""A height this near to those before is the same (common practice, no source: the joint stands within a hand or two)."""
SCATTERS: Final = 3.0
"""Or within so many mean deviations of the heights before."""
EVIDENCE_M: Final = 1.0
"""From here on it is no longer how a hand scatters (common practice, no source)."""
SLOW_M_S: Final = 0.3
"""A load that comes or goes on a faster block is a bounce, not a connection."""
SHARE: Final = 0.2
"""Weight of the newest height in the mean of a place, once there were some."""
PLACES: Final = 6


@dataclass(slots=True)
class Place:
    """One height of the block at which the string was taken or set, unloaded, m."""

    mean_m: float
    deviation_m: float = 0.0
    """Mean distance of its heights from their mean."""
    count: int = 1

    @property
    def tolerance_m(self) -> float:
        """What still counts as this place."""
        return max(TOLERANCE_M, SCATTERS * self.deviation_m)

    def add(self, height_m: float) -> None:
        """Another height there."""
        self.count += 1
        gain = max(SHARE, 1.0 / self.count)
        off = height_m - self.mean_m
        self.deviation_m += gain * (abs(off) - self.deviation_m)
        self.mean_m += gain * off


class Comparison(NamedTuple):
    """A connection beside those before it."""

    off_m: float
    """How far it lies above the nearest place; 0 where it is the same."""
    evidence: bool
    """Whether that confirms the counts, or puts them in doubt; a little off is a hand that works elsewhere today."""
    place: Place | None


class Connections:
    """The places seen since the datum was last renewed."""

    __slots__ = ("_first_m", "_places")

    def __init__(self) -> None:
        self._places: list[Place] = []
        self._first_m: float | None = None
        """Where the string stood when the watch began, until the block has left there."""

    def restart(self) -> None:
        """A new datum: what came before no longer compares."""
        self._places.clear()
        self._first_m = None

    def compare(self, height_m: float) -> Comparison | None:
        """The string changes between slips and hook at `height_m`; None where it did so nowhere near before, which makes a new
        place of it."""
        if self._first_m is None:
            self._first_m = height_m
        if not self._places and abs(height_m - self._first_m) < NEAR_M:
            return None
        near = min(self._places, key=lambda place: abs(height_m - place.mean_m), default=None)
        if near is None or abs(height_m - near.mean_m) > NEAR_M:
            first = height_m - self._first_m
            if len(self._places) == PLACES:
                self._places.remove(min(self._places, key=lambda place: place.count))
            self._places.append(Place(height_m))
            return Comparison(first, False, None) if TOLERANCE_M < abs(first) < NEAR_M else None
        off = height_m - near.mean_m
        if abs(off) > near.tolerance_m:
            return Comparison(off, abs(off) > max(EVIDENCE_M, near.tolerance_m), near)
        near.add(height_m)
        return Comparison(0.0, True, near)

    def known(self, height_m: float) -> bool:
        """Whether the string changed hands at this height before, and more than once. Changes nothing."""
        return any(place.count > 1 and abs(height_m - place.mean_m) <= place.tolerance_m for place in self._places)

    def state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values."""
        places = [
            {"mean_m": place.mean_m, "deviation_m": place.deviation_m, "count": place.count} for place in self._places
        ]
        return {"first_m": self._first_m, "places": places}

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up what `state` gave.

        Raises:
            ValueError: it is not such a state; nothing is taken up then.
        """
        places = saved.get("places")
        if not isinstance(places, list) or len(places) > PLACES or not all(isinstance(row, Mapping) for row in places):
            raise ValueError("connections: no list of places")
        first_m = optional(saved, "first_m")
        self._places = [
            Place(number(row, "mean_m", -200.0, 200.0), number(row, "deviation_m", 0.0, NEAR_M), whole(row, "count", 1))
            for row in places
        ]
        self._first_m = first_m
