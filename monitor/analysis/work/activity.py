"""What the rig was at, and the line's work in each: tripping, drilling, reaming, casing; by the log's own code where it has one.

By rule, from the motion alone: a stroke down with the string slower than `DRILLED_M_S`, for `_DRILLED_S` or more, makes hole
(with bit and hole depths in the log: one whose bit is on bottom); quicker strokes of a stand that was drilled, or one whose
string went far more up and down than on, are reaming (or working the string: the motion does not tell them apart). Stands that
go into the hole by the length of a joint, several in a row, are casing (or singles). All else that moves the string out or in is
tripping. A stroke of the block alone belongs to the stand that it serves, and is summed apart.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from types import MappingProxyType
from typing import Final

import numpy as np

from monitor.analysis.known import median_of
from monitor.analysis.work.series import Series
from monitor.analysis.work.strokes import Motion, Stroke, WorkedStand

OUT, IN, DRILLING, REAMING, CASING, OTHER = (
    "tripping out",
    "tripping in",
    "drilling",
    "reaming or working the string",
    "casing or singles",
    "other",
)
ACTIVITIES: Final = (OUT, IN, DRILLING, REAMING, CASING, OTHER)

CODES: Final[Mapping[int, str]] = MappingProxyType(
    {2: DRILLING, 4: REAMING, 5: DRILLING, 6: DRILLING, 7: REAMING, 8: IN, 9: OUT, 15: CASING}
)
"""Activity codes of the Wellsite Information Transfer Specification (WITS): 2 drilling, 3 connection, 4 reaming, 5 hole opening,
6 coring, 7 circulating, 8 tripping in, 9 tripping out, 15 running casing. All others are told by their number."""
_CONNECTION: Final = 3
DRILLED_M_S: Final = 0.05
"""180 m/h (common practice, no source): no bit is faster, and no string is run so slowly."""
_DRILLED_S: Final = 60.0
"""A shorter stroke, as slow, only eases the string down into the slips (common practice, no source)."""
_ON_BOTTOM_M: Final = 1.0
_TO_AND_FRO: Final = 2.5
"""Way of the string over what it gained from which it was worked, not run."""
JOINT_M: Final = (9.0, 15.0)
"""Travel of one joint (API 5CT range 3 casing is 34 to 48 ft long; a single of pipe about 31)."""
_JOINTS: Final = 5
"""So many joints in a row are a job, and no odd singles."""
PAUSE: Final = 4.0
"""A stand that took so many times the median holds a pause: it counts in the time that passed, not in the pace."""


@dataclass(frozen=True, slots=True)
class Work:
    """Line work of one activity, J."""

    activity: str
    with_string_j: float
    block_alone_j: float
    """Of the empty block's moves."""
    strokes: int
    moving_s: float

    @property
    def total_j(self) -> float:
        """All of it."""
        return self.with_string_j + self.block_alone_j


@dataclass(frozen=True, slots=True)
class Trip:
    """Stands of one activity in a row."""

    activity: str
    from_s: float
    to_s: float
    stands: int
    per_hour: float
    """Over the time that passed."""
    pace_per_hour: float
    """By the median time per stand, pauses left out."""
    connection_s: float
    """Median."""
    hanging_s: float
    """Median, slips to slips."""
    pauses: int
    """Stands longer than `PAUSE` times the median."""


@dataclass(frozen=True, slots=True)
class Activities:
    """What each stroke and each stand belongs to."""

    by_code: bool
    """Whether the log's own code told it."""
    of_stroke: list[str]
    of_stand: list[str]
    work: list[Work]
    trips: list[Trip]


def activities_of(motion: Motion) -> Activities:
    """What the rig was at, in `motion`."""
    of_stand = [_of_stand(motion, stand) for stand in motion.stands]
    _find_unseen(motion.stands, of_stand)
    _find_joints(motion.stands, of_stand)
    by_code = _by_code(motion.series)
    place = _Placer(motion, of_stand)
    of_stroke = [(by_code or place.stroke)(stroke) for stroke in motion.strokes]
    if by_code is not None:
        of_stand = [_majority(motion, of_stroke, stand) for stand in motion.stands]
    return Activities(
        by_code is not None, of_stroke, of_stand, _sums(motion, of_stroke), trips_of(motion.stands, of_stand)
    )


# --- by rule ---------------------------------------------------------------------------------------------------------


def _inside(motion: Motion, stand: WorkedStand) -> list[Stroke]:
    """Strokes with the string, of one stand."""
    lifted = stand.lifted
    return [
        stroke
        for stroke in motion.strokes
        if stroke.hangs and lifted.first <= (stroke.first + stroke.last) // 2 < lifted.after
    ]


def _of_stand(motion: Motion, stand: WorkedStand) -> str:
    strokes = _inside(motion, stand)
    if any(_makes_hole(motion.series, stroke) for stroke in strokes):
        return DRILLING
    way = sum(abs(stroke.travel_m) for stroke in strokes)
    if stand.way != "not seen" and way > _TO_AND_FRO * max(abs(stand.travel_m), 3.0):
        return REAMING
    return {"out": OUT, "in": IN}.get(stand.way, OTHER)


def _makes_hole(series: Series, stroke: Stroke) -> bool:
    """Whether a stroke with the string deepens the hole."""
    if not (stroke.hangs and stroke.travel_m < 0.0):
        return False
    bit, hole = series.extras.get("bit_depth"), series.extras.get("hole_depth")
    if bit is not None and hole is not None:
        off_m = median_of(hole[stroke.first : stroke.last + 1] - bit[stroke.first : stroke.last + 1])
        if not math.isnan(off_m):
            return off_m < _ON_BOTTOM_M
    return stroke.seconds >= _DRILLED_S and abs(stroke.travel_m) / stroke.seconds < DRILLED_M_S


def _find_unseen(stands: Sequence[WorkedStand], of_stand: list[str]) -> None:
    """A stand whose position was not read belongs to what went on before and after it, where that is the same."""
    before = ""
    for place, stand in enumerate(stands):
        if stand.way != "not seen":
            before = of_stand[place]
            continue
        after = next((of_stand[k] for k in range(place + 1, len(stands)) if stands[k].way != "not seen"), "")
        if before == after != "":
            of_stand[place] = before


def _find_joints(stands: Sequence[WorkedStand], of_stand: list[str]) -> None:
    """Turn runs of joints that go in into casing."""
    run: list[int] = []
    low, high = JOINT_M
    for place in range(len(stands) + 1):
        fits = (
            place < len(stands)
            and of_stand[place] in (IN, OTHER)
            and stands[place].travel_m < 0.0
            and low <= -stands[place].travel_m <= high
        )
        if fits:
            run.append(place)
            continue
        if len(run) >= _JOINTS:
            for index in run:
                of_stand[index] = CASING
        run = []


class _Placer:
    """Says which activity a stroke belongs to, by the stand around it or after it."""

    def __init__(self, motion: Motion, of_stand: Sequence[str]) -> None:
        self._series = motion.series
        self._stands = motion.stands
        self._of_stand = of_stand
        self._starts = np.array([stand.slips.first for stand in motion.stands])

    def stroke(self, stroke: Stroke) -> str:
        """The activity."""
        middle = (stroke.first + stroke.last) // 2
        index = int(np.searchsorted(self._starts, middle, side="right")) - 1 if len(self._starts) else -1
        if index < 0 or middle >= self._stands[index].lifted.after:
            return self._alone(stroke, index)
        activity = self._of_stand[index]
        if activity == DRILLING and stroke.hangs and not _makes_hole(self._series, stroke):
            return REAMING
        return activity

    def _alone(self, stroke: Stroke, index: int) -> str:
        """One outside all whole stands: by itself with the string, else by the stand beside it."""
        if stroke.hangs:
            if _makes_hole(self._series, stroke):
                return DRILLING
            return OUT if stroke.travel_m > 3.0 else IN if stroke.travel_m < -3.0 else OTHER
        return self._of_stand[index] if 0 <= index < len(self._of_stand) else OTHER


# --- by the log's own code -------------------------------------------------------------------------------------------


def _by_code(series: Series) -> Callable[[Stroke], str] | None:
    codes = series.extras.get("activity_code")
    if codes is None or not np.isfinite(codes).any():
        return None
    # During a connection the code says so, and not of what: the code before it stands.
    known = np.isfinite(codes) & (codes != _CONNECTION)
    last = np.maximum.accumulate(np.where(known, np.arange(len(codes)), -1))

    def of(stroke: Stroke) -> str:
        places = last[stroke.first : stroke.last + 1]
        places = places[places >= 0]
        if not len(places):
            return OTHER
        values, counts = np.unique(np.round(codes[places]).astype(np.int64), return_counts=True)
        code = int(values[int(np.argmax(counts))])
        return CODES.get(code, f"code {code}")

    return of


def _majority(motion: Motion, of_stroke: Sequence[str], stand: WorkedStand) -> str:
    """The activity of most of a stand's way."""
    ways: dict[str, float] = {}
    for stroke, activity in zip(motion.strokes, of_stroke, strict=True):
        if stand.lifted.first <= (stroke.first + stroke.last) // 2 < stand.lifted.after:
            ways[activity] = ways.get(activity, 0.0) + abs(stroke.travel_m)
    return max(ways, key=lambda name: ways[name]) if ways else OTHER


# --- sums ------------------------------------------------------------------------------------------------------------


def _sums(motion: Motion, of_stroke: Sequence[str]) -> list[Work]:
    """Line work by activity, in the order of ACTIVITIES, then codes."""
    sums: dict[str, list[float]] = {}
    for stroke, activity in zip(motion.strokes, of_stroke, strict=True):
        row = sums.setdefault(activity, [0.0, 0.0, 0.0, 0.0])
        row[0 if stroke.hangs else 1] += motion.work_between(stroke.turn, stroke.next_turn)
        row[2] += 1
        row[3] += stroke.seconds
    order = [*ACTIVITIES, *sorted(set(sums) - set(ACTIVITIES))]
    return [
        Work(name, sums[name][0], sums[name][1], int(sums[name][2]), sums[name][3]) for name in order if name in sums
    ]


def trips_of(stands: Sequence[WorkedStand], of_stand: Sequence[str]) -> list[Trip]:
    """Three stands or more of one activity, in a row and without a gap in the log."""
    found: list[Trip] = []
    run: list[WorkedStand] = []
    before = ""
    for stand, activity in [*zip(stands, of_stand, strict=True), (None, "")]:
        goes_on = stand is not None and run and activity == before and stand.slips.from_s == run[-1].lifted.to_s
        if not goes_on:
            if len(run) >= 3:
                found.append(_trip(before, run))
            run = []
        if stand is not None:
            run.append(stand)
        before = activity
    return found


def _trip(activity: str, run: Sequence[WorkedStand]) -> Trip:
    times = [stand.seconds for stand in run]
    usual = median(times)
    paced = [stand for stand in run if stand.seconds <= PAUSE * usual]
    passed = run[-1].lifted.to_s - run[0].slips.from_s
    return Trip(
        activity, run[0].slips.from_s, run[-1].lifted.to_s, len(run), 3600.0 * len(run) / passed if passed > 0 else math.nan,
        3600.0 / median([stand.seconds for stand in paced]), median([stand.slips.seconds for stand in paced]),
        median([stand.lifted.seconds for stand in paced]), len(run) - len(paced),
    )  # fmt: skip
