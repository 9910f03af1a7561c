"""Faults of sensors: they change or swallow what a sensor says. A scenario names each by its `kind`."""

import random
from typing import Final, Literal

from monitor.config.fields import Share
from simulators.faults.base import Number, OnSensor
from simulators.sensors.channel import Message


class Freeze(OnSensor):
    """The value stands still; messages go on coming."""

    kind: Literal["freeze"] = "freeze"

    def reading(self, value: float, active: bool, t_s: float, memory: dict[str, float]) -> float | None:
        if not active:
            memory.pop("held", None)
            return value
        return memory.setdefault("held", value)


class Bias(OnSensor):
    """A constant is added, in the sensor's unit."""

    kind: Literal["bias"] = "bias"
    amount: Number

    def reading(self, value: float, active: bool, t_s: float, memory: dict[str, float]) -> float | None:
        return value + self.amount if active else value


class Drift(OnSensor):
    """An error that grows steadily, in the sensor's unit per second."""

    kind: Literal["drift"] = "drift"
    per_s: Number

    def reading(self, value: float, active: bool, t_s: float, memory: dict[str, float]) -> float | None:
        return value + self.per_s * (t_s - self.start_s) if active else value


class Dropout(OnSensor):
    """Nothing comes; with `share` below 1 only some readings are lost."""

    kind: Literal["dropout"] = "dropout"
    share: Share = 1.0

    def deliver(self, messages: list[Message], active: bool, draw: random.Random) -> list[Message]:
        if not active or (self.share < 1 and draw.random() >= self.share):
            return messages
        return []


class Spikes(OnSensor):
    """Now and then a reading is far off."""

    kind: Literal["spikes"] = "spikes"
    amount: Number
    share: Share = 0.05

    def reading(self, value: float, active: bool, t_s: float, memory: dict[str, float]) -> float | None:
        if not active:
            return value
        # A fixed irregular pattern: the same run gives the same spikes without a generator of its own.
        count = memory.get("count", 0.0) + 1.0
        memory["count"] = count
        mixed = (count * 0.6180339887498949 + count * count * 0.4142135623730951) % 1.0
        if mixed >= self.share:
            return value
        return value + self.amount * (1.0 if mixed < self.share / 2 else -1.0)


class MissedCounts(OnSensor):
    """An encoder's wheel slips or pulses are lost: a share of the movement is not counted. The offset stays."""

    kind: Literal["missed-counts"] = "missed-counts"
    share: Share = 0.1

    def reading(self, value: float, active: bool, t_s: float, memory: dict[str, float]) -> float | None:
        before = memory.get("before", value)
        memory["before"] = value
        if active:
            memory["lost"] = memory.get("lost", 0.0) + self.share * (value - before)
        return value - memory.get("lost", 0.0)


class Reversed(OnSensor):
    """An encoder counts the wrong way from now on (channels swapped)."""

    kind: Literal["reversed"] = "reversed"

    def reading(self, value: float, active: bool, t_s: float, memory: dict[str, float]) -> float | None:
        if not active:
            return value
        turn = memory.setdefault("turn", value)
        return 2 * turn - value


class WrongUnit(OnSensor):
    """The source sends another unit than agreed: value times `factor`."""

    kind: Literal["wrong-unit"] = "wrong-unit"
    factor: Number

    def reading(self, value: float, active: bool, t_s: float, memory: dict[str, float]) -> float | None:
        return value * self.factor if active else value


class BadQuality(OnSensor):
    """The source marks its readings as bad (only where the sensor sends a quality)."""

    kind: Literal["bad-quality"] = "bad-quality"

    def quality(self, active: bool) -> bool:
        return not active


READING_FAULTS: Final = (
    Freeze, Bias, Drift, Dropout, Spikes, MissedCounts, Reversed, WrongUnit, BadQuality,
)  # fmt: skip
"""All of them."""
