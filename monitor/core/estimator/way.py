"""The way of the block, and what may have gone unseen on it since the height was last known."""

from math import hypot
from typing import Final

from monitor.core.estimator.place_filter import bound_about_m
from monitor.model.reading import Z99

UNSEEN_WAY_M: Final = 30.0
UNSEEN_S: Final = 600.0
"""After so much way, or so much time, what may go unseen may all have come (common practice, no source)."""
MOST_SUSPECTED_M: Final = 0.5
"""A suspicion alone widens the bound by no more: that is enough for the crew to be asked, and the height stays known."""
WAY_STEP_M: Final = 0.05
"""The way is added up in steps of this, so that noise at rest adds nothing."""


class Way:
    """Adds up how far the block went, either way, in metres of unloaded line."""

    __slots__ = (
        "_from_m",
        "known_ns",
        "known_way_m",
        "missed_m",
        "missed_sigma_m",
        "suspected_m",
        "total_m",
        "unconfirmed_m",
    )

    def __init__(self) -> None:
        self.unconfirmed_m = 0.0
        """Way since the height was last confirmed from outside, m."""
        self.missed_m = self.missed_sigma_m = 0.0
        """What connections showed of counts missed until then, and the doubt that they left, m."""
        self.suspected_m = 0.0
        """What the last connections point at without being evidence, m."""
        self.known_ns: int | None = None
        """When the height was last known to centimetres from outside; None where that was not in this run."""
        self.known_way_m = 0.0
        """Way since then, m."""
        self.total_m = 0.0
        """All the way since the start, m."""
        self._from_m = 0.0

    def start(self, x: float) -> None:
        """The block is at `x` now; how it came there is no way."""
        self._from_m = x

    def travel_to(self, x: float) -> None:
        """Add up the way."""
        moved = abs(x - self._from_m)
        if moved > WAY_STEP_M:
            self.unconfirmed_m += moved
            self.known_way_m += moved
            self.total_m += moved
            self._from_m = x

    def known(self, t_ns: int) -> None:
        """The height is confirmed to centimetres: by the crew, a mark, or a second source of another kind."""
        self.known_ns = t_ns
        self.known_way_m = self.suspected_m = 0.0
        self.confirmed(0.0, 0.0)

    def confirmed(self, missed_m: float, sigma_m: float) -> None:
        """A connection agrees: the counts may have missed so much until now."""
        self.unconfirmed_m = 0.0
        self.missed_m, self.missed_sigma_m = missed_m, sigma_m

    def unconfirmed_bound_m(self, counting: float) -> float:
        """99 % bound on what counts may have missed by now, m, where they miss up to `counting` of the way."""
        missed_m = max(abs(self.missed_m), min(abs(self.suspected_m), MOST_SUSPECTED_M))
        return bound_about_m(missed_m, hypot(self.missed_sigma_m, counting * self.unconfirmed_m / Z99))

    def likely_missed_m(self, counting: float) -> float:
        """The same at one sigma, m: what connections show to be missed, and the standard doubt that they left. What is only
        suspected is not in it."""
        return abs(self.missed_m) + hypot(self.missed_sigma_m, counting * self.unconfirmed_m / Z99)

    def unseen_share(self, t_ns: int) -> float:
        """How much of what may go unseen can have come since the height was known, 0 to 1: it comes with way and with time, for
        rope slips at rest, too (common practice, no source)."""
        if self.known_ns is None:
            return 1.0
        share = self.known_way_m / UNSEEN_WAY_M + (t_ns - self.known_ns) * 1e-9 / UNSEEN_S
        return share if share < 1.0 else 1.0
