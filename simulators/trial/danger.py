"""A danger run: the block runs at a limit and nobody brakes. When was it too late, and did the monitor warn before?

`observe` runs truth and monitor and keeps a copy of the plant ten or twenty times a second; `last_safe_moment` asks those
copies when a full brake still kept the limit; `outcome` compares the warning with that moment.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

from monitor.config.rig import LimitHeights
from monitor.core.engine import Core
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import AlarmState
from monitor.model.stream import SECOND_NS
from simulators.machine.plant import TICK_S, Plant
from simulators.scenario.plant_source import PlantSource
from simulators.trial.cases import MOTION, Case, Result

SNAPSHOT_TICKS: Final = 5
_NEAR_M: Final = 14.0
"""Room to the limit below which copies are kept."""
_STANDING_M_S: Final = 0.03
_STANDS: Final = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
_OVERRUN_LEAST: Final = SIGNAL_NAMES.index("overrun_least")
_OVERRUN_MOST: Final = SIGNAL_NAMES.index("overrun_most")


class Outcome(StrEnum):
    """What came of a danger run. "No time": the limit could be kept, but not after a hand's reaction."""

    NO_DANGER = "no danger"
    IN_TIME = "in time"
    LATE = "late"
    SILENT = "silent"
    NO_TIME = "no time"
    NO_TIME_SILENT = "no time, silent"
    BEYOND_BRAKE = "beyond the brake"
    BEYOND_BRAKE_SILENT = "beyond the brake, silent"

    @property
    def silent(self) -> bool:
        """Whether the limit was passed without a warning."""
        return self in (Outcome.SILENT, Outcome.NO_TIME_SILENT, Outcome.BEYOND_BRAKE_SILENT)

    @property
    def avoidable(self) -> bool:
        """Whether a warning and a hand could have kept the limit."""
        return self in (Outcome.IN_TIME, Outcome.LATE, Outcome.SILENT)

    @property
    def hopeless(self) -> bool:
        """Whether no hand could have kept the limit."""
        return not self.avoidable and self is not Outcome.NO_DANGER

    @property
    def miss(self) -> bool:
        """Whether the monitor failed."""
        return self.silent or self is Outcome.LATE


@dataclass(frozen=True, slots=True)
class Word:
    """One of the last words before a limit as it came, and what the truth would have made of it."""

    word: str
    at_ns: int
    spare_m: float
    """Room to the limit that is left when the brake is then pulled fully, after the hand's reaction where it counts; below zero
    by how far the block overruns it."""
    predicted_m: tuple[float, float]
    """Overrun that was said to be the least and the most, m."""


@dataclass(slots=True)
class Trace:
    """What a danger run showed. Times are stream times in ns."""

    down: bool
    still_ns: int
    """When the block last stood before it ran at the limit."""
    crossed_ns: int | None = None
    """When it passed the limit."""
    speed_m_s: float = 0.0
    """At the end."""
    copies: list[tuple[int, Plant]] = field(default_factory=list)
    warnings: list[tuple[int, str]] = field(default_factory=list)
    """Alarms and prompts as they came, by key."""
    standing: dict[str, int] = field(default_factory=dict)
    """Of those that stood when the block last stood, when they came: a creep that pauses needs no second word."""
    words: list[Word] = field(default_factory=list)
    """The last words, each time that one came."""

    def first(self, keys: Sequence[str]) -> int | None:
        """The first of these alarms or prompts since the block stood, or of those that stood then."""
        since = [t_ns for t_ns, key in self.warnings if key in keys and t_ns >= self.still_ns]
        return min(since + [t_ns for key, t_ns in self.standing.items() if key in keys], default=None)


def observe(case: Case, source: PlantSource, core: Core) -> Trace:
    """Run it until a second after the limit is passed."""
    plant, limits = source.plant, case.rig.limits
    trace = Trace(bool(case.facts["down"]), source.origin_ns)
    standing: dict[str, int] = {}
    for tick, (now_ns, items) in enumerate(source.ticks()):
        for item in items:
            found = core.feed(item)
            trace.warnings += [(f.t_ns, f.key) for f in found if f.raised or f.prompted]
            for f in found:
                if f.after in _STANDS:
                    standing.setdefault(f.key, f.t_ns)
                elif f.after != AlarmState.SUPPRESSED:  # by a louder word, for a while
                    standing.pop(f.key, None)
            trace.words += [
                _word(f.key, f.t_ns, core, plant)
                for f in found
                if f.raised and f.key.startswith(("brake-fully", "will-cross"))
            ]
        if trace.crossed_ns is not None:
            if now_ns > trace.crossed_ns + SECOND_NS:
                break
            continue
        speed, room = plant.speed_m_s, limits.upper_m - plant.height_m
        if trace.down:
            speed, room = -speed, plant.height_m - limits.lower_m
        if speed < _STANDING_M_S:
            trace.still_ns = now_ns
            trace.standing = dict(standing)
            trace.copies.clear()
        elif tick % SNAPSHOT_TICKS == 0 and room < _NEAR_M:
            trace.copies.append((now_ns, plant.clone()))
        if (
            room <= 0.0 and speed >= _STANDING_M_S
        ):  # who creeps past it on a brake that does not hold does not run at it
            trace.crossed_ns = now_ns
    trace.speed_m_s = abs(plant.speed_m_s)
    return trace


def spare_room_m(plant: Plant, down: bool, wait_s: float = 0.0, beyond: bool = False) -> float:
    """Least room to the limit, m, when after `wait_s` as it goes now the brake is pulled fully; below zero where the block
    crosses, and minus infinity where it does not come to rest. With `beyond` it is driven on past the limit, so that the number
    says how far it overruns.

    Drives `plant` on: give it a clone.
    """
    lower, upper = plant.rig.limits.lower_m, plant.rig.limits.upper_m
    least = math.inf
    for tick in range(round((wait_s + 12.0) / TICK_S)):
        if tick == round(wait_s / TICK_S):
            plant.levers.brake, plant.levers.speed_m_s, plant.levers.clutch = 1.0, 0.0, False
        plant.tick()
        least = min(least, plant.height_m - lower if down else upper - plant.height_m)
        if least <= 0.0 and not beyond:
            return least
        if plant.omega == 0.0 and tick > round(wait_s / TICK_S) + 60 and abs(plant.speed_m_s) < 0.02:
            break
    return least if abs(plant.omega) < 1e-6 else -math.inf


def stays_inside(plant: Plant, down: bool, wait_s: float = 0.0) -> bool:
    """Whether the block stays inside the limit when, after `wait_s` as it goes now, the brake is pulled fully.

    Drives `plant` on: give it a clone.
    """
    return spare_room_m(plant, down, wait_s) > 0.0


def _word(key: str, at_ns: int, core: Core, plant: Plant) -> Word:
    """A last word, held against the truth: of the first, a hand must react; of the second, the best that anybody could do."""
    word, side = key.rsplit("-", 1)
    wait_s = plant.rig.limits.reaction_s if word == "brake-fully" and plant.levers.brake < 0.9 else 0.0
    spare_m = spare_room_m(plant.clone(), side == "down", wait_s, beyond=True)
    values = core.values
    return Word(word, at_ns, spare_m, (values[_OVERRUN_LEAST][0], values[_OVERRUN_MOST][0]))


def last_safe_moment(trace: Trace) -> int | None:
    """The last copy from which a full brake keeps the limit, by bisection; None when none does."""
    low, high = 0, len(trace.copies)  # copies[:low] stop inside; copies[high:] do not
    while low < high:
        middle = (low + high) // 2
        if stays_inside(trace.copies[middle][1].clone(), trace.down):
            low = middle + 1
        else:
            high = middle
    return trace.copies[low - 1][0] if low else None


def outcome(trace: Trace, safe_ns: int | None, limits: LimitHeights) -> Result:
    """What came of the run when the brake kept the limit until `safe_ns`, in times before the limit was passed."""
    result: Result = {"warned_s": None, "spare_s": None, "lead_s": None, "ease_s": None}
    crossed_ns = trace.crossed_ns
    if crossed_ns is None:
        return {"outcome": Outcome.NO_DANGER, **result}
    side = "down" if trace.down else "up"
    first = trace.first([f"{word}-{side}" for word in MOTION])
    ease = trace.first([f"ease-{side}"])
    result["speed_m_s"] = trace.speed_m_s
    if first is not None:
        result["warned_s"] = (crossed_ns - first) * 1e-9
    if ease is not None:
        result["ease_s"] = (crossed_ns - ease) * 1e-9
    warned = first is not None and first < crossed_ns
    if safe_ns is None:
        # Whatever anybody does from where we looked, the brake does not keep the limit.
        return {"outcome": Outcome.BEYOND_BRAKE if warned else Outcome.BEYOND_BRAKE_SILENT, **result}
    useful_ns = safe_ns - int(limits.reaction_s * 1e9)
    if useful_ns <= trace.still_ns:
        return {"outcome": Outcome.NO_TIME if warned else Outcome.NO_TIME_SILENT, **result}
    if first is None or not warned:
        return {"outcome": Outcome.SILENT, **result}
    result["spare_s"] = (useful_ns - first) * 1e-9
    result["lead_s"] = (safe_ns - first) * 1e-9
    return {"outcome": Outcome.IN_TIME if first <= useful_ns else Outcome.LATE, **result}


def danger(case: Case, source: PlantSource, core: Core) -> Result:
    """One danger run."""
    trace = observe(case, source, core)
    safe_ns = last_safe_moment(trace) if trace.crossed_ns is not None else None
    return outcome(trace, safe_ns, case.rig.limits) | {"words": words_of(trace)}


def words_of(trace: Trace) -> list[dict[str, Any]]:
    """The last words of a run as plain data: which, how long before the limit was passed (None where it never was), and how
    much room a full brake would have left."""
    crossed_ns = trace.crossed_ns
    return [
        {
            "word": word.word,
            "before_s": None if crossed_ns is None else (crossed_ns - word.at_ns) * 1e-9,
            "spare_m": round(max(word.spare_m, -99.0), 3),
            "predicted_m": [round(min(number, 99.0), 3) for number in word.predicted_m],
        }
        for word in trace.words
    ]
