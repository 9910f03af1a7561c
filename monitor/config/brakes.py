"""A rig's brakes: the friction brake, its timing and heat, the auxiliary brake, and the oil that works it."""

from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from monitor.config.fields import Model, Share, Words, between, not_above


class CaliperBrake(Model):
    """Disc brake: service calipers pressed by oil, emergency calipers pressed by springs and lifted by oil."""

    kind: Literal["caliper"] = "caliper"
    calipers: Annotated[int, Field(ge=1, le=40)]
    clamp_force_n: Annotated[float, between(1, 1e9)]
    """Per service caliper at full pressure."""
    full_pressure_pa: Annotated[float, between(1000, 2e9)]
    friction: Share
    effective_radius_m: Annotated[float, between(0.02, 10)]
    emergency_calipers: Annotated[int, Field(ge=0, le=40)]
    emergency_clamp_force_n: Annotated[float, between(0, 1e9)]
    """Per emergency caliper with no release pressure."""
    release_pressure_pa: Annotated[float, between(1000, 2e9)]
    """Pressure at which the emergency calipers are fully clear of the disc."""
    lift_pressure_pa: Annotated[
        float, between(1e3, 2e9), not_above("release_pressure_pa", "calipers lift before they are clear")
    ]
    """Pressure at which they begin to lift."""


class BandBrake(Model):
    """Two bands on rims, pulled by a cylinder or lever; self-energised in lowering."""

    kind: Literal["band"] = "band"
    rim_radius_m: Annotated[float, between(0.02, 10)]
    wrap_deg: Annotated[float, Field(gt=90, lt=350)]
    bands: Annotated[int, Field(ge=1, le=2)] = 2
    friction: Share
    full_pull_n: Annotated[float, between(1, 1e9)]
    """Pull on the live end of each band at full pressure."""
    full_pressure_pa: Annotated[float, between(1000, 2e9)]
    equalised: bool = True


class BrakeDynamics(Model):
    """Timing, heat and ratios of the friction brake."""

    lag_s: Annotated[float, between(0, 60)]
    """From the lever moving to the first friction at the disc."""
    ramp_s: Annotated[float, between(0, 60)]
    """From first friction to full torque."""
    heat_capacity_j_k: Annotated[float, between(1, 1e10)]
    """Of all discs or rims together."""
    cooling_tau_s: Annotated[float, between(0.1, 1e7)]
    ambient_c: Annotated[float, between(-90, 150)] = 25.0
    fade_onset_c: Annotated[float, between(-50, 2000)] = 250.0
    fade_full_c: Annotated[float, between(-50, 3000)] = 400.0
    fade_floor: Share = 0.65
    """Share of the cold friction left at `fade_full_c`."""
    min_holding_ratio: Annotated[float, between(0.01, 100)]
    """Site setting: service brake torque over the torque that the load demands."""
    min_emergency_ratio: Annotated[float, between(0, 100)] = 0.0
    ratio_origin: Words
    """Where the required ratios come from (site procedure, maker's manual): shown beside them."""
    demand_lever: Share = 0.5
    """Lever position (fraction) above which full service pressure is expected."""

    @field_validator("fade_full_c")
    @classmethod
    def _above_onset(cls, full_c: float, info: ValidationInfo) -> float:
        onset_c = info.data.get("fade_onset_c")
        if onset_c is not None and not onset_c < full_c:
            raise ValueError(f"must be above fade_onset_c ({onset_c:g})")
        return full_c


class NoAux(Model):
    """No auxiliary brake."""

    kind: Literal["none"] = "none"


class EddyAux(Model):
    """Electrodynamic (eddy-current) brake on the drum shaft."""

    kind: Literal["eddy"] = "eddy"
    peak_torque_n_m: Annotated[float, between(1, 1e9)]
    critical_speed_rad_s: Annotated[float, between(0.01, 10000)]
    rated_current_a: Annotated[float, between(0.01, 1e6)]
    coolant_max_c: Annotated[float, between(-50, 500)] = 75.0


class RegenAux(Model):
    """The drive motors braking into the grid or a resistor."""

    kind: Literal["regen"] = "regen"
    max_torque_n_m: Annotated[float, between(1, 1e9)]
    max_power_w: Annotated[float, between(1, 1e10)]
    coolant_max_c: Annotated[float, between(-50, 500)] = 75.0


class Hydraulics(Model):
    """Oil (or air) that works the brake."""

    accumulator_volume_m3: Annotated[float, between(1e-6, 1000)]
    precharge_pa: Annotated[float, between(1000, 2e9)]
    """Gauge."""
    min_pressure_pa: Annotated[float, between(1000, 2e9)]
    """Gauge pressure below which the accumulator cannot work the brake as rated."""
    max_pressure_pa: Annotated[float, between(1000, 2e9)]
    stroke_volume_m3: Annotated[float, between(1e-9, 100)]
    """Oil per full application."""
