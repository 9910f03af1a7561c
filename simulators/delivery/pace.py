"""How an accelerated demonstration keeps its time.

At twenty times real speed, fifty milliseconds of a busy machine are a whole second of the stream: the monitor would rightly
report silence that no rig ever had. And a broker that holds many topics may deliver a burst topic by topic. In an accelerated
demonstration the rig therefore publishes, on `PACE_TOPIC`, how far it has come and how many readings it has sent on each topic
until then; the monitor's side holds readings back until all of them are there, lets them through in the order of time, and its
clock runs no further than that. If the rig falls silent for good, the clock goes on by itself after `GRACE_S` of real time,
so that silence is still found. At real speed nothing of this is used.
"""

import json
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

from monitor.model.stream import Frame

PACE_TOPIC: Final = "stopmark-simulation/pace"
STEP_NS: Final = 50_000_000
"""How often the rig publishes how far it has come, ns of stream time."""
GRACE_S: Final = 1.5
HEAD_START_NS: Final = 200_000_000
"""Real time from the word to the first reading, so that nothing has to be caught up."""

Deliver = Callable[[Frame], None]


class PacedClock:
    """Stream time as far as the rig has come. It stands at `origin_ns` until `begin`."""

    def __init__(self, origin_ns: int, rate: float) -> None:
        self.rate = rate
        self._origin_ns = origin_ns
        self._horizon_ns = origin_ns
        self._heard_ns: int | None = None
        self.overdue = False
        """Whether it runs by itself, because nothing was reached for too long."""

    def begin(self) -> tuple[int, int]:
        """Let it run from now on. Its origin and the monotonic clock there, ns, for the rig's clock to agree with."""
        self._heard_ns = time.monotonic_ns() + HEAD_START_NS
        return self._origin_ns, self._heard_ns

    def now_ns(self) -> int:
        """Stream time now; never goes back."""
        if self._heard_ns is None:
            return self._horizon_ns
        silent_ns = time.monotonic_ns() - self._heard_ns - int(GRACE_S * 1e9)
        if silent_ns > 0:
            # Lost for good, or nearly: from here it runs freely, and what it gains counts as heard.
            self._horizon_ns += int(silent_ns * self.rate)
            self._heard_ns += silent_ns
            self.overdue = True
        return self._horizon_ns

    def reach(self, t_ns: int) -> None:
        """The rig's readings up to `t_ns` are all there."""
        self._heard_ns = time.monotonic_ns()
        self._horizon_ns = max(self._horizon_ns, t_ns)
        self.overdue = False


class PacedIntake:
    """Holds readings back until everything before a mark has come, then delivers them in order of time."""

    def __init__(self, clock: PacedClock, topics: Sequence[str], deliver: Deliver) -> None:
        self._clock = clock
        self._deliver = deliver
        self._held: dict[str, deque[Frame]] = {topic: deque() for topic in topics}
        self._let_through = dict.fromkeys(topics, 0)
        self._marks: deque[tuple[int, list[int]]] = deque()

    def take(self, frame: Frame) -> None:
        """A message as it arrived; its time counts only once the rig's pace is lost."""
        if frame.topic == PACE_TOPIC:
            mark = json.loads(frame.payload)
            self._marks.append((int(mark["t"]), list(mark["n"])))
        elif frame.topic in self._held:
            self._held[frame.topic].append(frame)
        if self._clock.overdue:
            self._give_up(frame.t_ns)
        self._release()

    def _release(self) -> None:
        """Let through what the rig has sent by its next mark, spread evenly over the time since the mark before."""
        while self._marks:
            mark_ns, counts = self._marks[0]
            due = [count - passed for count, passed in zip(counts, self._let_through.values(), strict=True)]
            if any(len(held) < n for held, n in zip(self._held.values(), due, strict=True)):
                return
            self._marks.popleft()
            window = []
            for (topic, held), n in zip(self._held.items(), due, strict=True):
                for i in range(max(n, 0)):
                    t_ns = mark_ns - STEP_NS + STEP_NS * (2 * i + 1) // (2 * n)
                    window.append(held.popleft()._replace(t_ns=t_ns))
                self._let_through[topic] += max(n, 0)
            for frame in sorted(window, key=lambda frame: frame.t_ns):
                self._deliver(frame)
            self._clock.reach(mark_ns)

    def _give_up(self, t_ns: int) -> None:
        """A reading was lost on the way: let everything through as it is, and count again from the last mark."""
        for topic, held in self._held.items():
            while held:
                self._deliver(held.popleft()._replace(t_ns=t_ns))
            self._let_through[topic] = 0
        if self._marks:
            self._let_through = dict(zip(self._let_through, self._marks[-1][1], strict=True))
            self._marks.clear()


class Pacer:
    """The rig's side: counts what is sent, and says when a mark is due."""

    def __init__(self, topics: Sequence[str]) -> None:
        self._counts = dict.fromkeys(topics, 0)  # each topic once, in the rig's order, as `LiveDriver.topics` has them
        self._next_ns = 0

    def before(self, t_ns: int) -> bytes | None:
        """The mark to publish before a frame of time `t_ns`, or None."""
        if t_ns < self._next_ns:
            return None
        mark_ns = t_ns // STEP_NS * STEP_NS
        self._next_ns = mark_ns + STEP_NS
        return json.dumps({"t": mark_ns, "n": list(self._counts.values())}).encode()

    def sent(self, topic: str) -> None:
        """A frame was published."""
        if topic in self._counts:
            self._counts[topic] += 1
