"""The live timer: it wakes just past the grid points of the stream, whenever the stream began."""

import asyncio
import contextlib
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import pytest

from monitor.config.rig_file import find_rig
from monitor.model.alarm import Finding
from monitor.model.stream import GRID_NS, Action, Clock, Frame
from monitor.runtime import runner as runner_module
from monitor.runtime.runner import Runner
from simulators.scenario.direct_feed import shipped_core
from tests.host.host import live, running
from tests.support.broker import until


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


class Later:
    """A clock that is five seconds ahead of `clock`, as after a stop."""

    rate = 1.0

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    def now_ns(self) -> int:
        return self._clock.now_ns() + 5_000_000_000


class Machine:
    """A machine's clock, its sleeps, each of which ends as late as is told in turn, and a stream of 10 ms past a grid point."""

    rate = 1.0

    def __init__(self, late_s: Sequence[float]) -> None:
        self.monotonic_ns = 5_000_000_000
        self._late_s = iter(late_s)

    def monotonic(self) -> float:
        return self.monotonic_ns * 1e-9

    def now_ns(self) -> int:
        return 1_700_000_000_010_000_000 + self.monotonic_ns - 5_000_000_000

    async def sleep(self, seconds: float) -> None:
        late_s = next(self._late_s, None)
        if late_s is None:
            raise asyncio.CancelledError
        self.monotonic_ns += round((seconds + late_s) * 1e9)


async def ticks(monkeypatch: pytest.MonkeyPatch, *late_s: float) -> list[int]:
    """How far a timer advances that stream."""
    machine, recorder = Machine(late_s), Times()
    monkeypatch.setattr(runner_module, "time", machine)
    monkeypatch.setattr(runner_module, "asyncio", machine)
    with contextlib.suppress(asyncio.CancelledError):
        await Runner(shipped_core(find_rig("land")), recorder).tick(machine)
    return recorder.advances


async def test_the_timer_wakes_just_past_the_grid_points(monkeypatch: pytest.MonkeyPatch) -> None:
    # A timer of its own phase would always be about 10 ms late.
    reported = await ticks(monkeypatch, *[0.0] * 40)
    assert len(reported) == 40
    assert all(0 < t_ns % GRID_NS < 1_000_000 for t_ns in reported), reported
    assert {later - earlier for earlier, later in pairwise(reported)} == {GRID_NS}


async def test_a_machine_that_stalls_costs_its_own_time_and_no_grid_point_after_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    reported = await ticks(monkeypatch, 0.0, 0.03, 0.0, 0.12, 0.0, 0.0, 0.0, 3.013, 0.0, 0.0)
    late_ms = [t_ns % GRID_NS // 1_000_000 for t_ns in reported]
    assert late_ms == [0, 30, 0, 20, 20, 20, 0, 13, 0, 0]
    assert reported == sorted(reported)


def test_why_there_is_no_connection_is_not_hidden_by_what_is_said_meanwhile() -> None:
    runner = Runner(shipped_core(find_rig("land")))
    for at, connected, link, note, shown in (
        (1, False, "nothing answers", "nothing answers", "nothing answers"),
        (2, False, "nothing answers", "the disk is slow", "nothing answers"),
        (3, True, "connected", "connected", "connected"),
        (4, True, "connected", "the disk is slow", "the disk is slow"),
    ):
        runner.connected, runner.link, runner.note = connected, link, note
        runner.health(1_700_000_000_000_000_000 + at)
        assert runner.core.snapshot().health.note == shown


def test_one_long_stop_of_the_loop_is_told_for_long_enough_to_be_heard() -> None:
    """The rule of it waits for a second; so short a stop as a busy machine makes is told once."""
    told: dict[float, list[float]] = {}
    for stop_s in (0.6, 30.0):
        runner, start_ns = Runner(shipped_core(find_rig("land"))), 1_700_000_000_000_000_000
        runner.health(start_ns)
        runner._lag_s = stop_s
        told[stop_s] = []
        for quarter in range(1, 13):
            runner.health(start_ns + quarter * 250_000_000)
            told[stop_s].append(runner.core.snapshot().health.lag_s)
    assert told[0.6] == [0.6] + 11 * [0.0]
    assert told[30.0] == 6 * [30.0] + 6 * [0.0]


async def test_a_look_before_the_timer_comes_round_lets_time_pass_first() -> None:
    driver = live()
    async with running(driver):
        await until(lambda: driver.core.now_ns > 0, "the start")
        driver.clock = Later(driver.clock)
        before_ns = driver.core.now_ns
        snapshot = driver.snapshot()
        assert snapshot is not None
        assert snapshot.t_ns >= before_ns + 5_000_000_000
