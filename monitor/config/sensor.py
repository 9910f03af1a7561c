"""One sensor in a rig's file. Its numbers are in its own unit, not in SI."""

import re
from functools import cached_property
from typing import Final, Literal

from pydantic import ValidationInfo, field_validator

from monitor.config.fields import Finite, Model, Name, NotNegative, Pointer, Positive, QuantityName, UnitName
from monitor.config.sparkplug import SparkplugMetric
from monitor.model.quantities import QUANTITIES, Role
from monitor.model.stream import RESERVED
from monitor.units import UNITS, Dimension, Unit


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
_PLAIN_ONLY: Final = ("topic", "payload", "value", "time", "sequence", "quality")
"""Fields that say how a plain message is read."""
