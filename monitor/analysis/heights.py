"""Heights of the block that sessions show, each with the drum's counted turns and the hook load at that moment.

Two things give a height from outside the drum: the crew (a height reference) and a height mark that the block passes. Turns
come from the encoder's counts alone, not from the monitor's height, which had been corrected by these very heights. What
cannot be used is kept in words. A cut and slip, and counts that cannot be followed, begin a new set: the turns of two sets
have nothing to do with each other.
"""

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from statistics import fmean
from typing import Final

from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from monitor.core.estimator.height_frame import HeightFrame
from monitor.core.estimator.height_references import MARK_SIGMA_M
from monitor.core.estimator.prediction import TRANSPORT_S
from monitor.core.estimator.source_clock import SourceClock
from monitor.core.estimator.sources import clock_of
from monitor.core.recorded import RecordedDecoder
from monitor.core.sensors.record import SensorRecord
from monitor.model.reading import Sample
from monitor.model.stream import Action, ActionKind, Frame
from monitor.physics.tackle import SLACK_LINE_SHARE, dead_line_n
from monitor.presentation.format import clock
from monitor.units import STANDARD_GRAVITY_M_S2

MAX_READING_SPEED_M_S: Final = 0.03
"""Faster than this the block is moving, and a height that a person reads off it means no one moment."""
RECENT_NS: Final = 1_000_000_000
"""Readings of the last second count as of this moment."""
SAME_TURNS: Final = 0.3
SAME_NS: Final = 600_000_000_000
"""A reference at the same place within ten minutes puts the one before right."""
MAX_MARK_DOUBT_M: Final = 0.15
"""A mark that was passed so fast, or read so rarely, that its height is less certain than this is no height."""
SWITCH_SIGMA_M: Final = 0.005
"""How well one passage repeats, however slow (common practice, no source)."""
GAP_S: Final = 5.0
_CONFIRMATIONS: Final = 3
_KEPT_NS: Final = 6_000_000_000
_OVERSPEED: Final = 3.0
"""Speeds up to so many times the limit are believed of the encoder: a falling block is followed, too."""


@dataclass(frozen=True, slots=True)
class MeasuredHeight:
    """One height from outside the drum. `turns` are counted (not wraps), `sigma_m` is how well the height is known."""

    words: str
    height_m: float
    turns: float
    load_n: float | None
    sigma_m: float
    t_ns: int = 0


@dataclass(slots=True)
class HeightSet:
    """Heights between which the same rope lay on the drum and no counts were lost.

    `wraps_at_reference` are those that file or crew say lie on the drum at the rig's reference height.
    """

    begin: str
    wraps_at_reference: float
    as_configured: bool
    """Whether the encoder's counts may still be those of the rig file's reference."""
    heights: list[MeasuredHeight] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


class CountedTurns:
    """Unwrapped turns of one encoder; a single wrong reading is ignored, counts that stay elsewhere are `lost`."""

    def __init__(self, rig: Rig, sensor: Sensor) -> None:
        layers = HeightFrame(rig).layers
        rise = layers.rise_at(rig.mast.floor_m)
        self.per_count = sensor.sense / (sensor.counts_per_turn or 1.0)
        self.modulus = float(2**sensor.bits)
        self._fastest = _OVERSPEED * rig.limits.max_speed_m_s / rise
        self._travel = 1.2 * (layers.locate(rig.mast.crown_m)[0] - layers.locate(rig.mast.floor_m)[0])
        self._runs_over = self.modulus * abs(self.per_count) < self._travel
        self._raw = self._counts = math.nan
        self._taken_ns = 0
        self._rate = 0.0
        self._refused: list[tuple[int, float]] = []

    def take(self, taken_ns: int, raw: float) -> tuple[float | None, str]:
        """(turns or None where the reading is not believed yet, why counts from here on mean something else or "")."""
        if self._raw != self._raw:
            return self._start_counting(taken_ns, raw), ""
        since = max(1e-3, (taken_ns - self._taken_ns) * 1e-9)
        expected = self._rate * since if since < 1.0 else 0.0
        step = raw - self._raw
        step -= self.modulus * math.floor((step - expected) / self.modulus + 0.5)
        turned = abs(step * self.per_count)
        if since > GAP_S and self._runs_over:
            return self._start_counting(taken_ns, raw), f"no counts for {since:.0f} s, in which they may have run over"
        if turned > min(self._fastest * since + 0.2, self._travel):
            return self._jump(taken_ns, raw, turned)
        self._refused.clear()
        self._rate = step / since
        self._counts += step
        self._raw, self._taken_ns = raw, taken_ns
        return self._counts * self.per_count, ""

    def _start_counting(self, taken_ns: int, raw: float) -> float:
        self._raw = self._counts = raw
        self._taken_ns, self._rate = taken_ns, 0.0
        self._refused.clear()
        return raw * self.per_count

    def _jump(self, taken_ns: int, raw: float, turned: float) -> tuple[float | None, str]:
        """A jump: a spike, or lost counts when the next readings stay near it."""
        if self._refused and abs(raw - self._refused[-1][1]) * abs(self.per_count) > self._fastest:
            self._refused.clear()
        self._refused.append((taken_ns, raw))
        if len(self._refused) < _CONFIRMATIONS:
            return None, ""
        return self._start_counting(
            taken_ns, raw
        ), f"the counts jumped by {turned:.1f} turns (encoder stood still, was set or changed)"


@dataclass(slots=True)
class _Mark:
    """A height mark: its last reading, and where the counted turns were each time that the block passed it."""

    sensor: Sensor
    height_m: float
    clock: SourceClock | None
    value: float = math.nan
    taken_ns: int = 0
    passed: list[tuple[float, float, float | None, float, bool, int]] = field(default_factory=list)
    """(weight, turns, hook load, doubt m, upward, t_ns)"""


class HeightCollector:
    """Feed it the frames and actions of a session in order; `finish` gives the sets."""

    def __init__(self, rig: Rig, encoder: Sensor, sigma_m: float) -> None:
        """`sigma_m` is how well the crew reads a height."""
        self.rig, self._sigma_m = rig, sigma_m
        self._frame = HeightFrame(rig)
        self._decoder = RecordedDecoder(rig)
        self._records = [SensorRecord(sensor) for sensor in rig.sensors]
        self._encoder = next(i for i, sensor in enumerate(rig.sensors) if sensor.id == encoder.id)
        self._clock = clock_of(encoder)
        self._turns = CountedTurns(rig, encoder)
        self._stale_ns = max(RECENT_NS, round(encoder.stale_after_s * 1e9))
        self._marks = {
            i: _Mark(sensor, sensor.height_m, clock_of(sensor))
            for i, sensor in enumerate(rig.sensors)
            if sensor.role == "mark" and sensor.height_m is not None
        }
        loads = [i for i, sensor in enumerate(rig.sensors) if sensor.role == "load"]
        hook = [i for i in loads if rig.sensors[i].quantity == "hook_load"]
        self._load = (hook or loads)[0]
        k, lines = rig.line.sheave_factor, rig.line.lines
        self._dead = None if hook else {way: dead_line_n(1.0, k, lines, way) for way in (1, 0, -1)}
        used = {self._encoder, self._load, *self._marks}
        self._topics = {rig.topic(sensor) for i, sensor in enumerate(rig.sensors) if i in used}
        self._all = any(sensor.sparkplug is not None for sensor in rig.sensors)
        """Whether readings may depend on what came under other topics."""
        self._history: deque[tuple[int, float]] = deque()
        self._loads: deque[tuple[int, float]] = deque()
        self._direction = 0
        self._pending_passages: list[tuple[_Mark, int, float]] = []
        self._slack_n = SLACK_LINE_SHARE * rig.block.mass_kg * STANDARD_GRAVITY_M_S2
        self.sets = [HeightSet("the sessions' beginning", rig.reference.turns, True)]

    def take(self, item: Frame | Action) -> None:
        """The next frame or action."""
        if isinstance(item, Action):
            if item.kind == ActionKind.REFERENCE_HEIGHT:
                self._reference(item)
            elif item.kind == ActionKind.SLIP_AND_CUT:
                self._cut(item)
        elif self._all or item.topic in self._topics:
            for sample in self._decoder.decode(item):
                if isinstance(sample, Sample) and self._records[sample.sensor].accept(sample) is None:
                    self._sample(sample)

    def finish(self) -> list[HeightSet]:
        """The sets, in the order of their time."""
        self._close_marks()
        return self.sets

    # --- readings ----------------------------------------------------------------------------------------------------

    def _sample(self, sample: Sample) -> None:
        if sample.sensor == self._encoder:
            self._count(_taken(self._clock, sample), sample.value)
        elif sample.sensor == self._load:
            number = sample.value if self._dead is None else sample.value / self._dead[self._direction]
            _keep(self._loads, sample.t_ns, number)
        elif sample.sensor in self._marks:
            self._switch(self._marks[sample.sensor], sample)

    def _count(self, taken_ns: int, raw: float) -> None:
        turns, broken = self._turns.take(taken_ns, raw)
        if turns is None:
            return
        if broken:
            self._new_set(f"{clock(taken_ns, date=True)}: {broken}", self.sets[-1].wraps_at_reference)
        history = self._history
        if history and abs(turns - history[-1][1]) > 0.01:
            self._direction = 1 if turns > history[-1][1] else -1
        _keep(history, taken_ns, turns)
        while self._pending_passages and taken_ns >= self._pending_passages[0][1]:
            self._passed(*self._pending_passages.pop(0))

    def _switch(self, mark: _Mark, sample: Sample) -> None:
        taken_ns = _taken(mark.clock, sample)
        before, since_s = mark.value, (taken_ns - mark.taken_ns) * 1e-9
        mark.value, mark.taken_ns = sample.value, taken_ns
        if before == before and before != sample.value and 0.0 < since_s < 3.0 / mark.sensor.rate_hz:
            # It changed somewhere between two readings.
            self._pending_passages.append((mark, taken_ns - int(5e8 * since_s), since_s))

    def _passed(self, mark: _Mark, at_ns: int, since_s: float) -> None:
        """The block passed `mark` at `at_ns`, to which the counts have come by now."""
        history = self._history
        after = next((i for i, (t_ns, _) in enumerate(history) if t_ns >= at_ns), 0)
        if not after or history[after][0] - history[after - 1][0] > 1e9:
            return
        (t0, turns0), (t1, turns1) = history[after - 1], history[after]
        turns = turns0 + (turns1 - turns0) * (at_ns - t0) / (t1 - t0)
        rise = self._frame.layers.rise_at(mark.height_m)
        speed = abs(turns1 - turns0) / (t1 - t0) * 1e9 * rise
        doubt = math.hypot(speed * since_s / math.sqrt(12.0), speed * TRANSPORT_S)
        load = self._load_at(at_ns)
        if doubt < MAX_MARK_DOUBT_M and not self._slack(load):
            weight = 1.0 / (doubt * doubt + SWITCH_SIGMA_M * SWITCH_SIGMA_M)
            mark.passed.append((weight, turns, load, doubt, turns1 > turns0, at_ns))

    def _load_at(self, t_ns: int) -> float | None:
        found = [load for at_ns, load in self._loads if t_ns - RECENT_NS <= at_ns <= t_ns]
        return fmean(found) if found else None

    def _slack(self, load: float | None) -> bool:
        return load is not None and load < self._slack_n

    # --- what the crew did -------------------------------------------------------------------------------------------

    def _reference(self, action: Action) -> None:
        """A height that the crew gave: kept, or left out with the reason."""
        height, mast, t_ns = action.number, self.rig.mast, action.t_ns
        if height is None or not mast.floor_m <= height <= mast.crown_m:
            return  # refused by the monitor, too
        now = self.sets[-1]
        words = f"{clock(t_ns, date=True)} reference {height:.2f} m"
        found = [(at_ns, turns) for at_ns, turns in self._history if at_ns > t_ns - RECENT_NS]
        if not found:
            if self._history and t_ns - self._history[-1][0] <= self._stale_ns:
                found = [self._history[-1]]
            else:
                now.left_out.append(f"{words}: no counts of the drum then")
                return
        spread = max(turns for _, turns in found) - min(turns for _, turns in found)
        seconds = max(0.5, (found[-1][0] - found[0][0]) * 1e-9)
        speed = spread * self._frame.layers.rise_at(height) / seconds
        load = self._load_at(t_ns)
        if speed > MAX_READING_SPEED_M_S:
            now.left_out.append(f"{words}: the block moved ({speed:.2f} m/s)")
        elif load is None:
            now.left_out.append(f"{words}: hook load not known then, so neither is the stretch")
        elif self._slack(load):
            now.left_out.append(f"{words}: the line was slack ({load / 1e3:.0f} kN)")
        else:
            turns = fmean(turns for _, turns in found)
            if (
                now.heights
                and t_ns - now.heights[-1].t_ns < SAME_NS
                and abs(turns - now.heights[-1].turns) < SAME_TURNS
            ):
                old = now.heights.pop()
                now.left_out.append(f"{old.words} {old.height_m:.2f} m: given again at the same place")
            who = f" by {action.who}" if action.who else ""
            words = f"{clock(t_ns, date=True)} reference{who}"
            now.heights.append(MeasuredHeight(words, height, turns, load, self._sigma_m, t_ns))

    def _cut(self, action: Action) -> None:
        drum = self.rig.drum
        if action.number is not None and 0 <= action.number <= drum.wraps_per_layer * drum.max_layers:
            when = clock(action.t_ns, date=True)
            self._new_set(f"{when}: cut and slip, {action.number:g} wraps at the reference height", action.number)

    def _new_set(self, words: str, wraps: float) -> None:
        self._close_marks()
        self._history.clear()
        self._pending_passages.clear()
        self.sets.append(HeightSet(words, wraps, False))

    def _close_marks(self) -> None:
        for mark in self._marks.values():
            if mark.passed:
                self.sets[-1].heights.append(self._mean(mark))
                mark.passed = []
        self.sets[-1].heights.sort(key=lambda height: (height.turns, height.t_ns))

    def _mean(self, mark: _Mark) -> MeasuredHeight:
        """All passages of one mark as one height: the mean of up and down, so that a delay between switch and encoder
        cancels. Each is first brought to the load of the reference by the turns that its stretch makes up for."""
        means, doubts, loads = [], [], []
        rise = self._frame.layers.rise_at(mark.height_m)
        known = [load for _, _, load, _, _, _ in mark.passed if load is not None]
        common = fmean(known) if known else None
        for way in (True, False):
            rows = [row for row in mark.passed if row[4] is way]
            if rows:
                total = math.fsum(row[0] for row in rows)
                turns = [
                    row[1] if row[2] is None or common is None
                    else row[1] - self._stretch(mark.height_m, row[2] - common) / rise
                    for row in rows
                ]  # fmt: skip
                means.append(math.fsum(row[0] * t for row, t in zip(rows, turns, strict=True)) / total)
                doubts.append(1.0 / math.sqrt(total))
                loads.append(len(rows))
        # Passed one way only, the delay between switch and encoder stays in.
        one_way = 0.0 if len(means) == 2 else fmean(row[3] for row in mark.passed)
        sigma = math.hypot(MARK_SIGMA_M, one_way, *(doubt / len(means) for doubt in doubts))
        passed = ", ".join(f"{n} {way}" for n, way in zip(loads, self._ways(mark), strict=True))
        words = f"mark {mark.sensor.id}, passed {passed}"
        return MeasuredHeight(words, mark.height_m, fmean(means), common, sigma, mark.passed[-1][5])

    @staticmethod
    def _ways(mark: _Mark) -> Sequence[str]:
        return [word for up, word in ((True, "up"), (False, "down")) if any(row[4] is up for row in mark.passed)]

    def _stretch(self, height_m: float, more_n: float) -> float:
        """How much lower the block hangs at `height_m` under so much more load, m."""
        return more_n * self._frame.flex * (self._frame.tail_m - height_m)


def _taken(follow: SourceClock | None, sample: Sample) -> int:
    """When a reading was taken, in stream time."""
    if follow is None or sample.source_t_ns is None:
        return sample.t_ns
    return follow.taken_ns(sample.t_ns, sample.source_t_ns)


def _keep(history: deque[tuple[int, float]], t_ns: int, number: float) -> None:
    """Add to a history of the last seconds."""
    while history and history[0][0] < t_ns - _KEPT_NS:
        history.popleft()
    history.append((t_ns, number))


def heights_of(items: Iterable[Frame | Action], rig: Rig, encoder: Sensor, sigma_m: float) -> list[HeightSet]:
    """The heights that a session's inputs show, by sets between which counts mean the same; see `HeightSet`."""
    collector = HeightCollector(rig, encoder, sigma_m)
    for item in items:
        collector.take(item)
    return collector.finish()
