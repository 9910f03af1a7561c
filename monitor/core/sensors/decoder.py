"""From the bytes of a message to readings in SI, or to a reason why not.

Payloads are a JSON number, a JSON object or array in which JSON Pointers (RFC 6901) find the value and optionally the
source's time, a sequence number and a quality mark, or a plain ASCII number. A pointer may find an array: one message then
carries many readings. Whatever comes in, the answer is a list of `Sample` and `Reject`: nothing raises, nothing is coerced
(the string ``"12"`` is not a number), and text from outside is cut and stripped of control characters before it is kept.
"""

import re
from collections.abc import Mapping
from typing import Final

from pydantic_core import from_json

from monitor.config.rig import Rig
from monitor.core.sensors.sensor_decoder import Decoded, SensorDecoder
from monitor.model.reading import Reject, RejectReason
from monitor.model.stream import Frame
from monitor.text import printable

MAX_PAYLOAD: Final = 256 * 1024
"""Bytes. A hundred batched readings take about 4 kB; anything far above that is not a reading."""
_ASCII_NUMBER: Final = re.compile(rb"\s*[-+]?(?:\d{1,40}(?:\.\d{0,40})?|\.\d{1,40})(?:[eE][-+]?\d{1,3})?\s*\Z")


class Decoder:
    """Turns frames of one rig into readings."""

    def __init__(self, rig: Rig) -> None:
        routes: dict[str, tuple[list[SensorDecoder], list[SensorDecoder]]] = {}
        for index, sensor in enumerate(rig.sensors):
            json_ones, ascii_ones = routes.setdefault(rig.topic(sensor), ([], []))
            (ascii_ones if sensor.payload == "ascii" else json_ones).append(SensorDecoder(index, sensor))
        self._routes: Mapping[str, tuple[list[SensorDecoder], list[SensorDecoder]]] = routes

    def decode(self, frame: Frame) -> Decoded:
        """All readings in `frame`, each a `Sample` in SI or a `Reject` with its reason. Never raises."""
        route = self._routes.get(frame.topic)
        if route is None:
            return [Reject(frame.t_ns, None, RejectReason.UNKNOWN_TOPIC, printable(frame.topic))]
        json_ones, ascii_ones = route
        t_ns, payload = frame.t_ns, frame.payload
        if frame.retained or not 0 < len(payload) <= MAX_PAYLOAD:
            reason, detail = _unread(frame)
            return [Reject(t_ns, decoder.index, reason, detail) for decoder in (*json_ones, *ascii_ones)]
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


def _unread(frame: Frame) -> tuple[RejectReason, str]:
    """Why a payload is not looked into."""
    if frame.retained:
        return RejectReason.RETAINED, ""
    return (RejectReason.TOO_LARGE, f"over {MAX_PAYLOAD} bytes") if frame.payload else (RejectReason.EMPTY, "")


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
