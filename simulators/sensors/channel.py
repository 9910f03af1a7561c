"""From truth to bytes: every sensor of the rig's file reads the plant and sends messages as that file describes them.

A reading passes through: truth, unit, noise, the converter's quantum and end stops, faults, the counter's wrap. A
message passes through: source clock (with an offset and a drift), sequence number, batching, the network's delay. The
message is built from the same JSON Pointers by which the monitor will find its way back, so any rig file works.
"""

import json
import random
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any, Final, NamedTuple, Protocol

from monitor.config.brakes import EddyAux
from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from simulators.machine.plant import Plant


def _counts(plant: Plant, sensor: Sensor) -> float:
    start = plant.rig.reference.counts.get(sensor.id, 100_000 % 2**sensor.bits)
    turned = plant.turns - plant.truth.reference_turns
    return float(start + sensor.sense * turned * (sensor.counts_per_turn or 1.0))


def _current(plant: Plant, _: Sensor) -> float:
    aux = plant.rig.aux
    return plant.aux.level * aux.rated_current_a if isinstance(aux, EddyAux) else 0.0


READ: Final[Mapping[str, Callable[[Plant, Sensor], float]]] = MappingProxyType(
    {
        "drum_counts": _counts,
        "block_position": lambda p, _: p.height_m,
        "height_mark": lambda p, s: 1.0 if p.height_m > (s.height_m or 0.0) else 0.0,
        "hook_load": lambda p, _: p.force_n,
        "dead_line_tension": lambda p, _: p.dead_line_n,
        "service_pressure_1": lambda p, _: p.oil.service_1_pa,
        "service_pressure_2": lambda p, _: p.oil.service_2_pa,
        "emergency_release_pressure": lambda p, _: p.oil.release_pa,
        "accumulator_pressure": lambda p, _: p.oil.accumulator.pressure_pa,
        "brake_lever": lambda p, _: p.levers.brake,
        "clutch_engaged": lambda p, _: 1.0 if p.levers.clutch else 0.0,
        "aux_current": _current,
        "aux_torque": lambda p, _: p.aux.torque_n_m,
        "disc_temperature_left": lambda p, _: p.brake.left_c,
        "disc_temperature_right": lambda p, _: p.brake.right_c,
        "coolant_temperature": lambda p, _: p.aux.coolant_c,
        "overtravel_electric": lambda p, _: 1.0 if p.overtravel.electric else 0.0,
        "overtravel_air": lambda p, _: 1.0 if p.overtravel.air else 0.0,
    }
)
"""How each quantity is read off the plant, SI (counts for encoders). One row per quantity that a rig file may name."""


class MetricReading(NamedTuple):
    """A reading on its way to a Sparkplug node."""

    value: float
    stamp_ms: int
    good: bool


@dataclass(slots=True)
class Message:
    """One message on its way: bytes, when it will arrive, and whether a broker kept it from before."""

    arrival_ns: int
    topic: str
    payload: bytes
    retained: bool = False
    sensor: str = ""
    """Id of a sensor whose readings go out through a Sparkplug node; empty where this is what the broker gets."""
    readings: tuple[MetricReading, ...] = ()


@dataclass(slots=True)
class SourceClock:
    """Clock of the gateway that stamps the readings: true time times (1 + drift) plus an offset."""

    origin_ns: int
    offset_ns: int = 0
    drift: float = 0.0
    stopped_ns: int | None = None
    """The true time at which it stopped."""

    def stepped(self, step_ns: int, stopped_ns: int | None = None) -> "SourceClock":
        """This clock set by `step_ns`, and stopped at a true time where one is given."""
        return replace(self, offset_ns=self.offset_ns + step_ns, stopped_ns=stopped_ns)

    def read_ns(self, t_ns: int) -> int:
        """What the clock shows at true time `t_ns`."""
        if self.stopped_ns is not None:
            t_ns = self.stopped_ns
        return t_ns + self.offset_ns + int((t_ns - self.origin_ns) * self.drift)


class ReadingFault(Protocol):
    """What a channel needs of a fault."""

    def reading(self, value: float, active: bool, t_s: float, memory: dict[str, float]) -> float | None:
        """`value` (sensor's unit) as the fault makes it; None when nothing is sent."""

    def quality(self, active: bool) -> bool:
        """False where the source itself marks the reading as bad."""

    def deliver(self, messages: list[Message], active: bool, draw: random.Random) -> list[Message]:
        """The messages as the fault lets them through."""


@dataclass(slots=True)
class Attached:
    """A fault on one channel, whether it is active, and what it remembers."""

    fault: ReadingFault
    active: bool = False
    memory: dict[str, float] = field(default_factory=dict)


def _template(sensor: Sensor) -> list[str]:
    """Payload of `sensor` cut at its fields: literal text and the names value, time, sequence, quality in turn."""
    fields = {"value": sensor.value, "time": sensor.time, "sequence": sensor.sequence, "quality": sensor.quality}
    root: list[Any] = [None]
    for name, pointer in fields.items():
        if pointer is None:
            continue
        path = [part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:]]
        holder: Any = root
        key: Any = 0
        for part in path:
            inner = holder[key]
            if inner is None:
                inner = holder[key] = [] if part.isdigit() else {}
            holder = inner
            if isinstance(inner, list):
                key = int(part)
                inner.extend([None] * (key + 1 - len(inner)))
            else:
                key = part
                inner.setdefault(part, None)
        holder[key] = f"@@{name}@@"
    return re.split(r'"@@(\w+)@@"', json.dumps(root[0]))


class Channel:
    """One sensor with its sender. `sample` takes a reading and returns the messages that leave because of it."""

    def __init__(
        self,
        rig: Rig,
        sensor: Sensor,
        clock: SourceClock,
        seed: int | str,
        latency_s: float,
        jitter_s: float,
        batch: int,
    ) -> None:
        self.sensor, self.clock = sensor, clock
        self.topic = rig.topic(sensor)
        self.draw = random.Random(f"sensor:{rig.name}:{sensor.id}:{seed}")
        self.period_ns = round(1e9 / sensor.rate_hz)
        self.phase_ns = int(self.draw.random() * self.period_ns)
        self.latency_ns = int(latency_s * 1e9)
        self.jitter_rate = 1e-9 / jitter_s if jitter_s > 0 else 0.0
        self.batch = batch
        self.sequence = 0
        self.attached: list[Attached] = []
        self.last: Message | None = None
        self._read = READ[sensor.quantity]
        kind = sensor.role
        self._kind = "switch" if kind in ("switch", "mark") else "plain"
        if sensor.quantity == "drum_counts":
            self._kind = "counts"
        self._wrap = 2**sensor.bits
        self._sigma = 0.7 * sensor.sigma
        low, high = sensor.range
        self._low, self._high = low, high
        self._quantum = (high - low) / 16384
        # A gauge is a little off for good: gain within half a percent, loads within one and a half.
        self._gain = 1.0
        if self._kind == "plain":
            wide = 0.015 if kind == "load" else 0.0 if kind == "position" else 0.005
            self._gain += self.draw.uniform(-wide, wide)
        self._parts = _template(sensor) if sensor.payload == "json" else ["", "value", ""]
        self._scale, self._offset = 1.0 / sensor.si.scale, sensor.si.offset
        self._readings: list[MetricReading] = []
        self._values: list[str] = []
        self._times: list[str] = []
        self._last_arrival = 0
        self._good = json.dumps(sensor.good[0]) if sensor.good else '"good"'

    def value(self, plant: Plant) -> float:
        """A healthy reading now, in the sensor's unit, before faults and wrap."""
        raw = self._read(plant, self.sensor)
        kind = self._kind
        if kind == "counts":
            return float(int(raw + self.draw.random() - 0.5))
        if kind == "switch":
            return raw
        reading = (raw * self._gain - self._offset) * self._scale
        if self._sigma:
            reading += self.draw.gauss(0.0, self._sigma)
        reading = self._low + self._quantum * int((reading - self._low) / self._quantum + 0.5)
        return self._low if reading < self._low else self._high if reading > self._high else reading

    def sample(self, plant: Plant, t_ns: int, t_s: float) -> list[Message]:
        """Take a reading at true time `t_ns`; what is sent now."""
        value = self.value(plant)
        good = True
        for item in self.attached:
            changed = item.fault.reading(value, item.active, t_s, item.memory)
            if changed is None:
                return []
            value = changed
            good = good and item.fault.quality(item.active)
        if self.sensor.sparkplug is not None:
            return self._to_node(value, t_ns, good)
        text = self._text(value)
        times = self._time(t_ns) if self.sensor.time is not None else ""
        if self.batch > 1:
            self._values.append(text)
            self._times.append(times)
            if len(self._values) < self.batch:
                return []
            text = "[" + ",".join(self._values) + "]"
            times = "[" + ",".join(self._times) + "]"
            self._values, self._times = [], []
        self.sequence += 1
        return self._sent(Message(self._arrival_ns(t_ns), self.topic, self._payload(text, times, good)))

    def _to_node(self, value: float, t_ns: int, good: bool) -> list[Message]:
        """The reading for the sensor's Sparkplug node."""
        if self._kind == "counts":
            value = int(value) % self._wrap
        self._readings.append(MetricReading(value, self.clock.read_ns(t_ns) // 1_000_000, good))
        if len(self._readings) < self.batch:
            return []
        readings, self._readings = tuple(self._readings), []
        return self._sent(Message(self._arrival_ns(t_ns), self.topic, b"", False, self.sensor.id, readings))

    def _sent(self, message: Message) -> list[Message]:
        """The messages that faults make of one."""
        self.last = message
        messages = [message]
        for item in self.attached:
            messages = item.fault.deliver(messages, item.active, self.draw)
        return messages

    def _text(self, value: float) -> str:
        """A reading as JSON, with the counter's wrap."""
        if self._kind == "counts":
            return str(int(value) % self._wrap)
        if self._kind == "switch":
            return "1" if value else "0"
        return format(value, ".7g")

    def _payload(self, values: str, times: str, good: bool) -> bytes:
        """The sensor's message with these fields."""
        out = []
        for i, part in enumerate(self._parts):
            if i % 2 == 0:
                out.append(part)
            elif part == "value":
                out.append(values)
            elif part == "time":
                out.append(times)
            elif part == "sequence":
                out.append(str(self.sequence))
            else:
                out.append(self._good if good else '"bad"')
        return "".join(out).encode()

    def _arrival_ns(self, t_ns: int) -> int:
        """When a message sent at `t_ns` arrives: the network's delay, in the order of one connection."""
        arrival = t_ns + self.latency_ns
        if self.jitter_rate:
            arrival += int(self.draw.expovariate(self.jitter_rate))
        if arrival <= self._last_arrival:
            arrival = self._last_arrival + 1000
        self._last_arrival = arrival
        return arrival

    def _time(self, t_ns: int) -> str:
        """The source's time of a reading at `t_ns` as JSON, in the sensor's format."""
        shown = self.clock.read_ns(t_ns)
        form = self.sensor.time_format
        if form == "ms":
            return str(shown // 1_000_000)
        if form == "s":
            return f"{shown // 1_000_000 / 1000:.3f}"
        if form == "us":
            return str(shown // 1000)
        if form == "ns":
            return str(shown)
        return '"' + datetime.fromtimestamp(shown / 1e9, UTC).isoformat(timespec="milliseconds") + '"'
