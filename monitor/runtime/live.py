"""A live run: broker → runner → screen or stdout. Wires the parts of `stopmark watch` and `stopmark demo`."""

import asyncio
import gc
import logging
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.host.deadline import within
from monitor.adapters.ledger.writer import LedgerWriter
from monitor.adapters.mqtt.address import BrokerUrl
from monitor.adapters.sessions.recorder import Recorder
from monitor.adapters.sessions.segments import SegmentedRecorder
from monitor.adapters.sessions.tour import TourLog, findings_of_tour
from monitor.config.rig import Rig
from monitor.model.alarm import Finding
from monitor.model.snapshot import Snapshot
from monitor.model.stream import Clock, Frame, Request
from monitor.runtime.assembly import core_of
from monitor.runtime.driver import Mode
from monitor.runtime.facts import LedgerState, RunFacts, recording_file
from monitor.runtime.findings import Tally
from monitor.runtime.record import Record
from monitor.runtime.runner import OnFinding, Runner, Sink, run_until

if TYPE_CHECKING:
    from monitor.adapters.mqtt.source import MqttSource

LOG = logging.getLogger(__name__)

LAST_RUN_S = 20.0
"""Real time that the run before may take to be read; watching begins without it then. A minute of inputs takes a second."""
_LOOK_S = 5.0
"""Real time between two looks at the figures for the ledger."""
_CLOCK_STEP_NS = 1_000_000_000
_BEHIND_NS = 500_000_000
"""Stream time by which the core may be behind the clock when it is looked at: ten beats of the timer."""
_CANCEL_AGAIN_S = 3.0
"""Real time after which a part of the run that has not ended is cancelled again; longer than any takes to end in order."""

_YOUNG_OBJECTS = (700, 10, 1 << 30)
"""How often Python collects garbage by itself: that of young objects as usual, of all objects never (see `_collect_garbage`)."""
_COLLECT_S = 30.0
"""Real time between two collections among all objects,"""
_COLLECT_LATEST = 20
"""and so many of them may be put off."""


OnFrame = Callable[[Frame], None]


def settle_memory() -> None:
    """For a process that is about to run a `LiveDriver`: its garbage collector leaves alone what exists now, 15 ms each time,
    and looks among all later objects only when the driver asks for it."""
    gc.freeze()
    gc.set_threshold(*_YOUNG_OBJECTS)


class Intake(NamedTuple):
    """A stage between connection and runner. An accelerated demonstration holds readings back there."""

    topic: str
    """One more topic to subscribe to."""
    wrap: Callable[[Sequence[str], OnFrame], OnFrame]
    """Given the rig's topics and the runner's function that takes frames, returns the function that gets every message."""


class LiveDriver:
    """One live run, with or without a screen."""

    replay = None

    def __init__(
        self,
        rig: Rig,
        rules_text: str,
        rules_path: str,
        url: BrokerUrl,
        clock: Clock,
        mode: Mode = "LIVE",
        recorder: Recorder | SegmentedRecorder | None = None,
        sinks: Sequence[Sink] = (),
        ledger_writer: LedgerWriter | None = None,
        intake: Intake | None = None,
    ) -> None:
        self.rig = rig
        self.mode: Mode = mode
        self.clock = clock
        self.core = core_of(rig, rules_text, rules_path)
        self._last_run = ""
        self._tour = TourLog()
        sinks_too = OnFinding(*sinks, self._on_finding)
        self.runner = Runner(self.core, recorder, (sinks_too,) if ledger_writer is None else (ledger_writer, sinks_too))
        self.runner.connected = False
        self.recorder = recorder
        self.ledger_writer = ledger_writer
        self._url = url
        self.topics = list(rig.topics)
        message = self.runner.message
        self._more_topics = [] if intake is None else [intake.topic]
        self._on_frame = message if intake is None else intake.wrap(self.topics, message)
        self._first_connection: Callable[[], None] | None = None
        self.source: MqttSource | None = None
        """The connection, while it runs."""
        self._stopping = asyncio.Event()
        self._when_running: Callable[[], None] | None = None
        if ledger_writer is not None:
            ledger_writer.start(self.snapshot)

    def when_connected(self, call: Callable[[], None]) -> None:
        """Have `call` called once, at the first connection."""
        self._first_connection = call

    def when_running(self, call: Callable[[], None]) -> None:
        """Have `call` called in the event loop when `run` begins."""
        self._when_running = call

    def stop(self) -> None:
        """End `run`, in order. From the event loop's thread."""
        self._stopping.set()

    def snapshot(self) -> Snapshot | None:
        """The present state; None before the first input. Asked for before the timer came round, after a stop of the process,
        time is let pass first: what was known before it is old."""
        if not self.core.now_ns:
            return None
        now_ns = self.clock.now_ns()
        if now_ns - self.core.now_ns > _BEHIND_NS:
            self.runner.advance(now_ns)
        return self.core.snapshot()

    def act(self, request: Request) -> None:
        """Pass on what the crew asks for, with the present time."""
        self.runner.action(request.at(self.clock.now_ns()))

    def _on_finding(self, finding: Finding) -> None:
        """Keep what the screen tells of the run: the tour, and what was taken over from the run before (the crew must know that
        the height was not measured)."""
        self._tour.take(finding)
        if finding.kind == "health" and finding.key == "carried":
            self._last_run = finding.message

    def facts(self) -> RunFacts:
        """Broker, recording and ledger of this run."""
        ledger_writer, recorder = self.ledger_writer, self.recorder
        return RunFacts(
            broker=str(self._url),
            topics=len(self.topics),
            last_run=self._last_run,
            line_events=ledger_writer.line_events if ledger_writer is not None else (),
            ledger=None if ledger_writer is None else LedgerState(
                ledger_writer.path.name, ledger_writer.problem, ledger_writer.written, ledger_writer.waiting
            ),
            recording=recording_file(recorder.path) if recorder is not None else None,
            brake_trends=ledger_writer.brake_trends if ledger_writer is not None else (),
            tour=self._tour.tour(self.core.now_ns),
            record=None if recorder is None else self._record(recorder.path),
        )  # fmt: skip

    def _record(self, path: Path) -> Record:
        """Of a real rig all its sessions in the folder; a simulation's time may run ahead, and meet that of another."""
        return Record(str(path.parent), self.rig.name) if self.mode == "LIVE" else Record(files=(str(path),))

    async def run(self) -> None:
        """Take messages, and let time pass every 50 ms, until cancelled or stopped."""
        if self._when_running is not None:
            self._when_running()
        if self.recorder is not None and self.mode == "LIVE":
            from monitor.runtime.restart import state_of_last_run

            # In a thread: the screen is up meanwhile, and says that it waits.
            path, rig = self.recorder.path, self.rig.name
            last = self.recorder.session_before if isinstance(self.recorder, SegmentedRecorder) else None
            now_ns = self.clock.now_ns()
            left = await within(
                LAST_RUN_S,
                lambda: (
                    state_of_last_run(path.parent, rig, last, path),
                    findings_of_tour(path.parent, rig, now_ns, path),
                ),
                self._stopping,
            )
            if left is None and self._stopping.is_set():
                return
            if left is None:
                words = f"the disk does not answer for {LAST_RUN_S:.0f} s: what the run before left is not taken over"
                LOG.error("%s", words)
                self.runner.note = words
            state, before = left if left is not None else ({}, ())
            self._tour.put_before(before)
            self.runner.start_from_state(self.clock.now_ns(), state)
        self.runner.health(self.clock.now_ns())
        from monitor.adapters.mqtt.source import MqttSource  # with its library, which the first paint does without

        topics = [*self.rig.subscriptions, *self._more_topics]
        self.source = MqttSource(
            self._url, topics, self.clock, self._on_frame, self._connection, on_dropped=self._drops
        )
        async with asyncio.TaskGroup() as tasks:
            running = [
                tasks.create_task(self.source.run()),
                tasks.create_task(self.runner.tick(self.clock)),
                tasks.create_task(self._collect_garbage(self.source)),
            ]
            if isinstance(self.clock, StreamClock):
                running.append(tasks.create_task(self._watch_wall_clock(self.clock)))
            if self.recorder is not None:
                running.append(tasks.create_task(self._watch_disk(self.recorder)))
            if self.ledger_writer is not None:
                running.append(tasks.create_task(self._keep_ledger(self.ledger_writer)))
            await self._stopping.wait()
            # More than once: a library that waits may swallow it, and a run that does not end is killed with its last second.
            while any(not task.done() for task in running):
                for task in running:
                    task.cancel()
                await asyncio.wait(running, timeout=_CANCEL_AGAIN_S)

    async def _collect_garbage(self, source: "MqttSource") -> None:
        """Collect garbage among all objects while no message waits: in a flood that takes the rules up to a tenth of a second."""
        put_off = 0
        while True:
            await asyncio.sleep(_COLLECT_S)
            put_off += 1
            if not source.waiting or put_off > _COLLECT_LATEST:
                put_off = 0
                gc.collect()

    async def _watch_wall_clock(self, clock: StreamClock) -> None:
        """Report and record each step of the computer's clock. Stream time never steps."""
        known_ns = 0
        while True:
            await asyncio.sleep(1.0)
            step_ns = clock.wall_step_ns() - known_ns
            if abs(step_ns) > _CLOCK_STEP_NS:
                known_ns += step_ns
                words = f"the computer's clock was moved by {step_ns * 1e-9:+.1f} s; stream time goes on as it was"
                LOG.warning("%s", words, extra={"step_s": step_ns * 1e-9})
                self.runner.note = words
                self.runner.health(clock.now_ns())
                if self.recorder is not None:
                    self.recorder.note(clock.now_ns(), "clock", words, step_ns * 1e-9)

    async def _keep_ledger(self, ledger_writer: LedgerWriter) -> None:
        """Look at the figures for the ledger every few seconds. Report, on the screen too, when it cannot be written."""
        problem = ""
        while True:
            await asyncio.sleep(_LOOK_S)
            ledger_writer.look()
            if ledger_writer.problem != problem:
                problem = ledger_writer.problem
                self.runner.note = problem or "the ledger is written again"
                self.runner.health(self.clock.now_ns())

    async def _watch_disk(self, recorder: Recorder | SegmentedRecorder) -> None:
        """Report and record when the disk becomes slow, and when it is quick enough again."""
        slow = False
        while True:
            await asyncio.sleep(1.0)
            if recorder.slow != slow:
                slow = recorder.slow
                self.runner.note = words = (
                    "the disk is slow: after a power cut more than a second may be missing" if slow
                    else "the disk is quick enough again"
                )  # fmt: skip
                self.runner.health(self.clock.now_ns())
                recorder.note(self.clock.now_ns(), "disk", words)

    def _drops(self, total: int) -> None:
        self.runner.dropped = total

    def _connection(self, connected: bool, words: str) -> None:
        self.runner.connected = connected
        self.runner.link = self.runner.note = words
        self.runner.health(self.clock.now_ns())
        if connected and self._first_connection is not None:
            call, self._first_connection = self._first_connection, None
            call()


def summary_of(driver: LiveDriver, tally: Tally) -> dict[str, Any]:
    """The summary that a headless run prints last."""
    core = driver.core
    return {
        "summary": driver.mode.lower(),
        "rig": driver.rig.name,
        "frames": driver.runner.frames,
        "dropped": driver.runner.dropped,
        "findings": driver.runner.findings,
        "raised": tally.raised,
        "rejects": dict(core.snapshot().rejects),
        "session": str(driver.recorder.path) if driver.recorder else None,
    }


async def run_for(driver: LiveDriver, seconds: float | None, finished: Callable[[], bool] | None = None) -> None:
    """Run headless for so many stream seconds (None: no end), or until `finished` says so, or until cancelled."""
    end_ns = math.inf if seconds is None else driver.clock.now_ns() + seconds * 1e9
    await run_until(driver.run(), lambda: driver.clock.now_ns() >= end_ns or (finished is not None and finished()))
