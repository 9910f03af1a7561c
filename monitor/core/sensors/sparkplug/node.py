"""The life of one node: births and deaths of itself and its devices, the numbering of its messages, and its sensors' readings.

Theory of operation
    A birth names every metric, its type and its alias; data then carry aliases, or names. A death makes all sensors of
    the node, or of the device, lost at once, whatever their last readings were. `bdSeq` pairs a node's death with its
    birth: a death of an earlier connection, which a broker may send late, changes nothing.

    Births are sent once and are not kept by the broker, and this monitor never asks for one, as it never publishes. Until it
    has heard a birth, it takes metrics that carry their names, and aliases that the rig's file maps; any others are
    refused. A birth always wins over the file, and a contradiction is told.

    All messages of a node and its devices share one numbering, 0 to 255 and round again, by which missing ones are
    counted. If the connection to the broker was away and messages are missing after it, a birth may be among them: what
    was known of aliases then no longer counts, for an alias that was given to another metric would be a wrong reading.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from monitor.config.sensor import Sensor
from monitor.core.saved_state import part, whole, words
from monitor.core.sensors.payload import Refused
from monitor.core.sensors.sensor_decoder import Decoded, SensorDecoder
from monitor.core.sensors.source_news import News
from monitor.core.sensors.sparkplug.birth import Birth, bd_seq_of, read_birth
from monitor.core.sensors.sparkplug.metric import check_quality, time_ns_of, value_of
from monitor.model.reading import Reject, RejectReason
from monitor.model.sparkplug import NUMERIC_TYPES, TYPE_NAMES, TYPES
from monitor.text import printable

_ROUND: Final = 256
_REPORTED_NS: Final = 60_000_000_000
"""Missing messages of a node are told once in such a time."""
_MOST_WORDS: Final = 300


class Metric:
    """One sensor's metric, and what is known of it now."""

    __slots__ = (
        "alias",
        "clashes",
        "datatype",
        "decoder",
        "device",
        "from_file",
        "id",
        "index",
        "name",
        "named",
        "stale_ms",
        "words",
    )

    def __init__(self, index: int, sensor: Sensor) -> None:
        assert sensor.sparkplug is not None
        given = sensor.sparkplug
        self.index, self.id = index, sensor.id
        self.decoder = SensorDecoder(index, sensor)
        self.device, self.name = given.device, given.metric.encode()
        self.stale_ms = round(sensor.stale_after_s * 1e3)
        self.from_file = (given.alias, 0 if given.type is None else TYPES[given.type], given.birth or "")
        """Alias, type and hash of the birth, as the rig's file has them."""
        self.alias, self.datatype = given.alias, self.from_file[1]
        self.clashes = False
        """Whether its alias is that of another metric, too."""
        self.named = False
        """Whether data have come that carry its name."""
        self.words = ""
        """Why it has no source; empty while it has, or nothing came yet."""


class _Device:
    """A device with sensors of ours, or (empty name) the node itself."""

    __slots__ = ("birth", "by_alias", "by_name", "dead", "metrics")

    def __init__(self, metrics: Sequence[Metric]) -> None:
        self.metrics = metrics
        self.birth = ""
        """Hash of the birth that holds now; empty where none was heard."""
        self.dead = False
        self.by_name = {metric.name: metric for metric in metrics}
        self.by_alias: dict[int, Metric] = {}
        self.index()

    def index(self) -> None:
        """Bring `by_alias` up to date."""
        self.by_alias = {metric.alias: metric for metric in self.metrics if metric.alias is not None}


class Node:
    """One node. `take` gets its messages in order."""

    def __init__(self, group: str, name: str, metrics: Sequence[Metric], news: list[News]) -> None:
        """`news` is where it leaves what is new."""
        self.label = f"{group}/{name}"
        self._news = news
        of_device: dict[str, list[Metric]] = {"": []}
        for metric in metrics:
            of_device.setdefault(metric.device, []).append(metric)
        self._devices: Mapping[str, _Device] = {device: _Device(found) for device, found in of_device.items()}
        self.missing = 0
        """Messages that the numbering shows to be lost."""
        self._reported_ns = 0
        self._dead = False
        self._seq: int | None = None
        self._bd_seq: int | None = None
        self._unsure = False
        """Whether the connection was away since its last message."""
        self._handlers: Mapping[str, Callable[[int, str, Any, Decoded], None]] = {
            "NBIRTH": self._node_birth,
            "NDEATH": self._node_death,
            "NDATA": self._data,
            "DBIRTH": self._device_birth,
            "DDEATH": self._device_death,
            "DDATA": self._data,
        }

    def take(self, t_ns: int, kind: str, device: str, message: Any, out: Decoded) -> None:
        """One message of that kind (of `device`; empty: the node); its readings and rejects are added to `out`."""
        if kind != "NDEATH":  # the broker sends it in the node's stead, without a number
            self._number(t_ns, kind, message)
        self._handlers[kind](t_ns, device, message, out)

    def metrics_of(self, kind: str, device: str) -> Sequence[Metric]:
        """The sensors' metrics that a message concerns."""
        if kind == "NDEATH":
            return [metric for found in self._devices.values() for metric in found.metrics]
        found = self._devices.get(device)
        return () if found is None else found.metrics

    def connection_lost(self) -> None:
        """The broker was away: what it sent meanwhile is not known."""
        self._unsure = self._seq is not None

    # --- numbering ---------------------------------------------------------------------------------------------------

    def _number(self, t_ns: int, kind: str, message: Any) -> None:
        seq: int = message.seq % _ROUND
        if not message.HasField("seq"):
            return
        last, self._seq = self._seq, seq
        unsure, self._unsure = self._unsure, False
        if last is None or kind == "NBIRTH":
            return
        lost = (seq - last - 1) % _ROUND
        if not lost:
            return
        if unsure:
            self._forget_births()
        if lost == _ROUND - 1:
            words = f"message number {seq} came twice"
        elif lost < _ROUND // 2:
            self.missing += lost
            words = f"{lost} message{'s' if lost > 1 else ''} missing before number {seq}, {self.missing} so far"
        else:
            self.missing += 1
            words = f"message numbers went back from {last} to {seq}: overtaken, or many are missing"
        if not self._reported_ns or t_ns - self._reported_ns >= _REPORTED_NS:
            self._reported_ns = t_ns
            self._report(words)

    def _forget_births(self) -> None:
        """A birth may have been missed: aliases hold only where the rig's file has them from the very birth heard last."""
        for device in self._devices.values():
            if not device.birth:
                continue
            heard, device.birth = device.birth, ""
            for metric in device.metrics:
                alias, datatype, birth = metric.from_file
                if birth == heard:
                    metric.alias, metric.datatype = alias, datatype
                elif metric.alias is not None:
                    metric.alias, metric.datatype = None, 0
                    self._lose(metric, f"messages were missed while the broker was away: {self._waiting(metric)}")
            device.index()

    # --- births and deaths -------------------------------------------------------------------------------------------

    def _node_birth(self, t_ns: int, _: str, message: Any, out: Decoded) -> None:
        birth = read_birth(message)
        self._dead = False
        self._bd_seq = bd_seq_of(message)
        for name, device in self._devices.items():
            if name:
                self._unborn(device, f"node {self.label} is born again, its device {name} not yet")
        self._born(t_ns, "", birth, message, out)

    def _device_birth(self, t_ns: int, device: str, message: Any, out: Decoded) -> None:
        if self._dead:
            self._refuse(t_ns, self.metrics_of("DBIRTH", device), RejectReason.BEFORE_BIRTH, out)
        else:
            self._born(t_ns, device, read_birth(message), message, out)

    def birth_refused(self, kind: str, name: str, why: str) -> None:
        """A birth came that cannot be read: what was known before it holds no longer."""
        for place, device in self._devices.items():
            if kind == "NBIRTH" or (kind == "DBIRTH" and place == name):
                self._unborn(device, f"the birth of {self._label(place)} cannot be read ({why})", always=True)

    def _unborn(self, device: _Device, why: str, always: bool = False) -> None:
        """Forget a birth; its sensors are lost where they had one."""
        had, device.birth, device.dead = device.birth != "" or device.dead, "", False
        for metric in device.metrics:
            metric.alias = None
            if had or always:
                self._lose(metric, why)
        device.index()

    def _born(self, t_ns: int, name: str, birth: Birth, message: Any, out: Decoded) -> None:
        device = self._devices.get(name)
        if device is None:
            return
        device.birth, device.dead = birth.digest, False
        for metric in device.metrics:
            self._define(metric, birth)
        device.index()
        base_ms: int = message.timestamp
        for sent in message.metrics:
            metric_or_none = device.by_name.get(sent.name)
            if metric_or_none is not None and not metric_or_none.words and not sent.is_null:
                self._read(t_ns, sent, metric_or_none, base_ms, out)

    def _define(self, metric: Metric, birth: Birth) -> None:
        """Take over what a birth says of a metric."""
        found = birth.metrics.get(metric.name)
        shown = printable(metric.name.decode("utf-8", "replace"))
        if found is None:
            metric.alias, metric.datatype, metric.clashes = None, 0, False
            self._lose(metric, f"the birth of {self._place(metric)} has no metric {shown!r}")
            return
        alias, datatype, digest = metric.from_file
        if digest and digest != birth.digest:
            same = (alias is None or alias == found.alias) and datatype in (0, found.datatype)
            said = "still holds for it" if same else (
                f"maps alias {alias} ({TYPE_NAMES.get(datatype, '?')}), the birth {found.alias} ({_type(found.datatype)}):"
                " the birth counts"
            )  # fmt: skip
            self._report(
                f"{metric.id}: the rig file is of birth {digest}, this is birth {birth.digest}; what it says {said}"
            )
        metric.alias, metric.datatype, metric.clashes = found.alias, found.datatype, found.clashes
        if found.datatype and found.datatype not in NUMERIC_TYPES:
            self._lose(
                metric, f"metric {shown!r} of {self._place(metric)} is no number but of type {_type(found.datatype)}"
            )
        elif metric.words:
            metric.words = ""
            self._news.append(News(metric.index, self.label, ""))

    def _node_death(self, t_ns: int, _: str, message: Any, out: Decoded) -> None:
        bd_seq = bd_seq_of(message)
        if self._dead:
            return
        if bd_seq is not None and self._bd_seq is not None and bd_seq != self._bd_seq:
            self._report(f"a death of an earlier connection came (bdSeq {bd_seq}, born with {self._bd_seq}): not taken")
            return
        self._dead = True
        self._seq = None
        self._report("the node went away (its death came)")
        for device in self._devices.values():
            self._bury(device, f"node {self.label} went away, nothing of it is taken until its birth")

    def _device_death(self, t_ns: int, name: str, message: Any, out: Decoded) -> None:
        device = self._devices.get(name)
        if device is not None and not device.dead:
            self._report(f"its device {printable(name)} went away (its death came)")
            self._bury(device, f"device {name} of node {self.label} went away, nothing of it is taken until its birth")

    def _bury(self, device: _Device, why: str) -> None:
        device.birth, device.dead = "", True
        for metric in device.metrics:
            metric.alias = None
            self._lose(metric, why)
        device.index()

    # --- readings ----------------------------------------------------------------------------------------------------

    def _data(self, t_ns: int, place: str, message: Any, out: Decoded) -> None:
        device = self._devices.get(place)
        if device is None:
            return
        if self._dead or device.dead:
            self._refuse(t_ns, device.metrics, RejectReason.BEFORE_BIRTH, out)
            return
        by_name, by_alias, born = device.by_name, device.by_alias, device.birth != ""
        base_ms: int = message.timestamp
        nameless = False
        for sent in message.metrics:
            if name := sent.name:
                metric = by_name.get(name)
                if metric is not None:
                    metric.named = True
            else:
                alias = sent.alias
                metric = by_alias.get(alias) if alias or sent.HasField("alias") else None
                nameless = nameless or metric is None
            if metric is not None:
                self._read(t_ns, sent, metric, base_ms, out)
        if nameless and not born:
            unmapped = [metric for metric in device.metrics if metric.alias is None and not metric.named]
            for metric in unmapped:
                if not metric.words:
                    self._lose(metric, self._waiting(metric))
            self._refuse(t_ns, unmapped, RejectReason.BEFORE_BIRTH, out)

    def _read(self, t_ns: int, sent: Any, metric: Metric, base_ms: int, out: Decoded) -> None:
        """The reading in one metric of a message with that time stamp, or why there is none."""
        decoder = metric.decoder
        try:
            if sent.is_historical:
                raise Refused(RejectReason.HISTORICAL)
            if metric.clashes and not sent.name:
                raise Refused(RejectReason.CLASHING, f"alias {sent.alias}")
            if properties := sent.properties:
                check_quality(properties)
            number = decoder.item(value_of(sent, sent.datatype or metric.datatype))
            stamp_ms = sent.timestamp or base_ms
            if base_ms - stamp_ms > metric.stale_ms:
                raise Refused(RejectReason.TOO_OLD, f"{(base_ms - stamp_ms) * 1e-3:.1f} s older than its message")
            decoder.take(t_ns, number, time_ns_of(stamp_ms), None, out)
        except Refused as refused:
            out.append(Reject(t_ns, metric.index, refused.reason, refused.detail))
            return
        if metric.words:  # named in full before any birth was heard
            metric.words = ""
            self._news.append(News(metric.index, self.label, ""))

    # --- words -------------------------------------------------------------------------------------------------------

    def _waiting(self, metric: Metric) -> str:
        return f"waiting for the birth of {self._place(metric)}, or map aliases in the rig file"

    def _place(self, metric: Metric) -> str:
        return self._label(metric.device)

    def _label(self, device: str) -> str:
        return f"device {device} of node {self.label}" if device else f"node {self.label}"

    def _report(self, words: str) -> None:
        self._news.append(News(None, self.label, printable(words, _MOST_WORDS)))

    def _lose(self, metric: Metric, why: str) -> None:
        why = printable(why, _MOST_WORDS)
        if metric.words != why:
            metric.words = why
            self._news.append(News(metric.index, self.label, why))

    def _refuse(self, t_ns: int, metrics: Sequence[Metric], reason: RejectReason, out: Decoded) -> None:
        out += [Reject(t_ns, metric.index, reason, self.label) for metric in metrics]

    # --- a later moment of the same run --------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """What a replay from a later moment must know, as plain JSON values."""
        return {
            "dead": self._dead,
            "seq": self._seq,
            "bd": self._bd_seq,
            "unsure": self._unsure,
            "missing": self.missing,
            "reported": self._reported_ns,
            "devices": {
                name: {
                    "birth": device.birth,
                    "dead": device.dead,
                    "metrics": {m.id: [m.alias, m.datatype, m.clashes, m.named, m.words] for m in device.metrics},
                }
                for name, device in self._devices.items()
            },
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up what `state` gave.

        Raises:
            ValueError: it is not such a state.
        """
        self._dead, self._unsure = saved.get("dead") is True, saved.get("unsure") is True
        self._seq = None if saved.get("seq") is None else whole(saved, "seq", 0, _ROUND - 1)
        self._bd_seq = None if saved.get("bd") is None else whole(saved, "bd", 0, 1 << 64)
        self.missing, self._reported_ns = whole(saved, "missing"), whole(saved, "reported")
        devices = part(saved, "devices")
        for name, device in self._devices.items():
            kept = part(devices, name)
            device.birth, device.dead = words(kept, "birth"), kept.get("dead") is True
            rows = part(kept, "metrics")
            for metric in device.metrics:
                row = rows.get(metric.id)
                if not isinstance(row, list) or len(row) != 5:
                    raise ValueError(f"{metric.id}: no list of 5")
                alias, datatype, clashes, named, why = row
                metric.alias = None if alias is None else whole({"alias": alias}, "alias", 0, 1 << 64)
                metric.datatype = whole({"type": datatype}, "type", 0, 1 << 32)
                metric.clashes, metric.named = clashes is True, named is True
                metric.words = words({"words": why}, "words", _MOST_WORDS)
                if metric.words:
                    self._news.append(News(metric.index, self.label, metric.words))
            device.index()


def _type(datatype: int) -> str:
    return TYPE_NAMES.get(datatype, f"number {datatype}" if datatype else "unknown")
