"""Drivers without a monitor: one holds a snapshot, one replays, and both remember what the crew did."""

import asyncio
from dataclasses import dataclass, field
from typing import Literal

from monitor.config.rig import Rig
from monitor.model.snapshot import Snapshot
from monitor.model.stream import Action, Request
from monitor.runtime.driver import Mode
from monitor.runtime.facts import RunFacts
from tests.ui import sample


@dataclass
class FakeReplay:
    """A replay handle that does as told."""

    start_ns: int = sample.T0_NS - 600 * sample.SECOND
    end_ns: int = sample.T0_NS + 600 * sample.SECOND
    position_ns: int = sample.T0_NS
    speed: float = 1.0
    paused: bool = False
    found: bool = True
    skips_still: bool = False
    remarks: list[tuple[int, str, str]] = field(default_factory=list)

    def skip_still(self, skip: bool) -> None:
        self.skips_still = skip

    def remark(self, text: str, who: str) -> str:
        self.remarks.append((self.position_ns, text, who))
        return ""

    def pause(self, paused: bool) -> None:
        self.paused = paused

    def set_speed(self, speed: float) -> None:
        self.speed = speed

    def seek_to(self, t_ns: int) -> None:
        self.position_ns = min(self.end_ns, max(self.start_ns, t_ns))

    def seek_finding(self, step: Literal[-1, 1]) -> bool:
        if self.found:
            self.position_ns += step * 30 * sample.SECOND
        return self.found


@dataclass
class FakeDriver:
    """Gives the snapshot it holds; `acts` is what came in."""

    held: Snapshot | None
    mode: Mode = "LIVE"
    replay: FakeReplay | None = None
    rig: Rig = field(default_factory=sample.rig)
    acts: list[Action] = field(default_factory=list)
    fails: Exception | None = None
    run_facts: RunFacts = field(default_factory=RunFacts)

    def snapshot(self) -> Snapshot | None:
        return self.held

    def facts(self) -> RunFacts:
        return self.run_facts

    def act(self, request: Request) -> None:
        self.acts.append(request.at(0))

    async def run(self) -> None:
        if self.fails is not None:
            raise self.fails
        await asyncio.Event().wait()
