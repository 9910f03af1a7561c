"""Reads MQTT 3.1.1: messages out of a stream of bytes, whatever the pieces it arrives in.

The library makes three system calls and a dozen objects of every message. Here one read of the socket gives hundreds:
`PacketReader.feed` takes any piece of the stream, returns the messages that it completes as frames, and passes on, untouched,
the bytes of every other packet, for the library to answer. A message larger than any reading is cut while it comes in, so that
memory is bounded whatever length it claims. A message under a topic nobody asked for is counted and dropped before it costs
anything.

Packet layout: OASIS standard MQTT 3.1.1, sections 2.2 (fixed header) and 3.3 (PUBLISH).
"""

from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import partial
from typing import Final

import aiomqtt

from monitor.model.stream import Frame

MAX_PACKET_BYTES: Final = 1 << 20
"""A message is cut here while it comes in; the core refuses it by its length."""
_MAX_ANSWER_BYTES: Final = 1 << 16
"""No answer of a broker to a client that only listens is longer."""
_PUBLISH: Final = 0x30
_QOS: Final = 0x06
_RETAIN: Final = 0x01

_frame: Final[Callable[[tuple[int, str, bytes, bool]], Frame]] = partial(tuple.__new__, Frame)
"""A frame of its four fields in a tuple, without the Python function that the class has for it: a flood is made of these."""


class PacketError(aiomqtt.MqttError):
    """What comes is no MQTT."""


class PacketReader:
    """Reads one connection's incoming bytes."""

    def __init__(self, names: Mapping[bytes, str], wild: bool = False) -> None:
        """`names` are the topics asked for, by their bytes; with `wild` (a subscription has a wildcard) all others count
        too, but for those that start with a dollar sign, which are the broker's own."""
        self._names = names
        self._wild = wild
        self._held = bytearray()
        self._needed = 0
        self._skip = 0
        self.packets = 0
        """Packets that came in whole (or were cut at their bound)."""
        self.foreign = 0
        """Messages under topics that nobody asked for."""
        self.dropped = 0
        """Messages left out because more came than was wanted."""

    @property
    def inside_packet(self) -> bool:
        """Whether a packet has begun and not ended."""
        return bool(self._held or self._skip)

    def feed(self, t_ns: int, piece: bytes, most: int = 0) -> tuple[list[Frame], bytes]:
        """The messages that `piece`, read at `t_ns`, completes, in order, and the bytes of all other packets.

        In a flood, `most` (0: no bound) is how many messages of a topic are wanted out of one piece: the newest ones. The
        others are counted as dropped, and cost a fraction of what they would as messages.

        Raises:
            PacketError: the bytes break the protocol; nothing that follows can be understood.
        """
        piece = self._with_held(piece)
        frames: list[Frame] = []
        rest = bytearray()
        known = self._names.get
        at, end, packets = 0, len(piece), 0
        plain: list[int] = []
        while end - at >= 2:
            first, length, body = piece[at], piece[at + 1], at + 2
            # The short path of a flood: whole messages at QoS 0 whose length is one byte.
            if most and first == _PUBLISH and length < 0x80 and body + length <= end:
                plain.append(at)
                at = body + length
                continue
            if length & 0x80:
                length, body = _remaining_length(piece, body, end)
                if not body:
                    break
            stop = body + length
            cut = stop if length <= _MAX_ANSWER_BYTES else body + _kept_bytes(first, length)
            if cut > end:
                self._needed = cut - at
                break
            if first & 0xF0 != _PUBLISH:
                rest += piece[at:stop]
            else:
                raw, start = _publish_parts(piece, first, body, cut)
                topic = known(raw) or self._other(raw)
                if plain:
                    self._newest(t_ns, piece, plain, most, frames)
                if topic:
                    frames.append(_frame((t_ns, topic, piece[start:cut], first & _RETAIN == _RETAIN)))
            packets += 1
            if stop > end:
                self._skip = stop - end
                at = end
                break
            at = stop
        if plain:
            self._newest(t_ns, piece, plain, most, frames)
        self.packets += packets
        if at < end:
            self._held += piece[at:]
            if end - at < 5:
                self._needed = 0  # not even the length is known
        return frames, bytes(rest)

    def _with_held(self, piece: bytes) -> bytes:
        """`piece` after what is held of a packet that began before, without the rest of one that was cut; empty while that
        packet is not complete."""
        if self._skip:
            skipped = min(self._skip, len(piece))
            self._skip -= skipped
            piece = piece[skipped:]
        if self._held:
            self._held += piece
            if len(self._held) < self._needed:
                return b""
            piece = bytes(self._held)
            self._held.clear()
        return piece

    def _newest(self, t_ns: int, piece: bytes, starts: list[int], most: int, out: list[Frame]) -> None:
        """Move to `out` the newest `most` messages of each topic among the short ones that start at `starts`; empty `starts`."""
        taken: dict[bytes, int] = {}
        found: list[Frame] = []
        known = self._names.get
        self.packets += len(starts)
        lacking = 0 if self._wild else len(self._names)
        for place in range(len(starts) - 1, -1, -1):
            body = starts[place] + 2
            text, stop = body + 2, body + piece[body - 1]
            if text > stop:
                raise PacketError("a message without a topic")
            name_end = text + (piece[body] << 8 | piece[body + 1])
            if name_end > stop:
                raise PacketError("a topic longer than its message")
            raw = piece[text:name_end]
            count = taken.get(raw, 0)
            if count >= most:
                self.dropped += 1
                continue
            topic = known(raw) or self._other(raw)
            if topic:
                taken[raw] = count + 1
                found.append(_frame((t_ns, topic, piece[name_end:stop], False)))
                if count + 1 == most:
                    lacking -= 1
                    if not lacking:  # every topic has its share: nothing older is wanted
                        self.dropped += place
                        break
        found.reverse()
        out += found
        starts.clear()

    def _other(self, raw: bytes) -> str:
        """The name of a topic that is not one of those asked for; empty when it is not wanted."""
        if raw.startswith(b"$"):
            return ""
        if self._wild:
            with suppress(UnicodeDecodeError):
                return raw.decode()
        self.foreign += 1
        return ""


def _remaining_length(piece: bytes, body: int, end: int) -> tuple[int, int]:
    """A length of several bytes, of which the first stands before `body`, and where it ends; zeros while it is not whole."""
    length, shift = piece[body - 1] & 0x7F, 7
    while body < end:
        if shift > 21:
            raise PacketError("a length that MQTT does not know")
        digit = piece[body]
        length |= (digit & 0x7F) << shift
        shift += 7
        body += 1
        if digit < 0x80:
            return length, body
    return 0, 0


def _kept_bytes(first: int, length: int) -> int:
    """How many bytes of a very long packet are read; the rest of a message is skipped."""
    if first & 0xF0 != _PUBLISH:
        raise PacketError("an answer far longer than any answer is")
    return min(length, MAX_PACKET_BYTES)


def _publish_parts(piece: bytes, first: int, body: int, cut: int) -> tuple[bytes, int]:
    """The topic of the message in `piece[body:cut]`, and where its payload begins."""
    text = body + 2
    if text > cut:
        raise PacketError("a message without a topic")
    name_end = text + (piece[body] << 8 | piece[body + 1])
    start = name_end + 2 if first & _QOS else name_end  # asked for at QoS 0, it needs no answer at any
    if start > cut:
        raise PacketError("a topic longer than its message")
    return piece[text:name_end], start
