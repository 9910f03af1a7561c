"""Why the height drifts: four causes, distinguished by where and when the outside heights disagree.

Each outside height (a mark, a second source) leaves one record: turns on the drum as counted, load,
and how much higher the block really was than the configured curve said. Four curves are laid through the records, each
with one unknown, by weighted least squares:

    lost counts     nothing before one event, the same everywhere after it      d = c for t >= t_k
    rope diameter   grows with every layer away from the datum                  d = c dh/d(ln d)
    start wrap      steps about the layer changes, which lie c wraps off        d = h(t + c) - h(t), less the datum's
    stretch         follows the load and comes back with it                     d = c (stretch under load)

What is known beforehand counts along: ropes differ by a percent or two, a wrong start wrap is rare (on a worn rope with
few records the two look much alike). The curve that leaves least is named if it explains what the others do not: its
chi-square must be far below that of "no drift" and clearly below the runner-up's. Otherwise only the fact of a
difference is stated. Derived here.
"""

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import astuple, dataclass
from typing import Any, Final

from monitor.core.estimator.height_map import HeightMap
from monitor.core.saved_state import number, numbers, whole

RECORDS: Final = 48
CERTAIN: Final = 16.0
"""How much the chi-square must fall against no drift at all: 4 sigmas."""
CLEAR: Final = 4.6
"""How much below the runner-up's it must lie: odds of ten to one, exp(4.6/2)."""
ROPE_SIGMA: Final = 0.02
"""How far a rope's diameter usually is from the configured one: wear and oversize (common practice, no source)."""
WRAPS_PENALTY: Final = 6.0
"""A wrong start wrap is a mistake, a worn rope is not: odds of twenty to one against it beforehand."""
WORTH_SAYING_M: Final = 0.10
"""A difference without a cause is mentioned from here on (common practice, no source)."""
POOR: Final = 4.0
"""Chi-square per record above which the best curve is not an explanation either."""


OTHER_WORK_M: Final = 5.0
"""Half a single: set-downs further apart are not of one kind of work."""
FARTHEST_M: Final = 1000.0
"""No mast is so high: a height that differs by more says nothing about the drum."""


@dataclass(frozen=True, slots=True)
class Record:
    """One outside height: `difference_m` is it minus the configured curve at the counted `turns`."""

    t_ns: int
    turns: float
    stretch_m: float
    """Stretch under the load then, against the load of the datum, m."""
    difference_m: float
    sigma_m: float


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What the records say. `cause`: "", "counts", "rope", "wraps", "stretch" or "unclear"; `amount`: its size."""

    cause: str
    amount: float
    text: str


NO_DRIFT: Final = Diagnosis("", 0.0, "")


def _scaled(records: list[Record], shape: Callable[[Record], float]) -> tuple[float, float]:
    """(chi-square, amplitude) of the best multiple of a shape."""
    top = sum((shape(r) * r.difference_m / r.sigma_m**2 for r in records), 0.0)
    bottom = sum(((shape(r) / r.sigma_m) ** 2 for r in records), 0.0)
    amount = top / bottom if bottom > 0.0 else 0.0
    return sum((((r.difference_m - amount * shape(r)) / r.sigma_m) ** 2 for r in records), 0.0), amount


def _lost_counts(records: list[Record]) -> tuple[float, float]:
    best = (float("inf"), 0.0)
    for k in range(len(records)):
        since = records[k].t_ns
        best = min(best, _scaled(records, lambda r, since=since: 1.0 if r.t_ns >= since else 0.0))  # type: ignore[misc]
    return best


def _rope(records: list[Record], layers: HeightMap) -> tuple[float, float]:
    chi, amount = _scaled(records, lambda r: layers.locate(layers.height(r.turns))[2])
    return chi + (amount / ROPE_SIGMA) ** 2, amount


def _start_wrap(records: list[Record], layers: HeightMap) -> tuple[float, float]:
    best = (float("inf"), 0.0)
    for half in range(-24, 25):
        wraps = half / 2.0
        base = layers.height(layers.turns + wraps) - layers.height_m
        away = (r.difference_m - (layers.height(r.turns + wraps) - layers.height(r.turns) - base) for r in records)
        chi = sum(((d / r.sigma_m) ** 2 for d, r in zip(away, records, strict=True)), 0.0)
        best = min(best, (chi + WRAPS_PENALTY, wraps))
    return best


def explain(records: list[Record], layers: HeightMap) -> Diagnosis:
    """The cause of the differences in `records` (in order of time) on the curve `layers`."""
    none = sum(((r.difference_m / r.sigma_m) ** 2 for r in records), 0.0)
    if len(records) < 3 or none < CERTAIN:
        return NO_DRIFT
    found = {
        "counts": _lost_counts(records),
        "rope": _rope(records, layers),
        "wraps": _start_wrap(records, layers),
        "stretch": _scaled(records, lambda r: -r.stretch_m),
    }
    ranked = sorted(found, key=lambda cause: found[cause][0])
    (chi, amount), (second, _) = found[ranked[0]], found[ranked[1]]
    if none - chi < CERTAIN:
        return NO_DRIFT
    last = records[-1].difference_m
    if second - chi < CLEAR or chi > POOR * len(records):
        if abs(last) < WORTH_SAYING_M:
            return NO_DRIFT
        return Diagnosis("unclear", last, f"outside heights differ by {last:+.2f} m: cause not clear yet")
    match ranked[0]:
        case "counts":
            text = f"height off by {amount:+.2f} m since one moment: counts lost, look at the encoder's drive"
        case "rope":
            text = f"error grows with each layer: rope {100 * amount:+.1f} % against the configured diameter"
        case "wraps":
            text = f"layer changes lie off: {amount:+.1f} wraps on the drum against those given at the datum"
        case _:
            text = f"error follows the load: rope stretches {100 * (1.0 + amount):.0f} % of what the file says"
    return Diagnosis(ranked[0], amount, text)


class DriftWatch:
    """Keeps the records since the datum was last renewed, and the diagnosis of them."""

    __slots__ = ("_heights", "_layers", "_records", "diagnosis")

    def __init__(self, layers: HeightMap) -> None:
        """`layers` is the curve before anything was learned: differences are stated against it."""
        self._layers = layers
        self._records: deque[Record] = deque(maxlen=RECORDS)
        self._heights: deque[float] = deque(maxlen=RECORDS)
        self.diagnosis = NO_DRIFT

    def restart(self, layers: HeightMap) -> None:
        """A new datum: what came before no longer compares."""
        self._layers = layers
        self._records.clear()
        self._heights.clear()
        self.diagnosis = NO_DRIFT

    def state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values."""
        return {
            "turns": self._layers.turns,
            "height_m": self._layers.height_m,
            "rope_m": self._layers.drum.rope_diameter_m,
            "records": [list(astuple(record)) for record in self._records],
            "set_downs_m": list(self._heights),
        }

    def restore(self, saved: Mapping[str, Any], layers: HeightMap) -> None:
        """Take up what `state` gave, for the drum of `layers`.

        Raises:
            ValueError: it is not such a state.
        """
        rope = number(saved, "rope_m", 0.5 * layers.drum.rope_diameter_m, 2.0 * layers.drum.rope_diameter_m)
        base = layers.moved(
            number(saved, "turns", 0.0, 1e4),
            number(saved, "height_m", -200.0, 200.0),
            rope / layers.drum.rope_diameter_m - 1.0,
        )
        rows = saved.get("records")
        if not isinstance(rows, list) or len(rows) > RECORDS:
            raise ValueError("records: no list")
        records = []
        for row in rows:
            if not isinstance(row, list) or len(row) != 5:
                raise ValueError("records: a row is none")
            turns, stretch, difference, sigma = numbers({"row": row[1:]}, "row", 4)
            records.append(Record(whole({"t_ns": row[0]}, "t_ns"), turns, stretch, difference, max(sigma, 1e-3)))
        heights = numbers(saved, "set_downs_m", most=RECORDS)
        self.restart(base)
        self._records.extend(records)
        self._heights.extend(heights)
        self.diagnosis = explain(records, base)

    def add(self, t_ns: int, turns: float, height_m: float, stretch_m: float, sigma_m: float) -> Diagnosis:
        """An outside height (unloaded, m) at `turns` as counted from the datum; the diagnosis with it."""
        difference = height_m - self._layers.height(turns)
        if not -FARTHEST_M < difference < FARTHEST_M:
            return self.diagnosis
        self._records.append(Record(t_ns, turns, stretch_m, difference, sigma_m))
        self.diagnosis = explain(list(self._records), self._layers)
        return self.diagnosis

    def set_down(self, height_m: float) -> str:
        """A set-down of the string in slips at `height_m`: words where the last three lie off those before, else ''.

        Slips are set where the tool joint comes to hand, stand after stand within a few decimetres. One is no evidence;
        three in a row that all lie off by more than the scatter of the rest are. A stand or a single away they are set for
        other work: out of the hole at the top of the stroke, into it at its foot.
        """
        self._heights.append(height_m)
        last = list(self._heights)[-3:]
        before = [height for height in list(self._heights)[:-3] if abs(height - last[-1]) < OTHER_WORK_M]
        if len(before) < 6:
            return ""
        mean = sum(before, 0.0) / len(before)
        scatter = (sum(((h - mean) ** 2 for h in before), 0.0) / (len(before) - 1)) ** 0.5
        off = sum(last, 0.0) / 3 - mean
        if min(abs(h - mean) for h in last) > max(3.0 * scatter, 0.15) and max(last) - min(last) < abs(off):
            return f"the last three set-downs lie {off:+.2f} m from those before: check the height"
        return ""
