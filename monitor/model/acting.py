"""What brakes the drum at one moment: said by the brake watch, used by the last words before a limit."""

import math
from typing import NamedTuple


class ActingBrakes(NamedTuple):
    """What brakes the drum now, as the readings tell it. Torques in N m at the drum; left out: nothing tells it."""

    service_n_m: float = 0.0
    """Service brake, at the value to expect; 0 where its pressures are not known."""
    service_most_n_m: float = math.inf
    """Service brake, at the most; infinite where its pressures are not known."""
    springs_n_m: float = 0.0
    """Spring-applied calipers that are set: they stay set through a stop; 0 where that is not known."""
    coming_n_m: float = 0.0
    """What the lever asks of the service brake beyond that and is still on its way; 0 where the lever is not known, or the brake
    should have answered."""
    asked_s: float = 0.0
    """How long the lever has been asking for it."""
    called: bool = False
    """Whether a full application has been called for: lever or pressure is nearly full, and no hand has to react any more."""
    driven: bool = True
    """Whether the drive may be pulling. Then torque alone does not show that the block slows down."""
