"""How hot the friction brake's discs are, by a model beside the measured temperatures and in their place where they are missing.

Theory of operation. All friction work goes into one lump of steel that cools to ambient (`monitor.physics.heat`). It starts
at the first measured temperature and goes its own way from then on.
"""

import math
from collections.abc import Mapping
from typing import Any

from monitor.config.brakes import BrakeDynamics
from monitor.model.reading import DEGRADED, VALID, Flag
from monitor.physics.heat import cooled_c


class DiscHeat:
    """Bulk temperature of the discs, degC, from friction power; and the friction that heat takes away."""

    __slots__ = ("_braking", "_unseen_s", "seeded", "temperature_c")

    def __init__(self, braking: BrakeDynamics) -> None:
        self._braking = braking
        self.temperature_c = braking.ambient_c
        self.seeded = False
        """Whether it began at a measured temperature."""
        self._unseen_s = 0.0
        """Motion during which the friction power was not known, forgotten as the discs cool."""

    def step(self, dt: float, power_w: float, moving: bool, measured_c: float) -> None:
        """One grid point; `power_w` NaN where not known, `measured_c` NaN where not measured."""
        if not self.seeded and not math.isnan(measured_c):
            self.seeded = True
            self.temperature_c = measured_c
        braking = self._braking
        cooling = min(1.0, dt / braking.cooling_tau_s)
        self._unseen_s -= self._unseen_s * cooling
        if math.isnan(power_w):
            power_w = 0.0
            if moving:
                self._unseen_s += dt
        rise = self.temperature_c - braking.ambient_c
        # One Euler step: the time constant is tens of minutes, the grid 50 ms.
        self.temperature_c += power_w * dt / braking.heat_capacity_j_k - rise * cooling

    @property
    def flag(self) -> Flag:
        """The modelled temperature; DEGRADED after a minute of motion whose friction power was not known."""
        return self.temperature_c, VALID if self._unseen_s < 60.0 else DEGRADED

    def restore(self, saved: Mapping[str, Any], idle_s: float) -> None:
        """Take up a saved disc temperature, `idle_s` seconds later: it has cooled by then.

        Raises:
            ValueError: no usable temperature in `saved`.
        """
        temperature = saved.get("disc_c")
        if not isinstance(temperature, int | float) or not -100.0 < temperature < 2000.0:
            raise ValueError(f"disc temperature cannot be restored: {temperature!r}")
        braking = self._braking
        self.temperature_c = cooled_c(temperature, braking.ambient_c, max(0.0, idle_s), braking.cooling_tau_s)
        # After a pause a measurement tells more than the model; a moment later it would only bring its noise.
        self.seeded = idle_s < 60.0 and saved.get("disc_measured") is True
