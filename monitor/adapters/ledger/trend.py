"""Where a measured quantity is heading over days and months: a robust line, and a date only where the data carries one.

The slope is the median of the slopes between all pairs of points, with its confidence interval from Kendall's statistic
(Theil 1950; Sen, "Estimates of the regression coefficient based on Kendall's tau", J. Am. Stat. Assoc. 63, 1968). A few
bad days do not move it.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from types import MappingProxyType
from typing import Final

from monitor.adapters.ledger.entries import BRAKE_FIGURES
from monitor.adapters.ledger.ledger import Entry

DAY_NS: Final = 86_400_000_000_000
FEWEST_POINTS: Final = 8
"""Fewer points give no trend."""
SHORTEST_DAYS: Final = 14.0
"""Points over fewer days give no trend."""
_OF_PADS: Final = frozenset(("effectiveness", "response_s"))
"""Begin again with new pads."""
_SIGMA_OF_MAD: Final = 1.4826
_MEDIAN_OVER_MEAN: Final = 1.2533
_Z95: Final = 1.96
"""Of a normal scatter: its sigma over the median of the distances, a median's sigma over a mean's, and 95 % of it."""


@dataclass(frozen=True, slots=True)
class Trend:
    """A robust line through points over time. Slopes are per day, in the points' own unit."""

    points: int
    days: float
    """From the first point to the last."""
    level: float
    """The line's value at the last point."""
    slope: float
    slope_low: float
    slope_high: float
    """95 % confidence interval of the slope."""
    reaches_ns: int | None = None
    """When the line reaches the bound asked about; None where the data does not carry a date."""
    reaches_earliest_ns: int | None = None
    reaches_latest_ns: int | None = None
    """The same from both ends of the slope's interval and of the line's height, all at their worst together; the latest
    is None when that lies beyond all horizon."""

    @property
    def certain(self) -> bool:
        """Whether the interval of the slope leaves out zero: something is really changing."""
        return self.slope_low > 0.0 or self.slope_high < 0.0


def trend(points: Sequence[tuple[int, float]], bound: float | None = None) -> Trend | None:
    """The trend of `points` (time in ns, value), and when it reaches `bound`. None where there are too few or too close.

    A date is given only where the slope is certain, leads to the bound, and gets there within as many days ahead as
    there are days of data behind: a line says nothing about a time longer than it has been watched.
    """
    if len(points) < FEWEST_POINTS:
        return None
    ordered = sorted(points)
    days = (ordered[-1][0] - ordered[0][0]) / DAY_NS
    if days < SHORTEST_DAYS:
        return None
    from scipy.stats import theilslopes

    last_ns = ordered[-1][0]
    x = [(t_ns - last_ns) / DAY_NS for t_ns, _ in ordered]
    y = [value for _, value in ordered]
    slope, level, low, high = (float(part) for part in theilslopes(y, x, 0.95))
    found = Trend(len(ordered), days, level, slope, low, high)
    if bound is None or not found.certain:
        return found
    missing = bound - level
    if missing * slope <= 0.0 or missing / slope > days:
        return found
    # Lines of other slopes turn about the middle of the points, whose own height is known to `doubt`.
    middle_days, middle = median(x), median(y)
    scatter = _SIGMA_OF_MAD * median(abs(value - level - slope * at) for at, value in zip(x, y, strict=True))
    doubt = _Z95 * _MEDIAN_OVER_MEAN * scatter / math.sqrt(len(y))
    doubt = math.copysign(doubt, slope)
    steep, flat = (low, high) if slope < 0.0 else (high, low)
    earliest = middle_days + (bound - middle - doubt) / steep
    latest = middle_days + (bound - middle + doubt) / flat
    return Trend(
        *(found.points, days, level, slope, low, high),
        reaches_ns=last_ns + round(missing / slope * DAY_NS),
        reaches_earliest_ns=last_ns + round(max(0.0, earliest) * DAY_NS),
        reaches_latest_ns=last_ns + round(latest * DAY_NS) if latest <= 10 * days else None,
    )


@dataclass(frozen=True, slots=True)
class BrakeTrend:
    """What the ledger knows of the trend of one of `BRAKE_FIGURES`."""

    name: str
    points: int
    pads_ns: int | None
    """When the pads were last changed, where the figure begins again with that."""
    last_ns: int | None
    """The latest point; None where there is none."""
    bound: float | None
    found: Trend | None
    """None where there are too few points, or over too short a time."""


def brake_trends(entries: Sequence[Entry], bounds: Mapping[str, float] = MappingProxyType({})) -> Iterator[BrakeTrend]:
    """The trend of each brake figure, and when it reaches its bound. What was found before the last change of the pads does not
    hold for those now."""
    pads_ns = max((entry.t_ns for entry in entries if entry.kind == "pads"), default=None)
    for name in BRAKE_FIGURES:
        since_ns = pads_ns if name in _OF_PADS else None
        points = [
            (entry.t_ns, entry.numbers[name])
            for entry in entries
            if entry.kind == "brake" and name in entry.numbers and (since_ns is None or entry.t_ns > since_ns)
        ]
        bound = bounds.get(name)
        last_ns = max((t_ns for t_ns, _ in points), default=None)
        yield BrakeTrend(name, len(points), since_ns, last_ns, bound, trend(points, bound))
