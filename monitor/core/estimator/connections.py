"""Heights at which the string changes between slips and hook: the known points that every connection passes.

The slips hold the string at the floor, and a tool joint stands as high above them stand after stand; so the block takes the
string, or sets it, at one of few heights: low where the joint is made up, a stand higher where a stand was pulled. A height
that comes again confirms the counts between; one that lies off says that counts were lost, rope slipped or line was cut. One
encoder is enough for that. How far the heights scatter is seen, not assumed: a hand that sets its slips anywhere confirms little.

What is evidence against the height, and no longer a hand or a stand of another length (derived here; figures: common practice,
no source): one connection far off; the same difference at two places; or the same again and again at one place. A place that is
learned stays where it is, so that a drift is not averaged away.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from monitor.core.saved_state import number, optional, plain, whole

NEAR_M: Final = 4.0
"""Heights further apart than this are different places: half the shortest pipe that is handled singly (9 m), less some."""
TOLERANCE_M: Final = 0.35
"""A height this near to those before is the same: the joint stands within a hand or two."""
SCATTERS: Final = 3.5
"""Or within so many mean deviations of the heights before."""
FAR_M: Final = 1.0
"""So far off, one connection is evidence."""
NEW: Final = 3
FAR_FROM_NEW_M: Final = 1.5
"""The same beside a place that was passed less often, and may be any height: where the string stood when the watch began."""
IN_A_ROW: Final = 3
"""So many connections at one place that lie off alike are evidence."""
STAND_M: Final = 0.6
"""Where stands end, only from here on: one row of stands is longer than another."""
LEARNING: Final = 5
"""A place that was passed less often is still learned: it takes in what is not far off."""
FIRST_TOLERANCE_M: Final = 0.8
"""Until then this near is the same: how the hand scatters is not known yet."""
LEFT_M: Final = 1.0
"""The block has left a place when it has been so far away; before that it is the same visit."""
SLOW_M_S: Final = 0.3
"""A load that comes or goes on a faster block is a bounce, not a connection."""
LEARNED: Final = 8
"""A place passed so often stays as it is."""
PLACES: Final = 6


@dataclass(slots=True)
class Place:
    """One height of the block at which the string was taken or set, unloaded, m."""

    mean_m: float
    deviation_m: float = 0.0
    """Mean distance of its heights from their mean."""
    count: int = 1
    off_m: float = 0.0
    """By how much the last connection here lay off; 0 where it was the same."""
    in_a_row: int = 0
    """So many times in a row, the same way."""

    first_tolerance_m: float = FIRST_TOLERANCE_M

    @property
    def tolerance_m(self) -> float:
        """What still counts as this place."""
        least = TOLERANCE_M if self.count >= LEARNING else self.first_tolerance_m
        return max(least, SCATTERS * self.deviation_m)

    def add(self, height_m: float) -> None:
        """Another height there."""
        self.count += 1
        self.off_m, self.in_a_row = 0.0, 0
        if self.count > LEARNED:
            return
        gain = 1.0 / self.count
        off = height_m - self.mean_m
        self.deviation_m += gain * (abs(off) - self.deviation_m)
        self.mean_m += gain * off

    def miss(self, off_m: float) -> None:
        """A height `off_m` above it that is not the same."""
        self.in_a_row = self.in_a_row + 1 if self.off_m * off_m > 0.0 else 1
        self.off_m = off_m


class Comparison(NamedTuple):
    """A connection beside those before it."""

    off_m: float
    """How far it lies above the nearest place; 0 where it is the same."""
    evidence: bool
    """Whether that confirms the counts, or puts them in doubt; a little off is a hand that works elsewhere today."""
    place: Place


class Connections:
    """The places seen since the datum was last renewed."""

    __slots__ = ("_first_tolerance_m", "_places", "_way_m")

    def __init__(self, first_tolerance_m: float = FIRST_TOLERANCE_M) -> None:
        self._first_tolerance_m = first_tolerance_m
        self._places: list[Place] = []
        self._way_m = -math.inf
        """How far the block had travelled in all at the last of them."""

    def restart(self) -> None:
        """A new datum: what came before no longer compares."""
        self._places.clear()

    def compare(self, height_m: float, way_m: float, known: bool = False) -> Comparison | None:
        """The string changes between slips and hook at `height_m`, when the block has travelled `way_m` in all; None where that
        says nothing: nowhere near before, or not left since. With `known` the height is sure from elsewhere: places are
        learned, and what lies off begins a place of its own."""
        since, self._way_m = way_m - self._way_m, way_m
        if since < LEFT_M:
            return None
        near = min(self._places, key=lambda place: abs(height_m - place.mean_m), default=None)
        if near is None or abs(height_m - near.mean_m) > NEAR_M:
            self._begin(height_m)
            return None
        off = height_m - near.mean_m
        size = abs(off)
        if size <= near.tolerance_m or (near.count < LEARNING and size <= FAR_M):
            same = size <= near.tolerance_m
            near.add(height_m)
            return Comparison(0.0 if same else off, same, near)
        if known or (near.count < NEW and size <= FAR_FROM_NEW_M):
            self._begin(height_m)
            return Comparison(off, False, near)
        near.miss(off)
        return Comparison(off, self._counts(near), near)

    def known(self, height_m: float) -> bool:
        """Whether the string changed hands at this height before, and more than once. Changes nothing."""
        return any(place.count > 1 and abs(height_m - place.mean_m) <= place.tolerance_m for place in self._places)

    def _begin(self, height_m: float) -> None:
        if len(self._places) == PLACES:
            self._places.remove(min(self._places, key=lambda place: place.count))
        self._places.append(Place(height_m, first_tolerance_m=self._first_tolerance_m))

    def _counts(self, place: Place) -> bool:
        """Whether what the last connection at `place` differs by is evidence against the height."""
        size = abs(place.off_m)
        if size > max(FAR_M, place.tolerance_m):
            return True
        lowest = min(self._places, key=lambda other: other.mean_m)
        if place.in_a_row >= IN_A_ROW and (place is lowest or size > STAND_M):
            return True
        alike = (o for o in self._places if o is not place and abs(o.off_m - place.off_m) < TOLERANCE_M)
        return any(abs(other.off_m) > TOLERANCE_M for other in alike)

    def state(self, way_m: float) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values; with the block's way by now."""
        places = [
            {
                "mean_m": place.mean_m,
                "deviation_m": place.deviation_m,
                "count": place.count,
                "off_m": place.off_m,
                "in_a_row": place.in_a_row,
            }
            for place in self._places
        ]
        return {"places": places, "since_m": plain(way_m - self._way_m)}

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up what `state` gave, with the block's way beginning again at nought.

        Raises:
            ValueError: it is not such a state; nothing is taken up then.
        """
        places = saved.get("places")
        if not isinstance(places, list) or len(places) > PLACES or not all(isinstance(row, Mapping) for row in places):
            raise ValueError("connections: no list of places")
        since_m = optional(saved, "since_m") if "since_m" in saved else None
        self._places = [
            Place(
                number(row, "mean_m", -200.0, 200.0),
                number(row, "deviation_m", 0.0, NEAR_M),
                whole(row, "count", 1),
                number(row, "off_m", -NEAR_M, NEAR_M) if "off_m" in row else 0.0,
                whole(row, "in_a_row") if "in_a_row" in row else 0,
                self._first_tolerance_m,
            )
            for row in places
        ]
        self._way_m = -math.inf if since_m is None else -since_m
