"""What is not known about the drum's curve: an offset (missed counts, the crew's own reading), the rope diameter, the wraps at
the datum.

Each outside height (a reference, a height mark, a set-down in slips, a second source) is one scalar measurement of the three,
so they are distinguished by where on the curve they disagree; the bound on the height is their joint variance at the present
turns, which grows with distance and layers from the datum and shrinks with evidence. `Datum` proposes corrections; the
estimator applies them.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from monitor.core.saved_state import number, numbers
from monitor.model.reading import Z99

DATUM_GATE: Final = 10.83
"""Chi-square, one degree of freedom, 99.9 %."""


@dataclass(frozen=True, slots=True)
class Correction:
    """What one outside height changes: offset in metres, rope diameter as a fraction, wraps at the datum."""

    offset_m: float
    rope: float
    wraps: float
    test_ratio: float
    """Squared innovation over its variance and the gate: above 1, the three could not have explained it."""


class Datum:
    """Joint doubt about offset (m), rope diameter (fraction) and wraps at the datum: three states, scalar updates."""

    __slots__ = ("_rope_sigma", "_wraps_sigma", "p", "rope", "wraps")

    def __init__(self, offset_sigma_m: float, rope_sigma: float, wraps_sigma: float) -> None:
        self._rope_sigma = rope_sigma
        self._wraps_sigma = wraps_sigma
        self.rope = 0.0
        """Rope diameter found so far against the configured one, as a fraction."""
        self.wraps = 0.0
        """Wraps at the datum found so far against those given."""
        self.p = (offset_sigma_m**2, 0.0, 0.0, rope_sigma**2, 0.0, wraps_sigma**2)

    def state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values."""
        return {"rope": self.rope, "wraps": self.wraps, "p": list(self.p)}

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up what `state` gave.

        Raises:
            ValueError: it is not such a state.
        """
        oo, orr, ow, rr, rw, ww = numbers(saved, "p", 6)
        # A covariance: no variance below zero, no correlation beyond one.
        near = 1.0 + 1e-9
        if min(oo, rr, ww) < 0.0 or orr * orr > near * oo * rr or ow * ow > near * oo * ww or rw * rw > near * rr * ww:
            raise ValueError("p: no covariance")
        rope, wraps = number(saved, "rope", -0.5, 0.5), number(saved, "wraps", -1000.0, 1000.0)
        self.rope, self.wraps, self.p = rope, wraps, (oo, orr, ow, rr, rw, ww)

    @property
    def rope_bound(self) -> float:
        """99 % half-width of the rope's diameter, as a fraction."""
        return Z99 * math.sqrt(self.p[3])

    def variance(self, by_rope: float, by_wraps: float) -> float:
        """Variance of the height, m^2, where it changes by these two slopes (see `HeightMap.locate`)."""
        oo, orr, ow, rr, rw, ww = self.p
        return oo + by_rope * (2.0 * orr + by_rope * rr) + by_wraps * (2.0 * ow + by_wraps * ww + 2.0 * by_rope * rw)

    def restart(self, offset_sigma_m: float, *, rope_known: bool = True, wraps_known: bool = True) -> None:
        """A new datum: the offset is as good as its reading; rope and wraps keep what was learned, unless not known."""
        _, _, _, rr, rw, ww = self.p
        if not rope_known:
            rr, rw, self.rope = self._rope_sigma**2, 0.0, 0.0
        if not wraps_known:
            ww, rw, self.wraps = self._wraps_sigma**2, 0.0, 0.0
        self.p = (offset_sigma_m**2, 0.0, 0.0, rr, rw, ww)

    def widen(self, offset_sigma_m: float) -> None:
        """Something happened that may have moved the offset by about `offset_sigma_m`."""
        self.p = (self.p[0] + offset_sigma_m**2, *self.p[1:])

    def check(self, innovation_m: float, by_rope: float, by_wraps: float, sigma_m: float) -> float:
        """Test ratio of an outside height that differs by `innovation_m`: above 1 it cannot be explained."""
        return innovation_m * innovation_m / ((self.variance(by_rope, by_wraps) + sigma_m**2) * DATUM_GATE)

    def observe(self, innovation_m: float, by_rope: float, by_wraps: float, sigma_m: float) -> Correction:
        """Take in an outside height; `innovation_m` is it minus the estimate, `sigma_m` the doubt of both outside this.

        A difference the three cannot explain goes to the offset: counts were lost, or the crew's figure is another.
        """
        ratio = self.check(innovation_m, by_rope, by_wraps, sigma_m)
        if ratio > 1.0:
            self.widen(abs(innovation_m))
            # What was believed of rope and wraps is not to be bent by an event that is neither.
            oo, _, _, rr, rw, ww = self.p
            self.p = (oo, 0.0, 0.0, rr, rw, ww)
            s = oo + sigma_m**2
            gain = oo / s
            self.p = (oo * (1.0 - gain), 0.0, 0.0, rr, rw, ww)
            return Correction(gain * innovation_m, 0.0, 0.0, ratio)
        oo, orr, ow, rr, rw, ww = self.p
        po = oo + by_rope * orr + by_wraps * ow
        pr = orr + by_rope * rr + by_wraps * rw
        pw = ow + by_rope * rw + by_wraps * ww
        s = po + by_rope * pr + by_wraps * pw + sigma_m**2
        ko, kr, kw = po / s, pr / s, pw / s
        self.p = (oo - ko * po, orr - ko * pr, ow - ko * pw, rr - kr * pr, rw - kr * pw, ww - kw * pw)
        rope, wraps = kr * innovation_m, kw * innovation_m
        self.rope += rope
        self.wraps += wraps
        return Correction(ko * innovation_m, rope, wraps, ratio)
