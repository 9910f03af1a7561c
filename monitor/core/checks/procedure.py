"""What the guided checks are made of: a procedure is a row of steps, a step is words, what is watched, and a judge.

A judge is called at each grid point while its step is the present one. It looks at the `GridPoint`, keeps what it needs in the
`Run`, and answers whether the step goes on (False), is done (True), or ends the whole check (a `Conclusion`).

A measurement is one unbroken stretch of known readings. Whatever breaks it (a reading lost, the brake let go) starts it
again from nothing: what was seen before is not evidence for what came after.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from monitor.config.optional_tables import Table
from monitor.config.rig import CheckSettings, Rig
from monitor.core.signals.grid_point import GridPoint
from monitor.model.check import CheckReading, CheckVerdict
from monitor.model.reading import UNKNOWN, Validity, Value
from monitor.model.stream import GRID_NS
from monitor.units import UNITS, Dimension

PASS, FAIL, NOT_JUDGED = CheckVerdict.PASS, CheckVerdict.FAIL, CheckVerdict.NOT_JUDGED
KNOWN: Final = int(Validity.DEGRADED)
"""Worst validity at which there is a number."""
LONGEST_S: Final = 1800.0
"""A check not finished by then ends as not judged: a forgotten one must not wait for readings of another job."""
_JUMP_M: Final = 0.03

Relation = Literal["", "at most", "at least", "near"]


@dataclass(frozen=True, slots=True)
class Conclusion:
    """The end of a check."""

    verdict: CheckVerdict
    reason: str


Outcome = bool | Conclusion
"""What a judge answers."""


class Run:
    """A check under way. Judges keep their numbers in `store` and `series`, and moments in `times_ns`: as floats these would lose
    steps of 256 ns. `hint` tells what is still waited for."""

    __slots__ = (
        "hint", "id", "measured", "progress", "series", "started_ns", "step", "step_ns", "store", "times_ns", "who"
    )  # fmt: skip

    def __init__(self, procedure: str, who: str, t_ns: int) -> None:
        self.id = procedure
        self.who = who
        self.started_ns = self.step_ns = t_ns
        self.step = 0
        self.hint = ""
        self.progress = 0.0
        self.store: dict[str, float] = {}
        self.times_ns: dict[str, int] = {}
        self.series: list[tuple[float, float]] = []
        self.measured: dict[str, CheckReading] = {}

    def measure(
        self, label: str, number: float, dimension: Dimension, relation: Relation = "", limit: float | None = None
    ) -> None:
        """Keep a number for the result, SI; NaN is kept as not known."""
        value = UNKNOWN if math.isnan(number) else Value(number, Validity.VALID)
        self.measured[label] = CheckReading(label, value, dimension, relation, limit)

    def restart(self, why: str) -> bool:
        """Start the measurement again from nothing; False, so that a judge can end with it."""
        self.store.clear()
        self.times_ns.clear()
        self.series.clear()
        self.measured.clear()
        self.hint, self.progress = why, 0.0
        return False

    def wait(self, hint: str, progress: float = 0.0) -> bool:
        """The step goes on; False."""
        self.hint, self.progress = hint, min(1.0, max(0.0, progress))
        return False


NOTHING: Final[frozenset[str]] = frozenset()


def _always(run: Run, now: GridPoint) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Step:
    """One step. `words` tell the crew what happens next by the site's own procedure; they command no machine.

    `crew`: it ends when the crew says so, and `judge` only objects (False with a hint). `watch` names rows of SIGNALS.
    """

    words: str
    watch: tuple[str, ...]
    judge: Callable[[Run, GridPoint], Outcome]
    crew: bool = False
    expects: frozenset[str] = NOTHING
    """Ids of the rules that this step brings about: suppressed by design while the check goes as it should."""


@dataclass(frozen=True, slots=True)
class Procedure:
    """One guided check: a row of PROCEDURES."""

    id: str
    title: str
    about: str
    look_at: str
    """What to look at when it fails."""
    every_h: Callable[[CheckSettings], float | None]
    """How often it is due; None where only an event makes it due."""
    after_cut: bool
    """Due after each cut and slip."""
    unfit: Callable[[Rig], str]
    """Why a rig cannot run it; empty when it can."""
    steps: tuple[Step, ...]
    as_tested: Callable[[Run, GridPoint], bool] = _always
    """Whether the block does what the test does, and nothing else; asked at each grid point of a step that expects."""


def known(now: GridPoint, quantity: str) -> float:
    """Last reading of `quantity`, SI; NaN when there is none to trust."""
    number, validity = now.readings[quantity]
    return number if validity <= KNOWN else math.nan


def height(now: GridPoint) -> float:
    """The block's height, m; NaN when not known."""
    return now.estimate.height_m if now.estimate.validity <= KNOWN else math.nan


def speed(now: GridPoint) -> float:
    """The block's speed, m/s, up positive; NaN when not known."""
    return now.estimate.speed_m_s if now.motion.validity <= KNOWN and now.estimate.validity <= KNOWN else math.nan


def height_corrected(run: Run, now: GridPoint) -> bool:
    """Whether the height has leapt since the last grid point as no block does: a reference or a mark corrected it."""
    at, v = height(now), speed(now)
    before = run.store.get("height before", at)
    run.store["height before"] = at
    return abs(at - before) > _JUMP_M + 2.0 * abs(v) * GRID_NS * 1e-9


def load(now: GridPoint) -> float:
    """Hook load, N; NaN when not known."""
    return now.load.hook_n if now.load.validity <= KNOWN else math.nan


def fitted(rig: Rig, quantities: Sequence[str]) -> tuple[str, ...]:
    """Those of `quantities` that have a sensor."""
    return tuple(name for name in quantities if rig.sensor_of(name) is not None)


def lacks(rig: Rig, *tables: Table) -> str:
    """Which of `tables` the rig's file has left out, in words; empty when it has all."""
    missing = " and ".join(f"[{name}]" for name in tables if not rig.has(name))
    return f"not fitted: the rig's file has no {missing}" if missing else ""


_SMALL_M: Final = 0.3
_SI: Final[dict[str, tuple[str, str, int]]] = {
    "small length": ("mm", "mm", 0),
    "length": ("m", "m", 2), "speed": ("m/s", "m/s", 2), "force": ("kN", "kN", 0), "pressure": ("bar", "bar", 1),
    "time": ("s", "s", 1), "fraction": ("percent", "%", 0), "torque": ("kN*m", "kN·m", 1), "current": ("A", "A", 0),
}  # fmt: skip
_FIELD: Final = _SI | {
    "small length": ("in", "in", 1), "length": ("ft", "ft", 1), "speed": ("ft/min", "ft/min", 1), "force": ("klbf", "klbf", 0),
    "pressure": ("psi", "psi", 0), "torque": ("ft*lbf", "ft·lbf", 0),
}  # fmt: skip
_SYSTEMS: Final = {"si": _SI, "metric": _SI | {"force": ("tf", "t", 1)}, "field": _FIELD}


def as_text(rig: Rig, number: float, dimension: Dimension | Literal["small length"]) -> str:
    """`number` (SI) as a record tells it, in the rig's own units; "unknown" for NaN."""
    if math.isnan(number):
        return "unknown"
    if dimension == "length" and abs(number) < _SMALL_M:
        dimension = "small length"
    name, label, decimals = _SYSTEMS[rig.units][dimension]
    return f"{UNITS[name].from_si(number):.{decimals}f} {label}"


def verdict_at_most(number: float, doubt: float, limit: float) -> CheckVerdict:
    """Whether `number` ± `doubt` is at most `limit`: PASS or FAIL when sure, NOT_JUDGED in between or for NaN."""
    if number + doubt <= limit:
        return PASS
    return FAIL if number - doubt > limit else NOT_JUDGED


def slope(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Least-squares slope of y over x, and the slope's standard deviation per unit of scatter in y.

    (NaN, inf) for fewer than three points.
    """
    n = len(points)
    if n < 3:
        return math.nan, math.inf
    mx, my = math.fsum(x for x, _ in points) / n, math.fsum(y for _, y in points) / n
    spread = math.fsum((x - mx) ** 2 for x, _ in points)
    if spread <= 0.0:
        return math.nan, math.inf
    return math.fsum((x - mx) * (y - my) for x, y in points) / spread, 1.0 / math.sqrt(spread)


def seconds(now: GridPoint, since_ns: int) -> float:
    """From `since_ns` to the present grid point, s."""
    return (now.t_ns - since_ns) * 1e-9
