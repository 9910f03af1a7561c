"""Sparkplug messages for tests, made of plain values; and rigs whose sensors come that way."""

from typing import Any

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.config.sensor import Sensor
from monitor.core.sensors.sparkplug.schema import Payload
from monitor.model.sparkplug import TYPES, topic_of
from monitor.model.stream import Frame

T = 1_700_000_000_000_000_000
MS = T // 1_000_000
GROUP, NODE, DEVICE = "field", "rig-7", "hoist"


def metric(name: str | None = None, **fields: Any) -> dict[str, Any]:
    """One metric: fields by the standard's names, the type as a word, the value under `float_value` and so on."""
    made = dict(fields)
    if name is not None:
        made["name"] = name.encode()
    if isinstance(made.get("datatype"), str):
        made["datatype"] = TYPES[made["datatype"]]
    return made


def payload(*metrics: dict[str, Any], seq: int | None = 0, at_ms: int | None = MS) -> bytes:
    """The bytes of a message."""
    message = Payload(metrics=list(metrics))
    if seq is not None:
        message.seq = seq
    if at_ms is not None:
        message.timestamp = at_ms
    made: bytes = message.SerializeToString()
    return made


def frame(kind: str, *metrics: dict[str, Any], seq: int | None = 0, t_ns: int = T, device: str = DEVICE) -> Frame:
    """A message of the node at stream time `t_ns`, stamped with that time."""
    made = payload(*metrics, seq=seq, at_ms=t_ns // 1_000_000)
    return Frame(t_ns, topic_of(GROUP, kind, NODE, device), made)


def bd_seq(number: int) -> dict[str, Any]:
    """The metric that pairs a death with a birth."""
    return metric("bdSeq", datatype="Int64", long_value=number)


def load_sensor(**fields: Any) -> Sensor:
    """A hook load from the metric ``Hoist/Hook load`` of the device, with fields of its table ``sparkplug`` as given."""
    table = {"group": GROUP, "node": NODE, "device": DEVICE, "metric": "Hoist/Hook load"} | fields
    return Sensor(
        id="w", quantity="hook_load", unit="kN", rate_hz=10.0, stale_after_s=1.0, range=(-50.0, 4500.0), sigma=1.0,
        sparkplug=table,  # type: ignore[arg-type]
    )  # fmt: skip


def rig_with(*sensors: Sensor) -> Rig:
    """The land rig with its drum encoder and these sensors."""
    land = find_rig("land")
    return land.model_copy(update={"sensors": (land.sensors[0], *sensors)})
