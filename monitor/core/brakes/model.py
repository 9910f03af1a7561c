"""What the rig's own brakes can do, from its configuration: the physics of `monitor.physics.brakes` with this rig's numbers.

One object answers, in plain floats: torque at given circuit pressures, torque of a full application with the pressure that is
there, torque of the springs alone. `scale` multiplies the configured friction: 1 is the file's value, tracked effectiveness or
a worst case otherwise.
"""

import math
from typing import Final

from monitor.config.brakes import BandBrake, CaliperBrake
from monitor.config.rig import Rig
from monitor.physics.brakes import band_torque_n_m, caliper_torque_n_m, fade_factor

_CONTACT: Final = 0.03
_CONTACT_DOUBT: Final = 0.02
"""Share of full pressure that only brings pads or bands into contact, and its standard doubt (common practice, no source)."""


class BrakeModel:
    """Friction brake of one rig, both kinds behind one face. Torques in N m at the drum shaft, pressures in Pa gauge."""

    def __init__(self, rig: Rig) -> None:
        self.full_pressure_pa = rig.brake.full_pressure_pa
        self.clamping_doubt_pa = _CONTACT_DOUBT * self.full_pressure_pa
        """Standard doubt of `clamping_pressure_pa`."""
        braking = rig.braking
        self._fade = braking.fade_onset_c, braking.fade_full_c, braking.fade_floor
        self._caliper: CaliperBrake | None = rig.brake if isinstance(rig.brake, CaliperBrake) else None
        self._band: BandBrake | None = rig.brake if isinstance(rig.brake, BandBrake) else None
        brake = self._caliper
        self.has_emergency = brake is not None and brake.emergency_calipers > 0
        """Whether the rig has spring-applied calipers."""
        if brake is not None:
            self._lift_pa = brake.lift_pressure_pa
            # Torque is straight in pressure and friction: one number each is enough.
            args = (brake.friction, brake.effective_radius_m)
            self._per_circuit = caliper_torque_n_m(brake.clamp_force_n, *args, brake.calipers) / 2
            self._springs = caliper_torque_n_m(brake.emergency_clamp_force_n, *args, brake.emergency_calipers)

    def clamping_pressure_pa(self, pressure_sum_pa: float) -> float:
        """What of both circuits' pressure presses: less the contact pressure, scaled so that full is full."""
        rest = pressure_sum_pa - 2.0 * _CONTACT * self.full_pressure_pa
        return 0.0 if rest <= 0.0 else rest / (1.0 - _CONTACT)  # NaN stays NaN

    def circuit_torque_n_m(self, pressure_pa: float, scale: float = 1.0, direction: int = -1) -> float:
        """Torque of one of the two circuits (half the calipers, or one band) at `pressure_pa`."""
        share = pressure_pa / self.full_pressure_pa
        if share <= 0.0:
            return 0.0
        if self._caliper is not None:
            return self._per_circuit * share * scale
        band = self._band
        assert band is not None
        # Lowering turns the drum the way that tightens the bands; hoisting turns against it.
        pull = band.full_pull_n * share * band.bands / 2
        wrap = math.radians(band.wrap_deg)
        return band_torque_n_m(pull, band.friction * scale, wrap, band.rim_radius_m, direction < 0)

    def full_torque_n_m(self, available_pa: float, scale: float = 1.0, direction: int = -1, circuits: int = 2) -> float:
        """Torque of a full application with `available_pa` of supply on `circuits` working circuits."""
        pressure = min(available_pa, self.full_pressure_pa)
        return circuits * self.circuit_torque_n_m(pressure, scale, direction)

    def emergency_torque_n_m(self, release_pa: float = 0.0, scale: float = 1.0) -> float:
        """Torque of the spring-applied calipers at a release pressure (0: springs alone); 0 where there are none.

        Springs less oil, F0 - A p, is nothing from the lift pressure on; fully clear of the disc the pads are only higher up.
        """
        if not self.has_emergency:
            return 0.0
        if release_pa <= 0.0:
            return self._springs * scale
        return self._springs * (1.0 - min(release_pa / self._lift_pa, 1.0)) * scale

    def fade(self, temperature_c: float) -> float:
        """Share of the cold friction left at a disc temperature."""
        onset_c, full_c, floor = self._fade
        return fade_factor(temperature_c, onset_c, full_c, floor)
