"""From the bytes of a message to readings in SI, or to a reason why not.

Payloads are a JSON number, a JSON object or array in which JSON Pointers (RFC 6901) find the value and optionally the
source's time, a sequence number and a quality mark, a plain ASCII number, or metrics of Sparkplug nodes
(`sparkplug`). A pointer may find an array: one message then carries many readings.
Whatever comes in, the answer is a list of `Sample` and `Reject`: nothing raises, nothing is coerced
(the string ``"12"`` is not a number), and text from outside is cut and stripped of control characters before it is kept.
"""

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from pydantic_core import from_json

from monitor.config.rig import Rig
from monitor.core.saved_state import part
from monitor.core.sensors.sensor_decoder import Decoded, SensorDecoder
from monitor.core.sensors.source_news import News
from monitor.model.reading import Reject, RejectReason
from monitor.model.sparkplug import NAMESPACE
from monitor.model.stream import Frame
from monitor.text import printable

if TYPE_CHECKING:
    from monitor.core.sensors.sparkplug.nodes import Nodes

_SOURCES: Final = "sources"
MAX_PAYLOAD: Final = 256 * 1024
"""Bytes. A hundred batched readings take about 4 kB; anything far above that is not a reading."""
_ASCII_NUMBER: Final = re.compile(rb"\s*[-+]?(?:\d{1,40}(?:\.\d{0,40})?|\.\d{1,40})(?:[eE][-+]?\d{1,3})?\s*\Z")


class Decoder:
    """Turns frames of one rig into readings."""

    def __init__(self, rig: Rig) -> None:
        routes: dict[str, tuple[list[SensorDecoder], list[SensorDecoder]]] = {}
        for index, sensor in enumerate(rig.sensors):
            if sensor.sparkplug is not None:
                continue
            json_ones, ascii_ones = routes.setdefault(rig.topic(sensor), ([], []))
            (ascii_ones if sensor.payload == "ascii" else json_ones).append(SensorDecoder(index, sensor))
        self._routes = routes
        self._sole = {
            topic: json_ones[0]
            for topic, (json_ones, ascii_ones) in routes.items()
            if len(json_ones) == 1 and not ascii_ones and json_ones[0].short
        }
        self.news: list[News] = []
        """What frames told of the sources themselves, until it is taken; of no more than one frame."""
        self._sensors = rig.sensors
        self.nodes: Nodes | None = None
        """The Sparkplug nodes; None for a rig that has none. They remember births: frames must come in order."""
        if any(sensor.sparkplug is not None for sensor in rig.sensors):
            self.nodes = self._new_nodes()

    @property
    def missing(self) -> int:
        """Messages that the numbering of Sparkplug nodes shows to be lost."""
        return 0 if self.nodes is None else self.nodes.missing

    def connection(self, connected: bool | None) -> None:
        """Whether the broker is there (None: there is none), as the monitor's own health has it."""
        if self.nodes is not None and connected is False:
            self.nodes.connection_lost()

    def state(self) -> dict[str, Any]:
        """What a replay from a later moment must know of earlier frames, as plain JSON values; nothing without Sparkplug."""
        return {} if self.nodes is None else {_SOURCES: self.nodes.state()}

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up the part of a core's state that `state` gave, at a later moment of the same run. What is no such state is
        ignored."""
        if self.nodes is None:
            return
        try:
            self.nodes.restore(part(saved, _SOURCES))
        except ValueError:
            self.news.clear()
            self.nodes = self._new_nodes()

    def _new_nodes(self) -> "Nodes":
        from monitor.core.sensors.sparkplug.nodes import Nodes  # with its library, which other rigs do without

        return Nodes(self._sensors, self.news)

    def sole(self, topic: str) -> SensorDecoder | None:
        """The decoder of the one sensor that reads `topic`, if it does so by the short way; else None."""
        return self._sole.get(topic)

    def decode(self, frame: Frame) -> Decoded:
        """All readings in `frame`, each a `Sample` in SI or a `Reject` with its reason. Never raises."""
        route = self._routes.get(frame.topic)
        if route is None and self.nodes is not None and frame.topic.startswith(NAMESPACE):
            return self.nodes.decode(frame, _unread(frame))
        if route is None:
            return [Reject(frame.t_ns, None, RejectReason.UNKNOWN_TOPIC, printable(frame.topic))]
        json_ones, ascii_ones = route
        t_ns, payload = frame.t_ns, frame.payload
        if frame.retained or not 0 < len(payload) <= MAX_PAYLOAD:
            unread = _unread(frame)
            assert unread is not None
            return [Reject(t_ns, decoder.index, *unread) for decoder in (*json_ones, *ascii_ones)]
        out: Decoded = []
        if json_ones:
            try:
                document = from_json(payload, allow_inf_nan=False)
            except ValueError as error:
                reason, detail = _json_problem(payload, error)
                out += [Reject(t_ns, decoder.index, reason, detail) for decoder in json_ones]
            else:
                for decoder in json_ones:
                    decoder.decode(t_ns, document, out)
        for decoder in ascii_ones:
            if _ASCII_NUMBER.match(payload):
                decoder.decode(t_ns, float(payload), out)
            else:
                shown = printable(payload[:30].decode("utf-8", "replace"))
                out.append(Reject(t_ns, decoder.index, _ascii_problem(payload), shown))
        return out


def _unread(frame: Frame) -> tuple[RejectReason, str] | None:
    """Why a payload is not looked into; None where it is."""
    if frame.retained:
        return RejectReason.RETAINED, ""
    if not frame.payload:
        return RejectReason.EMPTY, ""
    return (RejectReason.TOO_LARGE, f"over {MAX_PAYLOAD} bytes") if len(frame.payload) > MAX_PAYLOAD else None


def _json_problem(payload: bytes, error: ValueError) -> tuple[RejectReason, str]:
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        return RejectReason.NOT_UTF8, ""
    if text.strip() in ("NaN", "Infinity", "-Infinity"):
        return RejectReason.NOT_FINITE, text.strip()
    return RejectReason.NOT_JSON, printable(str(error))


def _ascii_problem(payload: bytes) -> RejectReason:
    if payload.strip().lower().lstrip(b"+-") in (b"nan", b"inf", b"infinity"):
        return RejectReason.NOT_FINITE
    return RejectReason.NOT_A_NUMBER
