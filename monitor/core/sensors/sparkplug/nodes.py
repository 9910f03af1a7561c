"""All Sparkplug nodes of a rig: a frame of any of their topics in, readings and rejects out, and what is new of them."""

from collections.abc import Mapping, Sequence
from typing import Any

from monitor.config.sensor import Sensor
from monitor.core.saved_state import part
from monitor.core.sensors.payload import Refused
from monitor.core.sensors.sensor_decoder import Decoded
from monitor.core.sensors.source_news import News
from monitor.core.sensors.sparkplug.metric import read_payload
from monitor.core.sensors.sparkplug.node import Metric, Node
from monitor.model.reading import Reject, RejectReason
from monitor.model.sparkplug import source_topic
from monitor.model.stream import Frame
from monitor.text import printable


class Nodes:
    """The nodes that a rig's sensors come from."""

    def __init__(self, sensors: Sequence[Sensor], news: list[News]) -> None:
        """`sensors` are all of the rig's; those of plain topics are left alone. `news` gets what a frame tells of the sources; it
        is emptied before the next one."""
        self._news = news
        found: dict[tuple[str, str], list[Metric]] = {}
        for index, sensor in enumerate(sensors):
            if sensor.sparkplug is not None:
                key = sensor.sparkplug.group, sensor.sparkplug.node
                found.setdefault(key, []).append(Metric(index, sensor))
        self._nodes = {key: Node(*key, metrics, self._news) for key, metrics in found.items()}

    def decode(self, frame: Frame, unread: tuple[RejectReason, str] | None) -> Decoded:
        """All readings in `frame`, each a `Sample` in SI or a `Reject`. `unread` says why its payload is not to be looked
        into. Never raises."""
        self._news.clear()
        t_ns = frame.t_ns
        topic = source_topic(frame.topic)
        node = None if topic is None else self._nodes.get((topic.group, topic.node))
        if topic is None or node is None:
            return [Reject(t_ns, None, RejectReason.UNKNOWN_TOPIC, printable(frame.topic))]
        out: Decoded = []
        try:
            if unread is not None:
                raise Refused(*unread)
            node.take(t_ns, topic.kind, topic.device, read_payload(frame.payload), out)
        except Refused as refused:
            concerned: list[int | None] = [metric.index for metric in node.metrics_of(topic.kind, topic.device)]
            out += [Reject(t_ns, index, refused.reason, refused.detail) for index in concerned or [None]]
            if refused.reason is not RejectReason.RETAINED:
                node.birth_refused(topic.kind, topic.device, str(refused.reason))
        return out

    @property
    def missing(self) -> int:
        """Messages that their numbering shows to be lost, of all nodes."""
        return sum(node.missing for node in self._nodes.values())

    def connection_lost(self) -> None:
        """The broker was away."""
        for node in self._nodes.values():
            node.connection_lost()

    def state(self) -> dict[str, Any]:
        """What a replay from a later moment must know, as plain JSON values."""
        return {node.label: node.state() for node in self._nodes.values()}

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up what `state` gave, at a later moment of the same run.

        Raises:
            ValueError: it is not such a state.
        """
        self._news.clear()
        for node in self._nodes.values():
            node.restore(part(saved, node.label))
