"""The rig as frozen models: what its file may say, and what must agree in it.

A rig is one file in ``config/rigs``; the rule catalogue is ``config/rules.toml`` (see `monitor.core.rules`). Numbers carry
their unit in the field's name and are SI, except inside a sensor's table, where they are in the sensor's own unit.
"""

import os
import re
from functools import cached_property
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from monitor.configfile import ConfigError, config_root, named_file, read_toml, validate
from monitor.core.quantities import QUANTITIES, Quantity
from monitor.core.types import RESERVED
from monitor.units import UNITS, Unit

# Far wider than any machine, and far from where products of such numbers overflow or vanish.
_LEAST, _MOST = 1e-9, 1e12
Positive = Annotated[float, Field(ge=_LEAST, le=_MOST, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, le=_MOST, allow_inf_nan=False)]
Finite = Annotated[float, Field(ge=-_MOST, le=_MOST, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,39}$")]
Words = Annotated[str, Field(pattern=r"^[^\p{Cc}\u2028\u2029\u202a-\u202e\u2066-\u2069]*$")]
"""Text that is shown: one line, without control characters (a terminal takes some for commands) and without those that turn
the direction of writing."""
Pointer = Annotated[str, Field(pattern=r"^(/([^~/]|~[01])*)*$")]
"""A JSON Pointer (RFC 6901); the empty string is the whole document."""


class Model(BaseModel):
    """Frozen, strict, closed to unknown fields."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, ser_json_inf_nan="constants")


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
    overtravel_m: Positive
    """Height at which the rig's own overtravel device is set to act."""
    max_speed_m_s: Positive
    reaction_s: NotNegative = 1.0
    """Time from a warning to the driller's hand on the brake."""
    notice_s: NotNegative = 0.4
    """Time from the motion to the warning in the driver's eye (reading, network, grid, screen), and for the bounce of the
    block on its line past the drum's stop. Rules take their margins by so much earlier; the stop mark itself does not."""
    ease_s: Positive = 4.0
    """Driving time before "brake now" at which the first, calm notice comes."""


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
        return self.elastic_modulus_pa * self.fill * self.rope_diameter_m**2


class Drum(Model):
    """The drum and everything that turns with it."""

    core_diameter_m: Positive
    wraps_per_layer: Positive
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
    counts: dict[str, int] = {}
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
    lift_pressure_pa: Positive
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


class Sensor(Model):
    """One sensor: what it measures, where its readings come from, and how far to trust them."""

    id: Name
    quantity: str
    topic: str = ""
    """MQTT topic; empty takes ``rig/<rig>/hoist/<id>``."""
    unit: str
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
    def spec(self) -> Quantity:
        """Row of the quantity it measures."""
        return QUANTITIES[self.quantity]

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        problems = []
        quantity = QUANTITIES.get(self.quantity)
        known = UNITS.get(self.unit)
        if quantity is None:
            problems.append(f"quantity: unknown quantity {self.quantity!r}; known: {', '.join(QUANTITIES)}")
        if known is None:
            problems.append(f"unit: unknown unit {self.unit!r}; known: {', '.join(UNITS)}")
        if quantity and known and known.dimension != quantity.dimension:
            fits = ", ".join(name for name, entry in UNITS.items() if entry.dimension == quantity.dimension)
            problems.append(f"unit: {self.unit!r} does not measure {quantity.dimension}; use one of {fits}")
        if self.range[0] >= self.range[1]:
            problems.append(f"range: the lowest reading {self.range[0]} must be below the highest {self.range[1]}")
        if self.quantity == "drum_counts" and self.counts_per_turn is None:
            problems.append("counts_per_turn: needed for a drum encoder")
        if self.quantity == "height_mark" and self.height_m is None:
            problems.append("height_m: needed for a height mark")
        if re.search(r"[+#]", self.topic) or not self.topic.isprintable() or self.topic.startswith((RESERVED, "$")):
            problems.append(f"topic: {self.topic!r} is not a plain topic (printable, no + or #, not starting with $)")
        if self.payload == "ascii" and (self.value or self.time or self.sequence or self.quality):
            problems.append("payload: plain ASCII numbers have no fields to point into")
        if problems:
            raise ValueError("; ".join(problems))
        return self


class Rig(Model):
    """One rig's hoist, complete. The file's own words are in ``config/rigs/land.toml``."""

    format: Literal[1] = Field(1, alias="format")
    name: Name
    title: Words
    units: Literal["si", "field"] = "si"
    block: Block
    mast: Mast
    limits: LimitHeights
    line: Line
    drum: Drum
    reference: Reference
    brake: Annotated[CaliperBrake | BandBrake, Field(discriminator="kind")]
    braking: BrakeDynamics
    aux: Annotated[NoAux | EddyAux | RegenAux, Field(discriminator="kind")] = NoAux()
    hydraulics: Hydraulics
    uncertainty: Uncertainty = Uncertainty()
    checks: CheckSettings = CheckSettings()
    sensors: Annotated[tuple[Sensor, ...], Field(min_length=1, max_length=64)]

    def topic(self, sensor: Sensor) -> str:
        """Topic that carries `sensor`."""
        return sensor.topic or f"rig/{self.name}/hoist/{sensor.id}"

    def sensor_of(self, quantity: str) -> Sensor | None:
        """First sensor of `quantity`, or None where the rig has none."""
        return next((sensor for sensor in self.sensors if sensor.quantity == quantity), None)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        problems = []
        mast, limits = self.mast, self.limits
        if not mast.floor_m <= limits.lower_m < limits.upper_m <= limits.overtravel_m < mast.crown_m:
            problems.append(
                "limits: heights must rise in the order mast.floor_m <= lower_m < upper_m <= overtravel_m < mast.crown_m"
                f" (now {mast.floor_m}, {limits.lower_m}, {limits.upper_m}, {limits.overtravel_m}, {mast.crown_m})"
            )
        drum, braking = self.drum, self.braking
        if not self.line.rope_diameter_m < drum.core_diameter_m:
            problems.append(f"line.rope_diameter_m: must be below drum.core_diameter_m ({drum.core_diameter_m})")
        if drum.wraps_per_layer < 1:
            problems.append("drum.wraps_per_layer: a layer holds at least one wrap")
        if not braking.fade_onset_c < braking.fade_full_c:
            problems.append(f"braking.fade_full_c: must be above fade_onset_c ({braking.fade_onset_c})")
        ids = [sensor.id for sensor in self.sensors]
        problems += [f"sensors: id {name!r} is used twice" for name in sorted({i for i in ids if ids.count(i) > 1})]
        problems += [
            f"reference.counts: no sensor has the id {name!r}" for name in self.reference.counts if name not in ids
        ]
        if not any(sensor.spec.role == "position" for sensor in self.sensors):
            problems.append("sensors: a drum encoder (drum_counts) or a block position is needed")
        if not any(sensor.spec.role == "load" for sensor in self.sensors):
            problems.append("sensors: a hook load or a dead-line tension is needed")
        single: dict[str, str] = {}
        for sensor in self.sensors:
            if sensor.spec.role in ("plain", "switch", "load"):
                if sensor.quantity in single:
                    problems.append(
                        f"sensors: {sensor.id!r} and {single[sensor.quantity]!r} both measure {sensor.quantity}"
                    )
                single.setdefault(sensor.quantity, sensor.id)
        if problems:
            raise ValueError("; ".join(problems))
        return self


def load_rig(path: str | os.PathLike[str]) -> Rig:
    """The rig in the TOML file at `path`.

    Raises:
        ConfigError: with every problem of the file.
    """
    return validate(Rig, read_toml(Path(path)), str(path))


def shipped_rigs() -> dict[str, Path]:
    """Rig files that come with Stopmark, by name."""
    return {path.stem: path for path in sorted((config_root() / "rigs").glob("*.toml"))}


def find_rig(name_or_path: str) -> Rig:
    """A shipped rig by name, or any rig file by path.

    Raises:
        ConfigError: neither exists, or the file has problems.
    """
    shipped = shipped_rigs()
    path = named_file(name_or_path, shipped)
    if path is not None:
        return load_rig(path)
    raise ConfigError([f"no rig is called {name_or_path!r}; shipped rigs: {', '.join(shipped)}; or give a .toml file"])
