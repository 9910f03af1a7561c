"""The true hoist: drum, line, tackle, block and string, moved by a drive, held by brakes, pulled by gravity.

The drum turns under drive, brakes and the pull of the fast line. The line is a spring with some damping between the
place where the block would hang without tension and where it is, so the block bounces, and hangs slack when the spring
would have to push. Between the mean tension and the fast line stands the tackle's friction, which needs a little travel
to turn round (hysteresis). Friction brakes stick: a stopped drum stays until the torque on it exceeds what they hold.

A tick of 10 ms moves hydraulics, torques, heat and geometry; inside it the mechanics take fixed semi-implicit Euler
steps. An account keeps every joule, so that the balance shows whether the integration can be trusted. Nothing here uses
the monitor's formulas; its configuration only names the machine (`Truth.from_rig` makes it differ).

Up is positive: heights, block speed, and the drum's speed while it takes rope in.
"""

import math
from dataclasses import replace
from typing import Final

from monitor.config.rig import Rig
from simulators.machine.brake import FrictionBrake
from simulators.machine.drive import AuxBrake, Drive, Overtravel
from simulators.machine.hydraulics import Circuits
from simulators.machine.integration import (
    CROWN_PER_KG,
    FLOOR_PER_KG,
    at_rest,
    book_energies,
    correct_rope_end,
    integrate,
    prepare,
    settle_slips,
)
from simulators.machine.levers_and_string import EnergyAccount, Levers, StringLoad
from simulators.machine.spool import TAU, Spool
from simulators.machine.truth import GRAVITY_M_S2, Truth

TICK_S: Final = 0.01
TICK_NS: Final = 10_000_000
BUOYANCY: Final = 0.87
"""Weight in the hole over weight in air: a light mud."""


class Plant:
    """One rig. Set `levers`, call `tick()`, read the rest. Times in s since the start, SI throughout."""

    def __init__(
        self, rig: Rig, truth: Truth, height_m: float, substeps: int = 2, string_weight_n: float = 0.0
    ) -> None:
        self.rig, self.truth = rig, truth
        self.levers = Levers()
        self.energy = EnergyAccount()
        self.string = StringLoad()
        self.substeps = substeps
        self.spool = Spool(
            truth.core_diameter_m, truth.rope_diameter_m, truth.wraps_per_layer, truth.nesting, truth.layers
        )
        brake = rig.brake
        self.oil = Circuits(
            rig.hydraulics,
            brake.full_pressure_pa,
            getattr(brake, "release_pressure_pa", 0.0),
            max(truth.lag_s - truth.touch_share * truth.ramp_s, TICK_S),
            truth.ramp_s,
            truth.pump_flow_m3_s,
            truth.seep_m3_s_pa,
            truth.gas_tau_s,
            TICK_S,
        )
        self.brake = FrictionBrake(rig, truth)
        self.drive = Drive(truth)
        self.aux = AuxBrake(rig, truth)
        self.overtravel = Overtravel(rig, truth)
        up, down = 1.0 / truth.efficiency, truth.lowering
        self._share_middle, self._share_half = math.sqrt(up * down), 0.5 * math.log(up / down)
        self.ticks = 0
        self.omega = 0.0
        self.speed_m_s = 0.0
        self.hung_kg = 0.0
        """Pipe that hangs in the elevator alone (a single or stand before it is made up)."""
        self.z = -1.0
        """Tackle friction between lowering (-1) and hoisting (+1)."""
        self.support_m = truth.floor_m
        """Where the block would come to rest on something: the floor, or what it has hung up on."""
        self.parted = False
        self.slip_turns = 0.0
        """Turns of the drum less turns of rope on it: rope that slipped on the drum, or was cut and slipped."""
        self.force_n = 0.0
        """Sum of the tensions of the lines at the block: the hook load that a perfect sensor would show."""
        self._resting = False
        # The datum: where the block hung when the reference was taken.
        self._line_0 = self.spool.line_m(truth.reference_turns)
        self._hang_0 = truth.reference_height_m + truth.reference_load_n / self.stiffness(truth.reference_height_m)
        self.height_m = height_m
        self.hang_m = height_m
        self.turns = 0.0
        self._hang_still()
        if string_weight_n:
            self.hang_string(string_weight_n)

    # --- what the crew does with pipe -------------------------------------------------------------------------------

    def hang_string(self, weight_n: float, mass_kg: float | None = None) -> None:
        """A string hangs in the elevator, off the slips, and the line is stretched by it: a state to start from."""
        s = self.string
        before = self.stored_j()
        s.weight_n = s.force_n = weight_n
        s.mass_kg = weight_n / GRAVITY_M_S2 / BUOYANCY if mass_kg is None else mass_kg
        s.latched = s.hanging = True
        s.top_m = self.height_m - s.pick_up_m
        self._hang_still()
        self.energy.handling += self.stored_j() - before

    def _hang_still(self) -> None:
        """Put drum and line where the block hangs at rest at its height under its load."""
        t = self.truth
        weight = self.load_weight_n
        self.hang_m = self.height_m + weight / self.stiffness(self.height_m)
        self.turns = self.slip_turns + self.spool.turns(self._line_0 + (self.hang_m - self._hang_0) * t.lines)
        self.force_n = weight
        self._resting = False

    def string_in_slips(self, weight_n: float, mass_kg: float | None = None) -> None:
        """A string stands in the slips, free of the elevator."""
        s = self.string
        s.weight_n, s.force_n = weight_n, 0.0
        s.mass_kg = weight_n / GRAVITY_M_S2 / BUOYANCY if mass_kg is None else mass_kg
        s.latched = s.hanging = False
        self.levers.slips = True

    def latch(self) -> None:
        """Close the elevator around the string in the slips, here."""
        s = self.string
        s.latched = True
        s.top_m = self.height_m
        self._resting = False

    def unlatch(self) -> None:
        """Open the elevator. A string that still pulls on it would fall; it must be in the slips."""
        s = self.string
        self.energy.handling -= self.string.elastic_j()
        s.latched = s.hanging = False
        s.force_n = 0.0
        self._resting = False

    def hang_pipe(self, mass_kg: float) -> None:
        """Pick up a single or stand with the elevator (0: it is set back)."""
        self.hung_kg = mass_kg
        self._resting = False

    def make_up(self) -> None:
        """Connect the hanging pipe to the string in the slips: it goes on pulling, as the string's own weight."""
        s = self.string
        weight = self.hung_kg * GRAVITY_M_S2
        s.mass_kg += self.hung_kg
        s.weight_n += weight * BUOYANCY
        s.latched = True
        s.hanging = False
        self.hung_kg = 0.0
        s.force_n = min(weight, s.weight_n)
        s.top_m = self.height_m - s.force_n / s.weight_n * s.pick_up_m
        self.energy.handling += self.string.elastic_j()
        self._resting = False

    def break_out(self, mass_kg: float) -> None:
        """Unscrew `mass_kg` of pipe from the string in the slips: it now hangs in the elevator alone."""
        s = self.string
        self.energy.handling -= self.string.elastic_j()
        s.mass_kg = max(0.0, s.mass_kg - mass_kg)
        s.weight_n = max(0.0, s.weight_n - mass_kg * GRAVITY_M_S2 * BUOYANCY)
        s.latched = s.hanging = False
        s.force_n = 0.0
        self.hung_kg = mass_kg
        self._resting = False

    def cut_and_slip(self, turns_added: float) -> None:
        """New line is slipped in and worn line cut: other wraps lie on the drum at this height. The block hangs off."""
        self.slip_turns -= turns_added
        self._line_0 = self.spool.line_m(self.turns - self.slip_turns)
        self._hang_0 = self.hang_m
        self._resting = False

    # --- reading it -------------------------------------------------------------------------------------------------

    @property
    def t_s(self) -> float:
        """Time since the start, s."""
        return self.ticks * TICK_S

    def stiffness(self, height_m: float) -> float:
        """Spring of the line at the block, N/m: N^2 EA over all the rope between drum and dead-line anchor."""
        t = self.truth
        span = t.crown_m - height_m
        free = t.lines * (span if span > 0 else 0.0) + t.idle_line_m
        return t.axial_stiffness_n * t.lines * t.lines / (free if free > 10.0 else 10.0)

    @property
    def dead_line_n(self) -> float:
        """Tension of the dead line, N."""
        return self.force_n / self.truth.lines * self.truth.dead_line_share(self.z)

    @property
    def load_weight_n(self) -> float:
        """Weight of all that hangs in the line now, N (no dynamics)."""
        return (self.truth.block_mass_kg + self.hung_kg) * GRAVITY_M_S2 + self.string.force_n

    def stored_j(self) -> float:
        """Kinetic and elastic energy now, J."""
        t, s = self.truth, self.string
        mass = t.block_mass_kg + self.hung_kg + (s.mass_kg if s.hanging else 0.0)
        kinetic = 0.5 * t.inertia_kg_m2 * self.omega**2 + 0.5 * mass * self.speed_m_s**2
        stretch = self.hang_m - self.height_m
        rope = 0.5 * self.stiffness(self.height_m) * stretch**2 if stretch > 0 and not self.parted else 0.0
        bump = 0.0
        block = t.block_mass_kg
        for depth, hard in ((self.support_m - self.height_m, FLOOR_PER_KG), (self.height_m - t.crown_m, CROWN_PER_KG)):
            if depth > 0:
                bump += 0.5 * hard * block * depth**2
        return kinetic + rope + bump + self.string.elastic_j()

    def spent_j(self) -> float:
        """Energy put in minus all that was turned into heat or height, J: what `stored_j` must have gained."""
        g = self.energy
        lost = g.brake + g.aux + g.bearing + g.tackle + g.rope + g.gravity + g.drag + g.contact
        return g.drive + g.handling - lost

    # --- moving it --------------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """Move on by `TICK_S`."""
        self.ticks += 1
        t, levers = self.truth, self.levers
        tripped = self.overtravel.tick(self.height_m)
        emergency = levers.emergency
        oil, brake = self.oil, self.brake
        oil.tick(1.0 if tripped or emergency else levers.brake, emergency)
        brake.tick(oil)
        omega = self.omega
        turns = self.turns - self.slip_turns
        radius = self.spool.radius_m(turns + omega * (TICK_S / 2 / TAU))
        share = self._fast_share()
        pull_n_m = self.force_n * share / t.lines * radius
        drive = self.drive.tick(
            levers.speed_m_s * t.lines / radius, omega, pull_n_m, levers.clutch, tripped or emergency, TICK_S
        )
        aux = self.aux.tick(levers.aux, omega, self.drive.tripped, TICK_S)
        if self._resting:
            hold = brake.lowering_n_m if pull_n_m > drive else brake.hoisting_n_m
            if abs(drive - pull_n_m) < 0.98 * hold:
                if brake.left_c > t.ambient_c + 0.01 or brake.right_c > t.ambient_c + 0.01:
                    brake.heat(0.0, 0.0, TICK_S)
                return
            self._resting = False
        self._move(drive, aux, radius, share)

    def _fast_share(self) -> float:
        """Fast-line tension over the mean line tension, between lowering and hoisting."""
        return self._share_middle * math.exp(self.z * self._share_half)

    def _move(self, drive: float, aux: float, radius: float, share: float) -> None:
        """The mechanics of one tick (see `simulators.machine.integration`)."""
        t, g = self.truth, self.energy
        start = prepare(self, drive, aux, radius, share, TICK_S)
        end = integrate(start)
        settle_slips(start, end, self.levers.slips, g)
        turned = 0.5 * (start.omega + end.omega) * TICK_S
        self.turns += turned / TAU
        line_m = self.spool.line_m(self.turns - self.slip_turns)
        exact_m = self._hang_0 + (line_m - self._line_0) / t.lines
        correct_rope_end(start, end, exact_m, self.stiffness(end.height_m))
        way = 1.0 if end.omega > 0 or start.omega > 0 else -1.0
        if self.z != way:
            self._turn_friction_round(way, abs(turned) * start.per_radian_m)
        self.omega, self.speed_m_s, self.height_m = end.omega, end.speed_m_s, end.height_m
        self.hang_m, self.force_n = exact_m, end.force_n
        friction_j = book_energies(start, end, g, t.bearing_torque_n_m)
        self.brake.heat(friction_j, turned, TICK_S)
        self._resting = at_rest(start, end)
        if end.force_n / t.lines * share > t.breaking_strength_n and not self.parted:
            self.part()

    def _turn_friction_round(self, way: float, travelled_m: float) -> None:
        """The tackle's friction follows the direction of travel, exponentially with the way travelled."""
        if travelled_m > 0.0:
            self.z = way + (self.z - way) * math.exp(-travelled_m / self.truth.hysteresis_m)

    def part(self) -> None:
        """The line breaks: the block falls."""
        stretch = self.hang_m - self.height_m
        if stretch > 0 and not self.parted:
            self.energy.rope += 0.5 * self.stiffness(self.height_m) * stretch**2
        self.parted = True
        self._resting = False

    def clone(self) -> "Plant":
        """The same plant at the same moment, to be driven on separately."""
        twin = Plant(self.rig, self.truth, self.height_m, self.substeps)
        twin.levers, twin.energy, twin.string = replace(self.levers), replace(self.energy), replace(self.string)
        twin.oil, twin.brake, twin.drive = self.oil.clone(), self.brake.clone(), self.drive.clone()
        twin.aux, twin.overtravel = self.aux.clone(), self.overtravel.clone()
        twin.spool = self.spool  # never changes
        twin.ticks, twin.omega, twin.speed_m_s, twin.hung_kg, twin.z = (
            self.ticks, self.omega, self.speed_m_s, self.hung_kg, self.z
        )  # fmt: skip
        twin.support_m, twin.parted, twin.slip_turns = self.support_m, self.parted, self.slip_turns
        twin.hang_m, twin.turns, twin.force_n = self.hang_m, self.turns, self.force_n
        twin._resting, twin._line_0, twin._hang_0 = self._resting, self._line_0, self._hang_0
        return twin

    def wake(self) -> None:
        """Something outside changed (a fault came or went): look again whether everything stands still."""
        self._resting = False
