"""The straight piece of the drum's curve on which the filter's height lies, and what leaving it does to a motion.

Where the rope climbs to another layer, each turn of the drum moves the block by 5 to 8 % more or less from there on.
The filter knows the curve, so its speed changes with it: left to the readings, each change of layers would look like a jerk.
"""

from typing import Final

from monitor.core.estimator.height_map import HeightMap
from monitor.core.estimator.kinematic_filter import KinematicFilter

LAYER_DOUBT: Final = 0.25
"""Standard doubt of the change of speed where the rope climbs, as a share: a drive may hold the block's speed, not the drum's."""
EDGE_TOLERANCE_M: Final = 0.02
"""A reading draws the height across the end of a piece of the drum's curve by less than this."""


class LayerPiece:
    """One piece of a curve: its ends and its travel per turn, m. Of no curve at first."""

    __slots__ = ("_rise", "curve", "high", "low")

    def __init__(self) -> None:
        self.curve: HeightMap | None = None
        self._rise = self.low = self.high = 0.0

    def cross(self, kin: KinematicFilter, before: float, layers: HeightMap) -> None:
        """The filter's height has left this piece: by motion from `before`, or a reading drew it across, or the curve is another.

        By the drum the motion goes on as it was; in height it is stretched from the end of the piece on (derived here).
        """
        if layers is self.curve:
            if self.low <= before < self.high:
                kin.rescale(self.low if kin.x < before else self.high, layers.rise_at(kin.x) / self._rise, LAYER_DOUBT)
            elif self.low - EDGE_TOLERANCE_M < before < self.high + EDGE_TOLERANCE_M:
                kin.rescale(kin.x, layers.rise_at(kin.x) / self._rise, LAYER_DOUBT)
        self.curve = layers
        self.low, self.high, self._rise = layers.piece(kin.x)

    def across(
        self, kin: KinematicFilter, layers: HeightMap, x: float, v: float, a: float
    ) -> tuple[float, float, float]:
        """A motion predicted from the filter's to beyond the end of this piece of the curve `layers`, as it then is."""
        edge = self.low if x < kin.x else self.high
        if layers is not self.curve or not self.low <= kin.x < self.high:
            return x, v, a
        s = self.curve.rise_at(x) / self._rise
        return edge + s * (x - edge), s * v, s * a
