"""The queue of messages that wait to be handed on: bounded, and at the cost only of the topic that floods.

Old readings are worth less than new ones, so when more comes than can be handed on the oldest are dropped. They are dropped from
the topics that send most: every topic may hold an equal share of the room, and what quiet topics leave of theirs is shared by
the busy ones. A gateway that floods thus costs its own readings and no others. The newest message of every topic is always kept.

A burst (a broker that resumes, a gateway that reconnects) is taken whole as far as the memory goes. A queue that has not run
empty for half a second is no burst: then only a fraction of a second's readings may wait, or all that is shown would be late.
"""

import time
from collections import deque
from typing import Final

from monitor.model.stream import Frame

BURST_BYTES: Final = 4 << 20
"""What may wait in a burst; some 20,000 single readings."""
STANDING_BYTES: Final = 512 << 10
"""What may wait while the queue never runs empty; some 2,500 single readings, under a tenth of a second."""
STANDING_S: Final = 0.5
MESSAGE_BYTES: Final = 150
"""What a message costs beside its payload, in memory and in time."""


class Inbox:
    """A queue of messages for one thread."""

    def __init__(self) -> None:
        self._queue: deque[Frame] = deque()
        self._bytes = 0
        self._empty_s = time.monotonic()
        self.dropped = 0
        """Messages dropped so far."""

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

    def put(self, frames: list[Frame]) -> int:
        """Add messages. Returns how many were dropped to make room."""
        if not self._queue:
            self._empty_s = time.monotonic()  # a silence is no time in which anything waited
        self._queue += frames
        size = self._bytes
        for _, _, payload, _ in frames:
            size += len(payload) + MESSAGE_BYTES
        self._bytes = size
        if size <= STANDING_BYTES:
            return 0
        if size <= BURST_BYTES and time.monotonic() - self._empty_s < STANDING_S:
            return 0
        return self._drop_oldest(STANDING_BYTES // 2)

    def take(self) -> Frame:
        """The oldest message.

        Raises:
            IndexError: nothing waits.
        """
        frame = self._queue.popleft()
        self._bytes -= len(frame.payload) + MESSAGE_BYTES
        if not self._queue:
            self._empty_s = time.monotonic()
        return frame

    def _drop_oldest(self, room: int) -> int:
        """Drop all but the newest messages of each topic's share of `room`, bytes. Returns how many were dropped."""
        held: dict[str, int] = {}
        for _, topic, payload, _ in self._queue:
            held[topic] = held.get(topic, 0) + len(payload) + MESSAGE_BYTES
        share = _share(sorted(held.values()), room)
        kept: dict[str, float] = {}
        stay: list[Frame] = []
        size = 0
        for frame in reversed(self._queue):
            topic, cost = frame.topic, len(frame.payload) + MESSAGE_BYTES
            before = kept.get(topic, 0)
            if before + cost <= share or (not before and size + cost <= BURST_BYTES):
                kept[topic] = before + cost
                size += cost
                stay.append(frame)
            else:
                kept[topic] = max(before, share)  # nothing older of this topic either: order has no holes
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
