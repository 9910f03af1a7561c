"""Brake health, tracked live: what the brake has shown it can do, as against what the file says it should.

Theory of operation. At every grid point the readings are looked at once, turned into plain numbers (NaN for what is
not known), and handed to watches that each follow one thing: effectiveness in the motion (`effectiveness`),
response and circuits (`hydraulics`), leak and pump (`accumulator`), energy, heat and creep (a file each). A
reading that is stale, out of range or not there is never evidence, neither for nor against.

Two answers go to the stop mark. `friction_scales`: what to multiply the configured friction with; best value, and the value to
rely on, which is the configured worst case until the brake has been weighed and the lower end of the evidence from
then on. `circuits`: how many of the two circuits to count.
"""

import math
from collections.abc import Callable, Mapping
from operator import attrgetter
from typing import Any, Final

from monitor.config.brakes import CaliperBrake, RegenAux
from monitor.config.rig import Rig
from monitor.core.brakes.acting import ActingWatch
from monitor.core.brakes.auxiliary import Auxiliary
from monitor.core.brakes.creep import CreepWatch
from monitor.core.brakes.deceleration import AT_SPEED_M_S, DecelerationMonitor
from monitor.core.brakes.descent import DescentEnergy
from monitor.core.brakes.disc_heat import DiscHeat
from monitor.core.brakes.effectiveness import BrakeGridInputs, Effectiveness
from monitor.core.brakes.friction_filter import BrakeFilter
from monitor.core.brakes.hydraulics import HydraulicsWatch
from monitor.core.brakes.inputs import AppliedBrakes, MotionView, drive_released, reader_of
from monitor.core.brakes.model import BrakeModel
from monitor.core.estimator.estimator import Estimate
from monitor.core.saved_state import numbers
from monitor.model.acting import ActingBrakes
from monitor.model.reading import ABSENT, ABSENT_FLAG, DEGRADED, INVALID, UNKNOWN_FLAG, VALID, Flag
from monitor.model.snapshot import HoistState
from monitor.physics.tackle import SLACK_LINE_SHARE
from monitor.units import STANDARD_GRAVITY_M_S2 as _G

_LONGEST_STEP_S: Final = {False: 1.0, True: 30.0}
"""By whether the grid is thinned: a longer gap between two grid points restarts the stream; rates over it mean nothing."""
_STEADY_M_S2: Final = 0.15
"""Below this acceleration the hook load is a weight."""
HEAVY_SHARE: Final = 0.15
"""A load is heavy from this share of the way from the bare block to the rating (common practice, no source)."""
_NO_PRESSURE: Final = 0.01
"""Share of full pressure below which a circuit counts as released."""
_VALID_SIGMA: Final = 0.10
_REGAINED_SIGMA: Final = 0.15
_LOST_SIGMA: Final = 0.20
"""Relative sigma of effectiveness up to which it is VALID; up to which a DEGRADED value begins; beyond which it ends."""
_OLD_LEAK_S: Final = 1800.0
_TEMPERATURES_EVERY: Final = 10
"""Temperatures are looked at every so many grid points."""
STATE_FORMAT: Final = 1


class BrakeHealth:
    """Everything tracked about one rig's brakes. `update` at each grid point; the rest are answers, free of side
    effects."""

    def __init__(self, rig: Rig, brake: BrakeModel) -> None:
        self._rig = rig
        self._brake = brake
        self._full = rig.brake.full_pressure_pa
        self._lines = rig.line.lines
        self._inertia = rig.drum.inertia_kg_m2
        self._demand = rig.braking.demand_lever
        self._block_kg = rig.block.mass_kg
        self._heavy_n = _G * (self._block_kg + HEAVY_SHARE * (rig.block.rated_load_kg - self._block_kg))
        self._lift_pa = rig.brake.lift_pressure_pa if isinstance(rig.brake, CaliperBrake) else 0.0
        self._springs = brake.has_emergency
        self._regen = isinstance(rig.aux, RegenAux)
        self.filter = BrakeFilter(rig, brake)
        self.effect = Effectiveness(self.filter)
        self._inputs = BrakeGridInputs()
        self.hydraulics = HydraulicsWatch(rig)
        self.auxiliary = Auxiliary(rig)
        self.descent = DescentEnergy(self.auxiliary.fitted)
        self.heat = DiscHeat(rig.braking)
        self.creep = CreepWatch()
        self.deceleration = DecelerationMonitor(rig)
        self._acting = ActingWatch(rig, brake)
        self._last_ns = -1
        self._mass = math.nan
        self._fade = self._fade_low = brake.fade(rig.braking.ambient_c)
        self._fade_validity = DEGRADED
        self._measured_c = math.nan
        self._until_temperatures = 0
        self._pressure_fitted = any(
            rig.sensor_of(name) is not None for name in ("service_pressure_1", "service_pressure_2")
        )
        self._effect = (math.nan, math.nan, INVALID if self._pressure_fitted else ABSENT)
        """Effectiveness, its sigma, validity."""
        self.effectiveness: Flag = (math.nan, self._effect[2])
        self.fade: Flag = (1.0 - self._fade, self._fade_validity)
        self._read = reader_of(rig)
        self._lever_fitted, self._accumulator_fitted = (
            rig.sensor_of(name) is not None for name in ("brake_lever", "accumulator_pressure")
        )

    # --- input ------------------------------------------------------------------------------------------------------

    def update(
        self,
        t_ns: int,
        estimate: Estimate,
        hoist: HoistState,
        direction: int,
        load_n: float,
        load_validity: int,
        number: Callable[[str], Flag],
        thinned: bool = False,
    ) -> None:
        """Take the grid point `t_ns`. `direction` is the last motion's; `number` gives a quantity's last reading in SI and
        its validity. On a `thinned` grid (`monitor.core.pace`) grid points are seconds apart by design. Under 15 us.
        The order is fixed: hydraulics, heat and evidence, load, effectiveness, energy, deceleration, creep."""
        dt = (t_ns - self._last_ns) * 1e-9
        if dt <= 0.0:
            return
        if dt > _LONGEST_STEP_S[thinned]:
            dt = self._after_gap(t_ns)
        self._last_ns = t_ns
        readings, motion = self._read(number), MotionView.of(estimate, self._lines)
        self.hydraulics.step(
            dt, readings.lever, readings.first_pa, readings.second_pa, readings.accumulator_pa, not thinned
        )
        released = drive_released(readings, motion.speed_m_s, self._regen)
        brakes = self._applied_brakes(number, motion.omega_rad_s, released)
        self._acting.step(dt, readings.lever, brakes, not released)
        self._until_temperatures -= 1
        if self._until_temperatures < 0:
            self._until_temperatures = _TEMPERATURES_EVERY
            self._update_fade(number)
            self._update_effectiveness()
        mass = self._hanging_mass(dt, load_n, load_validity, motion.acceleration_m_s2)
        self._step_effectiveness(dt, estimate, motion, brakes, mass, hoist, released, load_validity)
        heavy = None if load_validity > DEGRADED else load_n > self._heavy_n
        self._energy(dt, motion, brakes, mass, heavy)
        self._decelerate(dt, estimate, motion, brakes, mass, released)
        self.creep.step(dt, self._is_set(readings.lever, brakes), motion.speed_m_s, estimate.height_m, motion.validity)

    def _after_gap(self, t_ns: int) -> float:
        """A gap is a restart of the stream: results stay, and what was under way does not. The time step to go on with."""
        if self._last_ns >= 0:
            self.restore(self.state(), t_ns)
        self._until_temperatures = 0
        return 0.05

    def _applied_brakes(self, number: Callable[[str], Flag], omega: float, released: bool) -> AppliedBrakes:
        """What brakes now, from the readings that the hydraulics watch believes."""
        pressure_sum = self.hydraulics.first + self.hydraulics.second
        # Noise about zero pressure is no braking: summed up over a descent it would be a lot of heat.
        if not pressure_sum > 2.0 * (_NO_PRESSURE * self._full):
            pressure_sum = math.nan if math.isnan(pressure_sum) else 0.0
        aux, aux_doubt = self.auxiliary.torque(omega, number)
        if released and self._regen and math.isnan(aux):
            aux = aux_doubt = 0.0  # the motors brake through the clutch
        return AppliedBrakes(pressure_sum, self._emergency_torque(number) if self._springs else 0.0, aux, aux_doubt)

    def _step_effectiveness(
        self,
        dt: float,
        estimate: Estimate,
        motion: MotionView,
        brakes: AppliedBrakes,
        mass: float,
        hoist: HoistState,
        released: bool,
        load_validity: int,
    ) -> None:
        """Weigh the service brake by the motion, where it alone brakes."""
        # Set spring-applied calipers, or not knowing whether they are, leave the service brake unweighed.
        weighable = motion.seen and brakes.emergency_n_m == 0.0 and hoist is not HoistState.IN_SLIPS
        inputs = self._inputs
        inputs.dt, inputs.speed_m_s, inputs.turns = dt, motion.speed_m_s, estimate.turns
        inputs.radius_m, inputs.mass_kg, inputs.acceleration_m_s2 = estimate.radius_m, mass, motion.acceleration_m_s2
        inputs.speed_sigma_m_s = motion.speed_sigma_m_s
        inputs.acceleration_sigma_m_s2 = estimate.acceleration_sigma_m_s2
        inputs.pressure_sum_pa = brakes.pressure_sum_pa if weighable else math.nan
        inputs.aux_n_m, inputs.aux_doubt_n_m = brakes.aux_n_m, brakes.aux_doubt_n_m
        inputs.driven, inputs.fade = not released, self._fade
        inputs.doubtful = load_validity == DEGRADED or motion.validity == DEGRADED
        self.effect.step(inputs)

    def _decelerate(
        self, dt: float, estimate: Estimate, motion: MotionView, brakes: AppliedBrakes, mass: float, released: bool
    ) -> None:
        """Follow the deceleration of a block at speed."""
        if motion.seen and not -AT_SPEED_M_S < motion.speed_m_s < AT_SPEED_M_S:
            torque = self._confident_torque(brakes, motion.way)
            coming = self._acting.coming_n_m(self._confident_scale, motion.way) + self.auxiliary.coming_n_m
            self.deceleration.step(dt, estimate, mass, torque, not released, coming)
        else:
            self.deceleration.pause()

    @property
    def _confident_scale(self) -> float:
        """Factor on the configured friction to rely on."""
        return min(self.filter.low, 0.95 * self.filter.best) * self._fade_low

    def _confident_torque(self, brakes: AppliedBrakes, way: int) -> float:
        """Braking torque that the readings show, N m, friction at the value to rely on; NaN where part of it is not known."""
        low = self._confident_scale
        torque = brakes.aux_n_m - brakes.aux_doubt_n_m + brakes.emergency_n_m * low
        if brakes.pressure_sum_pa != 0.0:
            torque += self._brake.circuit_torque_n_m(self._brake.clamping_pressure_pa(brakes.pressure_sum_pa), low, way)
        return torque

    def _emergency_torque(self, number: Callable[[str], Flag]) -> float:
        """Torque of the spring-applied calipers at the configured friction, N m; 0 when they are clear; NaN when their
        pressure is not known. Where it is not measured they count as clear."""
        release, validity = number("emergency_release_pressure")
        if validity == ABSENT:
            return 0.0
        if validity > DEGRADED:
            return math.nan
        return 0.0 if release >= self._lift_pa else self._brake.emergency_torque_n_m(release)

    def _update_fade(self, number: Callable[[str], Flag]) -> None:
        left, ok1 = number("disc_temperature_left")
        right, ok2 = number("disc_temperature_right")
        fade = self._brake.fade
        known = [t for t, ok in ((left, ok1), (right, ok2)) if ok <= DEGRADED]
        if known:
            self._measured_c = sum(known, 0.0) / len(known)
            self._fade = sum(map(fade, known), 0.0) / len(known)
            self._fade_low = fade(max(known))
            self._fade_validity = VALID if len(known) == 2 or ABSENT in (ok1, ok2) else DEGRADED
            self.fade = (1.0 - self._fade, self._fade_validity)
            return
        self._measured_c = math.nan
        modelled = self.heat.temperature_c
        self._fade = fade(modelled)
        # The model's rise is only as good as the friction power: a quarter more for the value to rely on.
        self._fade_low = fade(modelled + 0.25 * max(0.0, modelled - self._rig.braking.ambient_c))
        self._fade_validity = DEGRADED
        self.fade = (1.0 - self._fade, DEGRADED)

    def _hanging_mass(self, dt: float, load_n: float, validity: int, a: float) -> float:
        """Hanging mass, kg, NaN where not known. It is weighed in steady motion, since a load cell may or may not feel
        the block's own acceleration, and held through the stop."""
        if validity > DEGRADED or not load_n > SLACK_LINE_SHARE * self._block_kg * _G:
            self._mass = math.nan
            return math.nan
        mass = load_n / _G
        if math.isnan(self._mass):
            self._mass = mass
        if not abs(a) > _STEADY_M_S2:
            change = mass - self._mass
            # A set-down or pick-up is taken at once.
            self._mass += change * (dt / (dt + 0.4) if abs(change) < 0.2 * self._mass else 1.0)
        return self._mass if abs(mass - self._mass) < 0.2 * self._mass else math.nan

    def _energy(self, dt: float, motion: MotionView, brakes: AppliedBrakes, mass: float, heavy: bool | None) -> None:
        """Powers at this moment, for the descent's energy and the discs' heat; and the auxiliary brake's idleness."""
        aux = brakes.aux_n_m
        if not motion.seen:
            self.heat.step(dt, math.nan, True, self._measured_c)
            self.auxiliary.watch(None, None, aux, math.nan, math.nan)
            return
        speed, arm, omega, way = motion.speed_m_s, motion.arm_m, motion.omega_rad_s, motion.way
        # A set brake under a block that swings on its rope takes no energy, whatever a noisy speed makes of it.
        moving = abs(speed) > 0.05 + 2.0 * motion.speed_sigma_m_s
        friction_w = seen_w = 0.0
        load_torque = mass * _G * arm
        if moving:
            scale = self.filter.best * self._fade
            torque = 0.0
            if brakes.pressure_sum_pa != 0.0:
                torque = self._brake.circuit_torque_n_m(
                    self._brake.clamping_pressure_pa(brakes.pressure_sum_pa), scale, way
                )
            friction_w = (torque + brakes.emergency_n_m * scale) * omega
            # Lowering without a drive, the motion shows all braking there is (tackle friction at the configured value).
            seen_w = math.nan
            if way < 0:
                a = motion.acceleration_m_s2
                pull = load_torque * self.filter.tackle(-1) * (1.0 + a / _G)
                seen_w = max(0.0, pull + self._inertia * a / arm) * omega
            self.descent.step(dt, speed, heavy, friction_w, aux * omega, seen_w)
        else:
            self.descent.step(dt, 0.0, heavy, 0.0, 0.0, 0.0)
        self.heat.step(dt, friction_w, moving, self._measured_c)
        held = friction_w if friction_w == friction_w else seen_w - (aux if aux == aux else 0.0) * omega
        lowering = -speed if speed < -AT_SPEED_M_S else 0.0
        self.auxiliary.watch(lowering, heavy, aux, held / omega if moving else 0.0, load_torque)

    def _is_set(self, lever: float, brakes: AppliedBrakes) -> bool | None:
        """Whether the brake is set to hold; None when nothing says."""
        first, second = self.hydraulics.first, self.hydraulics.second
        if brakes.emergency_n_m > 0.0 or lever >= self._demand or max(first, second) >= 0.4 * self._full:
            return True
        return None if math.isnan(lever) and math.isnan(first + second) else False

    # --- answers ----------------------------------------------------------------------------------------------------

    def number(self, name: str) -> Flag:
        """(value in SI, validity) of one of `NUMBERS`.

        (NaN, INVALID) while there is no evidence; (NaN, NOT_FITTED) where the rig lacks the equipment.

        Raises:
            KeyError: no number has that name.
        """
        flag: Flag = attrgetter(NUMBERS[name])(self)
        return flag

    def friction_scales(self, direction: int) -> tuple[float, float]:
        """(expected, assured) factors on the configured friction for a stop in `direction`, heat included.

        Expected friction is relative to the configured sheaves, as its stop is; a band's torque is up to `BrakeModel`."""
        best = self.filter.best
        expected = best * self.filter.relative_to_file(direction)
        return expected * self._fade, min(self.filter.low, 0.95 * min(best, expected)) * self._fade_low

    def strongest_scale(self) -> float:
        """Factor on the configured friction at the strongest that is credible: no brake is better than its discs are cold."""
        return max(self.filter.high, self.filter.best) * max(self._fade, self._brake.fade(self._rig.braking.ambient_c))

    def acting(self, expected_scale: float, strongest_scale: float, direction: int) -> ActingBrakes:
        """What brakes the drum now, as the readings show it, with `friction_scales` and `strongest_scale` as they are now."""
        return self._acting.now(expected_scale, strongest_scale, direction)

    def circuits(self) -> tuple[int, int]:
        """(expected, assured) working circuits out of 2."""
        return self.hydraulics.circuits.counts

    def _update_effectiveness(self) -> None:
        """Effectiveness, its sigma and validity, from the filter's present state."""
        filter_ = self.filter
        if filter_.applications == 0:
            return
        scale, sigma = filter_.friction * self._fade, filter_.sigma * self._fade
        ratio = filter_.torque_ratio
        value = ratio(scale)
        spread = 0.5 * (ratio(scale + sigma) - ratio(max(0.0, scale - sigma)))
        validity = self._effect[2]
        limit = _REGAINED_SIGMA if validity > DEGRADED else _LOST_SIGMA
        relative = spread / max(1.0, value)
        validity = INVALID if relative > limit else DEGRADED if relative > _VALID_SIGMA else VALID
        self._effect = (value, spread, validity)
        self.effectiveness = self._with_validity(value)

    @property
    def effectiveness_sigma(self) -> Flag:
        """Standard deviation of `effectiveness`."""
        return self._with_validity(self._effect[1])

    @property
    def friction_scale(self) -> Flag:
        """Cold friction over the configured one."""
        return self._with_validity(self.filter.friction)

    @property
    def inertia_scale(self) -> Flag:
        """Inertia over the configured one."""
        return self._with_validity(self.filter.inertia)

    def _with_validity(self, number: float) -> Flag:
        validity = self._effect[2]
        return (math.nan, validity) if validity > DEGRADED else (number, validity)

    @property
    def response_time(self) -> Flag:
        """Time from demand to 80 % of the pressure, s."""
        if not (self._pressure_fitted and self._lever_fitted):
            return ABSENT_FLAG
        seconds = self.hydraulics.response.number
        return UNKNOWN_FLAG if math.isnan(seconds) else (seconds, VALID)

    @property
    def leak_rate(self) -> Flag:
        """Leak-down of the accumulator, Pa/s."""
        if not self._accumulator_fitted:
            return ABSENT_FLAG
        leak = self.hydraulics.leak
        return UNKNOWN_FLAG if math.isnan(leak.rate) else (leak.rate, VALID if leak.age_s < _OLD_LEAK_S else DEGRADED)

    @property
    def pump_cycle(self) -> Flag:
        """Time from one recharge to the next, s."""
        if not self._accumulator_fitted:
            return ABSENT_FLAG
        seconds = self.hydraulics.pump.number
        return UNKNOWN_FLAG if math.isnan(seconds) else (seconds, VALID)

    # --- restart ----------------------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """What a restart needs, JSON-able."""
        return {
            "format": STATE_FORMAT,
            "t_ns": self._last_ns,
            "disc_c": self.heat.temperature_c,
            "disc_measured": self.heat.seeded,
            "effect": self.filter.state(),
            "hydraulics": self.hydraulics.state(),
            "aux_share": list(self.descent.share) if self.descent.share[1] <= DEGRADED else None,
        }

    def restore(self, saved: Mapping[str, Any], now_ns: int | None = None) -> None:
        """Take up what `state` gave. `now_ns`: stream time of the restart; the brake has cooled, and evidence has aged,
        by the time between (none when not given).

        Raises:
            ValueError: it is not such a state; nothing is taken up then.
        """
        if saved.get("format") != STATE_FORMAT:
            raise ValueError(
                f"brake health cannot be restored: format {saved.get('format')!r}, expected {STATE_FORMAT}"
            )
        then = saved.get("t_ns")
        effect, hydraulics = saved.get("effect"), saved.get("hydraulics")
        share = None if saved.get("aux_share") is None else numbers(saved, "aux_share", 2)
        if not (isinstance(then, int) and isinstance(effect, Mapping) and isinstance(hydraulics, Mapping)):
            raise ValueError("brake health cannot be restored: t_ns, effect or hydraulics missing")
        idle = max(0.0, (now_ns - then) * 1e-9) if now_ns is not None and then >= 0 else 0.0
        # Into fresh watches first, so that a bad part leaves everything as it was.
        heat, watch = DiscHeat(self._rig.braking), HydraulicsWatch(self._rig)
        filtered = BrakeFilter(self._rig, self._brake)
        heat.restore(saved, idle)
        filtered.restore(effect, idle)
        watch.restore(hydraulics, idle)
        self.heat, self.filter, self.hydraulics = heat, filtered, watch
        self.effect = Effectiveness(filtered)
        self._update_effectiveness()
        self.creep = CreepWatch()
        self.descent = DescentEnergy(self.auxiliary.fitted)
        if share is not None and self.auxiliary.fitted:
            self.descent.share = (share[0], DEGRADED)


NUMBERS: Final[Mapping[str, str]] = {
    "effectiveness": "effectiveness",
    "effectiveness_sigma": "effectiveness_sigma",
    "friction_scale": "friction_scale",
    "inertia_scale": "inertia_scale",
    "response_time": "response_time",
    "creep": "creep.flag",
    "fade": "fade",
    "disc_modelled": "heat.flag",
    "leak_rate": "leak_rate",
    "pump_cycle": "pump_cycle",
    "aux_share": "descent.share",
    "aux_missing": "auxiliary.missing",
    "disc_energy": "descent.energy",
}
"""Where each number lies, by name: `effectiveness` is torque seen over torque expected from pressure at the configured friction,
heat included; `friction_scale` is the cold friction's factor behind it."""
