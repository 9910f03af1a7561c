"""Working memory of the sensors that the estimator fuses: what each one said last and how it has behaved.

A position source is a drum encoder (counts) or a ready-made block position (metres); a mark is a switch at a known
height. `TRANSITIONS` is the life of a position source; what kind a reading is, `position_filter` says of the source that
leads and `second_source` of the others.
"""

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from types import MappingProxyType
from typing import Any, Final

from monitor.config.brakes import CaliperBrake
from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from monitor.core.estimator.source_clock import SourceClock
from monitor.core.saved_state import number, optional, plain, words

SLOW_PERIOD_S: Final = 0.9
"""A source whose readings are further apart than this is slow data."""
MIN_STILL_REPEAT: Final = 20
NOISY_SHARE: Final = 0.6
"""Share of differing readings above which a ready-made position never stands still."""
REPEAT_RARITY: Final = 20.7
"""-ln(1e-9): a run of identical readings rarer than this is a stuck sensor."""
STAMP_SIGMA_S: Final = {"s": 3e-4, "ms": 3e-4, "us": 1e-5, "ns": 1e-5, "iso8601": 3e-4}
"""Rounding of a source's time by its format: a millisecond step is 0.29 ms (uniform distribution)."""
DELAY_KNOWN_READINGS: Final = 20
"""Readings of a source after which the shortest delay is taken as known: from then on it changes by little."""
LEAST_VALID_BOUND_M: Final = 0.25
MOST_VALID_BOUND_M: Final = 0.5
ODD_READINGS: Final = 3
ODD_NS: Final = 60_000_000_000
ODD_WORDS: Final = "readings jump away and back: look at the cable and for interference"
"""So many odd readings within this: it is said."""
ARRIVAL_SIGMA_S: Final = 5e-3
"""Least jitter of the arrival, where the source gives no time (common practice, no source)."""


class SourceState(Enum):
    """State of a position source; see `TRANSITIONS`."""

    WAITING = "waiting"
    TRACKING = "tracking"
    REFUSING = "refusing"
    FROZEN = "frozen"


class ReadingKind(Enum):
    """What one reading of a position source is to the filter."""

    FITS = "fits"
    """It lies where it is expected."""
    MANOEUVRE = "manoeuvre"
    """It does not, but hard braking or a start explains it."""
    IMPOSSIBLE = "impossible"
    """No machine moves like that."""
    REPEAT = "repeat"
    """The same again where the block must have moved."""
    TOO_OLD = "too old"
    AGREED = "agreed"
    """It agrees with those refused before it: they are believed, the filter starts again from them."""


WAITING: Final = SourceState.WAITING
TRACKING: Final = SourceState.TRACKING
REFUSING: Final = SourceState.REFUSING
FROZEN: Final = SourceState.FROZEN

TRANSITIONS: Final[Mapping[tuple[SourceState, ReadingKind], SourceState]] = MappingProxyType(
    {
        (WAITING, ReadingKind.FITS): TRACKING,
        (WAITING, ReadingKind.MANOEUVRE): TRACKING,
        (WAITING, ReadingKind.IMPOSSIBLE): REFUSING,
        (WAITING, ReadingKind.REPEAT): FROZEN,
        (WAITING, ReadingKind.TOO_OLD): WAITING,
        (TRACKING, ReadingKind.FITS): TRACKING,
        (TRACKING, ReadingKind.MANOEUVRE): TRACKING,
        (TRACKING, ReadingKind.IMPOSSIBLE): REFUSING,
        (TRACKING, ReadingKind.REPEAT): FROZEN,
        (TRACKING, ReadingKind.TOO_OLD): TRACKING,
        (REFUSING, ReadingKind.FITS): TRACKING,
        (REFUSING, ReadingKind.MANOEUVRE): TRACKING,
        (REFUSING, ReadingKind.IMPOSSIBLE): REFUSING,
        (REFUSING, ReadingKind.AGREED): TRACKING,
        (REFUSING, ReadingKind.REPEAT): FROZEN,
        (REFUSING, ReadingKind.TOO_OLD): REFUSING,
        # Whatever is no repeat ends a freeze.
        (FROZEN, ReadingKind.FITS): TRACKING,
        (FROZEN, ReadingKind.MANOEUVRE): TRACKING,
        (FROZEN, ReadingKind.IMPOSSIBLE): REFUSING,
        (FROZEN, ReadingKind.REPEAT): FROZEN,
        (FROZEN, ReadingKind.TOO_OLD): FROZEN,
    }
)
"""(state, kind of the reading) to the state after it."""


def source_diagram() -> str:
    """`TRANSITIONS` as a Mermaid state diagram; readings that change nothing are left out."""
    arrows: dict[tuple[str, str], list[str]] = {}
    for (before, kind), after in TRANSITIONS.items():
        if before is not after:
            arrows.setdefault((before.name, after.name), []).append(kind.value)
    lines = ["stateDiagram-v2", f"    [*] --> {WAITING.name}"]
    lines += [f"    {before} --> {after}: {', '.join(why)}" for (before, after), why in arrows.items()]
    return "\n".join(lines) + "\n"


class PositionSource:
    """One position source. Heights in metres, as the filter has them (unloaded line)."""

    __slots__ = (
        "_refused_lately", "anchor_m", "arrival_ns", "before", "bias_m", "change_share", "clock", "counts", "diagnosis",
        "difference_m", "drum", "frozen_ns", "frozen_z", "fused", "fused_ns", "innovation", "interval_s", "joined",
        "last_raw", "learned_at_m", "modulus", "noise", "offset", "offset_to_lead_m", "per_count", "referenced", "refused",
        "refused_ns", "rejected", "repeat_count", "repeat_count_released", "repeats", "said_m", "scatter_m2", "sensor",
        "slow", "state", "step", "still", "taken_ns", "test_ratio", "time_sigma_s", "turned", "z",
    )  # fmt: skip

    def __init__(self, sensor: Sensor) -> None:
        self.sensor = sensor
        self.drum = sensor.quantity == "drum_counts"
        self.clock = clock_of(sensor)
        self.modulus = float(2**sensor.bits)
        self.per_count = sensor.sense / (sensor.counts_per_turn or 1.0)
        """Turns per count, with the sign of `sense`."""
        sigma = sensor.sigma * sensor.si.scale
        # In counts^2 or m^2. A count is a step, which adds 1/12 (uniform distribution).
        self.noise = sigma**2 + 1.0 / 12.0 if self.drum else max(sigma, 1e-3) ** 2
        self.scatter_m2 = 0.0
        """Variance of its readings as seen, m^2."""
        self._refused_lately = 0
        """So many of the next second differences have a reading in them that was refused."""
        self.before: tuple[float, float, float] = (math.nan, math.nan, 0.0)
        """The last height, the one before, and the seconds between them."""
        self.time_sigma_s = ARRIVAL_SIGMA_S if not sensor.stamped else STAMP_SIGMA_S[sensor.time_format]
        self.state = SourceState.WAITING
        self.referenced = not self.drum
        """Whether its readings mean a height."""
        self.offset = 0.0
        """Drum: turns at zero counts. Position: metres added to the reading."""
        self.last_raw = math.nan
        self.counts = 0.0
        """Unwrapped."""
        self.z = math.nan
        self.taken_ns = 0
        self.arrival_ns = 0
        self.interval_s = 1.0 / sensor.rate_hz
        self.slow = self.interval_s > SLOW_PERIOD_S
        self.change_share = 0.0
        """A ready-made position: share of its readings at rest that differ from the one before."""
        self.repeat_count = 0
        """Identical readings in a row, less one."""
        self.repeat_count_released = 0
        """Of those, the ones with the brake not known to be on."""
        self.still = 200.0
        self.repeats = 196.0
        """Readings while the block was still but free to move, and how many did not go back on the one before, as dither
        does and creeping does not. They begin as a prior, so that an encoder that is quiet at rest is not taken for a
        stuck one; one under a set brake proves nothing."""
        self.step = 0.0
        self.turned = False
        """The last reading went back on the one before."""
        self.frozen_ns = 0
        self.frozen_z = 0.0
        self.fused = 0
        self.fused_ns = 0
        self.joined = 0
        """Value of `fused` when it last lost the lead."""
        self.rejected = 0
        self.refused: list[tuple[int, float]] = []
        self.refused_ns: deque[int] = deque(maxlen=ODD_READINGS)
        """When the last odd readings came: each alone, refused, and followed by ones that fit."""
        self.innovation: float | None = None
        self.test_ratio: float | None = None
        self.bias_m = 0.0
        """What its heights are taken to read too high against the filter."""
        self.offset_to_lead_m: float | None = None
        self.difference_m = self.said_m = 0.0
        """A second source: the last difference from the leading one, and the last that was said."""
        self.anchor_m = math.nan
        """A second source: where the other stood when one of the two last changed."""
        self.learned_at_m = math.nan
        self.diagnosis = ""

    def wraps_within(self, turns: float) -> bool:
        """Whether the counter runs over within `turns`, so that a count alone does not mean a height."""
        return self.modulus * abs(self.per_count) < turns

    def unwrap(self, raw: float, expected_step: float) -> float:
        """The unwrapped count of a raw one, taking the turn of the counter that is nearest to `expected_step`."""
        last = self.last_raw
        if last != last:
            self.counts = raw
        else:
            step = raw - last
            if step:
                error = step - expected_step
                half = 0.5 * self.modulus
                if error > half or error < -half:
                    step -= self.modulus * math.floor(error / self.modulus + 0.5)
                self.counts += step
        return self.counts

    def record(self, raw: float, taken: int, z: float, since: float, braking: bool | None) -> None:
        """Take a reading into the memory: the raw one, when it was taken, its height, and the seconds since the last."""
        if raw == self.last_raw:
            self.repeat_count += 1
            self.repeat_count_released = 0 if braking else self.repeat_count_released + 1
            self.turned = False
        else:
            self.repeat_count = self.repeat_count_released = 0
            self.turned = (raw - self.last_raw) * self.step < 0.0
            self.step = raw - self.last_raw
        if self.clock is None:
            self.watch_jitter(since)
        if 0.0 < since < 60.0:
            self.interval_s += 0.05 * (since - self.interval_s)
            self.slow = self.interval_s > SLOW_PERIOD_S
        self.last_raw = raw
        self.taken_ns = taken
        self.z = z

    def watch_scatter(self, z: float, since: float, used: bool) -> None:
        """Learn the scatter of the readings from their second differences.

        For white noise of variance R, z_k - 2 z_(k-1) + z_(k-2) has variance 6 R; an acceleration adds a dt^2, little
        at even speed. One difference counts at most nine times what is believed, so that a manoeuvre, which lasts a few
        readings, hardly moves it (derived here). One with a reading in it that was refused counts as what is believed at
        most: dense spikes, three differences each, would else be taken for noise in the end, and be believed.
        """
        last, older, gap = self.before
        self.before = (z, last, since)
        if not used:
            self._refused_lately = 3
        elif self._refused_lately:
            self._refused_lately -= 1
        if 0.8 * since < gap < 1.25 * since < 2.0:
            bend = z - 2.0 * last + older
            seen = bend * bend / 6.0
            top = self.scatter_m2 if self._refused_lately else 9.0 * self.scatter_m2 + 1e-9
            self.scatter_m2 += 0.02 * ((seen if seen < top else top) - self.scatter_m2)

    def watch_jitter(self, since: float) -> None:
        """Learn how unevenly readings without a source time arrive; each may be taken as late as they scatter."""
        off = since - self.interval_s
        if off * off < 4.0 * self.interval_s * self.interval_s:
            seen = self.time_sigma_s**2
            seen += 0.02 * (off * off - seen)
            self.time_sigma_s = max(ARRIVAL_SIGMA_S, math.sqrt(seen))

    def odd_reading(self, t_ns: int) -> None:
        """One or two readings far off were refused, and those after them fit again."""
        odd = self.refused_ns
        if self.clock is not None and self.clock.diagnosis:
            return  # where the clock was set, it is the times that are odd
        odd.append(t_ns)
        if not self.diagnosis and len(odd) == ODD_READINGS and t_ns - odd[0] < ODD_NS:
            self.diagnosis = ODD_WORDS

    def at_rest(self) -> None:
        """A reading while the block was still; a run of equal ones that may prove to be a freeze hardly counts."""
        if self.repeat_count == 0:
            self.change_share += 0.02 * (1.0 - self.change_share)
        elif self.repeat_count < MIN_STILL_REPEAT // 2:
            self.change_share -= 0.02 * self.change_share

    @property
    def lately_odd(self) -> bool:
        """Whether it has had as many odd readings as are worth saying, and no long time has passed since."""
        odd = self.refused_ns
        return len(odd) == ODD_READINGS and odd[-1] - odd[0] < ODD_NS and self.taken_ns - odd[-1] < ODD_NS

    def agreeing(self, sigma_m: float, max_speed_m_s: float) -> list[tuple[int, float]]:
        """The last of the refused readings, (time, height), where they are enough and agree among themselves; else none.

        One reading's standard doubt is `sigma_m`, and the block does not exceed `max_speed_m_s`.
        """
        need = 3 if self.slow else 5
        recent = self.refused[-need:]
        if len(recent) < need:
            return []
        span = (recent[-1][0] - recent[0][0]) * 1e-9
        if span < min(0.2, (need - 1) * 0.5 * self.interval_s):
            return []
        noise = 6.0 * sigma_m
        if any(
            abs(z1 - z0) > 1.5 * max_speed_m_s * (t1 - t0) * 1e-9 + noise for (t0, z0), (t1, z1) in pairwise(recent)
        ):
            return []
        return recent

    def saved_state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values."""
        return {
            "raw": plain(self.last_raw),
            "counts": self.counts,
            "offset": self.offset,
            "referenced": self.referenced,
            "bias_m": self.bias_m,
            "agreement": self.offset_to_lead_m,
            "scatter_m2": self.scatter_m2,
            "still": self.still,
            "repeats": self.repeats,
            "verdict": self.diagnosis,
        }

    def restore(self, saved: Mapping[str, Any], known: bool) -> None:
        """Take up what `saved_state` gave. With `known` False its counts no longer mean a height.

        Raises:
            ValueError: it is not such a state.
        """
        raw = optional(saved, "raw")
        counts, offset = number(saved, "counts"), number(saved, "offset")
        bias, offset_to_lead = number(saved, "bias_m", -100.0, 100.0), optional(saved, "agreement")
        still = number(saved, "still", 1.0)
        repeats, scatter = number(saved, "repeats", 0.0, still), number(saved, "scatter_m2", 0.0, 100.0)
        diagnosis = words(saved, "verdict")
        self.last_raw = math.nan if raw is None else raw
        self.counts, self.offset = counts, offset
        self.bias_m, self.offset_to_lead_m = bias, offset_to_lead
        self.still, self.repeats, self.scatter_m2 = still, repeats, scatter
        self.referenced = not self.drum or (saved.get("referenced") is True and known)
        self.diagnosis = diagnosis

    @property
    def stuck(self) -> bool:
        """Whether its run of identical readings is rarer than its own habit at rest allows. A ready-made position that always
        has some noise has it under a set brake too; counts have not."""
        if not self.drum and self.repeat_count >= MIN_STILL_REPEAT and self.change_share > NOISY_SHARE:
            return True
        if self.repeat_count_released < MIN_STILL_REPEAT:
            return False
        habit = self.repeats / self.still
        return habit < 1.0 and self.repeat_count_released * -math.log(habit) > REPEAT_RARITY


@dataclass(slots=True)
class HeightMark:
    """One height mark: a switch that changes where the block passes `height_m`."""

    sensor: Sensor
    height_m: float
    clock: SourceClock | None
    value: float = math.nan
    taken_ns: int = 0
    innovation: float | None = None
    test_ratio: float | None = None
    fused: int = 0
    rejected: int = 0
    refused_m: float | None = None
    """Difference at a switch that was not believed yet."""
    diagnosis: str = ""


def clock_of(sensor: Sensor) -> SourceClock | None:
    """The clock to follow of a sensor that stamps its readings; None where it does not."""
    return SourceClock(sensor.rate_hz) if sensor.stamped else None


_MOST_M_S2: Final = 9.8
"""A block that slows harder has hit something."""


def full_brake_deceleration_m_s2(rig: Rig) -> float:
    """The hardest stop that the rig's friction brakes could make, m/s^2, with 1 m/s^2 to spare.

    Full brake torque, friction at its high end, on the fullest layer, against the inertia of drum and empty block: the
    line then slows at T N / r / (J N^2 / r^2 + m) (derived here). The spare covers gravity and motors helping along. A rig
    whose file does not say what it has may have the hardest that is credible.
    """
    if not rig.has("brake", "drum", "line"):
        return _MOST_M_S2
    brake, drum, lines = rig.brake, rig.drum, rig.line.lines
    if isinstance(brake, CaliperBrake):
        force = brake.calipers * brake.clamp_force_n + brake.emergency_calipers * brake.emergency_clamp_force_n
        torque = 2.0 * brake.friction * force * brake.effective_radius_m
    else:
        grip = math.exp(brake.friction * math.radians(brake.wrap_deg))
        torque = brake.bands * brake.full_pull_n * (grip - 1.0) * brake.rim_radius_m
    torque *= 1.0 + rig.uncertainty.friction
    radius = drum.core_diameter_m / 2 + rig.line.rope_diameter_m * (0.5 + drum.nesting * (drum.max_layers - 1))
    inertia = drum.inertia_kg_m2 * (1.0 - rig.uncertainty.inertia)
    slowing = torque * lines / radius / (inertia * (lines / radius) ** 2 + rig.block.mass_kg)
    return min(_MOST_M_S2, max(2.0, slowing + 1.0))


def valid_bound_m(rig: Rig) -> float:
    """The widest bound on a height to work by, m: a third of the lesser room between an operating limit and what the block
    strikes beyond it, within reason (common practice, no source)."""
    limits, mast = rig.limits, rig.mast
    margin = min(mast.crown_m - limits.upper_m, limits.lower_m - mast.floor_m)
    return min(MOST_VALID_BOUND_M, max(LEAST_VALID_BOUND_M, margin / 3.0))
