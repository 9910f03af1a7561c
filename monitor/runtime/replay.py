"""A replay: the same inputs through the same core, at any speed, with pause and seeking.

A replay from the start is exact. Seeking builds a fresh core and has `session_feed.begin` bring it to the wanted moment. The
findings of the recording are read from the session, one by one.
"""

import asyncio
import math
import time
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final, Literal

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.ledger.week_before import brake_week_before
from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.remarks import Remark, add_remark, remarks_of
from monitor.adapters.sessions.soundness import faults_of
from monitor.adapters.sessions.tour import Tour, TourLog, belongs
from monitor.config.rig import Rig
from monitor.core.engine import Core
from monitor.model.alarm import Finding
from monitor.model.reading import Sample
from monitor.model.snapshot import HoistState, Snapshot
from monitor.model.stream import Action, Frame, Request
from monitor.runtime.assembly import core_of
from monitor.runtime.facts import Mark, Replayed, RunFacts
from monitor.runtime.record import Record
from monitor.runtime.runner import TICK_S, OnFinding, Runner, Sink, run_until
from monitor.runtime.session_feed import SETTLE_S, begin

_BURST: Final = 2000
"""Inputs in one turn when playing as fast as possible; the rest of the loop has its turn after it."""
_STILL_NS: Final = 3_000_000_000
"""A passage without motion is played for so long before the rest of it is skipped."""
_SKIP_NS: Final = 250_000_000
"""Stream time of one step while skipping; after each, it is checked whether the block moves again."""


class ReplayDriver:
    """Plays one session for a screen, or headless."""

    mode: Final = "REPLAY"

    def __init__(
        self,
        session: SessionReader | SessionChain,
        speed: float,
        sinks: Sequence[Sink] = (),
        *,
        rules_text: str | None = None,
        rules_path: str = "",
        from_ns: int | None = None,
        to_ns: int | None = None,
        loop: bool = False,
        paused: bool = False,
    ) -> None:
        """`rules_text` takes other rules than those recorded (`rules_path` says where they are from). The replay goes
        from `from_ns` to `to_ns`, and begins again at its end with `loop`."""
        self.rig: Rig = session.rig
        self.speed = speed
        self.paused = paused
        self.loop = loop
        self.skips_still = False
        self._moved_ns = 0
        self._finding_ns = 0
        self.start_ns = session.t_first_ns
        self.end_ns = session.end_ns if to_ns is None else min(to_ns, session.end_ns)
        self.from_ns = self.start_ns if from_ns is None else max(from_ns, self.start_ns)
        self._session = session
        self._rules = session.rules_text if rules_text is None else rules_text
        self._rules_path = rules_path or f"{session.path}: rules"
        self._sinks = sinks
        self._recorded = [finding for finding in session.findings() if belongs(finding)]
        """What was raised and done when it was recorded."""
        self._raised_ns = [finding.t_ns for finding in self._recorded if finding.raised]
        """When alarms were raised, ns: the places to jump to."""
        self._tour: tuple[int, Tour] | None = None
        files = session.sessions if isinstance(session, SessionChain) else [session]
        self._replayed = Replayed(
            file=files[0].path.name,
            more_files=len(files) - 1,
            recorded=session.mode.lower(),
            alarms=len(self._raised_ns),
            other_rules="" if self._rules == session.rules_text else self._rules_path,
            faults=sum(1 for file in files for _ in faults_of(file)),
            marks=tuple(
                Mark(f.t_ns, f.key, f.severity, f.message, f.raised)
                for f in self._recorded
                if f.raised or f.kind == "check"
            ),
            remarks=tuple(remark for file in files for remark in remarks_of(file.path)),
            week_before=brake_week_before(files[0].path.parent, self.rig.name, self.start_ns),
        )
        self._record = Record(files=tuple(str(file.path) for file in files))
        self._files = files
        self._pending: Frame | Sample | Action | None = None
        self._clock = StreamClock(self.start_ns)
        self._seeking = False
        self._before = 0
        self._start(None)
        if self.from_ns > self.start_ns:
            self._skip_to(self.from_ns)

    @property
    def replay(self) -> "ReplayDriver":
        """The handle for the screen: this object itself."""
        return self

    @property
    def core(self) -> Core:
        """The core that is being fed."""
        return self._runner.core

    @property
    def position_ns(self) -> int:
        """Where the replay is."""
        return self.core.now_ns or self.start_ns

    @property
    def frames(self) -> int:
        """Messages played since the beginning, or since the last jump."""
        return self._runner.frames - self._before

    def facts(self) -> RunFacts:
        """What is replayed, and with which rules."""
        return RunFacts(replayed=self._replayed, tour=self._tour_here(), record=self._record)

    def _tour_here(self) -> Tour:
        """The tour as it was at this moment of the recording."""
        here = self.position_ns
        count = bisect_right(self._recorded, here, key=lambda finding: finding.t_ns)
        if self._tour is None or self._tour[0] != count:
            self._tour = count, TourLog(self._recorded[:count]).tour(here)
        return self._tour[1]

    @property
    def finished(self) -> bool:
        """Whether the end is reached."""
        done = self._pending is None or self._pending.t_ns > self.end_ns
        return done and self.position_ns >= self.end_ns

    def snapshot(self) -> Snapshot | None:
        """The present state; None before the first input."""
        return self.core.snapshot() if self.core.now_ns else None

    def act(self, request: Request) -> None:
        """Do nothing: a replay shows what the crew did then."""

    def pause(self, paused: bool) -> None:
        """Hold the replay, or let it go on."""
        self.paused = paused
        self._restart_clock()

    def skip_still(self, skip: bool) -> None:
        """Play passages without motion and without findings at full speed, or no longer."""
        self.skips_still = skip
        self._restart_clock()

    def set_speed(self, speed: float) -> None:
        """Stream seconds per second, above 0; infinity for as fast as possible."""
        self.speed = speed
        self._restart_clock()

    def seek_to(self, t_ns: int) -> None:
        """Go to a stream time, clamped to the session."""
        t_ns = min(max(t_ns, self.start_ns), self.end_ns)
        self._skip_to(t_ns)
        self._restart_clock()

    def seek_finding(self, step: Literal[-1, 1]) -> bool:
        """Go to just after the next or previous alarm that was raised; False when there is none."""
        here = self.position_ns
        place = (
            bisect_right(self._raised_ns, here) if step > 0 else bisect_left(self._raised_ns, here - 1_000_000_000) - 1
        )
        if not 0 <= place < len(self._raised_ns):
            return False
        self.seek_to(self._raised_ns[place] + 50_000_000)
        return True

    def remark(self, text: str, who: str) -> str:
        """Keep a note of `who` about this moment beside the session; why that failed, empty where it did not."""
        here = self.position_ns
        file = next((one for one in reversed(self._files) if one.t_first_ns <= here), self._files[0])
        remark = Remark(here, time.time_ns(), who, text)
        try:
            add_remark(file.path, remark)
        except SessionError as error:
            return str(error)
        kept = sorted((*self._replayed.remarks, remark), key=lambda one: one.t_ns)
        self._replayed = replace(self._replayed, remarks=tuple(kept))
        return ""

    async def run(self) -> None:
        """Play until the end, then stand there until cancelled."""
        self._restart_clock()
        while True:
            if self.finished and self.loop and not self.paused:
                self.seek_to(self.from_ns)
            if self.paused or self.finished:
                await asyncio.sleep(TICK_S)
                continue
            if math.isinf(self.speed) or self._still():
                self._feed(self.end_ns if math.isinf(self.speed) else self.position_ns + _SKIP_NS, _BURST)
                self._restart_clock()
                await asyncio.sleep(0)
            else:
                self._feed(min(self._clock.now_ns(), self.end_ns), None)
                await asyncio.sleep(TICK_S)

    def play_out(self) -> None:
        """Feed everything at once: the headless replay at full speed."""
        self._feed(self.end_ns, None)

    # --- inside -----------------------------------------------------------------------------------------------------

    def _skip_to(self, t_ns: int) -> None:
        """Go to `t_ns` without findings to the sinks on the way.

        A short way forward is played; otherwise a fresh core is fed from shortly before.
        """
        self._seeking = True
        if not 0 < self.core.now_ns <= t_ns < self.core.now_ns + SETTLE_S * 1e9:
            self._start(t_ns)
        self._feed(t_ns, len_limit=None)
        self._before = self._runner.frames
        self._moved_ns = self.position_ns
        self._seeking = False

    def _still(self) -> bool:
        """Whether to skip: nothing has moved, and no finding came, for a while."""
        here = self.position_ns
        if not self.skips_still or self.core.hoist in (HoistState.HOISTING, HoistState.LOWERING):
            self._moved_ns = here
        return here - max(self._moved_ns, self._finding_ns) > _STILL_NS

    def _on_finding(self, finding: Finding) -> None:
        self._finding_ns = finding.t_ns
        if not self._seeking:
            for sink in self._sinks:
                sink(finding)

    def _start(self, from_ns: int | None) -> None:
        core = core_of(self.rig, self._rules, self._rules_path, self._session.header)
        self._inputs: Iterator[Frame | Sample | Action] = begin(core, self._session, from_ns)
        self._runner = Runner(core, None, (OnFinding(self._on_finding),))
        self._pending = next(self._inputs, None)

    def _restart_clock(self) -> None:
        speed = self.speed if math.isfinite(self.speed) else 1.0
        self._clock = StreamClock(self.position_ns, speed)

    def _feed(self, upto_ns: int, len_limit: int | None) -> None:
        """Feed inputs up to a stream time; stop early after `len_limit` of them."""
        item, runner, count = self._pending, self._runner, 0
        take, inputs = runner.reading, self._inputs
        try:
            while item is not None and item.t_ns <= upto_ns:
                if type(item) is Sample:
                    take(item)
                elif isinstance(item, Frame):
                    runner.frame(item)
                elif isinstance(item, Action):
                    runner.action(item)
                item = next(inputs, None)
                count += 1
                if len_limit is not None and count >= len_limit:
                    return
        finally:
            self._pending = item
        runner.advance(min(upto_ns, self.end_ns))


async def play(driver: ReplayDriver) -> None:
    """Play a session headless at its speed, to its end."""
    await run_until(driver.run(), lambda: driver.finished)
