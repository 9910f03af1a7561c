"""The live timer: it wakes just past the grid points of the stream, whenever the stream began."""

import asyncio
import time
from collections.abc import Mapping
from typing import Any

from monitor.adapters.clock import StreamClock
from monitor.config import find_rig
from monitor.core.types import GRID_NS, Action, Finding, Frame
from monitor.runner import Runner
from simulators.feed import shipped_core
from tests.broker import until


class Times:
    """A recorder that keeps only how far the stream was advanced."""

    state, problem = "on", ""
    checkpoint_due_ns = 1 << 62

    def __init__(self) -> None:
        self.advances: list[int] = []

    def frame(self, frame: Frame) -> None:
        """Nothing."""

    def action(self, action: Action) -> None:
        """Nothing."""

    def finding(self, finding: Finding) -> None:
        """Nothing."""

    def checkpoint(self, t_ns: int, state: Mapping[str, Any]) -> None:
        """Nothing."""

    def advanced(self, t_ns: int) -> None:
        """Keep it."""
        self.advances.append(t_ns)


async def test_the_timer_wakes_just_past_the_grid_points() -> None:
    # The stream starts 10 ms after a grid point: a timer of its own phase would always be about 10 ms late.
    recorder = Times()
    clock = StreamClock(1_700_000_000_000_000_000 + 10_000_000, 1.0, time.monotonic_ns())
    runner = Runner(shipped_core(find_rig("land")), recorder)
    task = asyncio.create_task(runner.tick(clock))
    await until(lambda: len(recorder.advances) >= 8, "eight ticks")
    task.cancel()
    await asyncio.wait([task])
    late_ns = [t_ns % GRID_NS for t_ns in recorder.advances]
    assert min(late_ns) < 6_000_000, late_ns
    assert all(later - earlier > 0 for earlier, later in zip(recorder.advances, recorder.advances[1:], strict=False))
