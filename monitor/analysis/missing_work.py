"""Line work of times that nobody saw: estimated apart from what was seen, and never added to it.

Where height or load was not known, or nothing was recorded, work went on as a rule as it did before and after: the estimate is
the mean rate of the known time within `AROUND_S` (or as long as the hole itself) on both sides; where nothing is known around,
that of the whole record. It says how much is likely to be missing, not what was done. Derived here.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.analysis.known import runs

AROUND_S: Final = 3600.0
LEAST_S: Final = 15.0
"""A time without height or load shorter than this is bridged, and nothing is missing (`monitor.core.hoist.line_work`)."""


@dataclass(frozen=True, slots=True)
class MissingWork:
    """What is likely to be missing from a sum of line work."""

    seconds: float
    """Not seen."""
    joules: float


def missing_work(
    t_ns: npt.NDArray[np.int64],
    work_j: npt.NDArray[np.float64],
    known: npt.NDArray[np.bool_],
    bridged_s: float = LEAST_S,
) -> MissingWork:
    """The estimate for rows at `t_ns`: work so far, and whether height and load were known there. Rows further apart than
    `bridged_s` have a hole between them; a time without either up to `bridged_s` is bridged."""
    if len(t_ns) < 2:
        return MissingWork(0.0, 0.0)
    t_s = (t_ns - t_ns[0]) * 1e-9
    step_s = np.diff(t_s)
    seen = known[:-1] & known[1:] & (step_s <= bridged_s)
    holes = [(t_s[first], t_s[after]) for first, after in runs(~seen)]
    known_s = np.concatenate(([0.0], np.cumsum(np.where(seen, step_s, 0.0))))
    seconds = joules = 0.0
    for from_s, to_s in holes:
        lasted_s = to_s - from_s
        if lasted_s <= bridged_s:
            continue
        around_s = max(AROUND_S, lasted_s)
        first = int(np.searchsorted(t_s, from_s - around_s))
        last = min(len(t_s) - 1, int(np.searchsorted(t_s, to_s + around_s)))
        if known_s[last] - known_s[first] < AROUND_S / 10.0:
            first, last = 0, len(t_s) - 1
        if known_s[last] > known_s[first]:
            joules += (work_j[last] - work_j[first]) / (known_s[last] - known_s[first]) * lasted_s
        seconds += lasted_s
    return MissingWork(float(seconds), float(joules))
