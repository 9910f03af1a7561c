"""One loop for live, replay and simulation: source → admit → listeners → core → findings out.

`Runner` fixes the order: an input gets its final time, goes to the listeners (the recorder first), then to the core; what the
core finds goes to the listeners. In recorded health frames it also gives the core what only the outside knows: whether the
broker is there, what was dropped, how far the loop lags, how the recorder fares.
"""

import asyncio
import contextlib
import json
import time
from collections.abc import Callable, Coroutine, Iterable, Mapping, Sequence
from typing import Any, Final, Protocol

from monitor.core.engine import Core
from monitor.core.sensors.decoder import MAX_PAYLOAD
from monitor.model.alarm import Finding
from monitor.model.reading import Sample
from monitor.model.stream import CARRIED_TOPIC, GRID_NS, HEALTH_TOPIC, RESERVED, Action, Clock, Frame

TICK_S: Final = 0.05
_LAG_WORTH_TELLING_S: Final = 0.1
_STALL_S: Final = 1.0
"""A delay of the loop that is told for `_STALL_TOLD_NS`: the rule asks for one that lasts; it would not hear of one long stop."""
_STALL_TOLD_NS: Final = 1_500_000_000
_PAST_S: Final = 0.0002
"""A timer that fires a moment early must not miss the grid point."""
_GRACE_NS: Final = 600_000_000_000
SLOW_CHECKPOINT_NS: Final = 300_000_000_000
"""Stream time between two checkpoints while data are slow: half a dozen readings are played again in less than one takes."""

Sink = Callable[[Finding], None]


class Listener(Protocol):
    """Gets everything of a run: each input, with its final time, before the core takes it, and each finding."""

    def frame(self, frame: Frame) -> None:
        """Take one frame."""

    def action(self, action: Action) -> None:
        """Take one action of the crew."""

    def finding(self, finding: Finding) -> None:
        """Take one finding, after the input that led to it."""


class OnFinding:
    """A listener that hands findings to functions, and ignores the rest."""

    def __init__(self, *sinks: Sink) -> None:
        self._sinks = sinks

    def frame(self, frame: Frame) -> None:
        """Ignore it."""

    def action(self, action: Action) -> None:
        """Ignore it."""

    def finding(self, finding: Finding) -> None:
        """Hand it to every sink, in order."""
        for sink in self._sinks:
            sink(finding)


class Recording(Listener, Protocol):
    """What the runner needs of a recorder. It gets everything first."""

    def advanced(self, t_ns: int) -> None:
        """Record that stream time has reached `t_ns`."""

    def checkpoint(self, t_ns: int, state: Mapping[str, Any]) -> None:
        """Record the core's state at `t_ns` (`Core.state`)."""

    @property
    def checkpoint_due_ns(self) -> int:
        """Stream time from which on the next `checkpoint` is wanted."""

    @property
    def state(self) -> str:
        """Whether recordings reach the disk: "on", or "failed" while they do not."""

    @property
    def problem(self) -> str:
        """Why they do not, in words; empty while they do."""


class Runner:
    """Feeds one core. All methods are called from one thread."""

    def __init__(
        self,
        core: Core,
        recorder: Recording | None = None,
        listeners: Sequence[Listener] = (),
        slow_checkpoint_ns: int = SLOW_CHECKPOINT_NS,
    ) -> None:
        """`slow_checkpoint_ns`: least stream time between two checkpoints while data are slow."""
        self.core = core
        self._recorder = recorder
        all_listeners = listeners if recorder is None else (recorder, *listeners)
        self._on_frame = tuple(listener.frame for listener in all_listeners)
        self._on_action = tuple(listener.action for listener in all_listeners)
        self._on_finding = tuple(listener.finding for listener in all_listeners)
        self.findings = 0
        self.frames = 0
        self.connected: bool | None = None
        self.link = ""
        """Words for the connection. Without a connection they are shown in place of any other note."""
        self.note = ""
        """The latest words about the monitor itself."""
        self.dropped = 0
        self._slow_checkpoint_ns = slow_checkpoint_ns
        self._kept_ns = 0
        """When the last checkpoint was kept."""
        self._lag_s = 0.0
        self._worst_lag_s = 0.0
        self._stall_s = 0.0
        self._stall_until_ns = 0
        self._last_health: tuple[object, ...] | None = None

    # --- inputs -----------------------------------------------------------------------------------------------------

    def message(self, frame: Frame) -> None:
        """Take one message from outside, as it arrived. Reserved topics are the monitor's own; from outside they are ignored.

        Of a payload too large to be a reading, only one byte more than the largest reading is kept.
        """
        t_ns, topic, payload, retained = frame
        if topic.startswith(RESERVED):
            return
        if t_ns < self.core.now_ns or len(payload) > MAX_PAYLOAD:
            # What waited while the timer ran on is given the time that `admit` would give it: a copy costs more than all else.
            frame = Frame(max(t_ns, self.core.now_ns), topic, payload[: MAX_PAYLOAD + 1], retained)
        self.frame(frame)

    def frame(self, frame: Frame) -> None:
        """Take one frame: admit it, hand it to the listeners, then to the core."""
        core, recorder = self.core, self._recorder
        frame = core.admit(frame)
        for listener in self._on_frame:
            listener(frame)
        self.frames += 1
        findings = core.ingest(frame)
        if findings:
            self._emit(findings)
        if recorder is not None and frame.t_ns >= recorder.checkpoint_due_ns:
            enough = recorder.checkpoint_due_ns > 0 and core.thinned
            if not enough or frame.t_ns >= self._kept_ns + self._slow_checkpoint_ns:
                self.checkpoint()

    def reading(self, sample: Sample) -> None:
        """Take what a frame of a recording says, decoded already: as `frame`, but there is no frame to hand to anybody."""
        core = self.core
        self.frames += 1
        findings = core.take(sample if sample.t_ns >= core.now_ns else core.admit(sample))
        if findings:
            self._emit(findings)

    def action(self, action: Action) -> None:
        """Take one action of the crew: admit it, hand it to the listeners, then to the core."""
        action = self.core.admit(action)
        for listener in self._on_action:
            listener(action)
        self._emit(self.core.act(action))

    def advance(self, t_ns: int) -> None:
        """Let stream time pass."""
        findings = self.core.advance(t_ns)
        if self._recorder is not None:
            self._recorder.advanced(self.core.now_ns)
        self._emit(findings)

    def start_from_state(self, t_ns: int, state: Mapping[str, Any]) -> None:
        """Begin a run at `t_ns` with the state of the run before (`Core.state`; empty: none)."""
        self.frame(Frame(t_ns, CARRIED_TOPIC, json.dumps(state, allow_nan=False).encode()))

    def checkpoint(self) -> None:
        """Have the recorder keep the core's state, unless it is incomplete just now; then later, but not without end."""
        recorder = self._recorder
        if recorder is not None and (
            self.core.can_checkpoint or self.core.now_ns - recorder.checkpoint_due_ns > _GRACE_NS
        ):
            self._kept_ns = self.core.now_ns
            recorder.checkpoint(self._kept_ns, self.core.state())

    def replay(self, inputs: Iterable[Frame | Sample | Action], end_ns: int) -> None:
        """Feed a recorded stream as fast as it goes."""
        for item in inputs:
            if isinstance(item, Sample):
                self.reading(item)
            elif isinstance(item, Frame):
                self.frame(item)
            else:
                self.action(item)
        self.advance(end_ns)

    # --- what only the outside knows --------------------------------------------------------------------------------

    def health(self, t_ns: int) -> None:
        """Give the core a health frame when anything about the monitor itself has changed. The first call starts the stream."""
        recording = "off" if self._recorder is None else self._recorder.state
        problem = self._recorder.problem if self._recorder is not None else ""
        if self._lag_s >= _STALL_S:
            self._stall_s, self._stall_until_ns = self._lag_s, t_ns + _STALL_TOLD_NS
        lag = max(self._lag_s, self._stall_s if t_ns < self._stall_until_ns else 0.0)
        lag = lag if lag >= _LAG_WORTH_TELLING_S else 0.0
        note = problem or (self.link if self.connected is False and self.link else self.note)
        health = (recording, self.connected, self.dropped, lag, note)
        self._lag_s = 0.0
        if health == self._last_health:
            return
        self._last_health = health
        payload = json.dumps(dict(zip(("recording", "connected", "dropped", "lag_s", "note"), health, strict=True)))
        self.frame(Frame(t_ns, HEALTH_TOPIC, payload.encode()))

    def take_worst_lag_s(self) -> float:
        """Longest delay of the loop since the last call."""
        worst, self._worst_lag_s = self._worst_lag_s, 0.0
        return worst

    async def tick(self, clock: Clock) -> None:
        """Call `advance` every 50 ms of real time, just past a grid point of the stream, and `health` every quarter second.

        Runs until cancelled. At real speed findings are then out at once, also while no reading comes in.
        """
        self.health(clock.now_ns())
        due = _past_grid_s(clock)
        count = 0
        while True:
            await asyncio.sleep(max(0.0, due - time.monotonic()))
            late = time.monotonic() - due
            self._lag_s = max(self._lag_s, late)
            self._worst_lag_s = max(self._worst_lag_s, late)
            due = due + TICK_S if late <= 1.0 else _past_grid_s(clock)
            self.advance(clock.now_ns())
            count += 1
            if count % 5 == 0:
                self.health(clock.now_ns())

    def _emit(self, findings: list[Finding]) -> None:
        for finding in findings:
            self.findings += 1
            for listener in self._on_finding:
                listener(finding)


def _past_grid_s(clock: Clock) -> float:
    """When (monotonic clock, s) the stream will be just past its next grid point."""
    return time.monotonic() + (GRID_NS - clock.now_ns() % GRID_NS) * 1e-9 / clock.rate + _PAST_S


async def run_until(run: Coroutine[Any, Any, None], finished: Callable[[], bool]) -> None:
    """Run a driver headless until it ends, or `finished` (asked every 50 ms) says so. Raises what the driver raises."""
    task = asyncio.create_task(run)
    try:
        while not task.done() and not finished():
            await asyncio.wait([task], timeout=TICK_S)
        if task.done():
            task.result()
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
