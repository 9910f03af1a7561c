"""What the machine really is: the monitor's configuration with everything a little different, by seed.

A monitor that was only ever tried on a rig equal to its configuration has not been tried. The differences are drawn
inside the uncertainty that the rig's file states, because that is what the file promises; a trial may widen them.
"""

import math
import random
from dataclasses import dataclass, replace
from typing import Self

from monitor.config.brakes import BandBrake, CaliperBrake, EddyAux, RegenAux
from monitor.config.rig import Rig

GRAVITY_M_S2 = 9.80665


@dataclass(frozen=True, slots=True)
class Truth:
    """Parameters of the true machine, SI. Ratios to the monitor's configuration are drawn by `from_rig`."""

    # spool and line
    rope_diameter_m: float
    nesting: float
    wraps_per_layer: float
    layers: int
    core_diameter_m: float
    lines: int
    sheave_factor: float
    axial_stiffness_n: float
    breaking_strength_n: float
    idle_line_m: float
    """Fast line plus dead line."""
    rope_damping: float
    """Share of critical damping of the block bouncing on the rope."""
    hysteresis_m: float
    """Block travel over which the tackle's friction turns round."""
    # masses and places
    block_mass_kg: float
    inertia_kg_m2: float
    bearing_torque_n_m: float
    crown_m: float
    floor_m: float
    reference_height_m: float
    reference_turns: float
    reference_load_n: float
    # friction brake
    friction: float
    lag_s: float
    ramp_s: float
    touch_share: float
    """Share of the full pressure that only brings the pads to the disc."""
    heat_capacity_j_k: float
    cooling_tau_s: float
    ambient_c: float
    fade_onset_c: float
    fade_full_c: float
    fade_floor: float
    left_share: float
    """Share of the braking energy that the left disc takes."""
    # drive
    drive_power_w: float
    drive_torque_n_m: float
    drive_tau_s: float
    push_torque_n_m: float
    """Torque with which the drive can push the empty block down (electric drives only)."""
    # auxiliary brake
    aux_peak_n_m: float
    aux_tau_s: float
    # overtravel device
    overtravel_error_m: float
    # hydraulics
    gas_tau_s: float
    pump_flow_m3_s: float
    seep_m3_s_pa: float

    @classmethod
    def nominal(cls, rig: Rig) -> Self:
        """The machine exactly as configured."""
        line, drum, braking = rig.line, rig.drum, rig.braking
        # Drive sized by common practice (no source): it hoists the rated load at about a quarter of a metre per second.
        speed = 0.31 if rig.block.rated_load_kg < 150_000 else 0.26
        k, n = line.sheave_factor, line.lines
        efficiency = (k**n - 1) / (k**n * n * (k - 1)) if k > 1 else 1.0
        rated_n = rig.block.rated_load_kg * GRAVITY_M_S2
        radius = drum.core_diameter_m / 2 + 2 * line.rope_diameter_m
        torque = rated_n / n / efficiency * radius * 1.25
        if isinstance(rig.aux, EddyAux):
            aux = rig.aux.peak_torque_n_m
        elif isinstance(rig.aux, RegenAux):
            aux = rig.aux.max_torque_n_m
        else:
            aux = 0.0
        return cls(
            rope_diameter_m=line.rope_diameter_m,
            nesting=drum.nesting,
            wraps_per_layer=drum.wraps_per_layer,
            layers=drum.max_layers,
            core_diameter_m=drum.core_diameter_m,
            lines=n,
            sheave_factor=k,
            axial_stiffness_n=line.axial_stiffness_n,
            breaking_strength_n=line.breaking_strength_n,
            idle_line_m=line.fast_line_m + line.dead_line_m,
            rope_damping=0.04,
            hysteresis_m=0.01,
            block_mass_kg=rig.block.mass_kg,
            inertia_kg_m2=drum.inertia_kg_m2,
            bearing_torque_n_m=0.002 * torque,
            crown_m=rig.mast.crown_m,
            floor_m=rig.mast.floor_m,
            reference_height_m=rig.reference.height_m,
            reference_turns=rig.reference.turns,
            reference_load_n=rig.reference.hook_load_n,
            friction=rig.brake.friction,
            lag_s=braking.lag_s,
            ramp_s=max(braking.ramp_s, 0.02),
            touch_share=0.04,
            heat_capacity_j_k=braking.heat_capacity_j_k,
            cooling_tau_s=braking.cooling_tau_s,
            ambient_c=braking.ambient_c,
            fade_onset_c=braking.fade_onset_c,
            fade_full_c=braking.fade_full_c,
            fade_floor=braking.fade_floor,
            left_share=0.5,
            drive_power_w=rated_n * speed / efficiency,
            drive_torque_n_m=torque,
            drive_tau_s=0.12,
            push_torque_n_m=0.05 * torque if isinstance(rig.aux, RegenAux) else 0.0,
            aux_peak_n_m=aux,
            aux_tau_s=0.3,
            overtravel_error_m=0.0,
            gas_tau_s=30.0,
            pump_flow_m3_s=rig.hydraulics.stroke_volume_m3 / 5.0,
            seep_m3_s_pa=rig.hydraulics.stroke_volume_m3 / 900.0 / rig.hydraulics.max_pressure_pa,
        )

    @classmethod
    def from_rig(cls, rig: Rig, seed: int | str, spread: float = 1.0) -> Self:
        """The machine behind `rig`, drawn by `seed`. `spread` scales every difference; 0 is `nominal`."""
        base = cls.nominal(rig)
        if spread == 0:
            return base
        draw = random.Random(f"truth:{rig.name}:{seed}")
        u = rig.uncertainty

        def about(width: float) -> float:
            return 1.0 + spread * width * draw.uniform(-1.0, 1.0)

        return replace(
            base,
            rope_diameter_m=base.rope_diameter_m * (1 - spread * u.rope_diameter * draw.uniform(0.0, 1.0)),
            nesting=base.nesting + spread * draw.uniform(0.0, 0.02),
            sheave_factor=max(1.005, base.sheave_factor - spread * u.sheave * draw.uniform(0.0, 1.0)),
            axial_stiffness_n=base.axial_stiffness_n * about(0.15),
            rope_damping=base.rope_damping * about(0.4),
            hysteresis_m=base.hysteresis_m * about(0.5),
            block_mass_kg=base.block_mass_kg * about(0.4 * u.load),
            inertia_kg_m2=base.inertia_kg_m2 * about(u.inertia),
            reference_height_m=base.reference_height_m + spread * 0.5 * rig.reference.sigma_m * draw.uniform(-1, 1),
            friction=base.friction * about(u.friction),
            lag_s=base.lag_s * about(u.lag),
            ramp_s=base.ramp_s * about(u.lag),
            heat_capacity_j_k=base.heat_capacity_j_k * about(0.1),
            cooling_tau_s=base.cooling_tau_s * about(0.2),
            left_share=0.5 * about(0.04),
            drive_power_w=base.drive_power_w * about(0.05),
            aux_peak_n_m=base.aux_peak_n_m * about(0.1),
            aux_tau_s=base.aux_tau_s * about(0.3),
            overtravel_error_m=spread * draw.uniform(-0.08, 0.08),
            gas_tau_s=base.gas_tau_s * about(0.3),
            fade_onset_c=base.fade_onset_c * about(0.1),
            fade_full_c=base.fade_full_c * about(0.05),
            fade_floor=min(1.0, base.fade_floor * about(0.1)),
        )

    @property
    def efficiency(self) -> float:
        """W / (N fast-line tension) while hoisting (API RP 9B convention for the sheave factor)."""
        k, n = self.sheave_factor, self.lines
        return (k**n - 1) / (k**n * n * (k - 1)) if k > 1 else 1.0

    @property
    def lowering(self) -> float:
        """N fast-line tension / W while lowering (API RP 9B convention for the sheave factor)."""
        k, n = self.sheave_factor, self.lines
        return n * (k - 1) / (k * (k**n - 1)) if k > 1 else 1.0

    def dead_line_share(self, z: float) -> float:
        """N dead-line tension / W, for the tackle's friction between lowering (`z` = -1) and hoisting (+1).

        Hoisting the dead line is the slackest of the N lines, lowering the tightest, K^(N-1) apart: its own sheave does
        not turn (geometric series, derived here).
        """
        k, n = self.sheave_factor, self.lines
        if k <= 1:
            return 1.0
        slack = n * (k - 1) / (k**n - 1)
        return float(slack * math.pow(k, (n - 1) * (1 - z) / 2))


def band_torque_n_m(brake: BandBrake, friction: float, pull_n: float, lowering: bool) -> float:
    """Torque of one band, N.m, for a pull at its actuated end: self-energised lowering, the reverse hoisting.

    Belt friction T1/T2 = exp(f phi), torque (T1 - T2) r (Euler and Eytelwein). The actuated end is the slack one in
    lowering.
    """
    grip = math.exp(friction * math.radians(brake.wrap_deg))
    return pull_n * brake.rim_radius_m * ((grip - 1.0) if lowering else (1.0 - 1.0 / grip))


def caliper_torque_n_m(brake: CaliperBrake, friction: float, clamp_n: float, calipers: float) -> float:
    """Torque of `calipers` calipers, N.m: two faces each, 2 mu F r (machine-design texts)."""
    return 2 * friction * clamp_n * brake.effective_radius_m * calipers
