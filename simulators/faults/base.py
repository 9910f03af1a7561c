"""What all simulated faults share: when they are there, and the hooks that do nothing unless a fault overrides them."""

import random
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Protocol

from pydantic import Field

from monitor.config.fields import Model, Positive
from simulators.machine.plant import Plant
from simulators.sensors.channel import Channel, Message, SourceClock

if TYPE_CHECKING:
    from simulators.sensors.node import SimulatedNode

Number = Annotated[float, Field(allow_inf_nan=False)]
From = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class FaultTarget(Protocol):
    """What a fault can reach of a running simulation."""

    plant: Plant
    clock: SourceClock
    """Clock of the gateway that stamps the readings."""
    slip_turns_per_s: float
    """How fast the rope slips on the drum."""

    @property
    def channels(self) -> Sequence[Channel]:
        """Every sensor with its sender."""

    @property
    def nodes(self) -> Sequence["SimulatedNode"]:
        """Its Sparkplug nodes; none where its sensors have topics of their own."""

    def remember_retained(self) -> None:
        """Keep the last message of every topic, as a broker does."""

    def send_retained(self) -> None:
        """Hand out what was kept, as retained messages."""


class Fault(Model):
    """Base of all: when it is there, and the hooks that do nothing unless a fault overrides them."""

    start_s: From = 0.0
    length_s: Positive | None = None
    """None: to the end."""

    @property
    def end_s(self) -> float:
        """When it goes away, s."""
        return float("inf") if self.length_s is None else self.start_s + self.length_s

    def sensors(self) -> tuple[str, ...] | None:
        """Ids of the sensors it touches; None for all of them; empty for machine faults."""
        return ()

    def begin(self, target: FaultTarget) -> None:
        """Comes."""

    def finish(self, target: FaultTarget) -> None:
        """Goes."""

    def reading(self, value: float, active: bool, t_s: float, memory: dict[str, float]) -> float | None:
        """A reading (sensor's unit) as it is then sent; None for nothing. `memory` lasts the run, per sensor."""
        return value

    def quality(self, active: bool) -> bool:
        """Whether the source calls the reading good."""
        return True

    def deliver(self, messages: list[Message], active: bool, draw: random.Random) -> list[Message]:
        """Messages as they travel on."""
        return messages


class OnSensor(Fault):
    """A fault of one sensor, or of all with ``sensor = "*"``."""

    sensor: str

    def sensors(self) -> tuple[str, ...] | None:
        return None if self.sensor == "*" else (self.sensor,)
