"""The friction brake of the true machine: torque from pressure, heat, fade, and what goes wrong with it."""

from monitor.config.brakes import BandBrake, CaliperBrake
from monitor.config.rig import Rig
from simulators.machine.hydraulics import Circuits
from simulators.machine.truth import Truth, band_torque_n_m, caliper_torque_n_m


class FrictionBrake:
    """Torque that the pads or bands can hold, hoisting and lowering, N.m, and the temperature of what they rub on."""

    def __init__(self, rig: Rig, truth: Truth) -> None:
        self._rig = rig
        self.truth = truth
        self.left_c = truth.ambient_c
        self.right_c = truth.ambient_c
        self.full_pa = rig.brake.full_pressure_pa
        # set by faults
        self.glaze = 1.0
        """Factor on the friction coefficient."""
        self.drag_n_m = 0.0
        """Torque that a dragging caliper applies all the time, on the left disc."""
        self.band_slack = 0.0
        """Share of the pull that a slack band loses (band brakes), or pad travel takes (discs)."""
        self.lowering_n_m = 0.0
        self.hoisting_n_m = 0.0
        self.emergency_n_m = 0.0
        self._capacity = truth.heat_capacity_j_k / 2
        if isinstance(rig.brake, BandBrake):
            self._band: BandBrake | None = rig.brake
            self._per_service = 0.0
            self._per_emergency = 0.0
            self._lift_pa = 0.0
            # Without an equaliser one band always takes more than its share.
            self._split = (0.5, 0.5) if rig.brake.equalised else (0.56, 0.44)
        else:
            self._band = None
            self._per_service = caliper_torque_n_m(rig.brake, 1.0, rig.brake.clamp_force_n, rig.brake.calipers)
            self._per_emergency = caliper_torque_n_m(
                rig.brake, 1.0, rig.brake.emergency_clamp_force_n, rig.brake.emergency_calipers
            )
            self._lift_pa = rig.brake.lift_pressure_pa
            self._split = (0.5, 0.5)

    def friction(self) -> float:
        """Coefficient now: drawn value, glazing, and fade with the mean temperature (flat, then a straight fall)."""
        t = self.truth
        hot = (self.left_c + self.right_c) / 2
        mu = t.friction * self.glaze
        if hot > t.fade_onset_c:
            share = min(1.0, (hot - t.fade_onset_c) / (t.fade_full_c - t.fade_onset_c))
            mu *= 1.0 - share * (1.0 - t.fade_floor)
        return mu

    def tick(self, oil: Circuits) -> None:
        """Take over the pressures of this tick."""
        full, touch = self.full_pa, self.full_pa * self.truth.touch_share
        span = full - touch
        one = oil.service_1_pa - touch
        two = oil.service_2_pa - touch
        one = one / span if one > 0 else 0.0
        two = two / span if two > 0 else 0.0
        if self.band_slack:
            one *= 1 - self.band_slack
        if one == 0.0 and two == 0.0 and oil.release_pa >= self._lift_pa:
            self.lowering_n_m = self.hoisting_n_m = self.drag_n_m
            self.emergency_n_m = 0.0
            return
        mu = self.friction()
        band = self._band
        if band is None:
            service = mu * self._per_service * (one + two) / 2
            lifted = oil.release_pa / self._lift_pa if self._lift_pa else 1.0
            self.emergency_n_m = mu * self._per_emergency * (1 - lifted) if lifted < 1 else 0.0
            self.lowering_n_m = self.hoisting_n_m = service + self.emergency_n_m + self.drag_n_m
        else:
            a, b = self._split
            pull = band.full_pull_n * band.bands * (a * one + b * two)
            self.lowering_n_m = band_torque_n_m(band, mu, pull, True) + self.drag_n_m
            self.hoisting_n_m = band_torque_n_m(band, mu, pull, False) + self.drag_n_m

    def heat(self, work_j: float, slid_rad: float, dt_s: float) -> None:
        """Warm by the friction's work of this tick, cool toward the surroundings."""
        t = self.truth
        rate = dt_s / t.cooling_tau_s
        drag = min(self.drag_n_m * abs(slid_rad), work_j) if self.drag_n_m else 0.0
        rest = work_j - drag
        self.left_c += (rest * t.left_share + drag) / self._capacity - (self.left_c - t.ambient_c) * rate
        self.right_c += rest * (1 - t.left_share) / self._capacity - (self.right_c - t.ambient_c) * rate

    def clone(self) -> "FrictionBrake":
        """The same brake, to go on separately."""
        twin = FrictionBrake(self._rig, self.truth)
        twin.left_c, twin.right_c = self.left_c, self.right_c
        twin.glaze, twin.drag_n_m, twin.band_slack = self.glaze, self.drag_n_m, self.band_slack
        twin.lowering_n_m, twin.hoisting_n_m, twin.emergency_n_m = (
            self.lowering_n_m,
            self.hoisting_n_m,
            self.emergency_n_m,
        )
        return twin


def full_torque_n_m(rig: Rig, truth: Truth) -> float:
    """Torque of the whole cold service brake in lowering, N.m."""
    brake = rig.brake
    if isinstance(brake, CaliperBrake):
        return caliper_torque_n_m(brake, truth.friction, brake.clamp_force_n, brake.calipers)
    return band_torque_n_m(brake, truth.friction, brake.full_pull_n * brake.bands, True)
