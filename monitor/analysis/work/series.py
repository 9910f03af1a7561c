"""Height and load over time, as a log has them: without what no block can have done.

A rig that gives a ready-made block position is looked at reading by reading, since between the readings of a slow log the
estimate only guesses. One whose height follows from counts is looked at by its estimated height.

Cleaning. A reading outside the mast is left out. One that no block could have reached since the last good one is a *spike* if
the readings after it go on from before it, else a *jump* of the instrument, over which no travel counts. A log that repeats
each value until the next (forward-filled) changes in steps: what it may have travelled in one is counted from the time between
changes, not between rows.

Where the position stays away and the load goes on, the height is *held*: no travel counts and no height is shown, but whether the
string hangs is still seen, and so are stands.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.tables.cleaning.quality import MAY_BE_OFF, stretches_of
from monitor.adapters.tables.columns import ColumnDecoder
from monitor.config.rig import Rig
from monitor.core.estimator.hook_load import dead_line_shares
from monitor.model.progress import OnProgress, nobody
from monitor.model.stream import ActionKind
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

EXTRAS: Final = ("bit_depth", "hole_depth", "activity_code", "line_work_counter")
"""Quantities that a log may bring beside height and load."""
POSSIBLE: Final = 2.0
"""Speed that a block may have, over the site's highest (common practice, no source)."""
_SLACK_M: Final = 0.5
_OUTSIDE_M: Final = 2.0
"""A reading so far beyond floor or crown is none of the block."""
_QUICK_S: Final = 1.0
_DETOUR_M: Final = 1.0
_DETOUR: Final = 0.125
"""Mean speed of a way there and back within two readings, over the site's highest, that is none of a block (by its rest at the
turn; derived here)."""
_ALIKE: Final = 0.15
"""Share of the block's weight within which the load is the same."""
_AGREE: Final = 3
"""So many readings must go on from one another to be believed after a jump."""
GAP_STEPS: Final = 5.0
GAP_S: Final = 60.0
"""Readings further apart than both are a gap: what happened in it is not known."""
_FILL_ROWS: Final = 1.5
_AT_ONCE: Final = 1 << 16


@dataclass(frozen=True, slots=True)
class Series:
    """One log, in SI. All arrays are of one length; NaN where not known."""

    rig: Rig
    start_ns: int
    t_s: Floats
    """Since `start_ns`, rising."""
    height_m: Floats
    load_n: Floats
    """Hook load, block included."""
    breaks: NDArray[np.int64]
    """Places before which there is a gap or a jump: no travel is counted from the reading before."""
    gaps: NDArray[np.int64]
    """Those of them before which nothing at all was read."""
    held: Bools
    """Readings of the load alone: the height is the last one that was known."""
    step_s: float
    """Median time between readings."""
    fill_s: float = 0.0
    """For how long the log repeats each value while the block moves; 0 where it does not."""
    extras: Mapping[str, Floats] = field(default_factory=dict)
    """Of EXTRAS those that the log has."""
    left_out: Mapping[str, int] = field(default_factory=dict)
    """Readings that are left out, by reason."""
    doubtful_s: Sequence[tuple[float, float]] = ()
    """(from, to) in which the height may count from another zero: travel is known then, and whether a limit is passed is not."""

    def ns(self, t_s: float) -> int:
        """Stream time of `t_s`."""
        return self.start_ns + round(t_s * 1e9)

    @property
    def pieces(self) -> list[tuple[int, int]]:
        """(first, one past the last) of the stretches without a break."""
        return _between(self.breaks, len(self.t_s))

    @property
    def stretches(self) -> list[tuple[int, int]]:
        """(first, one past the last) of the stretches without a gap."""
        return _between(self.gaps, len(self.t_s))

    @property
    def seconds(self) -> float:
        """Time covered by readings, gaps left out."""
        return float(sum(self.t_s[after - 1] - self.t_s[first] for first, after in self.pieces))


def _between(edges: NDArray[np.int64], count: int) -> list[tuple[int, int]]:
    return [(first, after) for first, after in pairwise([0, *edges.tolist(), count]) if after > first]


def has_readings(rig: Rig) -> bool:
    """Whether the rig's readings say the height by themselves."""
    return rig.sensor_of("block_position") is not None


def series_of_sessions(
    chain: SessionChain, from_ns: int | None = None, to_ns: int | None = None, on_progress: OnProgress = nobody
) -> Series:
    """The readings of `chain`, of a rig that `has_readings`.

    Raises:
        SessionError: a session cannot be read.
    """
    rig = chain.rig
    decoder = ColumnDecoder(rig)
    wanted = {}
    for name in ("block_position", "hook_load", "dead_line_tension", *EXTRAS):
        sensor = rig.sensor_of(name)
        if sensor is not None:
            wanted[name] = rig.sensors.index(sensor)
    tension = "hook_load" not in wanted
    if not tension:
        wanted.pop("dead_line_tension", None)
    parts: dict[str, list[tuple[Any, Any]]] = {name: [] for name in wanted}
    count = 0
    for session in chain.sessions:
        with SessionReader(session.path) as reader:
            for chunk in decoder.read(reader, from_ns, to_ns):
                count += len(chunk.t_ns)
                on_progress(count, int(chunk.t_ns[-1]) if len(chunk.t_ns) else 0)
                for name, place in wanted.items():
                    mine = chunk.sensor == place
                    parts[name].append((chunk.t_ns[mine], chunk.value[mine]))
    found = {
        name: (
            np.concatenate([t for t, _ in some]) if some else np.empty(0, np.int64),
            np.concatenate([v for _, v in some]) if some else np.empty(0),
        )
        for name, some in parts.items()
    }
    moved_ns = [said.t_ns for said in chain.findings() if said.key == ActionKind.BOUND_HEIGHT]
    log = series_of_readings(rig, found, moved_ns)
    doubtful = [
        ((one.from_ns - log.start_ns) * 1e-9, (one.to_ns - log.start_ns) * 1e-9)
        for note in chain.notes()
        if note.kind == "quality"
        for one in stretches_of(note.text)
        if one.kind == MAY_BE_OFF
    ]
    return replace(log, doubtful_s=doubtful)


def series_of_readings(
    rig: Rig, readings: Mapping[str, tuple[NDArray[np.int64], Floats]], moved_ns: Sequence[int] = ()
) -> Series:
    """A log of readings, times (ns) and numbers (SI) by quantity: a block position, a load, and of EXTRAS what there is; from
    the times `moved_ns` on the position counts from another zero, perhaps."""
    found = dict(readings)
    tension = "hook_load" not in found
    t_ns, height = found.pop("block_position")
    load_ns = found["dead_line_tension" if tension else "hook_load"][0]
    t_ns, height = _with_times(t_ns, height, load_ns)
    columns = {}
    for name, (at_ns, values) in found.items():
        sensor = rig.sensor_of(name)
        assert sensor is not None
        columns[name] = held(t_ns, at_ns, values, sensor.stale_after_s)
    # Without the way of the block the tackle's friction is left in: its levels are learned by the way (see `strokes`).
    load = columns.pop("dead_line_tension") / dead_line_shares(rig)[0] if tension else columns.pop("hook_load")
    return series(rig, t_ns, height, load, columns, moved_ns)


def _with_times(
    t_ns: NDArray[np.int64], height: Floats, load_ns: NDArray[np.int64]
) -> tuple[NDArray[np.int64], Floats]:
    """The position's readings, and in its gaps the times of the load, without a height."""
    if len(t_ns) < 2 or not len(load_ns):
        return t_ns, height
    gap_ns = round(max(GAP_S, GAP_STEPS * float(np.median(np.diff(t_ns))) * 1e-9) * 1e9)
    place = np.searchsorted(t_ns, load_ns, side="right") - 1
    inside = (place >= 0) & (place < len(t_ns) - 1)
    inside[inside] = np.diff(t_ns)[place[inside]] > gap_ns
    inside &= load_ns != t_ns[np.maximum(place, 0)]
    extra = load_ns[inside]
    order = np.argsort(np.concatenate((t_ns, extra)), kind="stable")
    return np.concatenate((t_ns, extra))[order], np.concatenate((height, np.full(len(extra), np.nan)))[order]


def held(t_ns: NDArray[np.int64], at_ns: NDArray[np.int64], values: Floats, stale_s: float) -> Floats:
    """The last of `values` by each of the times `t_ns`; NaN where it is older than `stale_s`."""
    if not len(at_ns):
        return np.full(len(t_ns), np.nan)
    place = np.searchsorted(at_ns, t_ns, side="right") - 1
    known = (place >= 0) & (t_ns - at_ns[np.maximum(place, 0)] <= stale_s * 1e9)
    return np.where(known, values[np.maximum(place, 0)], np.nan)


def series(
    rig: Rig,
    t_ns: NDArray[np.int64],
    height_m: Floats,
    load_n: Floats,
    extras: Mapping[str, Floats] | None = None,
    moved_ns: Sequence[int] = (),
) -> Series:
    """A log cleaned (see the top of this file)."""
    left_out: Counter[str] = Counter()
    keep = np.isfinite(height_m)
    outside = keep & ((height_m < rig.mast.floor_m - _OUTSIDE_M) | (height_m > rig.mast.crown_m + _OUTSIDE_M))
    left_out["outside the mast"] = int(outside.sum())
    keep &= ~outside
    latest = np.maximum.accumulate(np.concatenate(([-1], t_ns)))[:-1] if len(t_ns) else t_ns
    backward = keep & (t_ns <= latest)
    left_out["not later than the one before"] = int(backward.sum())
    keep &= ~backward
    kept = np.flatnonzero(keep)
    start_ns = int(t_ns[kept[0]]) if len(kept) else 0
    t_s: Floats = (t_ns[kept] - start_ns).astype(np.float64) * 1e-9
    height = height_m[kept].astype(np.float64)
    step = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 1.0
    fill = _fill_s(t_s, height)
    good, jumps = _reachable(t_s, height, POSSIBLE * rig.limits.max_speed_m_s, fill)
    good &= ~_there_and_back(t_s, height, load_n[kept], rig)
    left_out["no block can have got there"] = int((~good).sum())
    places = np.flatnonzero(good)
    kept, t_s, height = kept[places], t_s[places], _middle(height[places], step)
    gap_s = max(GAP_S, GAP_STEPS * step)
    after = np.searchsorted(places, jumps)
    jumped = set(kept[after[after < len(kept)]].tolist())
    rows, heights, alone = _hold(t_ns, kept, height, load_n, gap_s)
    t_s = (t_ns[rows] - start_ns).astype(np.float64) * 1e-9
    gaps = np.flatnonzero(np.diff(t_s) > gap_s) + 1
    breaks = {*gaps.tolist(), *(int(place) for place in np.flatnonzero(alone[:-1] & ~alone[1:]) + 1)}
    breaks |= {place for place, row in enumerate(rows.tolist()) if row in jumped} if jumped else set()
    breaks |= {place for place in np.searchsorted(t_ns[rows], moved_ns).tolist() if place < len(rows)}
    return Series(
        rig, start_ns, t_s, heights, load_n[rows].astype(np.float64), np.array(sorted(breaks - {0}), np.int64), gaps, alone,
        step, fill, {name: column[rows] for name, column in (extras or {}).items()},
        {words: count for words, count in left_out.items() if count},
    )  # fmt: skip


def _hold(
    t_ns: NDArray[np.int64], kept: NDArray[np.int64], height: Floats, load_n: Floats, gap_s: float
) -> tuple[NDArray[np.int64], Floats, Bools]:
    """(rows, heights, which of them are held) with the rows of the load alone put into the gaps between the `kept` ones."""
    inside = np.zeros(len(t_ns), np.bool_)
    for place in np.flatnonzero(np.diff(t_ns[kept]) > gap_s * 1e9).tolist():
        inside[kept[place] + 1 : kept[place + 1]] = True
    inside &= np.isfinite(load_n)
    inside[kept] = False
    # In the order of time, as all else.
    latest = np.maximum.accumulate(t_ns) if len(t_ns) else t_ns
    inside &= t_ns >= latest
    inside[1:] &= t_ns[1:] > t_ns[:-1]
    rows = np.flatnonzero(inside | np.isin(np.arange(len(t_ns)), kept))
    alone = inside[rows]
    last = np.searchsorted(kept, rows, side="right") - 1
    return rows, height[last], alone


def _fill_s(t_s: Floats, height: Floats) -> float:
    """How long each value is repeated while the block moves; 0 where rows bring new values."""
    changes = np.flatnonzero(np.diff(height) != 0.0) + 1
    if len(changes) < 10:
        return 0.0
    steps, waits = np.diff(height[changes - 1]), np.diff(t_s[changes])
    rows = np.diff(changes)
    # Two changes the same way, both of more than a block's swing: it moved all the while in between.
    after = height[changes] - height[changes - 1]
    moving = (np.sign(after[:-1]) == np.sign(after[1:])) & (np.abs(after[:-1]) > 0.1) & (np.abs(after[1:]) > 0.1)
    if moving.sum() < 5 or float(np.median(rows[moving])) < _FILL_ROWS or not len(steps):
        return 0.0
    return float(np.median(waits[moving]))


def _reachable(t_s: Floats, height: Floats, most_m_s: float, fill_s: float) -> tuple[Bools, list[int]]:
    """Which readings a block can have reached; and those at which it goes on from somewhere else."""
    good = np.ones(len(t_s), np.bool_)
    far = np.abs(np.diff(height)) > most_m_s * (np.diff(t_s) + fill_s) + _SLACK_M
    if not far.any():
        return good, []
    times, heights = t_s.tolist(), height.tolist()

    def reached(one: int, other: int) -> bool:
        way = abs(heights[other] - heights[one])
        return bool(way <= most_m_s * (times[other] - times[one] + fill_s) + _SLACK_M)

    jumps: list[int] = []
    last, count = 0, len(times)
    place = int(np.flatnonzero(far)[0])
    last = place
    place += 1
    while place < count:
        if reached(last, place):
            last = place
        else:
            ahead = range(place, min(place + _AGREE, count - 1))
            goes_on = len(ahead) == _AGREE and all(reached(k, k + 1) for k in ahead)
            back = any(reached(last, k + 1) for k in ahead)
            if goes_on and not back:
                jumps.append(place)
                last = place
            else:
                good[place] = False
        place += 1
    return good, jumps


def _middle(height: Floats, step_s: float) -> Floats:
    """The median of each reading and those beside it, where they come so quickly that no block turns within them."""
    width = 5 if step_s <= _QUICK_S / 2.0 else 3 if step_s <= _QUICK_S else 1
    if width == 1 or len(height) <= width:
        return height
    half = width // 2
    windows = np.lib.stride_tricks.sliding_window_view(height, width)
    middle = height.copy()
    for start in range(0, len(windows), _AT_ONCE):  # a median has room for copies of all that it is given
        some = windows[start : start + _AT_ONCE]
        middle[half + start : half + start + len(some)] = np.median(some, axis=1)
    return middle


def _there_and_back(t_s: Floats, height: Floats, load: Floats, rig: Rig) -> Bools:
    """Single readings beyond both neighbours, to which a block would have gone and come back without a rest and with the same
    load: in a slow log they are within its reach all the same."""
    found = np.zeros(len(t_s), np.bool_)
    if len(t_s) < 3:
        return found
    before, at, after = height[:-2], height[1:-1], height[2:]
    beyond = np.maximum(at - np.maximum(before, after), np.minimum(before, after) - at)
    least = np.maximum(_DETOUR_M, _DETOUR * rig.limits.max_speed_m_s * (t_s[2:] - t_s[:-2]))
    alike = _ALIKE * rig.block.mass_kg * GRAVITY
    same = (np.abs(load[1:-1] - load[:-2]) < alike) & (np.abs(load[1:-1] - load[2:]) < alike)
    found[1:-1] = (beyond > least) & same
    return found
