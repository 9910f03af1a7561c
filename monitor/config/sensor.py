"""One sensor in a rig's file. Its numbers are in its own unit, not in SI."""

import re
from functools import cached_property
from typing import Annotated, Final, Literal

from pydantic import ValidationInfo, field_validator

from monitor.config.fields import (
    Finite,
    Model,
    Name,
    NotNegative,
    Pointer,
    QuantityName,
    UnitName,
    between,
    is_recorded,
)
from monitor.config.sparkplug import SparkplugMetric
from monitor.model.quantities import QUANTITIES, Role
from monitor.model.stream import RESERVED
from monitor.units import UNITS, Dimension, Unit

LEAST_RATE_HZ: Final = 1e-5


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
    sparkplug: SparkplugMetric | None = None
    """In place of a topic of its own and of the fields of its payload: a metric of a Sparkplug node."""
    rate_hz: Annotated[float, between(LEAST_RATE_HZ, 2000)]
    """Expected readings per second."""
    stale_after_s: Annotated[float, between(0.001, 1e6)]
    range: tuple[Finite, Finite]
    """Lowest and highest believable reading, in the sensor's unit."""
    sigma: NotNegative
    """Standard deviation of its noise, in the sensor's unit."""
    counts_per_turn: Annotated[float, between(1, 1e8)] | None = None
    bits: Literal[16, 32] = 32
    sense: Literal[1, -1] = 1
    """1: counts rise when the block rises."""
    height_m: Annotated[float, between(-200, 500)] | None = None
    """For a height mark: where it switches."""

    @cached_property
    def si(self) -> Unit:
        """Its unit, ready to convert."""
        return UNITS[self.unit]

    @property
    def stamped(self) -> bool:
        """Whether its readings carry a time of their source."""
        return self.time is not None or self.sparkplug is not None

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

    @field_validator("sparkplug")
    @classmethod
    def _alone(cls, metric: SparkplugMetric | None, info: ValidationInfo) -> SparkplugMetric | None:
        given = [name for name in _PLAIN_ONLY if info.data.get(name) not in (None, "", "json")]
        if metric is not None and given:
            raise ValueError(f"a metric has its topic, time and quality by the standard: leave out {', '.join(given)}")
        return metric

    @field_validator("range")
    @classmethod
    def _rises(cls, ends: tuple[float, float], info: ValidationInfo) -> tuple[float, float]:
        if ends[0] >= ends[1]:
            raise ValueError(f"the lowest reading {ends[0]:g} must be below the highest {ends[1]:g}")
        if is_recorded(info):
            return ends
        unit = UNITS.get(info.data.get("unit", ""))
        most_si = _FARTHEST_SI.get(unit.dimension, 1e10) if unit is not None else 0.0
        if unit is not None:
            least, most = sorted((unit.from_si(-most_si), unit.from_si(most_si)))
            if not least <= ends[0] < ends[1] <= most:
                raise ValueError(
                    f"both must be from {least:.3g} to {most:.3g} {unit.name}, not {ends[0]:g} and {ends[1]:g}"
                )
        return ends

    @field_validator("sigma")
    @classmethod
    def _within_range(cls, sigma: float, info: ValidationInfo) -> float:
        ends = info.data.get("range")
        if ends is not None and not is_recorded(info) and sigma > ends[1] - ends[0]:
            raise ValueError(f"must be from 0 to {ends[1] - ends[0]:g}, the width of the range")
        return sigma

    @field_validator("counts_per_turn", "height_m")
    @classmethod
    def _given(cls, number: float | None, info: ValidationInfo) -> float | None:
        owner = _NEEDED_BY.get(info.field_name or "")
        if number is None and owner is not None and info.data.get("quantity") == owner:
            raise ValueError(f"this field is missing: a sensor of {owner} needs it")
        return number


_FARTHEST_SI: Final[dict[Dimension, float]] = {
    "length": 2e4,
    "force": 1e8,
    "pressure": 2e9,
    "temperature": 5e3,
    "torque": 1e9,
    "current": 1e6,
    "fraction": 100.0,
    "energy": 1e15,
}
"""How far from zero a reading can be, in SI: many times wider than any sensor's range. Others (counts): 1e10."""
_NEEDED_BY: Final = {"counts_per_turn": "drum_counts", "height_m": "height_mark"}
"""Fields that sensors of one quantity cannot do without."""
_PLAIN_ONLY: Final = ("topic", "payload", "value", "time", "sequence", "quality")
"""Fields that say how a plain message is read."""
