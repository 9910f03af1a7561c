"""A stream clock that waits for the simulated rig.

At twenty times real speed, fifty milliseconds of a busy machine are a whole second of the stream: the monitor would rightly
report silence that no rig ever had. In an accelerated demonstration the rig therefore publishes how far it has come on
`PACE_TOPIC`, and the monitor's clock runs no further ahead than that. If the rig falls silent for good, the clock goes on by
itself after `PATIENCE_S` of real time, so that silence is still found.
"""

import time
from typing import Final

PACE_TOPIC: Final = "stopmark-simulation/clock"
STEP_NS: Final = 50_000_000
"""How often the rig tells, and how far the clock may run ahead of what it told, ns of stream time."""
PATIENCE_S: Final = 1.5
HEAD_START_NS: Final = 200_000_000
"""Real time from the word to the first reading, so that nothing has to be caught up."""


class PacedClock:
    """Stream time at `rate`, held back to what `hear` was told. It stands at `origin_ns` until `begin`."""

    def __init__(self, origin_ns: int, rate: float) -> None:
        self.rate = rate
        self._origin_ns = origin_ns
        self._monotonic_ns: int | None = None
        self._horizon_ns = origin_ns + STEP_NS
        self._heard_ns = 0
        self._last_ns = origin_ns

    def begin(self) -> tuple[int, int]:
        """Let it run from now on. Its origin and the monotonic clock there, ns, for a `StreamClock` to agree with."""
        self._monotonic_ns = self._heard_ns = time.monotonic_ns() + HEAD_START_NS
        return self._origin_ns, self._monotonic_ns

    def now_ns(self) -> int:
        """Stream time now; never goes back."""
        if self._monotonic_ns is None:
            return self._origin_ns
        real_ns = time.monotonic_ns()
        free_ns = self._origin_ns + int((real_ns - self._monotonic_ns) * self.rate)
        silent_ns = real_ns - self._heard_ns - int(PATIENCE_S * 1e9)
        horizon_ns = self._horizon_ns + (int(silent_ns * self.rate) if silent_ns > 0 else 0)
        self._last_ns = max(self._last_ns, min(free_ns, horizon_ns))
        return self._last_ns

    def hear(self, payload: bytes) -> None:
        """The rig has published everything before the stream time in `payload` (ns, ASCII)."""
        self._heard_ns = time.monotonic_ns()
        self._horizon_ns = max(self._horizon_ns, int(payload) + STEP_NS)
