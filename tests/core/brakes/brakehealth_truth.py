"""A small synthetic hoist to judge the brake-health watch by: drum, load, friction brake, readings with noise.

It is not the project's simulator. It shares with the code under test only the estimator (for a realistic
acceleration) and the configuration; its equation of motion is written out here, integrated in 5 ms steps, with its
own machine: friction, inertia, sheaves, lag, load reading and radius may all differ from what the rig's file says.
"""

import math
import random
from collections.abc import Callable
from dataclasses import dataclass

from monitor.config.brakes import BandBrake, CaliperBrake, EddyAux
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.core.brakes.health import BrakeHealth
from monitor.core.brakes.model import BrakeModel
from monitor.core.estimator.estimator import Estimator
from monitor.model.reading import Sample, Validity
from monitor.model.snapshot import HoistState
from monitor.physics.drum import DrumGeometry
from tests.core.estimator.motion_bench import say
from tests.support.changed import changed

G = 9.80665
DT = 0.005
Flag = tuple[float, int]
OK, INVALID, NOT_FITTED = int(Validity.VALID), int(Validity.INVALID), int(Validity.NOT_FITTED)


@dataclass
class Machine:
    """How the true machine differs from its file (factors)."""

    friction: float = 1.0
    inertia: float = 1.0
    sheave_factor: float | None = None
    lag: float = 1.0
    load_reading: float = 1.0
    load_feels_inertia: bool = False
    rope: float = 1.0
    contact: float = 0.03
    """Share of full pressure that only brings the pads to the disc."""


class Bench:
    """Truth, readings and the watch under test, advanced together."""

    def __init__(
        self, rig: Rig | str = "land", machine: Machine | None = None, mass_kg: float = 120_000.0, seed: int = 1
    ) -> None:
        self.rig = find_rig(rig) if isinstance(rig, str) else rig
        self.machine = machine or Machine()
        self.health = BrakeHealth(self.rig, BrakeModel(self.rig))
        self.random = random.Random(seed)
        self.mass_kg = mass_kg
        self.t_ns = 1_000_000_000_000
        self.height_m = 20.0
        self.v = 0.0
        self.a = 0.0
        self.lever = 1.0
        self.clutch = 0.0
        self.drive_n_m = 0.0
        self.aux_current_a = 0.0
        self.aux_left = 1.0
        """Share of the torque that the auxiliary brake's current promises which it has."""
        self.coolant_c = 40.0
        self.release_pa = 15e6
        self.accumulator_pa = 15e6
        self.temperature_c = 25.0
        self.circuit_works = [True, True]
        self.pressures = [self.rig.brake.full_pressure_pa] * 2
        self._asked: list[float] = [1.0] * 400
        self.overrides: dict[str, Flag] = {}
        self.load_validity = OK
        self.estimate_validity = Validity.VALID
        self.creep_m_s = 0.0
        self.slow = False
        self.state = HoistState.STILL
        self.brake_j = self.aux_j = 0.0
        self.after: Callable[[], None] | None = None
        drum, line, reference = self.rig.drum, self.rig.line, self.rig.reference
        self.geometry = DrumGeometry(
            drum.core_diameter_m, line.rope_diameter_m * self.machine.rope, drum.wraps_per_layer, drum.nesting,
            drum.max_layers, drum.dead_wraps,
        )  # fmt: skip
        self._line_m = self.geometry.line_m(reference.turns) - reference.height_m * line.lines
        self.position = next(i for i, sensor in enumerate(self.rig.sensors) if sensor.role == "position")
        self.estimator = Estimator(self.rig)
        self._read: dict[str, float] = {}
        self._sequence = 0
        self._phase = random.Random(f"phase {seed}").randrange(8)

    # --- the machine ------------------------------------------------------------------------------------------------

    @property
    def friction_torque_n_m(self) -> float:
        """Torque that the friction brake can put up now, against the present (or gravity's) motion."""
        brake = self.rig.brake
        scale = self.machine.friction * self.fade
        total = 0.0
        for pressure in self.pressures:
            contact = self.machine.contact
            share = max(0.0, pressure / brake.full_pressure_pa - contact) / (1.0 - contact)
            if isinstance(brake, CaliperBrake):
                total += (
                    brake.calipers * brake.clamp_force_n * share * brake.friction * scale * brake.effective_radius_m
                )
            else:
                assert isinstance(brake, BandBrake)
                ratio = math.exp(brake.friction * scale * math.radians(brake.wrap_deg))
                tight = brake.full_pull_n * share * (ratio if self.v <= 0.0 else 1.0)
                total += tight * (1.0 - 1.0 / ratio) * brake.rim_radius_m
        return total

    @property
    def fade(self) -> float:
        """Share of cold friction left."""
        braking = self.rig.braking
        over = (self.temperature_c - braking.fade_onset_c) / (braking.fade_full_c - braking.fade_onset_c)
        return 1.0 - (1.0 - braking.fade_floor) * min(1.0, max(0.0, over))

    @property
    def turns(self) -> float:
        """Wraps on the true drum."""
        return self.geometry.turns(self._line_m + self.height_m * self.rig.line.lines)

    @property
    def arm(self) -> float:
        """Block travel per radian of drum, m."""
        return self.geometry.radius_m(self.turns) / self.rig.line.lines

    @property
    def aux_torque_n_m(self) -> float:
        """True torque of the auxiliary brake."""
        aux = self.rig.aux
        if not isinstance(aux, EddyAux) or self.v >= 0.0:
            return 0.0
        u = -self.v / self.arm / aux.critical_speed_rad_s
        return (
            self.aux_left * aux.peak_torque_n_m * (self.aux_current_a / aux.rated_current_a) ** 2 * 2 * u / (1 + u * u)
        )

    def tackle(self, way: int) -> float:
        """Fast-line force over m g / N: friction hinders hoisting and helps lowering (sum over the chain of
        sheaves)."""
        k = self.machine.sheave_factor or self.rig.line.sheave_factor
        n = self.rig.line.lines
        lines = [k**-i for i in range(1, n + 1)] if way > 0 else [k**i for i in range(1, n + 1)]
        return n / sum(lines)

    def _step(self) -> None:
        m, arm = self.mass_kg, self.arm
        inertia = self.rig.drum.inertia_kg_m2 * self.machine.inertia
        braking = self.rig.braking
        lag = braking.lag_s * self.machine.lag
        self._asked.append(self.lever)
        asked = self._asked[-1 - round(lag / DT)]
        del self._asked[:-300]
        full = self.rig.brake.full_pressure_pa
        rate = full / (braking.ramp_s * self.machine.lag) * DT
        for i, works in enumerate(self.circuit_works):
            goal = asked * full if works else 0.0
            self.pressures[i] += min(rate, max(-2 * rate, goal - self.pressures[i]))
        friction = self.friction_torque_n_m
        way = 1 if self.v > 0 or (self.v == 0.0 and self.drive_n_m * self.clutch > 0) else -1
        load = self.tackle(way) * m
        push = self.drive_n_m * self.clutch - load * G * arm  # torque, upwards
        if self.v == 0.0:
            held = friction + self.release_torque
            net = 0.0 if abs(push) <= held else push - math.copysign(held, push)
        else:
            net = push - math.copysign(friction + self.release_torque, self.v) + self.aux_torque_n_m
        self.a = net * arm / (inertia + load * arm * arm)
        before = self.v
        self.brake_j += friction * abs(self.v) / arm * DT
        self.aux_j += self.aux_torque_n_m * abs(self.v) / arm * DT
        self.v += self.a * DT
        if before * self.v < 0.0:
            self.v = self.a = 0.0
        self.height_m += (0.5 * (before + self.v) - self.creep_m_s) * DT

    @property
    def release_torque(self) -> float:
        """True torque of the spring-applied calipers."""
        brake = self.rig.brake
        if not isinstance(brake, CaliperBrake):
            return 0.0
        clamp = brake.emergency_clamp_force_n * max(0.0, 1.0 - self.release_pa / brake.lift_pressure_pa)
        return 2 * brake.emergency_calipers * clamp * brake.friction * self.machine.friction * brake.effective_radius_m

    # --- readings ---------------------------------------------------------------------------------------------------

    def number(self, quantity: str) -> Flag:
        """Last reading of a quantity and its validity."""
        if quantity in self.overrides:
            return self.overrides[quantity]
        if self.rig.sensor_of(quantity) is None:
            return math.nan, NOT_FITTED
        return self._read[quantity], OK

    def _take_readings(self) -> None:
        """Everything but the position, sent at its own phase: 10 to 50 ms before the grid point."""
        noise = self.random.gauss
        self._read = {
            "service_pressure_1": self.pressures[0] + noise(0.0, 0.5e5),
            "service_pressure_2": self.pressures[1] + noise(0.0, 0.5e5),
            "emergency_release_pressure": self.release_pa + noise(0.0, 0.5e5),
            "accumulator_pressure": self.accumulator_pa + noise(0.0, 0.5e5),
            "brake_lever": self.lever,
            "clutch_engaged": self.clutch,
            "aux_current": self.aux_current_a,
            "aux_torque": self.aux_torque_n_m,
            "coolant_temperature": self.coolant_c,
            "disc_temperature_left": self.temperature_c,
            "disc_temperature_right": self.temperature_c,
        }

    def _take_position(self) -> None:
        """A reading of the position, taken now and arriving 8 ms later."""
        sensor = self.rig.sensors[self.position]
        if sensor.counts_per_turn is not None:
            turns = self.turns - self.rig.reference.turns
            counts = self.rig.reference.counts[sensor.id] + sensor.sense * turns * sensor.counts_per_turn
            value = float(round(counts + self.random.gauss(0.0, sensor.sigma)))
        else:
            value = self.height_m + self.random.gauss(0.0, sensor.sigma * sensor.si.scale)
        now = self.t_ns + 48_000_000
        source = None if sensor.time is None else now - 8_000_000
        self._sequence += 1
        self.estimator.ingest(Sample(now, self.position, value, source, self._sequence))

    def _look(self) -> None:
        load = self.mass_kg * (G + (self.a if self.machine.load_feels_inertia else 0.0)) * self.machine.load_reading
        load += self.random.gauss(0.0, 6000.0)
        say(self.estimator, self.rig, self.t_ns, "hook_load", load)
        estimate = changed(self.estimator.estimate(self.t_ns), slow=self.slow)
        if self.estimate_validity is Validity.INVALID:
            estimate = changed(estimate, validity=Validity.INVALID, height_m=math.nan)
        if self.load_validity > 1:
            load = math.nan
        if self.state is not HoistState.IN_SLIPS:
            moving = HoistState.HOISTING if self.v > 0 else HoistState.LOWERING
            self.state = moving if abs(self.v) > 0.05 else HoistState.STILL
        self.health.update(
            self.t_ns, estimate, self.state, 1 if self.v > 0 else -1, load, self.load_validity, self.number
        )
        if self.after:
            self.after()

    def run(self, seconds: float, until: Callable[[], bool] | None = None) -> "Bench":
        """Advance by `seconds`, or `until` something is true at a grid point."""
        for _ in range(round(seconds / 0.05)):
            for part in range(10):
                self._step()
                if part == 7:
                    self._take_position()
                if part == self._phase:
                    self._take_readings()
            self.t_ns += 50_000_000
            self._look()
            if until and until():
                break
        return self

    # --- what a driller does ----------------------------------------------------------------------------------------

    def lower_and_stop(self, speed: float = 1.0, lever: float = 1.0, steady_s: float = 0.0) -> None:
        """Release, let it roll to `speed`, (drag it along at that speed on the friction brake,) stop, hold for a
        second."""
        self.clutch, self.drive_n_m, self.lever = 0.0, 0.0, 0.0
        self.run(30.0, lambda: self.v <= -speed)
        if steady_s:
            # The lever that just holds this load: torque is straight in pressure above contact.
            full = self.rig.brake.full_pressure_pa
            self.pressures = [full, full]
            share = self.tackle(-1) * self.mass_kg * G * self.arm / self.friction_torque_n_m
            self.pressures = [0.0, 0.0]
            self.lever = share * (1.0 - self.machine.contact) + self.machine.contact
            self.run(steady_s)
        self.lever = lever
        self.run(20.0, lambda: self.v == 0.0)
        self.run(1.0)

    def hoist_and_stop(self, speed: float = 1.0, lever: float = 1.0, coast_s: float = 0.6) -> None:
        """Clutch in, hoist to `speed`, clutch out, coast, brake, hold for a second."""
        self.clutch, self.lever = 1.0, 0.0
        weight = self.tackle(1) * self.mass_kg * G * self.arm
        self.drive_n_m = weight + 0.4 * (self.rig.drum.inertia_kg_m2 / self.arm)
        self.run(30.0, lambda: self.v >= speed)
        self.drive_n_m = weight
        self.run(1.0)
        self.clutch = self.drive_n_m = 0.0
        self.run(coast_s, lambda: self.v <= 0.2)
        self.lever = lever
        self.run(20.0, lambda: self.v == 0.0)
        self.run(1.0)

    def torque_ratio(self) -> float:
        """True effectiveness, lowering: torque over what the configured friction would give at the same pressure."""
        scale = self.machine.friction * self.fade
        brake = self.rig.brake
        if isinstance(brake, CaliperBrake):
            return scale
        assert isinstance(brake, BandBrake)
        wrap = brake.friction * math.radians(brake.wrap_deg)
        return math.expm1(wrap * scale) / math.expm1(wrap)
