"""What can go wrong, one class each. A scenario names them by `kind`, with a start and a length; any may be combined.

Reading faults change or swallow what a sensor says, delivery faults change how messages travel, machine faults change
the plant. To add one: write its class here and put it into FAULTS. It is over 450 lines because it is a catalogue: one
short class per fault, each complete in itself, and one place to look for all of them.
"""

import random
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

from pydantic import Field

from monitor.config import Model, Positive, Share
from simulators.sensors import Message

if TYPE_CHECKING:
    from simulators.session import PlantSource

Number = Annotated[float, Field(allow_inf_nan=False)]
From = Annotated[float, Field(ge=0, allow_inf_nan=False)]


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

    def begin(self, source: "PlantSource") -> None:
        """Comes."""

    def finish(self, source: "PlantSource") -> None:
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


# --- readings -----------------------------------------------------------------------------------------------------


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


# --- delivery -----------------------------------------------------------------------------------------------------


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

    def begin(self, source: "PlantSource") -> None:
        source.clock.offset_ns += int(self.step_s * 1e9)

    def finish(self, source: "PlantSource") -> None:
        source.clock.offset_ns -= int(self.step_s * 1e9)


class GatewayRestart(Fault):
    """The gateway goes away; at its return old retained messages come first, then numbering restarts."""

    kind: Literal["gateway-restart"] = "gateway-restart"

    def sensors(self) -> tuple[str, ...] | None:
        return None

    def deliver(self, messages: list[Message], active: bool, draw: random.Random) -> list[Message]:
        return [] if active else messages

    def begin(self, source: "PlantSource") -> None:
        source.remember_retained()

    def finish(self, source: "PlantSource") -> None:
        source.send_retained()
        for channel in source.channels:
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


# --- machine ------------------------------------------------------------------------------------------------------


class CircuitLeak(Fault):
    """A service circuit leaks: it does not reach its pressure and spends oil while pressed."""

    kind: Literal["circuit-leak"] = "circuit-leak"
    circuit: Literal[1, 2] = 1
    share: Share = 0.4
    """Share of the pressure that is missing."""

    def begin(self, source: "PlantSource") -> None:
        setattr(source.plant.oil, f"leak_{self.circuit}", self.share)

    def finish(self, source: "PlantSource") -> None:
        setattr(source.plant.oil, f"leak_{self.circuit}", 0.0)


class PumpLost(Fault):
    """The pump stops; the accumulator is all there is. `seep` multiplies the ordinary losses."""

    kind: Literal["pump-lost"] = "pump-lost"
    seep: Positive = 1.0

    def begin(self, source: "PlantSource") -> None:
        source.plant.oil.pump_lost = True
        source.plant.oil.seep_m3_s_pa *= self.seep

    def finish(self, source: "PlantSource") -> None:
        source.plant.oil.pump_lost = False
        source.plant.oil.seep_m3_s_pa /= self.seep


class PrechargeLost(Fault):
    """The accumulator's gas has leaked away: few strokes per charge."""

    kind: Literal["precharge-lost"] = "precharge-lost"
    share: Share = 0.7

    def begin(self, source: "PlantSource") -> None:
        source.plant.oil.accumulator.lose_precharge(self.share)


class PadsGlazed(Fault):
    """Friction falls."""

    kind: Literal["pads-glazed"] = "pads-glazed"
    factor: Share = 0.6

    def begin(self, source: "PlantSource") -> None:
        source.plant.brake.glaze *= self.factor

    def finish(self, source: "PlantSource") -> None:
        source.plant.brake.glaze /= self.factor


class HotDiscs(Fault):
    """Discs or rims are hot from work before, both to `temperature_c`."""

    kind: Literal["hot-discs"] = "hot-discs"
    temperature_c: Number = 250.0

    def begin(self, source: "PlantSource") -> None:
        source.plant.brake.left_c = source.plant.brake.right_c = self.temperature_c


class CaliperDragging(Fault):
    """A caliper does not let go: it brakes and heats the left disc all the time."""

    kind: Literal["caliper-dragging"] = "caliper-dragging"
    torque_n_m: Positive = 8000.0

    def begin(self, source: "PlantSource") -> None:
        source.plant.brake.drag_n_m = self.torque_n_m

    def finish(self, source: "PlantSource") -> None:
        source.plant.brake.drag_n_m = 0.0


class BandSlack(Fault):
    """Slack in a band (or too much pad travel): part of the pull is lost and pressure builds slowly."""

    kind: Literal["band-slack"] = "band-slack"
    share: Share = 0.5

    def begin(self, source: "PlantSource") -> None:
        source.plant.brake.band_slack = self.share
        source.plant.oil.slow = 0.4

    def finish(self, source: "PlantSource") -> None:
        source.plant.brake.band_slack = 0.0
        source.plant.oil.slow = 1.0


class AuxLost(Fault):
    """The auxiliary brake gives nothing."""

    kind: Literal["aux-lost"] = "aux-lost"

    def begin(self, source: "PlantSource") -> None:
        source.plant.aux.lost = True

    def finish(self, source: "PlantSource") -> None:
        source.plant.aux.lost = False


class CoolantLost(Fault):
    """The auxiliary brake's coolant is gone: it heats up and fades."""

    kind: Literal["coolant-lost"] = "coolant-lost"

    def begin(self, source: "PlantSource") -> None:
        source.plant.aux.coolant_lost = True

    def finish(self, source: "PlantSource") -> None:
        source.plant.aux.coolant_lost = False


class DriveTripped(Fault):
    """The drive gives no torque, nor does it regenerate."""

    kind: Literal["drive-tripped"] = "drive-tripped"

    def begin(self, source: "PlantSource") -> None:
        source.plant.drive.tripped = True

    def finish(self, source: "PlantSource") -> None:
        source.plant.drive.tripped = False


class EmergencyNotReleasing(Fault):
    """The spring calipers stay partly on: their release circuit reaches only a share of its pressure."""

    kind: Literal["emergency-not-releasing"] = "emergency-not-releasing"
    share: Share = 0.55

    def begin(self, source: "PlantSource") -> None:
        oil = source.plant.oil
        oil.release_stuck = True
        oil.release_pa = self.share * oil.release_target_pa

    def finish(self, source: "PlantSource") -> None:
        source.plant.oil.release_stuck = False


class OvertravelNotReset(Fault):
    """The overtravel device was not set again after a cut and slip: it acts `shift_m` too high."""

    kind: Literal["overtravel-not-reset"] = "overtravel-not-reset"
    shift_m: Number = 4.0

    def begin(self, source: "PlantSource") -> None:
        source.plant.overtravel.shift_m = self.shift_m

    def finish(self, source: "PlantSource") -> None:
        source.plant.overtravel.shift_m = 0.0


class OvertravelElectricFailed(Fault):
    """The electric half of the overtravel device is dead; only air is left."""

    kind: Literal["overtravel-electric-failed"] = "overtravel-electric-failed"

    def begin(self, source: "PlantSource") -> None:
        source.plant.overtravel.electric_failed = True

    def finish(self, source: "PlantSource") -> None:
        source.plant.overtravel.electric_failed = False


class RopeSlip(Fault):
    """The rope slips on the drum: the drum turns, the block falls a little behind (turns per second)."""

    kind: Literal["rope-slip"] = "rope-slip"
    turns_per_s: Number = 0.05

    def begin(self, source: "PlantSource") -> None:
        source.slip_turns_per_s += self.turns_per_s

    def finish(self, source: "PlantSource") -> None:
        source.slip_turns_per_s -= self.turns_per_s


class LineParted(Fault):
    """The drilling line breaks."""

    kind: Literal["line-parted"] = "line-parted"

    def begin(self, source: "PlantSource") -> None:
        source.plant.part()


class HungUp(Fault):
    """The block rests on an obstruction while lowering: slack line, until it comes free and falls."""

    kind: Literal["hung-up"] = "hung-up"

    def begin(self, source: "PlantSource") -> None:
        source.plant.support_m = source.plant.height_m - 0.02

    def finish(self, source: "PlantSource") -> None:
        source.plant.support_m = source.plant.truth.floor_m


FAULTS: Final = (
    Freeze, Bias, Drift, Dropout, Spikes, MissedCounts, Reversed, WrongUnit, BadQuality,
    Duplicate, OutOfOrder, Late, ClockStep, GatewayRestart, BrokerOutage,
    CircuitLeak, PumpLost, PrechargeLost, PadsGlazed, HotDiscs, CaliperDragging, BandSlack, AuxLost, CoolantLost, DriveTripped,
    EmergencyNotReleasing, OvertravelNotReset, OvertravelElectricFailed, RopeSlip, LineParted, HungUp,
)  # fmt: skip
"""Every fault that a scenario can name."""


def kind_of(fault: type[Fault]) -> str:
    """The name by which a scenario calls `fault`."""
    default: Any = fault.model_fields["kind"].default
    return str(default)
