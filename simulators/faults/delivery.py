"""Faults of the network and the gateway: they change how messages travel. A scenario names each by its `kind`."""

import random
from typing import Final, Literal

from monitor.config.fields import Positive, Share
from simulators.faults.base import Fault, FaultTarget, Number, OnSensor
from simulators.sensors.channel import Message


class Duplicate(OnSensor):
    """Some messages come twice."""

    kind: Literal["duplicate"] = "duplicate"
    share: Share = 0.3

    def deliver(self, messages: list[Message], active: bool, draw: random.Random) -> list[Message]:
        if not active or draw.random() >= self.share:
            return messages
        return messages + [Message(m.arrival_ns + 3_000_000, m.topic, m.payload, m.retained) for m in messages]


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
    """The gateway's clock jumps."""

    kind: Literal["clock-step"] = "clock-step"
    step_s: Number = 3600.0

    def begin(self, target: FaultTarget) -> None:
        target.clock.offset_ns += int(self.step_s * 1e9)

    def finish(self, target: FaultTarget) -> None:
        target.clock.offset_ns -= int(self.step_s * 1e9)


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
        return [Message(-int(self.end_s * 1e9), m.topic, m.payload, m.retained) for m in messages]


DELIVERY_FAULTS: Final = (
    Duplicate, OutOfOrder, Late, ClockStep, GatewayRestart, BrokerOutage,
)  # fmt: skip
"""All of them."""
