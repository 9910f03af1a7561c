"""One tick of the mechanics: inputs, the substeps, and what is put right between ticks.

`StepInputs` is all that acts during a tick. `integrate` takes it through the substeps and answers a `StepResult`;
`settle_slips`, `correct_rope_end` and `book_energies` then change string, rope end and energy account by that result, and
`at_rest` says whether the next tick can be skipped. `Plant` calls them in this order.

Method: semi-implicit Euler with a fixed step. Drum and block get their new speeds from the forces at the start of the
step, and move with the new speeds.
"""

import math
from typing import Protocol

from simulators.machine.brake import FrictionBrake
from simulators.machine.levers_and_string import EnergyAccount, StringLoad
from simulators.machine.truth import GRAVITY_M_S2, Truth

FLOOR_PER_KG = 900.0
CROWN_PER_KG = 3600.0
"""Stiffness of floor and crown per mass of the block, 1/s^2 (invented: steel yields a few centimetres)."""
BUMP_DAMPING_PER_KG = 30.0


class Hoist(Protocol):
    """What a step reads of the plant."""

    truth: Truth
    string: StringLoad
    brake: FrictionBrake
    substeps: int
    omega: float
    speed_m_s: float
    height_m: float
    hang_m: float
    force_n: float
    hung_kg: float
    support_m: float
    parted: bool

    def stiffness(self, height_m: float) -> float: ...


class StepInputs:
    """State at the start of a tick, and what acts all through it. SI; up and hoisting are positive."""

    __slots__ = (
        "arm_m", "aux_n_m_s", "block_kg", "crown_m", "damping", "drag_n", "drive_n_m", "dt_s", "force_n", "hang_m",
        "hanging", "height_m", "hold_down_n_m", "hold_up_n_m", "inertia", "latched", "mass_kg", "omega", "own_n",
        "parted", "per_radian_m", "speed_m_s", "spring", "stiffness", "string", "substeps", "support_m",
    )  # fmt: skip

    dt_s: float
    substeps: int
    # drum
    omega: float
    inertia: float
    drive_n_m: float
    aux_n_m_s: float
    """Torque of the auxiliary brake per angular speed."""
    hold_up_n_m: float
    """What brake and bearings hold against hoisting; `hold_down_n_m` against lowering."""
    hold_down_n_m: float
    arm_m: float
    """Torque on the drum per tension sum at the block."""
    per_radian_m: float
    """Travel of the block per radian of the drum."""
    # line
    hang_m: float
    force_n: float
    stiffness: float
    damping: float
    parted: bool
    # block and string
    height_m: float
    speed_m_s: float
    block_kg: float
    mass_kg: float
    """Everything that moves with the block."""
    own_n: float
    """Weight of the block and of pipe that hangs in it alone."""
    string: StringLoad
    hanging: bool
    latched: bool
    drag_n: float
    spring: float
    """Pull of a string in the slips per travel of the elevator, N/m."""
    support_m: float
    crown_m: float


def prepare(
    hoist: Hoist, drive_n_m: float, aux_n_m_s: float, radius_m: float, share: float, tick_s: float
) -> StepInputs:
    """What acts in the coming tick.

    Args:
        drive_n_m: Torque of the drive.
        aux_n_m_s: Torque of the auxiliary brake per angular speed.
        radius_m: Line per radian of the drum.
        share: Tension of the fast line over the mean tension.
    """
    inputs = StepInputs()  # filled here and not by a constructor of 27 arguments, which costs half a microsecond more
    truth, string, brake, substeps = hoist.truth, hoist.string, hoist.brake, hoist.substeps
    lines, block, bearing = truth.lines, truth.block_mass_kg, truth.bearing_torque_n_m
    inputs.dt_s = tick_s / substeps
    inputs.substeps = substeps
    inputs.omega = hoist.omega
    inputs.inertia = truth.inertia_kg_m2
    inputs.drive_n_m = drive_n_m
    inputs.aux_n_m_s = aux_n_m_s
    inputs.hold_up_n_m = brake.hoisting_n_m + bearing
    inputs.hold_down_n_m = brake.lowering_n_m + bearing
    inputs.arm_m = share * radius_m / lines
    inputs.per_radian_m = radius_m / lines
    mass = block + hoist.hung_kg
    inputs.own_n = mass * GRAVITY_M_S2
    inputs.string = string
    inputs.hanging = hanging = string.hanging
    inputs.latched = latched = string.latched and string.weight_n > 0
    inputs.drag_n = inputs.spring = 0.0
    if hanging:
        mass += string.mass_kg
        inputs.drag_n = string.drag_share * string.weight_n
    if latched:
        inputs.spring = string.weight_n / string.pick_up_m
    inputs.block_kg = block
    inputs.mass_kg = mass
    inputs.height_m = height_m = hoist.height_m
    inputs.speed_m_s = hoist.speed_m_s
    inputs.support_m = hoist.support_m
    inputs.crown_m = truth.crown_m
    inputs.stiffness = k = hoist.stiffness(height_m)
    inputs.damping = 2 * truth.rope_damping * math.sqrt(k * mass)
    inputs.hang_m = hoist.hang_m
    inputs.force_n = hoist.force_n
    inputs.parted = hoist.parted
    return inputs


class StepResult:
    """State at the end of a tick, and the energy that went where during it, J."""

    __slots__ = (
        "aux_j", "brake_j", "contact_j", "drag_j", "drive_j", "force_n", "gravity_j", "hang_m", "hanging", "height_m",
        "mass_kg", "net_n", "omega", "rope_j", "speed_m_s", "tackle_j",
    )  # fmt: skip

    omega: float
    speed_m_s: float
    height_m: float
    hang_m: float
    force_n: float
    net_n: float
    """Force on the block in the last substep."""
    mass_kg: float
    hanging: bool
    brake_j: float
    """Friction brake and bearings together."""
    aux_j: float
    drive_j: float
    tackle_j: float
    rope_j: float
    gravity_j: float
    drag_j: float
    contact_j: float


def integrate(inputs: StepInputs) -> StepResult:
    """The substeps of one tick.

    One long function on locals, without a call inside the loop: every trial spends its time here. It keeps to the
    paragraphs line, drum, block and string, floor and crown, losses.
    """
    string = inputs.string
    dt, inertia, drive, aux = inputs.dt_s, inputs.inertia, inputs.drive_n_m, inputs.aux_n_m_s
    omega, v, y, hang, force = inputs.omega, inputs.speed_m_s, inputs.height_m, inputs.hang_m, inputs.force_n
    up, down, arm, per_turn = inputs.hold_up_n_m, inputs.hold_down_n_m, inputs.arm_m, inputs.per_radian_m
    k, damping, own, mass = inputs.stiffness, inputs.damping, inputs.own_n, inputs.mass_kg
    hanging, drag_n, spring = inputs.hanging, inputs.drag_n, inputs.spring
    taking_up = inputs.latched and not hanging
    string_n = string.weight_n if hanging else 0.0
    lifted_n = own + string_n
    parted, support, crown = inputs.parted, inputs.support_m, inputs.crown_m
    half_dt, half_inertia, lost_arm = 0.5 * dt, 0.5 * inertia, arm - per_turn
    brake_j = aux_j = drive_j = tackle_j = rope_j = grav_j = drag_j = bump_j = 0.0
    net = 0.0
    for _ in range(inputs.substeps):
        # line: a spring with damping that cannot push
        stretch = hang - y
        if parted or stretch <= 0.0:
            force = 0.0
            loss = 0.0
        else:
            elastic = k * stretch
            force = elastic + damping * (omega * per_turn - v)
            force = 0.0 if force < 0.0 else force
            loss = force - elastic
        # drum: a stopped one stays until the torque on it exceeds what the brake holds
        turning = drive - aux * omega - force * arm
        if omega > 0.0:
            after = omega + (turning - up) / inertia * dt
            if after < 0.0:
                after = 0.0 if turning > -down else after
        elif omega < 0.0:
            after = omega + (turning + down) / inertia * dt
            if after > 0.0:
                after = 0.0 if turning < up else after
        elif turning > up:
            after = (turning - up) / inertia * dt
        elif turning < -down:
            after = (turning + down) / inertia * dt
        else:
            after = 0.0
        mean = (omega + after) * half_dt
        if mean:
            brake_j += turning * mean - half_inertia * (after * after - omega * omega)
            aux_j += aux * omega * mean
            drive_j += drive * mean
            tackle_j += force * lost_arm * mean
        # block and string
        if taking_up:
            pulled = (y - string.top_m) * spring
            string_n = pulled if pulled > 0.0 else 0.0
            if string_n >= string.weight_n:
                string_n = string.weight_n
                if v > 0.0:
                    taking_up, hanging = False, True
                    lifted_n = own + string_n
                    heavy = mass + string.mass_kg
                    bump_j += 0.5 * mass * v * v * (1 - mass / heavy)
                    v *= mass / heavy
                    mass = heavy
                    drag_n = string.drag_share * string.weight_n
        accelerating = force - own - string_n
        if drag_n:
            drag = drag_n if v > 0.02 else -drag_n if v < -0.02 else drag_n * v / 0.02
            accelerating -= drag
        else:
            drag = 0.0
        # floor and crown
        depth = support - y
        bump = elastic_bump = 0.0
        if depth > 0.0:
            elastic_bump = FLOOR_PER_KG * inputs.block_kg * depth
            bump = elastic_bump - BUMP_DAMPING_PER_KG * inputs.block_kg * v
            bump = 0.0 if bump < 0.0 else bump
        elif y > crown:
            elastic_bump = -CROWN_PER_KG * inputs.block_kg * (y - crown)
            bump = elastic_bump - BUMP_DAMPING_PER_KG * inputs.block_kg * v
            bump = 0.0 if bump > 0.0 else bump
        net = accelerating + bump
        before = v
        v += net / mass * dt
        middle = (before + v) * half_dt
        y += v * dt
        hang += after * per_turn * dt
        omega = after
        # losses at the mean speed of the step, as the kinetic energies above are counted
        if loss:
            rope_j += loss * (mean * per_turn - middle)
        grav_j += lifted_n * middle
        if drag:
            drag_j += drag * middle
        if bump or elastic_bump:
            bump_j -= (bump - elastic_bump) * middle
    result = StepResult()
    result.omega, result.speed_m_s, result.height_m = omega, v, y
    result.hang_m, result.force_n, result.net_n = hang, force, net
    result.mass_kg, result.hanging = mass, hanging
    result.brake_j, result.aux_j, result.drive_j = brake_j, aux_j, drive_j
    result.tackle_j, result.rope_j, result.gravity_j = tackle_j, rope_j, grav_j
    result.drag_j, result.contact_j = drag_j, bump_j
    return result


def settle_slips(inputs: StepInputs, result: StepResult, slips: bool, energy: EnergyAccount) -> None:
    """Where the string in the elevator is after the tick. Slips hold one that would fall; what rises through them stays.

    Changes the string, and speed and contact energy of `result`.
    """
    string = inputs.string
    string.hanging = hanging = result.hanging
    if not inputs.latched:
        return
    v = result.speed_m_s
    if hanging:
        string.force_n = string.weight_n
        if slips and v <= 0.0:
            string.hanging = False
            string.top_m = result.height_m - string.pick_up_m
            result.contact_j += 0.5 * string.mass_kg * v * v
        return
    pull = (result.height_m - string.top_m) * inputs.spring
    string.force_n = 0.0 if pull <= 0.0 else pull if pull < string.weight_n else string.weight_n
    if slips or string.force_n <= 0.0:
        return
    # Slips pulled before the elevator had it all: the rest drops onto the elevator.
    if string.force_n < string.weight_n:
        energy.handling += string.elastic_j(string.weight_n) - string.elastic_j()
    string.hanging, string.force_n = True, string.weight_n
    heavy = result.mass_kg + string.mass_kg
    result.contact_j += 0.5 * result.mass_kg * v * v * (1 - result.mass_kg / heavy)
    result.speed_m_s = v * (result.mass_kg / heavy)


def correct_rope_end(inputs: StepInputs, result: StepResult, hang_m: float, stiffness: float) -> None:
    """Put the rope's end where the drum's geometry has it, `hang_m`.

    Radius and `stiffness` are constant during a tick; the energy of the spring whose end and stiffness change with this
    goes to the rope. Changes `result`.
    """
    if result.force_n > 0.0 and not inputs.parted:
        before, after = result.hang_m - result.height_m, hang_m - result.height_m
        result.rope_j += 0.5 * inputs.stiffness * before**2 - (0.5 * stiffness * after * after if after > 0 else 0.0)
    result.hang_m = hang_m


def book_energies(inputs: StepInputs, result: StepResult, energy: EnergyAccount, bearing_n_m: float) -> float:
    """Enter the tick in the account. Answers the work of the friction brake alone, J: what warms it."""
    brake_j, bearing_j = result.brake_j, 0.0
    if bearing_n_m:
        bearing_j = brake_j * (
            bearing_n_m / (inputs.hold_down_n_m if inputs.omega + result.omega < 0 else inputs.hold_up_n_m)
        )
    friction_j = brake_j - bearing_j
    energy.brake += friction_j
    energy.bearing += bearing_j
    energy.aux += result.aux_j
    energy.drive += result.drive_j
    energy.tackle += result.tackle_j
    energy.rope += result.rope_j
    energy.gravity += result.gravity_j
    energy.drag += result.drag_j
    energy.contact += result.contact_j
    energy.turnover += abs(result.gravity_j) + abs(result.drive_j) + abs(brake_j) + abs(result.aux_j)
    return friction_j


def at_rest(inputs: StepInputs, result: StepResult) -> bool:
    """Whether drum and block stand still and the block's weight is held."""
    if result.omega != 0.0 or inputs.omega != 0.0:
        return False
    return -1e-3 < result.speed_m_s < 1e-3 and abs(result.net_n) < 0.02 * result.mass_kg
