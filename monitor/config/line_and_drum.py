"""A rig's drilling line, its drum, and the height at which the turns on the drum are known."""

from typing import Annotated, Literal

from pydantic import Field

from monitor.config.fields import Model, between
from monitor.physics.drum import rope_ea_n
from monitor.physics.line import goal_j_per_m
from monitor.units import FOOT_M, TON_MILE_J


class Line(Model):
    """The drilling line and its reeving."""

    lines: Annotated[int, Field(ge=2, le=20)]
    rope_diameter_m: Annotated[float, between(0.003, 0.15)]
    grade: Literal["IPS", "EIPS", "EEIPS"] = "EIPS"
    breaking_strength_n: Annotated[float, between(1000, 1e8)]
    sheave_factor: Annotated[float, Field(ge=1.0, le=1.2)] = 1.04
    """Tension ratio over one moving sheave (API RP 9B convention: 1.04 roller bearings, 1.09 plain)."""
    elastic_modulus_pa: Annotated[float, between(1e9, 3e11)] = 93e9
    fill: Annotated[float, Field(ge=0.05, le=1)] = 0.47
    """Metallic area over the square of the rope's diameter."""
    fast_line_m: Annotated[float, between(0, 1000)]
    dead_line_m: Annotated[float, between(0, 1000)]
    goal_ton_miles_per_ft: Annotated[float, between(0.01, 1000)] | None = None
    """Work per foot of line cut; None takes the usual goal for the diameter."""
    min_design_factor: Annotated[float, between(1, 20)] = 3.0

    @property
    def axial_stiffness_n(self) -> float:
        """E A of the rope, N."""
        return rope_ea_n(self.rope_diameter_m, self.elastic_modulus_pa, self.fill)

    def goal_j_m(self, at_design_factor: float = 5.0) -> float:
        """Work to aim for per metre of line cut, J/m: the site's own goal, else the usual one for the rope.

        Raises:
            ValueError: none is known (see `monitor.physics.line.goal_j_per_m`).
        """
        if self.goal_ton_miles_per_ft is not None:
            return self.goal_ton_miles_per_ft * TON_MILE_J / FOOT_M
        return goal_j_per_m(self.rope_diameter_m, at_design_factor)


class Drum(Model):
    """The drum and everything that turns with it."""

    core_diameter_m: Annotated[float, between(0.01, 10)]
    wraps_per_layer: Annotated[float, between(1, 1000)]
    nesting: Annotated[float, Field(ge=0.7, le=1.0)] = 0.866
    max_layers: Annotated[int, Field(ge=1, le=12)] = 5
    dead_wraps: Annotated[float, between(0, 200)] = 3.0
    inertia_kg_m2: Annotated[float, between(0.1, 1e8)]
    """At the drum shaft: drum, discs, rope and what is geared to them while the block moves under the brake."""


class Reference(Model):
    """One height at which the turns on the drum are known; the crew renews it after each cut and slip."""

    height_m: Annotated[float, between(-200, 500)]
    turns: Annotated[float, between(0, 10000)]
    """Wraps on the drum at that height, counted from the first wrap of layer 1, dead wraps included."""
    counts: dict[str, int] = Field(default_factory=dict)
    """Encoder counts at that height, by sensor id. A sensor not named here starts without a height."""
    hook_load_n: Annotated[float, between(0, 1e8)]
    """Hook load at which the reference was taken (stretch is measured from there)."""
    sigma_m: Annotated[float, between(0.0001, 20)] = 0.02
