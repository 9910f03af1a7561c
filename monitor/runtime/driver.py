"""What a screen needs from a run: a snapshot to draw, a way to pass on the crew's actions, and a loop to start."""

from typing import Literal, Protocol

from monitor.config.rig import Rig
from monitor.model.snapshot import Snapshot
from monitor.model.stream import Request
from monitor.runtime.facts import RunFacts

Mode = Literal["LIVE", "REPLAY", "SIMULATED"]


class ReplayControl(Protocol):
    """Handle of a replayed session. Times are stream time, nanoseconds of the Unix epoch."""

    @property
    def start_ns(self) -> int:
        """First frame of the session."""

    @property
    def end_ns(self) -> int:
        """Last frame of the session."""

    @property
    def position_ns(self) -> int:
        """Stream time that the replay has reached."""

    @property
    def speed(self) -> float:
        """Stream seconds per second; infinite for as fast as possible."""

    @property
    def paused(self) -> bool:
        """Whether the replay is held."""

    @property
    def skips_still(self) -> bool:
        """Whether passages without motion are played at full speed."""

    def pause(self, paused: bool) -> None:
        """Hold the replay, or let it go on."""

    def skip_still(self, skip: bool) -> None:
        """Play passages without motion and without findings at full speed, or no longer."""

    def set_speed(self, speed: float) -> None:
        """Set the speed, stream seconds per second, above 0."""

    def seek_to(self, t_ns: int) -> None:
        """Go to a stream time; values outside the session are clamped to it."""

    def remark(self, text: str, who: str) -> str:
        """Keep a note of `who` about this moment beside the session; why that failed, empty where it did not."""

    def seek_finding(self, step: Literal[-1, 1]) -> bool:
        """Go to the next (1) or previous (-1) alarm finding; False when there is none."""


class Driver(Protocol):
    """What the app is given. `run` is the monitor's own loop, on the same asyncio loop as the screen."""

    @property
    def mode(self) -> Mode:
        """Where the readings come from; always on the screen."""

    @property
    def rig(self) -> Rig:
        """The rig in force."""

    @property
    def replay(self) -> ReplayControl | None:
        """The handle of a replay, None otherwise."""

    def snapshot(self) -> Snapshot | None:
        """The present state, None before the first input."""

    def facts(self) -> RunFacts:
        """What is worth showing of the run itself: broker, recording, ledger, what is replayed."""

    def act(self, request: Request) -> None:
        """Pass on what the crew asks for."""

    async def run(self) -> None:
        """Run until cancelled or the source ends.

        Raises:
            Exception: anything whose text is a sentence for the person; the app ends and prints it.
        """
