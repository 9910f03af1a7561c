"""Heights at which the string changes between slips and hook: the known points that every connection passes.

The slips hold the string at the floor, and a tool joint stands as high above them stand after stand; so the block takes the
string, or sets it, at one of few heights: low where the joint is made up, a stand higher where a stand was pulled. A height
that comes again confirms the counts between; one that lies off says that counts were lost, rope slipped or line was cut. One
encoder is enough for that. How far the heights scatter is seen, not assumed: a hand that sets its slips anywhere confirms little.

What is evidence against the height, and no longer a hand or a stand of another length (derived here; lengths: common practice,
no source): one connection far off; the same difference at two places; or the same again and again at one place. And it must be
more than the hand's scatter brings about: "all since then lie off by one offset" is weighed against "none does" over each number
of last connections (a generalised likelihood ratio with unknown scatter, which is Student's t), at a stated rate of false alarms.
The scatter is learned at each place from the differences between one connection and the next (mean square successive difference,
von Neumann 1941), with those that lay off among them: a shift adds one great difference only, and a drift next to nothing. A
place that is learned stays where it is, so that a drift is not averaged away. One that was there before any place was learned
shows by itself (`steady_drift`).
"""

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from monitor.core.estimator.place_filter import PlaceFilter
from monitor.core.estimator.steady_drift import LEAST_M, USUAL_M, USUAL_WEIGHT, deviate, steady_drift
from monitor.core.saved_state import number, optional, plain, whole

NEAR_M: Final = 4.0
"""Heights further apart than this are different places: half the shortest pipe that is handled singly (9 m), less some."""
TOLERANCE_M: Final = 0.35
"""A height this near to those before is the same: the joint stands within a hand or two."""
SCATTERS: Final = 2.8
"""Or within so many standard deviations of the heights before."""
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
FARTHEST_M: Final = 1000.0
PLACES: Final = 6
RECENT: Final = 16
"""A shift is looked for over so many connections back."""
EVIDENT: Final = 4.8
"""A shift is evidence from here on, in standard deviations of a normal distribution: 1.6e-6 a comparison is false. Some
twenty are made at a connection, 80 times an hour; together with what a shift must be by its kind less than 0.5 in 100 h."""
FIRST_EVIDENT: Final = 4.2
"""The same for the first that comes again at a place: that is once for each datum, not 80 times an hour."""
EVIDENT_LEARNED: Final = 5.0
"""The same over several places that are all learned: freedoms are added there, which counts one hand's scatter for several."""
SUSPECT: Final = 0.65
"""From this share of that on, a connection that is the same confirms nothing either."""
REMEMBERED: Final = 40.0
"""Differences between connections at a place; older ones fade."""
EFFICIENCY: Final = 2.0 / 3.0
"""A successive difference is worth so much of a square about a known mean (von Neumann 1941)."""


@dataclass(slots=True, eq=False)
class Place:
    """One height of the block at which the string was taken or set, unloaded, m."""

    mean_m: float
    count: int = 1
    squares_m2: float = 0.0
    """Half the squared differences between one connection here and the next, summed; only those no longer recent."""
    differences: float = 0.0
    """So many of them."""
    last_m: float | None = None
    """The last height here, of whatever kind."""

    def add(self, height_m: float) -> bool:
        """Another height there; whether the mean took it in."""
        self.count += 1
        if self.count > LEARNED:
            return False
        self.mean_m += (height_m - self.mean_m) / self.count
        return True

    def settle(self, square_m2: float) -> None:
        """A difference is no longer recent."""
        keep = min(1.0, REMEMBERED / (self.differences + 1.0))
        self.squares_m2 = keep * (self.squares_m2 + square_m2)
        self.differences = keep * (self.differences + 1.0)


@dataclass(slots=True, eq=False)
class Passed:
    """A recent connection."""

    place: Place
    height_m: float
    square_m2: float | None
    """Half the squared difference from the one before at that place; None for the first."""
    learned: bool = False
    """Whether the place's mean took it in."""


class Scatter:
    """How heights at a place scatter: variance, m2, and how many squares that is worth."""

    __slots__ = ("freedom", "variance_m2")

    def __init__(self, variance_m2: float, freedom: float) -> None:
        self.variance_m2: Final = variance_m2
        self.freedom: Final = freedom


class Shift:
    """The offset that the last connections have in common, m, and how rare that would be by chance, as a share of evidence."""

    __slots__ = ("off_m", "share")

    def __init__(self, off_m: float, share: float) -> None:
        self.off_m: Final = off_m
        self.share: Final = share


class Comparison:
    """A connection beside those before it."""

    __slots__ = ("evidence", "off_m", "place")

    def __init__(self, off_m: float, evidence: bool, place: Place) -> None:
        self.off_m: Final = off_m
        """How far it, or with evidence the last connections together, lie above the places; 0 where it is the same."""
        self.evidence: Final = evidence
        """Whether that confirms the counts, or puts them in doubt; a little off is a hand that works elsewhere today."""
        self.place: Final = place


class Window:
    """What the last connections at one place say, as one after the other is taken in, newest first."""

    __slots__ = ("_learned", "_learned_m", "_place", "_total_m", "count", "skipped_m2")

    def __init__(self, place: Place) -> None:
        self._place = place
        self.count = 0
        self._total_m = 0.0
        self._learned = 0
        self._learned_m = 0.0
        self.skipped_m2: float | None = None
        """The difference across the window's beginning, which is no scatter where something shifted there."""

    def take(self, row: Passed) -> None:
        """One connection further back."""
        self.count += 1
        self._total_m += row.height_m
        self.skipped_m2 = row.square_m2
        if row.learned:
            self._learned += 1
            self._learned_m += row.height_m

    @property
    def before(self) -> int:
        """So many heights the place's mean has from before the window."""
        return min(self._place.count, LEARNED) - self._learned

    def off_m(self) -> float:
        """How far the window's mean lies above the place's from before it, m."""
        mean = (self._place.mean_m * min(self._place.count, LEARNED) - self._learned_m) / self.before
        return self._total_m / self.count - mean

    def variance_m2(self, scatter: Scatter) -> float:
        """Of that, m2."""
        return scatter.variance_m2 * (1.0 / self.count + 1.0 / self.before)


class Connections:
    """The places seen since the datum was last renewed."""

    __slots__ = ("_first_tolerance_m", "_places", "_recent", "_way_m", "missed", "suspected_m")

    def __init__(self, first_tolerance_m: float = FIRST_TOLERANCE_M) -> None:
        self._first_tolerance_m = first_tolerance_m
        self._places: list[Place] = []
        self._recent: deque[Passed] = deque()
        self.missed = PlaceFilter()
        """What the counts may have missed by what connections that confirm show."""
        self.suspected_m = 0.0
        """What the last ones lie off by, m, where that is too rare to confirm anything and not rare enough to be evidence."""
        self._way_m = -math.inf
        """How far the block had travelled in all at the last of them."""

    def restart(self) -> None:
        """A new datum: what came before no longer compares."""
        self._places.clear()
        self._recent.clear()
        self.missed.restart()
        self.suspected_m = 0.0

    def compare(self, height_m: float, way_m: float, known: bool = False, grown_m: float = 0.0) -> Comparison | None:
        """The string changes between slips and hook at `height_m`, when the block has travelled `way_m` in all; None where that
        says nothing: nowhere near before, or not left since. With `known` the height is sure from elsewhere: places are
        learned, and what lies off begins a place of its own. Counts may have missed `grown_m` (99 %) since the last that
        confirmed them."""
        since, self._way_m = way_m - self._way_m, way_m
        if since < LEFT_M:
            return None
        self.missed.grow_to(grown_m)
        near = min(self._places, key=lambda place: abs(height_m - place.mean_m), default=None)
        if near is None or abs(height_m - near.mean_m) > NEAR_M:
            self._begin(height_m)
            return None
        off = height_m - near.mean_m
        size = abs(off)
        same = size <= self._tolerance_m(near)
        learn = same or (near.count < LEARNING and size <= FAR_M)
        if not learn and (known or (near.count < NEW and size <= FAR_FROM_NEW_M)):
            self._begin(height_m)
            return Comparison(off, False, near)
        row = self._pass(near, height_m)
        shift = Shift(0.0, 0.0) if known else max(self._shift(near), self._drift(), key=lambda found: found.share)
        self.suspected_m = shift.off_m if shift.share >= SUSPECT else 0.0
        if shift.share >= 1.0:
            return Comparison(shift.off_m, True, near)
        if learn:
            row.learned = near.add(height_m)
        if same and shift.share < SUSPECT:
            self.missed.agree(self._places.index(near), height_m, self._scatters({})[near].variance_m2)
            return Comparison(0.0, True, near)
        return Comparison(off, False, near)

    def known(self, height_m: float) -> bool:
        """Whether the string changed hands at this height before, and more than once. Changes nothing."""
        return any(
            place.count > 1 and abs(height_m - place.mean_m) <= self._tolerance_m(place) for place in self._places
        )

    def _begin(self, height_m: float) -> None:
        if len(self._places) == PLACES:
            least = min(self._places, key=lambda place: place.count)
            self.missed.drop(self._places.index(least))
            self._places.remove(least)
            self._recent = deque(row for row in self._recent if row.place is not least)
        place = Place(height_m)
        self._places.append(place)
        self._pass(place, height_m).learned = True
        self.missed.begin(height_m, self._scatters({})[place].variance_m2)

    def _pass(self, place: Place, height_m: float) -> Passed:
        """Note a connection at `place` as the newest."""
        square = None if place.last_m is None else 0.5 * (height_m - place.last_m) ** 2
        place.last_m = height_m
        row = Passed(place, height_m, square)
        self._recent.append(row)
        if len(self._recent) > RECENT:
            old = self._recent.popleft()
            if old.square_m2 is not None:
                old.place.settle(old.square_m2)
        return row

    def _tolerance_m(self, place: Place) -> float:
        """What still counts as this place; what is far off never does."""
        least = TOLERANCE_M if place.count >= LEARNING else self._first_tolerance_m
        scatter = self._scatters({})[place]
        sigma = math.sqrt(scatter.variance_m2 * (1.0 + 1.0 / min(place.count, LEARNED)))
        return min(max(least, SCATTERS * sigma), FAR_M)

    def _squares(self) -> dict[Place, list[float]]:
        """Of each place, half its squared differences, m2, and how many they are."""
        seen = {place: [place.squares_m2, place.differences] for place in self._places}
        for row in self._recent:
            if row.square_m2 is not None:
                seen[row.place][0] += row.square_m2
                seen[row.place][1] += 1.0
        return seen

    def _scatters(
        self, windows: Mapping[Place, Window], squares: Mapping[Place, list[float]] | None = None
    ) -> dict[Place, Scatter]:
        """How each place scatters, from all its differences (`squares`, where they are at hand) but those across the beginning of
        `windows`. What all places show together counts at each as what a hand usually does."""
        seen = {place: list(of) for place, of in (squares or self._squares()).items()}
        for place, window in windows.items():
            if window.skipped_m2 is not None:
                seen[place][0] -= window.skipped_m2
                seen[place][1] -= 1.0
        freedom = EFFICIENCY * sum((differences for _, differences in seen.values()), 0.0)
        squares_m2 = EFFICIENCY * sum((max(0.0, of_place_m2) for of_place_m2, _ in seen.values()), 0.0)
        # What was seen replaces what is usual square by square, so that an unusual hand is soon taken as it is.
        usual = max(0.0, USUAL_WEIGHT - freedom)
        usual_m2 = (usual * USUAL_M**2 + squares_m2) / (usual + freedom)
        found = {}
        for place, (of_place_m2, differences) in seen.items():
            freedom = USUAL_WEIGHT + EFFICIENCY * differences
            found[place] = Scatter((USUAL_WEIGHT * usual_m2 + EFFICIENCY * max(0.0, of_place_m2)) / freedom, freedom)
        return found

    def _shift(self, newest: Place) -> Shift:
        """The likeliest shift over the last connections that is evidence by its kind (see the theory above)."""
        lowest = min(self._places, key=lambda place: place.mean_m)
        found = [Shift(0.0, 0.0)]
        windows: dict[Place, Window] = {}
        squares = self._squares()
        for row in reversed(self._recent):
            windows.setdefault(row.place, Window(row.place)).take(row)
            scatters = self._scatters(windows, squares)
            here = windows[newest]
            if row.place is newest and here.before > 0 and abs(here.off_m()) > _least_alone_m(here, newest is lowest):
                evident = EVIDENT if here.before > 1 else FIRST_EVIDENT
                found.append(_together([here], [scatters[newest]], evident))
            alike = [place for place, window in windows.items() if window.before > 0]
            offs = [windows[place].off_m() for place in alike]
            least = TOLERANCE_M if all(windows[place].before >= NEW for place in alike) else FAR_M
            if len(alike) > 1 and (min(offs) > least or max(offs) < -least):
                found.append(
                    _together([windows[place] for place in alike], [scatters[place] for place in alike], EVIDENT)
                )
        return max(found, key=lambda shift: shift.share)

    def _drift(self) -> Shift:
        """The drift of the last connections, where it has come to more than a hand's breadth."""
        found = steady_drift((row.place, row.height_m) for row in self._recent)
        return Shift(found.off_m, found.deviate / EVIDENT if abs(found.off_m) > TOLERANCE_M else 0.0)

    def state(self, way_m: float) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values; with the block's way by now."""
        places = [
            {
                "mean_m": place.mean_m,
                "count": place.count,
                "squares_m2": place.squares_m2,
                "differences": place.differences,
                "last_m": place.last_m,
            }
            for place in self._places
        ]
        recent = [
            {
                "place": self._places.index(row.place),
                "height_m": row.height_m,
                "square_m2": row.square_m2,
                "learned": row.learned,
            }
            for row in self._recent
        ]
        return {
            "places": places,
            "recent": recent,
            "since_m": plain(way_m - self._way_m),
            "missed": self.missed.state(),
            "suspected_m": self.suspected_m,
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up what `state` gave, with the block's way beginning again at nought.

        Raises:
            ValueError: it is not such a state; nothing is taken up then.
        """
        rows, recent = saved.get("places"), saved.get("recent", [])
        if not isinstance(rows, list) or len(rows) > PLACES or not all(isinstance(row, Mapping) for row in rows):
            raise ValueError("connections: no list of places")
        if not isinstance(recent, list) or len(recent) > RECENT or not all(isinstance(row, Mapping) for row in recent):
            raise ValueError("connections: no list of recent ones")
        since_m = optional(saved, "since_m") if "since_m" in saved else None
        places = [_place(row) for row in rows]
        passed = deque(_passed(row, places) for row in recent)
        for place in places:
            learned = sum(row.learned for row in passed if row.place is place)
            if learned > min(place.count, LEARNED):
                raise ValueError("connections: a place learned more than it passed")
        missed = PlaceFilter()
        if isinstance(kept := saved.get("missed"), Mapping):
            missed.restore(kept, len(places))
        else:
            for place in places:
                missed.begin(place.mean_m, USUAL_M**2 / min(place.count, LEARNED))
        self.suspected_m = number(saved, "suspected_m", -FARTHEST_M, FARTHEST_M) if "suspected_m" in saved else 0.0
        self._places, self._recent, self.missed = places, passed, missed
        self._way_m = -math.inf if since_m is None else -since_m


def _least_alone_m(window: Window, lowest: bool) -> float:
    """From here on the last connections at one place can be evidence by themselves."""
    if window.count == 1:
        return FAR_M if window.before >= NEW else FAR_FROM_NEW_M
    if window.count < IN_A_ROW or window.before < NEW:
        return math.inf
    return TOLERANCE_M if lowest else STAND_M


def _together(windows: list[Window], scatters: list[Scatter], evident: float) -> Shift:
    """The offset that windows at several places have in common, each with its weight, against the deviate that is evidence."""
    pairs = list(zip(windows, scatters, strict=True))
    weights = [1.0 / window.variance_m2(scatter) for window, scatter in pairs]
    total = sum(weights, 0.0)
    off_m = sum((weight * window.off_m() for weight, window in zip(weights, windows, strict=True)), 0.0) / total
    if len(windows) > 1 and all(window.before == LEARNED for window in windows):
        # Freedom of a variance put together from several (Satterthwaite 1946).
        freedom = total**2 / sum((w**2 / scatter.freedom for w, scatter in zip(weights, scatters, strict=True)), 0.0)
        evident = EVIDENT_LEARNED
    else:
        # While places are learned they share what is usual of a hand, so that their freedoms do not add up.
        freedom = min(scatter.freedom for scatter in scatters)
    rare = deviate(abs(off_m) * math.sqrt(total), freedom)
    least = sum((1.0 / window.variance_m2(Scatter(LEAST_M**2, math.inf)) for window in windows), 0.0)
    return Shift(off_m, min(rare, abs(off_m) * math.sqrt(least)) / evident)


def _place(row: Mapping[str, Any]) -> Place:
    """A place as saved; an earlier version kept the mean deviation instead of squares."""
    mean_m, count = number(row, "mean_m", -200.0, 200.0), whole(row, "count", 1)
    if "deviation_m" in row:
        # Of a normal distribution the standard deviation is 1.25 times the mean deviation.
        differences = float(min(count, LEARNED) - 1)
        return Place(
            mean_m,
            count,
            differences * (1.25 * number(row, "deviation_m", 0.0, NEAR_M)) ** 2,
            differences,
        )
    last_m = None if row.get("last_m") is None else number(row, "last_m", -200.0, 200.0)
    return Place(
        mean_m,
        count,
        number(row, "squares_m2", 0.0, 2.0 * REMEMBERED * NEAR_M**2),
        number(row, "differences", 0.0, REMEMBERED),
        last_m,
    )


def _passed(row: Mapping[str, Any], places: list[Place]) -> Passed:
    square = None if row.get("square_m2") is None else number(row, "square_m2", 0.0, 2.0 * NEAR_M**2)
    place = places[whole(row, "place", 0, len(places) - 1)]
    return Passed(place, number(row, "height_m", -200.0, 200.0), square, row.get("learned") is True)
