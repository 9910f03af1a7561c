"""Heat: a brake turns height and speed into temperature, and temperature takes the brake away.

Every stop puts the kinetic energy of block *and drum* into the discs, plus the height the block still falls while it
stops; the tackle's friction takes a small share off. One hard stop of a loaded land rig warms 1600 kg of discs by two
degrees: nothing. One stand lowered on the friction brake alone warms them by fifty: the danger is not the stop but
the descent, repeated every few minutes, faster than the discs cool. The bulk cools as exp(-t/tau) with tau of about an
hour, so a heat step repeated every t1 climbs towards dT / (1 - exp(-t1/tau)), which for two and a half minutes is over
twenty steps high. With the friction brake doing everything that is red heat; with an auxiliary brake taking 90 % it is
a hundred degrees. So the number to watch is *who absorbs the energy*, and temperature confirms it.

What is computed here is the bulk of the disc. Its face is hotter during and right after a stop (rims of drilling bands
have been modelled at 300 to 800 degC, in a university study of 2003), and evens out in a minute or so. Fade follows the
face, so a bulk estimate is a floor, and fade limits are set with that in mind.

Symbols: m mass on the hook and m_J the drum as seen from it, v speed, d distance, dec deceleration, el the tackle's factor
lowering (`motion`, `tackle`); E energy, c specific heat, C = m c heat capacity, P power, t time, tau time constant of
cooling, h A heat that the surface gives off per kelvin.

All of it is energy bookkeeping: what goes in must equal what the brake, the tackle and the auxiliary take, and
`stop_energy` shows all the items so that a test can close the balance. Temperatures in degC, rises in K.
"""

import math
from dataclasses import dataclass

from monitor.physics.given import above_zero
from monitor.physics.motion import Hoist
from monitor.units import STANDARD_GRAVITY_M_S2 as _G

STEEL_J_KG_K = 490.0
"""Specific heat of disc steel near 100 degC (common handbook value)."""


@dataclass(frozen=True, slots=True)
class StopEnergy:
    """Energy of a lowering stop, J: `kinetic_j` + `potential_j` = `brake_j` + `tackle_j`."""

    kinetic_j: float
    potential_j: float
    brake_j: float
    tackle_j: float


def stop_energy(hoist: Hoist, speed_m_s: float, distance_m: float, braking_torque_n_m: float) -> StopEnergy:
    """Where the energy of a lowering stop goes, from the brake's first grip at `speed_m_s` until rest `distance_m` on.

    KE = (m + m_J) v^2 / 2, PE = m g d; brake T N d / r; the tackle's friction takes (1 - el) m (g + dec) d with
    dec = v^2 / 2d (derived here: what the hook gives and the drum does not receive).

    Raises:
        ValueError: distance not above zero.
    """
    if distance_m <= 0:
        raise ValueError(f"stopping distance is {distance_m} m: must be above zero")
    deceleration = speed_m_s * speed_m_s / (2 * distance_m)
    return StopEnergy(
        kinetic_j=(hoist.mass_kg + hoist.drum_mass_kg) * speed_m_s * speed_m_s / 2,
        potential_j=hoist.mass_kg * _G * distance_m,
        brake_j=braking_torque_n_m * hoist.pull_per_torque * distance_m,
        tackle_j=(1 - hoist.lowering) * hoist.mass_kg * (_G + deceleration) * distance_m,
    )


def descent_energy_j(mass_kg: float, height_m: float) -> float:
    """Energy that lowering a mass sets free, J: m g h. Brakes and tackle friction must take all of it."""
    return mass_kg * _G * height_m


def auxiliary_share(auxiliary_j: float, friction_j: float) -> float:
    """Share of a descent's braking energy that the auxiliary brake took, 0 to 1; NaN when nothing was braked."""
    total = auxiliary_j + friction_j
    return auxiliary_j / total if total > 0 else math.nan


def temperature_rise_k(energy_j: float, mass_kg: float, specific_heat_j_kg_k: float = STEEL_J_KG_K) -> float:
    """Rise of the bulk temperature, K, when a mass takes in an energy: E / (m c).

    Raises:
        ValueError: no mass or no specific heat.
    """
    above_zero(mass_kg=mass_kg, specific_heat_j_kg_k=specific_heat_j_kg_k)
    return energy_j / (mass_kg * specific_heat_j_kg_k)


def metal_volume_m3(
    energy_j: float, rise_k: float, density_kg_m3: float, specific_heat_j_kg_k: float = STEEL_J_KG_K
) -> float:
    """Metal that takes in an energy at a given rise, m3: E / (rho c dT) (machine-design texts).

    Raises:
        ValueError: rise, density or specific heat not above zero.
    """
    above_zero(rise_k=rise_k, density_kg_m3=density_kg_m3, specific_heat_j_kg_k=specific_heat_j_kg_k)
    return energy_j / (rise_k * density_kg_m3 * specific_heat_j_kg_k)


def rim_thickness_m(volume_m3: float, diameter_m: float, width_m: float) -> float:
    """Thickness of a brake drum, rim and one web alike, m, that holds a volume of metal: V / (pi D b + pi D^2 / 4).

    Raises:
        ValueError: diameter or width not above zero.
    """
    above_zero(diameter_m=diameter_m, width_m=width_m)
    return volume_m3 / (math.pi * diameter_m * width_m + math.pi * diameter_m**2 / 4)


def spin_energy_j(inertia_kg_m2: float, from_rad_s: float, to_rad_s: float = 0.0) -> float:
    """Energy of a rotor that slows down, J: J (w1^2 - w2^2) / 2."""
    return inertia_kg_m2 * (from_rad_s**2 - to_rad_s**2) / 2


def time_constant_s(heat_capacity_j_k: float, cooling_w_k: float) -> float:
    """Time constant of cooling, s: m c / (h A), from the heat capacity in J/K and the cooling in W/K.

    Raises:
        ValueError: heat capacity or cooling not above zero.
    """
    above_zero(heat_capacity_j_k=heat_capacity_j_k, cooling_w_k=cooling_w_k)
    return heat_capacity_j_k / cooling_w_k


def cooled_c(temperature_c: float, ambient_c: float, time_s: float, tau_s: float) -> float:
    """Temperature after cooling for a time, degC: Newton's law, exp(-t/tau) towards ambient.

    Raises:
        ValueError: time constant not above zero.
    """
    above_zero(tau_s=tau_s)
    return ambient_c + (temperature_c - ambient_c) * math.exp(-time_s / tau_s)


def heated_c(
    temperature_c: float, ambient_c: float, power_w: float, time_s: float, heat_capacity_j_k: float, tau_s: float
) -> float:
    """Bulk temperature after `time_s` of constant `power_w` with cooling, degC (exact for any step length).

    Solution of C dT/dt = P - C (T - T_amb) / tau: towards T_amb + P tau / C as exp(-t/tau).

    Raises:
        ValueError: heat capacity or time constant not above zero.
    """
    above_zero(heat_capacity_j_k=heat_capacity_j_k, tau_s=tau_s)
    end = ambient_c + power_w * tau_s / heat_capacity_j_k
    return end + (temperature_c - end) * math.exp(-time_s / tau_s)


def periodic_peak_rise_k(step_k: float, period_s: float, tau_s: float) -> float:
    """Peak above ambient, K, that a heat step repeated forever climbs to: dT / (1 - exp(-t1/tau)).

    Geometric series of steps, each cooled until the next (machine-design texts).

    Raises:
        ValueError: period or time constant not above zero.
    """
    above_zero(period_s=period_s, tau_s=tau_s)
    return -step_k / math.expm1(-period_s / tau_s)


def periods_until_c(
    step_k: float, period_s: float, tau_s: float, ambient_c: float, limit_c: float, start_c: float | None = None
) -> float:
    """How many more equal heat steps until the peak passes `limit_c`; infinite when it never does, 0 when it has.

    Peaks approach the periodic peak by the factor exp(-t1/tau) per step (derived here). `start_c` is the temperature
    before the first of them, ambient when None.

    Raises:
        ValueError: step, period or time constant not above zero.
    """
    above_zero(step_k=step_k, period_s=period_s, tau_s=tau_s)
    keep = math.exp(-period_s / tau_s)
    now = (ambient_c if start_c is None else start_c) - ambient_c
    limit = limit_c - ambient_c
    if now > limit:
        return 0.0
    end = periodic_peak_rise_k(step_k, period_s, tau_s)
    first = now + step_k
    if first >= limit:
        return 1.0
    if end <= limit:
        return math.inf
    # Peak after n steps: end + (first - end) keep^(n - 1).
    return 1.0 + math.ceil(math.log((end - limit) / (end - first)) / math.log(keep) - 1e-9)
