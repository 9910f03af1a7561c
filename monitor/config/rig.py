"""The rig as a frozen model: what its file may say, and what must agree in it.

A rig is one file in ``config/rigs``; the rule catalogue is ``config/rules.toml`` (see `monitor.config.rule`). Numbers carry
their unit in the field's name and are SI, except inside a sensor's table, where they are in the sensor's own unit. The larger
tables have files of their own: `line_and_drum`, `brakes`, `sensor`; `optional_tables` says which a file may leave out.
"""

import math
from functools import cached_property
from typing import Annotated, Any, Final, Literal

from pydantic import Field, SerializerFunctionWrapHandler, ValidationInfo, field_validator, model_serializer

from monitor.config.brakes import BandBrake, BrakeDynamics, CaliperBrake, EddyAux, Hydraulics, NoAux, RegenAux
from monitor.config.fields import Model, Name, Share, Words, between
from monitor.config.line_and_drum import Drum, Line, Reference
from monitor.config.optional_tables import (
    MAY_LACK,
    NoBrake,
    NoBraking,
    NoDrum,
    NoHydraulics,
    NoLine,
    NoReference,
    StandIn,
    Table,
)
from monitor.config.sensor import Sensor
from monitor.model.sparkplug import NODE_KINDS, SOURCE_KINDS, subscriptions_of, topic_of


class Block(Model):
    """What always hangs on the line: travelling block, hook, top drive."""

    mass_kg: Annotated[float, between(1, 1e6)]
    rated_load_kg: Annotated[float, between(10, 1e7)]


class Mast(Model):
    """Heights of the block's underside, in metres above the rig floor."""

    crown_m: Annotated[float, between(1, 500)]
    """Height at which the block strikes the crown."""
    floor_m: Annotated[float, between(-200, 200)] = 0.0
    """Height at which the block (or what always hangs below it) meets the floor."""


class LimitHeights(Model):
    """Operating limits and what the overtravel device is set to."""

    upper_m: Annotated[float, between(0.1, 500)]
    lower_m: Annotated[float, between(-200, 500)]
    overtravel_m: Annotated[float, between(0.1, 500)] | None = None
    """Height at which the rig's own overtravel device is set to act; left out where it is not known, or there is none."""
    max_speed_m_s: Annotated[float, between(0.01, 20)]
    reaction_s: Annotated[float, between(0, 60)] = 1.0
    """Time from a warning to the driller's hand on the brake."""
    notice_s: Annotated[float, between(0, 20)] = 0.35
    """Time from the motion to the warning in the driver's eye (reading, network, grid, screen), and for the bounce of the
    block on its line past the drum's stop. Rules take their margins by so much earlier; the stop mark itself does not."""
    ease_s: Annotated[float, between(0.01, 300)] = 4.0
    """Driving time before "brake now" at which the first, calm notice comes."""

    @property
    def device_m(self) -> float:
        """Height of the overtravel device; NaN where it is not known."""
        return math.nan if self.overtravel_m is None else self.overtravel_m

    @property
    def credible_speed_m_s(self) -> float:
        """A block may go faster than the site allows by a quarter; beyond that the position is wrong (common practice, no
        source)."""
        return 1.25 * self.max_speed_m_s


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
    unseen_m: Annotated[float, between(0, 100)] = 0.2
    """What may have gone unseen where one position sensor is all there is, m: rope that slips a little on the drum, counts lost
    at a stop, a datum taken up again after a restart. Connections do not show so little (common practice, no source)."""


class CheckSettings(Model):
    """Guided checks: how often they are due and what passes. Site settings; the defaults are common practice without a
    source, but for the overtravel test once a shift (Alberta OHS Code 2009, s. 769)."""

    first_grace_h: Annotated[float, between(0, 10000)] = 1.0
    """A record that knows of no earlier test gives the crew this long before it says that one is due."""
    load_share: Share = 0.25
    """Hook load, as a share of the rating, that the holding and the auxiliary test need."""
    overtravel_every_h: Annotated[float, between(0.01, 100000)] = 12.0
    overtravel_halves: Literal["both", "electric", "air"] = "both"
    """Which halves must act at `limits.overtravel_m`; the other one, where there is one, is a backup set higher."""
    overtravel_tolerance_m: Annotated[float, between(0.001, 50)] = 0.5
    overtravel_speed_m_s: Annotated[float, between(0.01, 10)] = 0.35
    """Fastest approach that still counts as slow."""
    overtravel_stop_s: Annotated[float, between(0.01, 600)] = 2.0
    """From the device acting to the block at rest, at most."""
    holding_every_h: Annotated[float, between(0.01, 100000)] = 24.0
    holding_s: Annotated[float, between(1, 3600)] = 60.0
    holding_creep_m_s: Annotated[float, between(1e-6, 1)] = 0.001
    leak_every_h: Annotated[float, between(0.01, 100000)] = 168.0
    leak_s: Annotated[float, Field(ge=30, le=3600)] = 180.0
    leak_pa_s: Annotated[float, between(1, 1e7)] = 3.0e3
    reference_travel_m: Annotated[float, between(0.1, 200)] = 10.0
    """Least distance between the two heights that are compared."""
    reference_tolerance_m: Annotated[float, between(0.001, 20)] = 0.15
    auxiliary_every_h: Annotated[float, between(0.01, 100000)] = 168.0
    auxiliary_s: Annotated[float, between(0.1, 600)] = 5.0
    auxiliary_speed_m_s: Annotated[float, between(0.01, 10)] = 0.3
    auxiliary_share: Share = 0.5
    """Least share of the load's pull that the auxiliary brake must take."""
    stops_effectiveness: Share = 0.85
    """Least brake effectiveness, of the configured friction's torque."""


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
        metric = sensor.sparkplug
        if metric is not None:
            return topic_of(metric.group, "DDATA" if metric.device else "NDATA", metric.node, metric.device)
        return sensor.topic or f"rig/{self.name}/hoist/{sensor.id}"

    @property
    def topics(self) -> tuple[str, ...]:
        """Topics that carry its sensors, each once, in the sensors' order; of a Sparkplug node all that it and the sensor's
        device send."""
        found: dict[str, None] = {}
        for sensor in self.sensors:
            metric = sensor.sparkplug
            if metric is None:
                found[self.topic(sensor)] = None
            else:
                kinds = SOURCE_KINDS if metric.device else NODE_KINDS
                found |= dict.fromkeys(topic_of(metric.group, kind, metric.node, metric.device) for kind in kinds)
        return tuple(found)

    @property
    def subscriptions(self) -> tuple[str, ...]:
        """What to ask a broker for, each once, in the sensors' order: topics, and for Sparkplug all that the nodes and any of
        their devices send."""
        asked: dict[str, None] = {}
        for sensor in self.sensors:
            metric = sensor.sparkplug
            if metric is None:
                asked[self.topic(sensor)] = None
            else:
                asked |= dict.fromkeys(subscriptions_of(metric.group, metric.node))
        return tuple(asked)

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
        metrics = [sensor.sparkplug.address for sensor in sensors if sensor.sparkplug is not None]
        twice = sorted({address for address in metrics if metrics.count(address) > 1})
        problems += [f"the metric {address[-1]!r} of node {address[1]!r} is read by two of them" for address in twice]
        single: dict[str, str] = {}
        for sensor in sensors:
            if sensor.role in ("plain", "switch", "load"):
                if sensor.quantity in single:
                    problems.append(f"{sensor.id!r} and {single[sensor.quantity]!r} both measure {sensor.quantity}")
                single.setdefault(sensor.quantity, sensor.id)
        if problems:
            raise ValueError("; ".join(problems))
        return sensors
