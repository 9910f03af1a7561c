"""What the estimator says: the motion of the block, and how each position sensor fares."""

from dataclasses import dataclass
from math import nan
from typing import Final

from monitor.model.reading import Validity


class Estimate:
    """The motion of the block at `t_ns`. Sigmas are one standard deviation, bounds 99 % half-widths.

    `height_m` is NaN where `validity` is INVALID. `layer` counts from 1; `radius_m` is to the rope's centre there.
    `slow` says that readings come seconds apart.
    """

    __slots__ = (
        "acceleration_m_s2",
        "acceleration_sigma_m_s2",
        "expected",
        "height_bound_m",
        "height_m",
        "height_sigma_m",
        "layer",
        "may_be_off_m",
        "radius_m",
        "read_m",
        "read_ns",
        "slow",
        "speed_bound_m_s",
        "speed_m_s",
        "speed_sigma_m_s",
        "stop_bound_m",
        "t_ns",
        "turns",
        "unconfirmed_m",
        "validity",
    )

    def __init__(
        self,
        t_ns: int,
        height_m: float,
        speed_m_s: float,
        acceleration_m_s2: float,
        height_sigma_m: float,
        speed_sigma_m_s: float,
        acceleration_sigma_m_s2: float,
        height_bound_m: float,
        speed_bound_m_s: float,
        validity: Validity,
        turns: float,
        layer: int,
        radius_m: float,
        slow: bool,
        unconfirmed_m: float = 0.0,
        expected: "Estimate | None" = None,
        read_ns: int = 0,
        read_m: float = nan,
        may_be_off_m: float = 0.0,
        stop_bound_m: float = nan,
    ) -> None:
        self.t_ns: Final = t_ns
        self.height_m: Final = height_m
        self.speed_m_s: Final = speed_m_s
        self.acceleration_m_s2: Final = acceleration_m_s2
        self.height_sigma_m: Final = height_sigma_m
        self.speed_sigma_m_s: Final = speed_sigma_m_s
        self.acceleration_sigma_m_s2: Final = acceleration_sigma_m_s2
        self.height_bound_m: Final = height_bound_m
        self.speed_bound_m_s: Final = speed_bound_m_s
        self.validity: Final = validity
        self.turns: Final = turns
        self.layer: Final = layer
        self.radius_m: Final = radius_m
        self.slow: Final = slow
        self.unconfirmed_m: Final = unconfirmed_m
        """Of the bound, what a check of the height at a known point would take away."""
        self.expected = expected
        """While nothing new comes: what is to be expected, without the doubt that only silence adds (`prediction.in_pause`).
        What warns of a limit goes by it."""
        self.read_ns: Final = read_ns
        self.read_m: Final = read_m
        """Of slow data: when the last believed reading was taken, and what height it said; no motion is made up in between."""
        self.may_be_off_m: Final = may_be_off_m
        """Of the bound, what a ready-made position may be off by as a whole."""
        self.stop_bound_m: Final = stop_bound_m if stop_bound_m == stop_bound_m else height_bound_m
        """The bound for what warns of a limit: what counts may have missed since a known height at one sigma only. That some were
        lost unseen and that the hand comes late, too, is rarer than either (derived here)."""


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
