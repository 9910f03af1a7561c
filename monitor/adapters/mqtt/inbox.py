"""What has come in and waits to be taken: bounded, and unfair only to the one that floods.

Old readings are worth less than new ones, so when more comes than can be taken the oldest go. They go from the topics
that send most: every topic may hold an equal share of the room, and what quiet topics leave of theirs is shared by the loud.
One gateway gone mad thus costs its own readings and nobody else's. The newest message of every topic is always kept.

A burst (a broker that thaws, a gateway that reconnects) is let in whole as far as the memory goes. A queue that has not run
empty for half a second is no burst: then only a fraction of a second's readings may wait, or all that is shown would be late.
"""

import time
from collections import deque
from typing import Final

from monitor.adapters.mqtt.packets import Message

BURST_BYTES: Final = 4 << 20
"""What may wait in a burst; some 20,000 single readings."""
STANDING_BYTES: Final = 512 << 10
"""What may wait while it never runs empty; some 2,500 single readings, under a tenth of a second."""
STANDING_S: Final = 0.5
MESSAGE_BYTES: Final = 150
"""What a message costs beside its payload, in memory and in time."""

Waiting = tuple[int, str, bytes, bool]
"""Arrival (ns), topic, payload, whether it is retained."""


class Inbox:
    """A queue of messages for one thread."""

    def __init__(self) -> None:
        self._queue: deque[Waiting] = deque()
        self._bytes = 0
        self._empty_s = time.monotonic()
        self.dropped = 0
        """Messages that had to go."""

    def __len__(self) -> int:
        return len(self._queue)

    @property
    def size(self) -> int:
        """Roughly what waits, bytes."""
        return self._bytes

    @property
    def crowded(self) -> bool:
        """Whether it neither runs empty nor has room for many more: of what comes now, only the newest is worth reading."""
        return self._bytes > STANDING_BYTES // 2 and time.monotonic() - self._empty_s >= STANDING_S

    def put(self, t_ns: int, messages: list[Message]) -> int:
        """Add messages that arrived at `t_ns`; how many had to go for them."""
        if not self._queue:
            self._empty_s = time.monotonic()  # a silence is no time in which anything waited
        append, size = self._queue.append, self._bytes
        for topic, payload, retained in messages:
            append((t_ns, topic, payload, retained))
            size += len(payload) + MESSAGE_BYTES
        self._bytes = size
        if size <= STANDING_BYTES:
            return 0
        if size <= BURST_BYTES and time.monotonic() - self._empty_s < STANDING_S:
            return 0
        return self._shed(STANDING_BYTES // 2)

    def take(self) -> Waiting:
        """The oldest message.

        Raises:
            IndexError: nothing waits.
        """
        waiting = self._queue.popleft()
        self._bytes -= len(waiting[2]) + MESSAGE_BYTES
        if not self._queue:
            self._empty_s = time.monotonic()
        return waiting

    def _shed(self, room: int) -> int:
        held: dict[str, int] = {}
        for _, topic, payload, _ in self._queue:
            held[topic] = held.get(topic, 0) + len(payload) + MESSAGE_BYTES
        share = _share(sorted(held.values()), room)
        kept: dict[str, float] = {}
        stay: list[Waiting] = []
        size = 0
        for waiting in reversed(self._queue):
            cost = len(waiting[2]) + MESSAGE_BYTES
            before = kept.get(waiting[1], 0)
            if before + cost <= share or (not before and size + cost <= BURST_BYTES):
                kept[waiting[1]] = before + cost
                size += cost
                stay.append(waiting)
            else:
                kept[waiting[1]] = max(before, share)  # nothing older of this topic either: order has no holes
        gone = len(self._queue) - len(stay)
        self._queue = deque(reversed(stay))
        self._bytes = size
        self.dropped += gone
        return gone


def _share(sizes: list[int], room: int) -> float:
    """The largest share of `room` for each, when those below it leave the rest to the others. `sizes` ascend."""
    left, others = room, len(sizes)
    for size in sizes:
        if size * others > left:
            return left / others
        left -= size
        others -= 1
    return float(room)
