"""What the estimator says: the motion of the block, and how each position sensor fares."""

from dataclasses import dataclass
from math import nan
from typing import NamedTuple

from monitor.model.reading import Validity


class Estimate(NamedTuple):
    """The motion of the block at `t_ns`. Sigmas are one standard deviation, bounds 99 % half-widths.

    `height_m` is NaN where `validity` is INVALID. `layer` counts from 1; `radius_m` is to the rope's centre there.
    `slow` says that readings come seconds apart.
    """

    t_ns: int
    height_m: float
    speed_m_s: float
    acceleration_m_s2: float
    height_sigma_m: float
    speed_sigma_m_s: float
    acceleration_sigma_m_s2: float
    height_bound_m: float
    speed_bound_m_s: float
    validity: Validity
    turns: float
    layer: int
    radius_m: float
    slow: bool
    unconfirmed_m: float = 0.0
    """Of the bound, what a check of the height at a known point would take away."""
    expected: "Estimate | None" = None
    """While nothing new comes: what is to be expected, without the doubt that only silence adds (`prediction.in_pause`).
    What warns of a limit goes by it."""
    read_ns: int = 0
    read_m: float = nan
    """Of slow data: when the last believed reading was taken, and what height it said; no motion is made up in between."""


@dataclass(frozen=True, slots=True)
class Fusion:
    """Health record of one position or mark sensor. Metres and seconds; None where nothing was there to compare."""

    innovation: float | None = None
    test_ratio: float | None = None
    fused: int = 0
    rejected: int = 0
    rejecting: bool = False
    latency_s: float | None = None
    offset_to_lead_m: float | None = None
    """Difference from the leading source (second source) or from the estimate at the last switch (mark), m."""
    diagnosis: str = ""
