"""What the block weighs alone, by the log itself: the level that the load keeps coming back to.

The string's weight changes with every stand, and the block's does not. The level is looked for near the weight of the rig's file
first, and apart for going up, going down and at rest, since the tackle's friction shows in each of them differently.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.known import known_of
from monitor.analysis.work.series import Floats, Series
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY

NEAR: Final = 0.25
"""The block's weight is looked for this near to the rig file's."""
_LEVEL: Final = 0.03
"""Width of one level of the load, as a share of it."""
_LOW: Final = (0.02, 0.75)
"""Where in the load's range the block alone is looked for."""


def block_weights(series: Series, way: NDArray[np.int8], noise_n: float) -> tuple[float, float, float]:
    """What the block weighs alone, N: going down, at rest, going up. The lowest level near the rig file's weight that the load
    keeps coming back to; the file's weight where there is none."""
    configured = series.rig.block.mass_kg * GRAVITY
    rests = _level(series.load_n[(way == 0) & ~series.held], configured, configured, noise_n)
    down, up = (_level(series.load_n[way == sign], configured, rests, noise_n) for sign in (-1, 1))
    return down, rests, up


def _level(load: Floats, configured: float, without: float, noise_n: float) -> float:
    near = load[np.abs(load - configured) <= NEAR * configured]
    if len(near) < 20:
        return without
    counts, edges = np.histogram(near, bins=50, range=((1 - NEAR) * configured, (1 + NEAR) * configured))
    # As wide as the noise makes a level: else it falls into several, the lowest of them too low.
    bins = max(3, 2 * round(noise_n / float(edges[1] - edges[0])) + 1)
    width = np.convolve(counts, np.ones(bins), "same")
    high = np.flatnonzero(width >= 0.3 * width.max())
    # The lowest of the levels often met, to its top; a load in coarse steps falls into some bins and not into those between.
    place = int(high[0])
    while ahead := int(np.argmax(width[place : place + bins])):
        place += ahead
    centre = 0.5 * (edges[place] + edges[place + 1])
    return float(np.median(near[np.abs(near - centre) <= max(0.03 * configured, noise_n)]))


def block_level(load_n: Floats, most_n: float) -> tuple[float, float]:
    """(the level of the load that is the block alone, N; share of the readings within it)."""
    loads = known_of(load_n)
    low, high = _LOW[0] * most_n, _LOW[1] * most_n
    some = loads[(loads > low) & (loads < high)]
    if not len(some):
        return 0.5 * most_n, 0.0
    edges = np.exp(np.arange(math.log(low), math.log(high) + _LEVEL, _LEVEL))
    counts, edges = np.histogram(some, bins=edges)
    wide = np.convolve(counts, np.ones(3), "same")
    # The lowest level that stands out: it must be met nearly as often as the one that is met most.
    place = int(np.flatnonzero(wide >= 0.5 * wide.max())[0])
    while place + 1 < len(wide) and wide[place + 1] > wide[place]:
        place += 1
    centre = math.sqrt(float(edges[place] * edges[place + 1]))
    near = some[np.abs(some - centre) <= 1.5 * _LEVEL * centre]
    return float(np.median(near)), len(near) / len(loads)
