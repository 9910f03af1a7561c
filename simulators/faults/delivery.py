"""Faults of the network and the gateway: they change how messages travel. A scenario names each by its `kind`."""

import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Final, Literal

from monitor.config.fields import NotNegative, Positive, Share
from simulators.faults.base import Fault, FaultTarget, Number, OnSensor
from simulators.machine.plant import TICK_NS
from simulators.sensors.channel import Channel, Message


class Duplicate(OnSensor):
    """Some messages come twice."""

    kind: Literal["duplicate"] = "duplicate"
    share: Share = 0.3

    def deliver(self, messages: list[Message], active: bool, draw: random.Random) -> list[Message]:
        if not active or draw.random() >= self.share:
            return messages
        return messages + [replace(m, arrival_ns=m.arrival_ns + 3_000_000) for m in messages]


class OutOfOrder(OnSensor):
    """Some messages are overtaken by the next ones."""

    kind: Literal["out-of-order"] = "out-of-order"
    share: Share = 0.1
    delay_s: Positive = 0.12

    def deliver(self, messages: list[Message], active: bool, draw: random.Random) -> list[Message]:
        if active and draw.random() < self.share:
            for message in messages:
                message.arrival_ns += int(self.delay_s * 1e9)
        return messages


class Late(OnSensor):
    """Everything comes later than usual."""

    kind: Literal["late"] = "late"
    delay_s: Positive = 0.8

    def deliver(self, messages: list[Message], active: bool, draw: random.Random) -> list[Message]:
        if active:
            for message in messages:
                message.arrival_ns += int(self.delay_s * 1e9)
        return messages


class ClockStep(Fault):
    """The gateway's clock jumps, for one topic or for all, and jumps back when the fault goes."""

    kind: Literal["clock-step"] = "clock-step"
    sensor: str = "*"
    step_s: Number = 3600.0
    set_to_s: NotNegative | None = None
    """Instead of a step: what it then shows, seconds since 1970."""
    stands_still: bool = False
    """It shows the same all the time."""

    def sensors(self) -> tuple[str, ...] | None:
        return () if self.sensor == "*" else (self.sensor,)

    def begin(self, target: FaultTarget) -> None:
        for channel in self._channels(target):
            now_ns = channel.clock.origin_ns + target.plant.ticks * TICK_NS
            step_ns = int(self.step_s * 1e9)
            if self.set_to_s is not None:
                step_ns = int(self.set_to_s * 1e9) - channel.clock.read_ns(now_ns)
            channel.clock = channel.clock.stepped(step_ns, now_ns if self.stands_still else None)

    def finish(self, target: FaultTarget) -> None:
        for channel in self._channels(target):
            channel.clock = target.clock

    def _channels(self, target: FaultTarget) -> Sequence[Channel]:
        return [channel for channel in target.channels if self.sensor in ("*", channel.sensor.id)]


class GatewayRestart(Fault):
    """The gateway goes away; at its return old retained messages come first, then numbering restarts."""

    kind: Literal["gateway-restart"] = "gateway-restart"

    def sensors(self) -> tuple[str, ...] | None:
        return None

    def deliver(self, messages: list[Message], active: bool, draw: random.Random) -> list[Message]:
        return [] if active else messages

    def begin(self, target: FaultTarget) -> None:
        target.remember_retained()

    def finish(self, target: FaultTarget) -> None:
        target.send_retained()
        for channel in target.channels:
            channel.sequence = 0


class BrokerOutage(Fault):
    """No message gets through; with `buffered` the gateway keeps them and sends all at once afterwards."""

    kind: Literal["broker-outage"] = "broker-outage"
    buffered: bool = False

    def sensors(self) -> tuple[str, ...] | None:
        return None

    def deliver(self, messages: list[Message], active: bool, draw: random.Random) -> list[Message]:
        if not active:
            return messages
        if not self.buffered or self.length_s is None:
            return []
        return [replace(m, arrival_ns=-int(self.end_s * 1e9)) for m in messages]


DELIVERY_FAULTS: Final = (
    Duplicate, OutOfOrder, Late, ClockStep, GatewayRestart, BrokerOutage,
)  # fmt: skip
"""All of them."""
