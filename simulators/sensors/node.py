"""The gateway of a rig whose sensors come by Sparkplug B: one node that is born, numbers what it sends, and may die.

Readings that arrive in one tick go out as one message for each device, as a gateway polls its inputs. Births give types,
aliases and the last values.
"""

import random
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from monitor.config.sparkplug import SparkplugMetric
from monitor.model.sparkplug import TYPES, topic_of
from monitor.model.stream import Frame
from simulators.sensors.channel import Message, MetricReading

GROUP: Final = "stopmark"
DEVICE: Final = "hoist"
_STORED: Final = 400
"""Stored values in one message."""
_FIELDS: Final = {"UInt16": "int_value", "UInt32": "long_value", "Boolean": "boolean_value", "Float": "float_value"}


def on_sparkplug(rig: Rig) -> Rig:
    """`rig` with every sensor as a metric of one node, which has the rig's name."""
    plain = {"topic": "", "payload": "json", "value": "", "time": None, "sequence": None, "quality": None}
    sensors = tuple(
        sensor if sensor.sparkplug is not None else sensor.model_copy(
            update=plain
            | {"sparkplug": SparkplugMetric(group=GROUP, node=rig.name, device=DEVICE, metric=f"Hoist/{sensor.id}")}
        )
        for sensor in rig.sensors
    )  # fmt: skip
    return rig.model_copy(update={"sensors": sensors})


def nodes_of(rig: Rig, seed: str) -> list["SimulatedNode"]:
    """The nodes that a rig's sensors name."""
    found: dict[tuple[str, str], list[Sensor]] = {}
    for sensor in rig.sensors:
        if sensor.sparkplug is not None:
            found.setdefault((sensor.sparkplug.group, sensor.sparkplug.node), []).append(sensor)
    return [SimulatedNode(*key, sensors, seed) for key, sensors in found.items()]


def _type_of(sensor: Sensor) -> str:
    if sensor.dimension == "count":
        return "UInt16" if sensor.bits == 16 else "UInt32"
    return "Boolean" if sensor.dimension == "switch" else "Float"


class _Metric:
    """One sensor's metric."""

    def __init__(self, sensor: Sensor, alias: int) -> None:
        assert sensor.sparkplug is not None
        self.name, self.device, self.alias = sensor.sparkplug.metric.encode(), sensor.sparkplug.device, alias
        kind = _type_of(sensor)
        self.datatype, self._field = TYPES[kind], _FIELDS[kind]
        self._made: Callable[[float], object] = {"Boolean": bool, "Float": float}.get(kind, int)
        self.last: MetricReading | None = None

    def fill(self, metric: Any, reading: MetricReading) -> None:
        """Put a reading into a metric of a message."""
        setattr(metric, self._field, self._made(reading.value))
        metric.timestamp = reading.stamp_ms
        if not reading.good:
            metric.properties = b"\x0a\x07Quality\x12\x02\x18\x00"  # Quality 0: bad


class SimulatedNode:
    """One node. What a fault has it send goes out with the next tick."""

    def __init__(self, group: str, name: str, sensors: Sequence[Sensor], seed: str) -> None:
        from monitor.core.sensors.sparkplug.schema import Payload  # with its library, which plain rigs do without

        self._new_payload = Payload
        self._group, self._name = group, name
        self._metrics = {sensor.id: _Metric(sensor, place) for place, sensor in enumerate(sensors, 1)}
        self._devices = sorted({metric.device for metric in self._metrics.values()} - {""})
        self._draw = random.Random(f"node:{group}:{name}:{seed}")
        self._bd_seq = self._seq = 0
        self._dead_devices: set[str] = set()
        self.alive = False
        self.lost_share = 0.0
        """Share of its messages that are lost on their way."""
        self.storing = False
        """Whether it keeps readings instead of sending them."""
        self._pending: list[Message] = []
        self._stored: list[Message] = []
        self._due: list[tuple[str, str, Any]] = []
        self.be_born(0)

    def is_of(self, metric: SparkplugMetric) -> bool:
        """Whether the metric is one of its own."""
        return (metric.group, metric.node) == (self._group, self._name)

    # --- what faults and the broker do -----------------------------------------------------------------------------------

    def be_born(self, aliases_from: int, reverse: bool = False, twice: bool = False) -> None:
        """Send births: aliases begin at `aliases_from`, in `reverse` order or with the first one given `twice`."""
        if not self.alive:
            self._bd_seq = (self._bd_seq + 1) % 256
        self.alive = True
        self._dead_devices.clear()
        metrics = [*self._metrics.values()]
        for place, metric in enumerate(reversed(metrics) if reverse else metrics):
            metric.alias = aliases_from + place
        if twice and len(metrics) > 1:
            metrics[1].alias = metrics[0].alias
        self._due.append(("NBIRTH", "", None))
        self._due += [("DBIRTH", device, None) for device in self._devices]

    def die(self) -> None:
        """The power is cut: the broker sends the node's death."""
        self.alive = False
        self._due.append(("NDEATH", "", None))

    def lose_broker(self) -> None:
        """There is no broker to send anything to, nor one to tell of a death."""
        self.alive = False

    def find_broker(self) -> None:
        """The broker is back: a new connection begins with new births."""
        self.be_born(0)

    def device_dies(self) -> None:
        """The node has lost its devices, and says so."""
        self._dead_devices |= set(self._devices)
        self._due += [("DDEATH", device, None) for device in self._devices]

    def device_returns(self) -> None:
        """The devices are back."""
        self._dead_devices.clear()
        self._due += [("DBIRTH", device, None) for device in self._devices]

    def send_stored(self) -> None:
        """Send what was kept, marked as historical."""
        self.storing = False
        for at in range(0, len(self._stored), _STORED):
            part = self._stored[at : at + _STORED]
            self._due += [("DDATA" if device else "NDATA", device, part) for device in self._places(part)]
        self._stored = []

    # --- a tick --------------------------------------------------------------------------------------------------------

    def take(self, message: Message) -> None:
        """A sensor's message reaches the gateway."""
        self._pending.append(message)

    def frames(self, t_ns: int, stamp_ms: int) -> list[Frame]:
        """What the node sends at `t_ns`, its clock showing `stamp_ms`."""
        out: list[Frame] = []
        for kind, device, stored in self._due:
            self._send(kind, device, self._message(kind, device, stored or ()), t_ns, stamp_ms, out)
        self._due = []
        pending, self._pending = self._pending, []
        if not self.alive:
            for message in pending:  # a birth tells what was read last, whoever heard it
                self._metrics[message.sensor].last = message.readings[-1]
            return out
        if self.storing:
            self._stored += pending
            return out
        for device in self._places(pending):
            if device not in self._dead_devices:
                kind = "DDATA" if device else "NDATA"
                self._send(kind, device, self._message(kind, device, pending, stored=False), t_ns, stamp_ms, out)
        return out

    def _places(self, messages: Iterable[Message]) -> list[str]:
        return list(dict.fromkeys(self._metrics[message.sensor].device for message in messages))

    def _message(self, kind: str, device: str, messages: Sequence[Message], stored: bool = True) -> Any:
        made = self._new_payload()
        if kind in ("NBIRTH", "NDEATH"):
            made.metrics.add(name=b"bdSeq", datatype=TYPES["Int64"], long_value=self._bd_seq)
        if kind.endswith("BIRTH"):
            for metric in self._metrics.values():
                if metric.device == device:
                    row = made.metrics.add(name=metric.name, alias=metric.alias, datatype=metric.datatype)
                    if metric.last is None:
                        row.is_null = True
                    else:
                        metric.fill(row, metric.last)
        for message in messages:
            metric = self._metrics[message.sensor]
            if metric.device != device:
                continue
            for reading in message.readings:
                row = made.metrics.add(alias=metric.alias)
                metric.fill(row, reading)
                if stored:
                    row.is_historical = True
                else:
                    metric.last = reading
        return made

    def _send(self, kind: str, device: str, message: Any, t_ns: int, stamp_ms: int, out: list[Frame]) -> None:
        message.timestamp = stamp_ms
        if kind == "NBIRTH":
            self._seq = 0
        if kind != "NDEATH":
            message.seq = self._seq
            self._seq = (self._seq + 1) % 256
        if kind.endswith("DATA") and self.lost_share and self._draw.random() < self.lost_share:
            return
        out.append(Frame(t_ns, topic_of(self._group, kind, self._name, device), message.SerializeToString()))
