"""A block that follows a written profile, and the sensors of a rig that look at it. For tests of estimator and hoist.

Its own drum arithmetic (wrap by wrap), so that nothing here can agree with the estimator by sharing a mistake.
"""

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.core.estimator.estimator import Estimate, Estimator
from monitor.core.estimator.hook_load import dead_line_shares
from monitor.model.reading import RejectReason, Sample, Validity

START_NS = 1_700_000_000_000_000_000
Change = Callable[[float, float], float | None]
"""(time, reading) to the reading sent, or None for nothing."""


def profile(legs: Sequence[tuple[float, float]], start_m: float) -> tuple[Callable[[float], float], float]:
    """Height over time through `legs` of (height, time taken), smooth at both ends; and the time it takes in all."""
    pieces: list[tuple[float, float, float, float]] = []
    t, h = 0.0, start_m
    for height, took in legs:
        pieces.append((t, took, h, height))
        t, h = t + took, height

    def at(time_s: float) -> float:
        for begin, took, low, high in pieces:
            if time_s < begin + took:
                u = max(0.0, (time_s - begin) / took)
                return low + (high - low) * u * u * u * (10.0 - 15.0 * u + 6.0 * u * u)
        return h

    return at, t


def line_m(rig: Rig, turns: float, rope: float = 0.0) -> float:
    """Rope on the drum, m, added up wrap by wrap, with the rope thicker by the fraction `rope`."""
    d = rig.line.rope_diameter_m * (1.0 + rope)
    total, left, layer = 0.0, turns, 0
    while left > 0.0 or layer == 0:
        last = layer == rig.drum.max_layers - 1
        wraps = left if last else min(left, rig.drum.wraps_per_layer)
        total += wraps * math.pi * (rig.drum.core_diameter_m + d + 2.0 * layer * rig.drum.nesting * d)
        left -= wraps
        layer += 1
        if last:
            break
    return total


def turns_at(rig: Rig, height_m: float, rope: float = 0.0, start_turns: float | None = None) -> float:
    """Wraps on the drum with the block at `height_m`, by bisection."""
    start = rig.reference.turns if start_turns is None else start_turns
    wanted = line_m(rig, start, rope) + (height_m - rig.reference.height_m) * rig.line.lines
    low, high = 0.0, rig.drum.wraps_per_layer * (rig.drum.max_layers + 1)
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if line_m(rig, middle, rope) < wanted else (low, middle)
    return (low + high) / 2


def say(estimator: Estimator, rig: Rig, t_ns: int, quantity: str, value: float) -> None:
    """Give the estimator a reading, SI, of the first sensor of a quantity; a hook load as what the rig weighs it by."""
    sensors = [index for index, sensor in enumerate(rig.sensors) if sensor.quantity == quantity]
    if not sensors and quantity == "hook_load":
        value *= dead_line_shares(rig)[estimator.direction]
        sensors = [index for index, sensor in enumerate(rig.sensors) if sensor.quantity == "dead_line_tension"]
    estimator.ingest(Sample(t_ns, sensors[0], value))


@dataclass
class Bench:
    """One rig's estimator, its sensors, and the truth. Faults by sensor id."""

    rig: Rig
    at: Callable[[float], float]
    seed: int = 1
    rope: float = 0.0
    start_turns: float | None = None
    position_offset_m: float = 0.0
    faults: dict[str, Change] = field(default_factory=dict)
    load_n: Callable[[float], float] | None = None
    braking: Callable[[float], bool | None] | None = None
    stamped: bool = True
    delay_s: float = 0.01
    clock: Callable[[float, int], int] | None = None
    """(time, time as the source would write it, ns) to what it writes."""
    estimator: Estimator = field(init=False)
    now_s: float = 0.0
    reasons: dict[RejectReason | None, int] = field(default_factory=dict)
    """What `ingest` answered, and how often."""
    track: list[tuple[float, float, Estimate]] = field(default_factory=list)
    """(time, true height, estimate) every 50 ms."""

    def __post_init__(self) -> None:
        self.estimator = Estimator(self.rig)
        self._draw = random.Random(self.seed)
        self._next = dict.fromkeys(range(len(self.rig.sensors)), 0.0)
        self._look = 0.0

    def index(self, sensor: str) -> int:
        """Index of a sensor by its id."""
        return next(i for i, s in enumerate(self.rig.sensors) if s.id == sensor)

    def _reading(self, index: int, t: float) -> float | None:
        sensor, height = self.rig.sensors[index], self.at(t)
        noise = self._draw.gauss(0.0, sensor.sigma * sensor.si.scale) if sensor.sigma else 0.0
        if sensor.quantity == "drum_counts":
            start = self.rig.reference.turns if self.start_turns is None else self.start_turns
            turned = turns_at(self.rig, height, self.rope, start) - start
            zero = self.rig.reference.counts.get(sensor.id, 0)
            value: float = round(zero + sensor.sense * turned * (sensor.counts_per_turn or 1.0) + noise)
        elif sensor.quantity == "block_position":
            value = height + self.position_offset_m + noise
        elif sensor.quantity == "height_mark":
            value = float(height >= (sensor.height_m or 0.0))
        else:
            return None
        change = self.faults.get(sensor.id)
        sent = value if change is None else change(t, value)
        return sent % 2**sensor.bits if sent is not None and sensor.quantity == "drum_counts" else sent

    def run(self, until_s: float) -> "Bench":
        """Let time pass; readings arrive, and every 50 ms an estimate is kept."""
        while True:
            index = min(self._next, key=lambda i: self._next[i])
            t = self._next[index]
            while self._look <= min(t, until_s):
                now = START_NS + round(self._look * 1e9)
                if self.load_n is not None:
                    self.say("hook_load", self.load_n(self._look), now)
                braking = None if self.braking is None else self.braking(self._look)
                if braking is not None:
                    self.say("brake_lever", float(braking), now)
                self.track.append((self._look, self.at(self._look), self.estimator.estimate(now)))
                self._look += 0.05
            if t > until_s:
                self.now_s = until_s
                return self
            sensor = self.rig.sensors[index]
            self._next[index] = t + 1.0 / sensor.rate_hz
            value = self._reading(index, t)
            if value is not None:
                stamp = START_NS + int(t * 1e3) * 1_000_000 - 5_000_000_000
                if self.clock is not None:
                    stamp = self.clock(t, stamp)
                arrival = START_NS + round((t + self.delay_s) * 1e9)
                sample = Sample(arrival, index, value, stamp if self.stamped and sensor.time else None)
                reason = self.estimator.ingest(sample)
                self.reasons[reason] = self.reasons.get(reason, 0) + 1

    def say(self, quantity: str, value: float, t_ns: int | None = None) -> None:
        """Give the estimator a reading of a quantity, SI; now, if no time is given."""
        say(self.estimator, self.rig, self.now_ns() if t_ns is None else t_ns, quantity, value)

    def now_ns(self) -> int:
        """Stream time now."""
        return START_NS + round(self.now_s * 1e9)

    @property
    def last(self) -> tuple[float, Estimate]:
        """(true height, estimate) at the last look."""
        return self.track[-1][1], self.track[-1][2]


def rig_with(name: str, only: Sequence[str] = (), **changes: dict[str, object]) -> Rig:
    """A shipped rig with some fields of its sensors changed (by sensor id), and position and mark sensors limited to
    `only` where given."""
    rig = find_rig(name)
    sensors = tuple(
        s.model_copy(update=changes.get(s.id.replace("-", "_"), {}))
        for s in rig.sensors
        if not only or s.role not in ("position", "mark") or s.id in only
    )
    return rig.model_copy(update={"sensors": sensors})


STROKE = [(1.0, 2.0), (25.0, 25.0), (25.0, 3.0), (3.0, 20.0), (3.0, 3.0)]
DEEP = [(2.5, 2.0), (45.0, 40.0), (45.0, 3.0), (5.0, 35.0), (5.0, 3.0), (45.0, 40.0), (5.0, 40.0)]


def held(start_s: float, stop_s: float, *, lost: bool = False) -> Change:
    """The reading stands still from `start_s` to `stop_s`; with `lost` it then counts on from there."""
    kept: list[float] = []

    def change(t: float, value: float) -> float:
        if t < start_s:
            return value
        if t < stop_s:
            kept[:1] = kept[:1] or [value]
            return kept[0]
        if lost:
            kept[1:2] = kept[1:2] or [kept[0] - value]
            return value + kept[1]
        return value

    return change


def single(change: Change, braking: bool | None = False) -> Bench:
    """The land rig with its one encoder changed so."""
    return Bench(rig_with("land"), profile(STROKE, 1.0)[0], faults={"drum": change}, braking=lambda t: braking)


def deep(only: tuple[str, ...] = (), **options: object) -> Bench:
    """The deep rig: encoder, block position, two marks."""
    return Bench(rig_with("deep", only), profile(DEEP, 2.5)[0], **options)  # type: ignore[arg-type]


def outside(bench: Bench, since_s: float = 0.0) -> list[tuple[float, float, float]]:
    """(time, error, bound) of the VALID looks whose truth lies outside the bound."""
    return [
        (t, e.height_m - h, e.height_bound_m)
        for t, h, e in bench.track
        if t >= since_s and e.validity is Validity.VALID and abs(e.height_m - h) > e.height_bound_m
    ]
