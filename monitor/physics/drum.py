"""The drum: from turns of a shaft to metres of rope, and from there to the height of the block.

Rope does not wind onto a cylinder but onto itself. The first layer lies on the bare drum; the second in the valleys
of the first, so it is not a full rope diameter further out but about sqrt(3)/2 of it (three touching circles form an
equilateral triangle). Where the rope climbs from one groove to the next it must cross the strand below, and there it
rides a full diameter higher; a real drum is therefore a little above 0.866, and "nesting" is a parameter here.

A turn on the third layer moves the block some 15 % further than a turn on the first. An encoder knows turns, the crew
fears metres: one fixed counts-per-metre, set on layer 1, reads 14 % short on layer 3. Fitting a straight line through a
low and a high reference looks better, since it is exact at both ends, and is worse where nobody looks: the true curve
is a chain of straight pieces, each steeper than the one before, which sags below that line by more than a metre on an
ordinary land rig. Hence everything here is piecewise linear in the turns, with a kink at each layer change.

The kinks are also the fingerprint of trouble. After a cut and slip a different amount of rope lies on the drum, and the
kinks move. A worn rope is thinner: the error grows with each layer. Missed counts shift everything by the same amount.
Under load the rope stretches: the block hangs lower, and comes back when the load goes. Those four look alike in one
height error and unlike in their pattern, which is what `calibration` uses.

"Turns" always means wraps that lie on the drum, counted from the first wrap of layer 1, dead wraps included. Hoisting
adds turns.
"""

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from monitor.units import FOOT_M as foot
from monitor.units import INCH_M as inch
from monitor.units import PSI_PA as psi


@dataclass(frozen=True, slots=True)
class DrumGeometry:
    """A drum and the rope on it: what turns of the shaft mean in metres of rope.

    `core_diameter_m` is the bare (root) diameter; `rope_diameter_m` the rope as it lies there, worn or new;
    `wraps_per_layer` need not be whole; `nesting` is the rise per layer in rope diameters (0.866 nested, 1.0 stacked);
    `dead_wraps` are the wraps that must never leave the drum.

    Raises:
        ValueError: a dimension that no drum can have; the sentence names it.
    """

    core_diameter_m: float
    rope_diameter_m: float
    wraps_per_layer: float
    nesting: float = 0.866
    max_layers: int = 6
    dead_wraps: float = 3.0
    _radius_m: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _per_turn_m: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _start_turns: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _start_line_m: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Check the dimensions and lay out one entry per layer."""
        core, rope, wraps = self.core_diameter_m, self.rope_diameter_m, self.wraps_per_layer
        if not (math.isfinite(core) and core > 0):
            raise ValueError(f"core_diameter_m is {core}: a drum needs a diameter above zero")
        if not (math.isfinite(rope) and 0 < rope < core):
            raise ValueError(f"rope_diameter_m is {rope}: must be above zero and below the drum ({core} m)")
        if not (math.isfinite(wraps) and wraps >= 1):
            raise ValueError(f"wraps_per_layer is {wraps}: a layer holds at least one wrap")
        if not 0.5 <= self.nesting <= 1.1:
            raise ValueError(f"nesting is {self.nesting}: 0.866 is nested, 1.0 stacked; use 0.5 to 1.1")
        if self.max_layers < 1:
            raise ValueError(f"max_layers is {self.max_layers}: a drum holds at least one layer")
        if not 0 <= self.dead_wraps < wraps * self.max_layers:
            raise ValueError(f"dead_wraps is {self.dead_wraps}: must be from 0 to less than all wraps of the full drum")
        first = (core + rope) / 2
        radius = tuple(first + k * self.nesting * rope for k in range(self.max_layers))
        per_turn = tuple(2 * math.pi * r for r in radius)
        lines = [0.0]
        for rise in per_turn[:-1]:
            lines.append(lines[-1] + rise * wraps)
        put = object.__setattr__
        put(self, "_radius_m", radius)
        put(self, "_per_turn_m", per_turn)
        put(self, "_start_turns", tuple(k * wraps for k in range(self.max_layers)))
        put(self, "_start_line_m", tuple(lines))

    def _index(self, turns: float) -> int:
        """Layer index from 0, held inside the layers that exist."""
        return bisect_right(self._start_turns, turns) - 1 if turns > 0 else 0

    def layer(self, turns: float) -> int:
        """Layer (1 is the first) on which the wrap after `turns` full wraps lies; the last layer beyond a full drum."""
        return self._index(turns) + 1

    def radius_m(self, turns: float) -> float:
        """Radius to the rope's centre, m, where the rope leaves the drum with `turns` wraps on it.

        r_k = D/2 + d/2 + (k - 1) c d for layer k, with c the nesting (wire-rope handbooks; c = sqrt(3)/2 from three
        touching circles, derived here).
        """
        return self._radius_m[self._index(turns)]

    def line_m(self, turns: float) -> float:
        """Rope on the drum, m, with `turns` wraps on it: the sum of 2 pi r_k over the wraps of each layer.

        Exact and continuous across layer changes. Below zero the first layer, beyond a full drum the last layer, goes
        on at its own slope, so that an estimate which runs slightly out of range still has a meaning. The helix of a
        wrap adds about 0.01 % and is left out.
        """
        k = bisect_right(self._start_turns, turns) - 1 if turns > 0 else 0
        return self._start_line_m[k] + self._per_turn_m[k] * (turns - self._start_turns[k])

    def turns(self, line_m: float) -> float:
        """Wraps on the drum when `line_m` metres of rope lie on it: the exact inverse of `line_m`."""
        k = bisect_right(self._start_line_m, line_m) - 1 if line_m > 0 else 0
        return self._start_turns[k] + (line_m - self._start_line_m[k]) / self._per_turn_m[k]

    def block_travel_per_turn_m(self, turns: float, lines: int) -> float:
        """Travel of the block per turn of the drum, m, on the layer in use: 2 pi r_k / N with `lines` strung."""
        return self._per_turn_m[self._index(turns)] / lines

    @property
    def capacity_m(self) -> float:
        """Rope that fills every layer, m."""
        return self._start_line_m[-1] + self._per_turn_m[-1] * self.wraps_per_layer

    @property
    def capacity_turns(self) -> float:
        """Wraps that fill every layer."""
        return self.wraps_per_layer * self.max_layers

    @property
    def layer_change_turns(self) -> tuple[float, ...]:
        """Wraps at which a new layer begins (without the first): the kinks of the height curve."""
        return self._start_turns[1:]

    def dead_wraps_left(self, turns: float) -> float:
        """Wraps left above the dead wraps; negative when dead wraps have been paid out.

        Three dead wraps are preferred by wire-rope handbooks and required by many codes: by the capstan equation their
        grip is exp(6 pi mu), 6.6 at mu = 0.1 (derived here).
        """
        return turns - self.dead_wraps


def turns_from_counts(counts: float, counts_per_turn: float, start_turns: float) -> float:
    """Wraps on the drum from an encoder's `counts` since a reference at which `start_turns` wraps lay on it.

    Raises:
        ValueError: `counts_per_turn` is zero.
    """
    if counts_per_turn == 0:
        raise ValueError("counts_per_turn is 0: an encoder that never counts cannot give turns")
    return start_turns + counts / counts_per_turn


def block_height_m(drum: DrumGeometry, turns: float, start_turns: float, start_height_m: float, lines: int) -> float:
    """Height of the block, m, at `turns` wraps, when it was at `start_height_m` with `start_turns` wraps.

    Rope taken in, divided by the lines strung. Exact across layer changes; stretch is separate (`block_drop_m`).
    """
    return start_height_m + (drum.line_m(turns) - drum.line_m(start_turns)) / lines


def turns_at_height(
    drum: DrumGeometry, height_m: float, start_turns: float, start_height_m: float, lines: int
) -> float:
    """Wraps on the drum when the block is at `height_m`: the exact inverse of `block_height_m`."""
    return drum.turns(drum.line_m(start_turns) + (height_m - start_height_m) * lines)


def drum_speed_rad_s(block_speed_m_s: float, lines: int, radius_m: float) -> float:
    """Angular speed of the drum, rad/s, at a block speed: omega = v N / r (rope speed is N times block speed)."""
    return block_speed_m_s * lines / radius_m


def block_speed_m_s(drum_rad_s: float, lines: int, radius_m: float) -> float:
    """Speed of the block, m/s, at an angular speed of the drum: v = omega r / N."""
    return drum_rad_s * radius_m / lines


# --- handbook capacity ----------------------------------------------------------------------------------------------

HANDBOOK_K = {
    0.5 * inch: 0.925,
    1.0 * inch: 0.239,
    1.125 * inch: 0.191,
    1.25 * inch: 0.152,
    1.375 * inch: 0.127,
    1.5 * inch: 0.107,
}
"""Factor K of the handbooks' capacity formula, ft of rope per cubic inch, by rope diameter in m (from memory).

K = 0.2618 / d^2 (d in inches) for a rope of exact size; the handbooks' values allow for 4 to 6 % oversize.
"""


def handbook_capacity_m(
    barrel_diameter_m: float, width_m: float, flange_depth_m: float, rope_diameter_m: float, k: float | None = None
) -> float:
    """Rope capacity, m, by the wire-rope handbooks' cubic formula L = (A + D) A B K.

    A is the flange depth used, B the width between flanges, D the barrel diameter, in inches, K in ft per cubic inch
    (public winch handbooks). `k` of None takes the exact-size value 0.2618 / d^2; `HANDBOOK_K` has the usual ones.
    The formula is the volume of the wound ring over the square section of the rope: it knows no layers.

    Raises:
        ValueError: a dimension that is not above zero.
    """
    if min(barrel_diameter_m, width_m, flange_depth_m, rope_diameter_m) <= 0:
        raise ValueError("barrel diameter, width, flange depth and rope diameter must all be above zero")
    if k is None:
        k = math.pi / 12 / (rope_diameter_m / inch) ** 2
    a, b, d = flange_depth_m / inch, width_m / inch, barrel_diameter_m / inch
    return (a + d) * a * b * k * foot


def capstan_grip(wraps: float, friction: float) -> float:
    """Tension ratio that `wraps` on the drum can hold by friction alone: exp(2 pi n mu) (Euler and Eytelwein)."""
    return math.exp(2 * math.pi * wraps * friction)


def holding_fraction(drum: DrumGeometry, turns: float) -> float:
    """Line pull a fixed brake torque holds on the layer in use, as a share of the pull it holds on layer 1.

    Torque is pull times radius, so the share is r_1 / r_k. A mooring winch set at 80 % of rope strength on layer 1
    holds about 65 % on layer 3 (OCIMF mooring guidelines, 2nd edition, 7.5.6).
    """
    return drum.radius_m(0.0) / drum.radius_m(turns)


# --- stretch --------------------------------------------------------------------------------------------------------

MODULUS_6X19_IWRC_PA = 13.5e6 * psi
"""Modulus of a 6x19 IWRC rope up to 20 % of its strength: 13.5 million psi (Wire Rope Users Manual, from memory)."""

METALLIC_FILL_6X19_IWRC = 0.47
"""Metallic area over d^2 of a 6x19 IWRC rope (0.46 to 0.49 in public tables; 0.47 from memory)."""


def rope_ea_n(
    rope_diameter_m: float, modulus_pa: float = MODULUS_6X19_IWRC_PA, fill: float = METALLIC_FILL_6X19_IWRC
) -> float:
    """Stiffness of the rope, N per unit strain: E A with A = `fill` d^2.

    Public sources differ by 20 %: identify it on the rig from two loads at the same drum position.
    """
    return modulus_pa * fill * rope_diameter_m**2


def block_drop_m(
    line_tension_n: float, ea_n: float, block_to_crown_m: float, lines: int, fast_line_m: float, dead_line_m: float
) -> float:
    """How far the block hangs lower, m, when the tension in all lines is `line_tension_n`.

    drop = T/(E A) [h + (L_fast + L_dead)/N], h from block to crown (Hooke's law, derived here): strung lines stretch
    over h each; fast and dead line pass their stretch on divided by N. About 0.1 m on a land rig under full load, real
    and reversible: it must not be mistaken for a drifting encoder.
    """
    return line_tension_n / ea_n * (block_to_crown_m + (fast_line_m + dead_line_m) / lines)


def strain_by_g_factor(line_tension_n: float, rope_diameter_m: float, g_percent_in2_per_lbf: float = 1.36e-5) -> float:
    """Elastic strain (a fraction) by the makers' simplified table: stretch % = W G / d^2, W in lbf, d in inches.

    G = 1.36e-5 for 6x19 IWRC (public stretch table). A second opinion on `rope_ea_n`.
    """
    pounds_per_in2 = line_tension_n / rope_diameter_m**2 / psi
    return pounds_per_in2 * g_percent_in2_per_lbf / 100


# --- calibration ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fitted:
    """One fitted value: its standard error, and whether the references determined it (or only the prior did)."""

    value: float
    standard_error: float
    determined: bool


@dataclass(frozen=True, slots=True)
class Calibration:
    """Result of `calibrate`.

    `start_turns` are the wraps on the drum where the counted turns are zero, `zero_height_m` the block's height there.
    `residuals_m` are measured minus fitted height per reference. `straight_line_error_m` is the worst error of a
    straight line through the lowest and the highest reference (positive: it reads too high), found at
    `straight_line_worst_turns` counted turns; `straight_line_unsafe` when that exceeds the limit given.
    """

    drum: DrumGeometry
    start_turns: Fitted
    rope_diameter_m: Fitted
    nesting: Fitted
    zero_height_m: float
    residuals_m: tuple[float, ...]
    rms_residual_m: float
    straight_line_error_m: float
    straight_line_worst_turns: float
    straight_line_unsafe: bool

    def height_m(self, counted_turns: float, lines: int) -> float:
        """Height of the block, m, at counted turns by the fitted drum."""
        return block_height_m(
            self.drum, self.start_turns.value + counted_turns, self.start_turns.value, self.zero_height_m, lines
        )


def straight_line_error_m(
    drum: DrumGeometry, start_turns: float, from_turns: float, to_turns: float, lines: int
) -> tuple[float, float]:
    """Worst error of a straight two-point calibration over a range of counted turns: (error m, counted turns there).

    Error is the straight line's height minus the true height; turns are counted from `start_turns` wraps. The error of
    a chord on a chain of straight pieces is greatest at a kink, so only layer changes are looked at (derived here):
    exact at both ends, 1.268 m wrong between on a land rig with 150 turns.

    Raises:
        ValueError: an empty range.
    """
    if not to_turns > from_turns:
        raise ValueError(f"range of turns {from_turns} to {to_turns} is empty: a line needs two different references")
    low = drum.line_m(start_turns + from_turns) / lines
    high = drum.line_m(start_turns + to_turns) / lines
    slope = (high - low) / (to_turns - from_turns)
    worst, at = 0.0, from_turns
    for kink in drum.layer_change_turns:
        counted = kink - start_turns
        if from_turns < counted < to_turns:
            error = low + slope * (counted - from_turns) - drum.line_m(kink) / lines
            if abs(error) > abs(worst):
                worst, at = error, counted
    return worst, at


def calibrate(
    heights_m: Sequence[float],
    counted_turns: Sequence[float],
    lines: int,
    guess: DrumGeometry,
    start_turns: float,
    *,
    height_sigma_m: float = 0.02,
    start_turns_sigma: float = 6.0,
    rope_diameter_sigma: float = 0.03,
    nesting_sigma: float = 0.05,
    straight_line_limit_m: float = 0.1,
) -> Calibration:
    """Fit start wrap, rope diameter and nesting to reference heights (same hook load at each, so stretch cancels).

    Two references are enough, more determine more: what the references cannot tell stays at the guess, held by priors
    (standard deviations: wraps for the start, a fraction of the guess for the diameter, rope diameters for the
    nesting), and is marked `determined=False` when the data have not halved the prior's spread. The height at zero
    turns is always fitted. Least squares (`scipy.optimize.least_squares`) started from several wraps, since a fit whose
    kinks lie on the wrong side of a reference can sit in a local minimum. Standard errors from the Jacobian at the end,
    for the height error stated or the scatter seen, whichever is larger.

    Raises:
        ValueError: fewer than two references, unequal lengths, equal turns, values that are not finite, no lines.
    """
    n = len(heights_m)
    if n != len(counted_turns) or n < 2:
        raise ValueError(f"{n} heights and {len(counted_turns)} turns: give one of each per reference, at least two")
    if not all(map(math.isfinite, (*heights_m, *counted_turns))):
        raise ValueError("a reference height or its turns is not a number: leave that reference out")
    if max(counted_turns) - min(counted_turns) < 1.0:
        raise ValueError("the references lie within one turn of each other: move the block between them")
    if lines < 1 or height_sigma_m <= 0:
        raise ValueError(f"lines {lines} must be at least 1 and height_sigma_m {height_sigma_m} above zero")

    import numpy as np
    from scipy.optimize import least_squares

    centre = (start_turns, guess.rope_diameter_m, guess.nesting)
    prior = (start_turns_sigma, rope_diameter_sigma * guess.rope_diameter_m, nesting_sigma)
    # Enough layers that no start the fit may try runs off the end of the table.
    reach = start_turns + max(counted_turns) + 6 * start_turns_sigma
    layers = max(guess.max_layers, math.ceil(reach / guess.wraps_per_layer) + 1)

    def drum_at(x: Sequence[float]) -> DrumGeometry:
        return DrumGeometry(
            guess.core_diameter_m,
            centre[1] + x[1] * prior[1],
            guess.wraps_per_layer,
            centre[2] + x[2] * prior[2],
            layers,
            guess.dead_wraps,
        )

    def model(x: Sequence[float]) -> list[float]:
        drum, start = drum_at(x), centre[0] + x[0] * prior[0]
        base = drum.line_m(start)
        return [(drum.line_m(start + t) - base) / lines for t in counted_turns]

    def residuals(x: Any, /) -> list[float]:
        # Unknowns in units of their priors, so each prior is one more residual: the unknown itself. x[3] is the height
        # at zero turns and has none.
        return [*((h - x[3] - m) / height_sigma_m for h, m in zip(heights_m, model(x), strict=True)), x[0], x[1], x[2]]

    # Bounds keep the trial geometry one that DrumGeometry accepts.
    widest = min(6.0, 0.5 / rope_diameter_sigma)
    bounds = (
        [-6.0, -widest, max(-6.0, (0.5 - centre[2]) / prior[2] + 1e-9), -np.inf],
        [6.0, widest, min(6.0, (1.1 - centre[2]) / prior[2] - 1e-9), np.inf],
    )
    best = None
    for start in (-2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0):
        offset = math.fsum(h - m for h, m in zip(heights_m, model((start, 0.0, 0.0)), strict=True)) / n
        fit = least_squares(residuals, [start, 0.0, 0.0, offset], bounds=bounds)
        if best is None or fit.cost < best.cost:
            best = fit
    assert best is not None

    x = [float(v) for v in best.x]
    left = tuple(h - x[3] - m for h, m in zip(heights_m, model(x), strict=True))
    scatter = math.sqrt(math.fsum(r * r for r in left) / (n - 4)) if n > 4 else 0.0
    jacobian = np.asarray(best.jac, dtype=float)
    jacobian[:n] *= height_sigma_m / max(height_sigma_m, scatter)
    error = np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian)))

    def fitted(i: int) -> Fitted:
        return Fitted(centre[i] + x[i] * prior[i], float(error[i]) * prior[i], bool(error[i] < 0.5))

    fine = drum_at(x)
    drum = DrumGeometry(
        guess.core_diameter_m,
        fine.rope_diameter_m,
        guess.wraps_per_layer,
        fine.nesting,
        guess.max_layers,
        guess.dead_wraps,
    )
    found = fitted(0)
    worst, at = straight_line_error_m(fine, found.value, min(counted_turns), max(counted_turns), lines)
    return Calibration(
        drum=drum,
        start_turns=found,
        rope_diameter_m=fitted(1),
        nesting=fitted(2),
        zero_height_m=x[3],
        residuals_m=left,
        rms_residual_m=math.sqrt(math.fsum(r * r for r in left) / n),
        straight_line_error_m=worst,
        straight_line_worst_turns=at,
        straight_line_unsafe=abs(worst) > straight_line_limit_m,
    )
