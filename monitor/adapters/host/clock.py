"""Stream time: nanoseconds of the Unix epoch, counted by the machine's monotonic clock so that they never step.

The wall clock is read once, to anchor the count. Later changes of it (by a time server, by hand, by summer time) do not move
stream time; `StreamClock.wall_step_ns` says how far it moved, so that the step can be reported and recorded.
"""

import time


class StreamClock:
    """Counts ``origin_ns + rate * (monotonic - monotonic_origin_ns)``.

    `rate` is the stream's seconds per real second: 1 for a live rig, 20 for a simulation run twenty times as fast.
    """

    __slots__ = ("_monotonic_ns", "_origin_ns", "_wall_ns", "rate")

    def __init__(self, origin_ns: int, rate: float = 1.0, monotonic_origin_ns: int | None = None) -> None:
        """A clock that reads `origin_ns` when the monotonic clock reads `monotonic_origin_ns` (now, when None).

        Raises:
            ValueError: `rate` is not above zero, or not finite.
        """
        if not 0.0 < rate < float("inf"):
            raise ValueError(f"the rate of a clock must be a number above 0, not {rate}")
        now_ns = time.monotonic_ns()
        self._origin_ns = origin_ns
        self._monotonic_ns = now_ns if monotonic_origin_ns is None else monotonic_origin_ns
        self._wall_ns = time.time_ns() - (now_ns - self._monotonic_ns)
        self.rate = rate

    @classmethod
    def live(cls) -> "StreamClock":
        """A clock at real speed, set by the wall clock now."""
        monotonic_ns = time.monotonic_ns()
        return cls(time.time_ns(), 1.0, monotonic_ns)

    @property
    def origin_ns(self) -> int:
        """Stream time at the clock's start, ns of the Unix epoch."""
        return self._origin_ns

    def begin(self) -> tuple[int, int]:
        """Stream time now and the monotonic clock at that moment, ns, to set another clock by."""
        monotonic_ns = time.monotonic_ns()
        return self._origin_ns + int((monotonic_ns - self._monotonic_ns) * self.rate), monotonic_ns

    def now_ns(self) -> int:
        """Stream time now, ns of the Unix epoch, to the microsecond below. Never goes back.

        No reading is good to less than a microsecond, and what is not noise packs better.
        """
        elapsed_ns = time.monotonic_ns() - self._monotonic_ns
        if self.rate != 1.0:
            elapsed_ns = int(elapsed_ns * self.rate)
        return (self._origin_ns + elapsed_ns) // 1000 * 1000

    def wall_step_ns(self) -> int:
        """How far the wall clock has moved against this clock since it was set, ns. Positive: it was put ahead.

        A few milliseconds per hour are an ordinary correction; more is a step worth reporting.
        """
        return (time.time_ns() - self._wall_ns) - (time.monotonic_ns() - self._monotonic_ns)
