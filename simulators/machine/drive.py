"""What turns the drum and what holds it without friction: drive and clutch, auxiliary brake, overtravel device."""

from monitor.config.brakes import EddyAux, RegenAux
from monitor.config.rig import Rig
from simulators.machine.truth import Truth


class Drive:
    """Motor behind a clutch. Follows a speed with limited torque and power; cannot brake (that is the auxiliary's)."""

    def __init__(self, truth: Truth) -> None:
        self.truth = truth
        self.torque_n_m = 0.0
        self.tripped = False

    def tick(self, wanted_rad_s: float, omega: float, load_n_m: float, clutch: bool, cut: bool, dt_s: float) -> float:
        """Torque on the drum, N.m, after one tick of following `wanted_rad_s` (0: no torque asked)."""
        t = self.truth
        if not clutch or cut or self.tripped or wanted_rad_s == 0.0:
            aim, tau = 0.0, 0.08  # clutch air must leave
        else:
            aim = load_n_m + t.inertia_kg_m2 * (wanted_rad_s - omega) / 0.4
            most = t.drive_torque_n_m
            if omega > 0.0 and omega * most > t.drive_power_w:
                most = t.drive_power_w / omega
            least = -t.push_torque_n_m if wanted_rad_s < 0 else 0.0
            aim = most if aim > most else least if aim < least else aim
            tau = t.drive_tau_s
        torque = self.torque_n_m + (aim - self.torque_n_m) * dt_s / (tau + dt_s)
        if omega * torque > t.drive_power_w:  # the limit holds at once, however slowly torque follows
            torque = t.drive_power_w / omega
        self.torque_n_m = 0.0 if -1.0 < torque < 1.0 and aim == 0.0 else torque
        return self.torque_n_m

    def clone(self) -> "Drive":
        """The same drive, to go on separately."""
        twin = Drive(self.truth)
        twin.torque_n_m, twin.tripped = self.torque_n_m, self.tripped
        return twin


class AuxBrake:
    """Electrodynamic brake, regenerative drive, or none. `tick` gives torque per rad/s, so that it opposes any motion.

    Electrodynamic: T = 2 T_pk / (n/n_c + n_c/n) times the square of the current's share (Wouterse 1991 for the shape).
    Nothing at standstill. Coolant above its limit takes the torque away; a hot rotor moves the peak to higher speed.
    Regenerative: the smaller of a torque and a power limit, none when the drive has tripped (derived here).
    """

    def __init__(self, rig: Rig, truth: Truth) -> None:
        self._rig = rig
        self.config = rig.aux
        self.truth = truth
        self.level = 0.0
        """Current (or torque command) as a share of the rated one."""
        self.torque_n_m = 0.0
        self.coolant_c = truth.ambient_c + 10
        self.lost = False
        self.coolant_lost = False
        # Kept up for long, this power would warm the coolant by 35 K (common practice, no source).
        if isinstance(rig.aux, EddyAux):
            self._duty_w = rig.aux.peak_torque_n_m * rig.aux.critical_speed_rad_s
        else:
            self._duty_w = rig.aux.max_power_w if isinstance(rig.aux, RegenAux) else 1.0

    def tick(self, command: float, omega: float, drive_tripped: bool, dt_s: float) -> float:
        """Braking torque per angular speed, N.m.s, after one tick of following `command` (0 to 1)."""
        config = self.config
        if isinstance(config, EddyAux):
            aim = 0.0 if self.lost else command
        elif isinstance(config, RegenAux):
            aim = 0.0 if self.lost or drive_tripped else command
        else:
            return 0.0
        if aim == self.level == 0.0:
            self.torque_n_m = 0.0
            self._cool(0.0, dt_s)
            return 0.0
        level = self.level + (aim - self.level) * dt_s / (self.truth.aux_tau_s + dt_s)
        self.level = level if level > 1e-4 else 0.0
        speed = abs(omega)
        derate = 1.0 - (self.coolant_c - config.coolant_max_c - 8.0) / 25.0
        derate = 1.0 if derate > 1.0 else 0.0 if derate < 0.0 else derate
        peak = self.truth.aux_peak_n_m * derate
        if isinstance(config, EddyAux):
            critical = config.critical_speed_rad_s * (1 + 0.003 * (self.coolant_c - self.truth.ambient_c))
            per_speed = 2 * peak * level * level * critical / (speed * speed + critical * critical)
        else:
            top = peak * level
            if speed * top > config.max_power_w:
                top = config.max_power_w / speed
            # Near standstill a drive still holds a little: linear below 0.5 rad/s, to avoid chatter about zero.
            per_speed = top / (speed if speed > 0.5 else 0.5)
        self.torque_n_m = per_speed * speed
        self._cool(self.torque_n_m * speed, dt_s)
        return per_speed

    def _cool(self, power_w: float, dt_s: float) -> None:
        if self.coolant_lost:  # what little is left around the sensor boils up quickly
            self.coolant_c += dt_s * 4 * 35.0 * power_w / self._duty_w / 90.0
        else:
            warm = self.coolant_c - self.truth.ambient_c - 10
            self.coolant_c += dt_s * (35.0 * power_w / self._duty_w - warm) / 90.0

    def clone(self) -> "AuxBrake":
        """The same brake, to go on separately."""
        twin = AuxBrake(self._rig, self.truth)
        twin.level, twin.torque_n_m, twin.coolant_c = self.level, self.torque_n_m, self.coolant_c
        twin.lost, twin.coolant_lost = self.lost, self.coolant_lost
        return twin


class Overtravel:
    """The rig's own upward-travel device: electric, with air behind it. Trips by height, cuts the drive and brakes."""

    def __init__(self, rig: Rig, truth: Truth) -> None:
        self._rig, self._truth = rig, truth
        self.set_m = rig.limits.device_m
        # Set to the same height; two switches never act at exactly the same one.
        self.air_m = rig.limits.device_m + 0.02
        self.error_m = truth.overtravel_error_m
        self.electric = False
        self.air = False
        # set by faults
        self.shift_m = 0.0
        """How much too high the device acts because it was not reset after a cut and slip."""
        self.electric_failed = False
        self.reset = False
        """Held by the crew while the block is let down again: what has acted no longer holds drive and brake."""

    def tick(self, height_m: float) -> bool:
        """Whether it holds the drive cut and the brake on."""
        seen = height_m + self.error_m - self.shift_m
        if seen > self.set_m:
            self.electric = not self.electric_failed
        elif seen < self.set_m - 0.3:
            self.electric = False
        if seen > self.air_m:
            self.air = True
        elif seen < self.set_m - 0.3:
            self.air = False
        return (self.electric or self.air) and not self.reset

    def clone(self) -> "Overtravel":
        """The same device, to go on separately."""
        twin = Overtravel(self._rig, self._truth)
        twin.set_m, twin.air_m, twin.error_m, twin.shift_m = self.set_m, self.air_m, self.error_m, self.shift_m
        twin.electric, twin.air, twin.electric_failed, twin.reset = (
            self.electric,
            self.air,
            self.electric_failed,
            self.reset,
        )
        return twin
