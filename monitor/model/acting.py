"""What brakes the drum at one moment: said by the brake watch, used by the last words before a limit."""

import math
from typing import Final


class ActingBrakes:
    """What brakes the drum now, as the readings tell it. Torques in N m at the drum; left out: nothing tells it."""

    __slots__ = ("asked_s", "called", "coming_n_m", "driven", "service_most_n_m", "service_n_m", "springs_n_m")

    def __init__(
        self,
        service_n_m: float = 0.0,
        service_most_n_m: float = math.inf,
        springs_n_m: float = 0.0,
        coming_n_m: float = 0.0,
        asked_s: float = 0.0,
        called: bool = False,
        driven: bool = True,
    ) -> None:
        self.service_n_m: Final = service_n_m
        """Service brake, at the value to expect; 0 where its pressures are not known."""
        self.service_most_n_m: Final = service_most_n_m
        """Service brake, at the most; infinite where its pressures are not known."""
        self.springs_n_m: Final = springs_n_m
        """Spring-applied calipers that are set: they stay set through a stop; 0 where that is not known."""
        self.coming_n_m: Final = coming_n_m
        """What the lever asks of the service brake beyond that and is still on its way; 0 where the lever is not known, or the
        brake should have answered."""
        self.asked_s: Final = asked_s
        """How long the lever has been asking for it."""
        self.called: Final = called
        """Whether a full application has been called for: lever or pressure is nearly full, and no hand has to react."""
        self.driven: Final = driven
        """Whether the drive may be pulling. Then torque alone does not show that the block slows down."""
