"""The rig as frozen models: what its file may say, and what must agree in it.

A rig is one file in ``config/rigs``; the rule catalogue is ``config/rules.toml`` (see `monitor.config.rule`). Numbers carry
their unit in the field's name and are SI, except inside a sensor's table, where they are in the sensor's own unit.

A file may leave out the tables in `MAY_LACK`. A stand-in takes the place of each, so that formulas need not ask; nothing that
follows from a stand-in is ever shown, judged or recorded: rows of SIGNALS say which tables they follow from (`Signal.needs`),
and `Rig.has` tells whether the file has them. A test holds that other stand-ins change nothing that comes out.

Longer than 450 lines: it is all that a rig's file may say, in the file's own order.
"""

import math
import re
from functools import cached_property
from typing import Annotated, Any, Final, Literal

from pydantic import Field, SerializerFunctionWrapHandler, ValidationInfo, field_validator, model_serializer

from monitor.config.fields import (
    MOST,
    Finite,
    Model,
    Name,
    NotNegative,
    Pointer,
    Positive,
    QuantityName,
    Share,
    UnitName,
    Words,
    not_above,
)
from monitor.model.quantities import QUANTITIES, Role
from monitor.model.stream import RESERVED
from monitor.physics.drum import rope_ea_n
from monitor.physics.line import goal_j_per_m
from monitor.units import FOOT_M, TON_MILE_J, UNITS, Dimension, Unit


class Block(Model):
    """What always hangs on the line: travelling block, hook, top drive."""

    mass_kg: Positive
    rated_load_kg: Positive


class Mast(Model):
    """Heights of the block's underside, in metres above the rig floor."""

    crown_m: Positive
    """Height at which the block strikes the crown."""
    floor_m: Finite = 0.0
    """Height at which the block (or what always hangs below it) meets the floor."""


class LimitHeights(Model):
    """Operating limits and what the overtravel device is set to."""

    upper_m: Positive
    lower_m: Finite
    overtravel_m: Positive | None = None
    """Height at which the rig's own overtravel device is set to act; left out where it is not known, or there is none."""
    max_speed_m_s: Positive
    reaction_s: NotNegative = 1.0
    """Time from a warning to the driller's hand on the brake."""
    notice_s: NotNegative = 0.4
    """Time from the motion to the warning in the driver's eye (reading, network, grid, screen), and for the bounce of the
    block on its line past the drum's stop. Rules take their margins by so much earlier; the stop mark itself does not."""
    ease_s: Positive = 4.0
    """Driving time before "brake now" at which the first, calm notice comes."""

    @property
    def device_m(self) -> float:
        """Height of the overtravel device; NaN where it is not known."""
        return math.nan if self.overtravel_m is None else self.overtravel_m


class Line(Model):
    """The drilling line and its reeving."""

    lines: Annotated[int, Field(ge=2, le=20)]
    rope_diameter_m: Positive
    grade: Literal["IPS", "EIPS", "EEIPS"] = "EIPS"
    breaking_strength_n: Positive
    sheave_factor: Annotated[float, Field(ge=1.0, le=1.2)] = 1.04
    """Tension ratio over one moving sheave (API RP 9B convention: 1.04 roller bearings, 1.09 plain)."""
    elastic_modulus_pa: Positive = 93e9
    fill: Annotated[float, Field(ge=0.05, le=1)] = 0.47
    """Metallic area over the square of the rope's diameter."""
    fast_line_m: NotNegative
    dead_line_m: NotNegative
    goal_ton_miles_per_ft: Positive | None = None
    """Work per foot of line cut; None takes the usual goal for the diameter."""
    min_design_factor: Positive = 3.0

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

    core_diameter_m: Positive
    wraps_per_layer: Annotated[float, Field(ge=1, le=MOST, allow_inf_nan=False)]
    nesting: Annotated[float, Field(ge=0.7, le=1.0)] = 0.866
    max_layers: Annotated[int, Field(ge=1, le=12)] = 5
    dead_wraps: NotNegative = 3.0
    inertia_kg_m2: Positive
    """At the drum shaft: drum, discs, rope and what is geared to them while the block moves under the brake."""


class Reference(Model):
    """One height at which the turns on the drum are known; the crew renews it after each cut and slip."""

    height_m: Finite
    turns: NotNegative
    """Wraps on the drum at that height, counted from the first wrap of layer 1, dead wraps included."""
    counts: dict[str, int] = Field(default_factory=dict)
    """Encoder counts at that height, by sensor id. A sensor not named here starts without a height."""
    hook_load_n: NotNegative
    """Hook load at which the reference was taken (stretch is measured from there)."""
    sigma_m: Positive = 0.02


class CaliperBrake(Model):
    """Disc brake: service calipers pressed by oil, emergency calipers pressed by springs and lifted by oil."""

    kind: Literal["caliper"] = "caliper"
    calipers: Annotated[int, Field(ge=1, le=40)]
    clamp_force_n: Positive
    """Per service caliper at full pressure."""
    full_pressure_pa: Positive
    friction: Share
    effective_radius_m: Positive
    emergency_calipers: Annotated[int, Field(ge=0, le=40)]
    emergency_clamp_force_n: NotNegative
    """Per emergency caliper with no release pressure."""
    release_pressure_pa: Positive
    """Pressure at which the emergency calipers are fully clear of the disc."""
    lift_pressure_pa: Annotated[Positive, not_above("release_pressure_pa", "calipers lift before they are clear")]
    """Pressure at which they begin to lift."""


class BandBrake(Model):
    """Two bands on rims, pulled by a cylinder or lever; self-energised in lowering."""

    kind: Literal["band"] = "band"
    rim_radius_m: Positive
    wrap_deg: Annotated[float, Field(gt=90, lt=350)]
    bands: Annotated[int, Field(ge=1, le=2)] = 2
    friction: Share
    full_pull_n: Positive
    """Pull on the live end of each band at full pressure."""
    full_pressure_pa: Positive
    equalised: bool = True


class BrakeDynamics(Model):
    """Timing, heat and ratios of the friction brake."""

    lag_s: NotNegative
    """From the lever moving to the first friction at the disc."""
    ramp_s: NotNegative
    """From first friction to full torque."""
    heat_capacity_j_k: Positive
    """Of all discs or rims together."""
    cooling_tau_s: Positive
    ambient_c: Finite = 25.0
    fade_onset_c: Finite = 250.0
    fade_full_c: Finite = 400.0
    fade_floor: Share = 0.65
    """Share of the cold friction left at `fade_full_c`."""
    min_holding_ratio: Positive
    """Site setting: service brake torque over the torque that the load demands."""
    min_emergency_ratio: NotNegative = 0.0
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
    peak_torque_n_m: Positive
    critical_speed_rad_s: Positive
    rated_current_a: Positive
    coolant_max_c: Finite = 75.0


class RegenAux(Model):
    """The drive motors braking into the grid or a resistor."""

    kind: Literal["regen"] = "regen"
    max_torque_n_m: Positive
    max_power_w: Positive
    coolant_max_c: Finite = 75.0


class Hydraulics(Model):
    """Oil (or air) that works the brake."""

    accumulator_volume_m3: Positive
    precharge_pa: Positive
    """Gauge."""
    min_pressure_pa: Positive
    """Gauge pressure below which the accumulator cannot work the brake as rated."""
    max_pressure_pa: Positive
    stroke_volume_m3: Positive
    """Oil per full application."""


class Uncertainty(Model):
    """How far the machine may differ from this file, as a relative half-width (0.15 is ±15 %). Feeds the assured marks."""

    friction: Share = 0.15
    inertia: Share = 0.20
    lag: Share = 0.30
    load: Share = 0.05
    sheave: Share = 0.02
    rope_diameter: Share = 0.02
    counting: Share = 0.003
    """What counts may miss, as a share of the way since the height was last confirmed."""
    unseen_m: NotNegative = 0.2
    """What may have gone unseen where one position sensor is all there is, m: rope that slips a little on the drum, counts lost
    at a stop, a datum taken up again after a restart. Connections do not show so little (common practice, no source)."""


class CheckSettings(Model):
    """Guided checks: how often they are due and what passes. Site settings; the defaults are common practice without a
    source, but for the overtravel test once a shift (Alberta OHS Code 2009, s. 769)."""

    first_grace_h: NotNegative = 1.0
    """A record that knows of no earlier test gives the crew this long before it says that one is due."""
    load_share: Share = 0.25
    """Hook load, as a share of the rating, that the holding and the auxiliary test need."""
    overtravel_every_h: Positive = 12.0
    overtravel_halves: Literal["both", "electric", "air"] = "both"
    """Which halves must act at `limits.overtravel_m`; the other one, where there is one, is a backup set higher."""
    overtravel_tolerance_m: Positive = 0.5
    overtravel_speed_m_s: Positive = 0.35
    """Fastest approach that still counts as slow."""
    overtravel_stop_s: Positive = 2.0
    """From the device acting to the block at rest, at most."""
    holding_every_h: Positive = 24.0
    holding_s: Positive = 60.0
    holding_creep_m_s: Positive = 0.001
    leak_every_h: Positive = 168.0
    leak_s: Annotated[float, Field(ge=30, le=3600)] = 180.0
    leak_pa_s: Positive = 3.0e3
    reference_travel_m: Positive = 10.0
    """Least distance between the two heights that are compared."""
    reference_tolerance_m: Positive = 0.15
    auxiliary_every_h: Positive = 168.0
    auxiliary_s: Positive = 5.0
    auxiliary_speed_m_s: Positive = 0.3
    auxiliary_share: Share = 0.5
    """Least share of the load's pull that the auxiliary brake must take."""
    stops_effectiveness: Share = 0.85
    """Least brake effectiveness, of the configured friction's torque."""


class Sensor(Model):
    """One sensor: what it measures, where its readings come from, and how far to trust them."""

    id: Name
    quantity: QuantityName
    topic: str = ""
    """MQTT topic; empty takes ``rig/<rig>/hoist/<id>``."""
    unit: UnitName
    payload: Literal["json", "ascii"] = "json"
    value: Pointer = ""
    time: Pointer | None = None
    time_format: Literal["s", "ms", "us", "ns", "iso8601"] = "ms"
    sequence: Pointer | None = None
    quality: Pointer | None = None
    good: tuple[str | int | bool, ...] = ("good", "GOOD", 0, True)
    rate_hz: Positive
    """Expected readings per second."""
    stale_after_s: Positive
    range: tuple[Finite, Finite]
    """Lowest and highest believable reading, in the sensor's unit."""
    sigma: NotNegative
    """Standard deviation of its noise, in the sensor's unit."""
    counts_per_turn: Positive | None = None
    bits: Literal[16, 32] = 32
    sense: Literal[1, -1] = 1
    """1: counts rise when the block rises."""
    height_m: Finite | None = None
    """For a height mark: where it switches."""

    @cached_property
    def si(self) -> Unit:
        """Its unit, ready to convert."""
        return UNITS[self.unit]

    @property
    def role(self) -> Role:
        """Which part of the core takes its readings (see `Quantity`)."""
        return QUANTITIES[self.quantity].role

    @property
    def dimension(self) -> Dimension:
        """What it measures, as a dimension of units."""
        return QUANTITIES[self.quantity].dimension

    @property
    def label(self) -> str:
        """The quantity it measures, in words."""
        return QUANTITIES[self.quantity].label

    @field_validator("topic")
    @classmethod
    def _plain(cls, topic: str) -> str:
        if re.search(r"[+#]", topic) or not topic.isprintable() or topic.startswith((RESERVED, "$")):
            raise ValueError(
                f"{topic!r} is not a plain topic (printable, no + or #, not starting with $ or {RESERVED})"
            )
        return topic

    @field_validator("value", "time", "sequence", "quality")
    @classmethod
    def _has_fields(cls, pointer: str | None, info: ValidationInfo) -> str | None:
        if pointer and info.data.get("payload") == "ascii":
            raise ValueError('a payload of plain numbers ("ascii") has no fields to point into')
        return pointer

    @field_validator("range")
    @classmethod
    def _rises(cls, ends: tuple[float, float]) -> tuple[float, float]:
        if ends[0] >= ends[1]:
            raise ValueError(f"the lowest reading {ends[0]:g} must be below the highest {ends[1]:g}")
        return ends

    @field_validator("counts_per_turn", "height_m")
    @classmethod
    def _given(cls, number: float | None, info: ValidationInfo) -> float | None:
        owner = _NEEDED_BY.get(info.field_name or "")
        if number is None and owner is not None and info.data.get("quantity") == owner:
            raise ValueError(f"this field is missing: a sensor of {owner} needs it")
        return number


_NEEDED_BY: Final = {"counts_per_turn": "drum_counts", "height_m": "height_mark"}
"""Fields that sensors of one quantity cannot do without."""


# --- tables that a file may leave out -----------------------------------------------------------------------------------

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


_READ_WITH: Final[dict[str, tuple[Table, ...]]] = {
    "drum_counts": ("line", "drum", "reference"),
    "dead_line_tension": ("line",),
}
"""Tables without which readings of a quantity mean nothing."""


class Rig(Model):
    """One rig's hoist, as far as its file knows it. The file's own words are in ``config/rigs/land.toml``."""

    format: Literal[1] = Field(1, alias="format")
    name: Name
    title: Words
    units: Literal["si", "metric", "field"] = "si"
    block: Block
    mast: Mast
    limits: LimitHeights
    line: Line = NoLine()
    drum: Drum = NoDrum()
    reference: Reference = NoReference()
    brake: Annotated[CaliperBrake | BandBrake, Field(discriminator="kind")] = NoBrake()
    braking: BrakeDynamics = NoBraking()
    aux: Annotated[NoAux | EddyAux | RegenAux, Field(discriminator="kind")] = NoAux()
    hydraulics: Hydraulics = NoHydraulics()
    uncertainty: Uncertainty = Uncertainty()
    checks: CheckSettings = CheckSettings()
    sensors: Annotated[tuple[Sensor, ...], Field(min_length=1, max_length=64)]

    @cached_property
    def missing(self) -> frozenset[Table]:
        """What the file left out: what needs it is not fitted."""
        lacking: list[Table] = [name for name in MAY_LACK if isinstance(getattr(self, name), StandIn)]
        lacking += ["aux"] if isinstance(self.aux, NoAux) else []
        lacking += ["overtravel"] if self.limits.overtravel_m is None else []
        return frozenset(lacking)

    def has(self, *tables: Table) -> bool:
        """Whether the file has all of these tables."""
        return self.missing.isdisjoint(tables)

    @model_serializer(mode="wrap")
    def _as_written(self, plain: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """Without stand-ins: what was left out stays left out in a record."""
        made: dict[str, Any] = plain(self)
        return {name: value for name, value in made.items() if name not in MAY_LACK or name not in self.missing}

    def topic(self, sensor: Sensor) -> str:
        """Topic that carries `sensor`."""
        return sensor.topic or f"rig/{self.name}/hoist/{sensor.id}"

    def sensor_of(self, quantity: str) -> Sensor | None:
        """First sensor of `quantity`, or None where the rig has none."""
        return next((sensor for sensor in self.sensors if sensor.quantity == quantity), None)

    @field_validator("limits")
    @classmethod
    def _in_order(cls, limits: LimitHeights, info: ValidationInfo) -> LimitHeights:
        mast: Mast | None = info.data.get("mast")
        device_m = limits.upper_m if limits.overtravel_m is None else limits.overtravel_m
        if mast is not None and not (mast.floor_m <= limits.lower_m < limits.upper_m <= device_m < mast.crown_m):
            raise ValueError(
                "heights must rise in the order mast.floor_m <= lower_m < upper_m <= overtravel_m < mast.crown_m"
                f" (now {mast.floor_m:g}, {limits.lower_m:g}, {limits.upper_m:g}, {device_m:g}, {mast.crown_m:g})"
            )
        return limits

    @field_validator("drum")
    @classmethod
    def _takes_rope(cls, drum: Drum, info: ValidationInfo) -> Drum:
        line: Line | None = info.data.get("line")
        written = line is not None and not isinstance(line, StandIn) and not isinstance(drum, StandIn)
        if line is not None and written and not line.rope_diameter_m < drum.core_diameter_m:
            raise ValueError(
                f"core_diameter_m: must be above line.rope_diameter_m ({line.rope_diameter_m:g}), not {drum.core_diameter_m:g}"
            )
        return drum

    @field_validator("sensors")
    @classmethod
    def _suffice(cls, sensors: tuple[Sensor, ...], info: ValidationInfo) -> tuple[Sensor, ...]:
        ids = [sensor.id for sensor in sensors]
        problems = [f"id {name!r} is used twice" for name in sorted({i for i in ids if ids.count(i) > 1})]
        reference: Reference | None = info.data.get("reference")
        counts = reference.counts if reference is not None else {}
        problems += [f"none has the id {name!r} that reference.counts names" for name in counts if name not in ids]
        for quantity, tables in _READ_WITH.items():
            lacking = [f"[{name}]" for name in tables if isinstance(info.data.get(name), StandIn)]
            named = next((sensor.id for sensor in sensors if sensor.quantity == quantity), None)
            if named is not None and lacking:
                problems.append(f"{named!r} measures {quantity}, which needs {' and '.join(lacking)} in this file")
        roles = {sensor.role for sensor in sensors}
        if "position" not in roles:
            problems.append("a drum encoder (drum_counts) or a block position is needed")
        if "load" not in roles:
            problems.append("a hook load or a dead-line tension is needed")
        single: dict[str, str] = {}
        for sensor in sensors:
            if sensor.role in ("plain", "switch", "load"):
                if sensor.quantity in single:
                    problems.append(f"{sensor.id!r} and {single[sensor.quantity]!r} both measure {sensor.quantity}")
                single.setdefault(sensor.quantity, sensor.id)
        if problems:
            raise ValueError("; ".join(problems))
        return sensors
