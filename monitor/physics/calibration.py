"""Calibration: which drum is it really, by the heights at which the block was seen?

A rig's papers give the bare drum exactly, the rope roughly (it wears and stretches thin) and the wraps on the drum hardly
at all (each cut and slip changes them). Reference heights, taken with the same hook load so that stretch cancels, tell the
three apart by where the height curve bends: a wrong start wrap moves the kinks, a thinner rope makes each layer a little
flatter, another nesting changes only the layers above the first (see `drum`). What a few references cannot tell is held by
priors and said to be so.

The usual remedy, a straight line through a low and a high reference, is judged here as well: it is exact at both ends, and
wrong where nobody looks.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from monitor.physics.drum import DrumGeometry, block_height_m


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


def _sigmas_of(
    heights_m: Sequence[float], counted_turns: Sequence[float], lines: int, height_sigma_m: float | Sequence[float]
) -> list[float]:
    """The error of each height, once it is sure that a curve can be laid through the references.

    Raises:
        ValueError: as `calibrate` says.
    """
    n = len(heights_m)
    if n != len(counted_turns) or n < 2:
        raise ValueError(f"{n} heights and {len(counted_turns)} turns: give one of each per reference, at least two")
    if not all(map(math.isfinite, (*heights_m, *counted_turns))):
        raise ValueError("a reference height or its turns is not a number: leave that reference out")
    if max(counted_turns) - min(counted_turns) < 1.0:
        raise ValueError("the references lie within one turn of each other: move the block between them")
    sigmas = [height_sigma_m] * n if isinstance(height_sigma_m, int | float) else list(height_sigma_m)
    if lines < 1 or len(sigmas) != n or not all(sigma > 0 for sigma in sigmas):
        raise ValueError(
            f"lines {lines} must be at least 1, and height_sigma_m {height_sigma_m} above zero: one, or one per reference"
        )
    return sigmas


def calibrate(
    heights_m: Sequence[float],
    counted_turns: Sequence[float],
    lines: int,
    guess: DrumGeometry,
    start_turns: float,
    *,
    height_sigma_m: float | Sequence[float] = 0.02,
    start_turns_sigma: float = 6.0,
    rope_diameter_sigma: float = 0.03,
    nesting_sigma: float = 0.05,
    straight_line_limit_m: float = 0.1,
) -> Calibration:
    """Fit start wrap, rope diameter and nesting to reference heights (same hook load at each, so stretch cancels).

    Two references are enough, more determine more: what the references cannot tell stays at the guess, held by priors
    (standard deviations: wraps for the start, a fraction of the guess for the diameter, rope diameters for the
    nesting), and is marked `determined=False` when the data have not halved the prior's spread. The height at zero
    turns is always fitted. `height_sigma_m` is one error for all heights, or one for each. Least squares
    (`scipy.optimize.least_squares`) started from several wraps, since a fit whose kinks lie on the wrong side of a
    reference can sit in a local minimum. Standard errors from the Jacobian at the end, for the height errors stated or
    the scatter seen, whichever is larger.

    Raises:
        ValueError: fewer than two references, unequal lengths, equal turns, values that are not finite, no lines.
    """
    sigmas = _sigmas_of(heights_m, counted_turns, lines, height_sigma_m)
    n = len(heights_m)

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
        off = (h - x[3] - m for h, m in zip(heights_m, model(x), strict=True))
        return [*(r / sigma for r, sigma in zip(off, sigmas, strict=True)), x[0], x[1], x[2]]

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
    # Scatter seen over the errors stated.
    squares = math.fsum((r / sigma) ** 2 for r, sigma in zip(left, sigmas, strict=True))
    scatter = math.sqrt(squares / (n - 4)) if n > 4 else 0.0
    jacobian = np.asarray(best.jac, dtype=float)
    jacobian[:n] /= max(1.0, scatter)
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
