"""The tables that a rig's file may leave out, and what stands in for them.

A stand-in takes the place of each table of `MAY_LACK` that is left out, so that formulas need not ask; nothing that follows from
a stand-in is ever shown, judged or recorded: rows of SIGNALS say which tables they follow from (`Signal.needs`), and `Rig.has`
tells whether the file has them. A test holds that other stand-ins change nothing that comes out.
"""

from typing import Annotated, Final, Literal

from pydantic import Field

from monitor.config.brakes import BrakeDynamics, CaliperBrake, Hydraulics
from monitor.config.fields import MOST, Finite, NotNegative, Positive, Share, Words, not_above
from monitor.config.line_and_drum import Drum, Line, Reference

Table = Literal["line", "drum", "reference", "brake", "braking", "aux", "hydraulics", "overtravel"]
"""What a file may leave out: tables, and `limits.overtravel_m`."""
MAY_LACK: Final[tuple[Table, ...]] = ("line", "drum", "reference", "brake", "braking", "hydraulics")
"""Those that have a stand-in."""

ON_DRUM: Final[tuple[Table, ...]] = ("line", "drum", "reference")
"""What says which layer the line is on."""
STOPPING: Final[tuple[Table, ...]] = (*ON_DRUM, "brake", "braking")
"""What a stop mark follows from, and everything else that weighs the brake against what hangs on the line."""


class StandIn:
    """Marks what takes the place of a table that the file left out. Its numbers are of no rig: they only keep formulas finite."""


class NoLine(Line, StandIn):
    """No drilling line is described."""

    lines: Annotated[int, Field(ge=2, le=20)] = 2
    rope_diameter_m: Positive = 0.01
    breaking_strength_n: Positive = 1e6
    fast_line_m: NotNegative = 1.0
    dead_line_m: NotNegative = 1.0


class NoDrum(Drum, StandIn):
    """No drum is described."""

    core_diameter_m: Positive = 1.0
    wraps_per_layer: Annotated[float, Field(ge=1, le=MOST, allow_inf_nan=False)] = 100.0
    inertia_kg_m2: Positive = 1e3


class NoReference(Reference, StandIn):
    """Wraps on the drum are not known at any height."""

    height_m: Finite = 0.0
    turns: NotNegative = 10.0
    hook_load_n: NotNegative = 0.0


class NoBrake(CaliperBrake, StandIn):
    """No friction brake is described."""

    calipers: Annotated[int, Field(ge=1, le=40)] = 2
    clamp_force_n: Positive = 1e5
    full_pressure_pa: Positive = 1e7
    friction: Share = 0.4
    effective_radius_m: Positive = 1.0
    emergency_calipers: Annotated[int, Field(ge=0, le=40)] = 0
    emergency_clamp_force_n: NotNegative = 0.0
    release_pressure_pa: Positive = 1e7
    lift_pressure_pa: Annotated[Positive, not_above("release_pressure_pa", "calipers lift before they are clear")] = 5e6


class NoBraking(BrakeDynamics, StandIn):
    """Neither timing nor ratios of a friction brake are described."""

    lag_s: NotNegative = 0.2
    ramp_s: NotNegative = 0.2
    heat_capacity_j_k: Positive = 1e6
    cooling_tau_s: Positive = 3e3
    min_holding_ratio: Positive = 1.0
    ratio_origin: Words = "not fitted"


class NoHydraulics(Hydraulics, StandIn):
    """No accumulator is described."""

    accumulator_volume_m3: Positive = 0.01
    precharge_pa: Positive = 5e6
    min_pressure_pa: Positive = 8e6
    max_pressure_pa: Positive = 1e7
    stroke_volume_m3: Positive = 1e-4
