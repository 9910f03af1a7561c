"""All rigs in browsers: what their viewers are told of the supervisor's rigs, and what they may ask for.

A viewer is told the overview's rows; the way into one rig's own hub it gets for each time that it opens that rig's screen.
"""

from typing import Final

from pydantic import BaseModel, ConfigDict, Field

from monitor.errors import UserError
from monitor.fleet.rigs.overview import Shown, shown_now
from monitor.fleet.rigs.supervisor import Supervisor
from monitor.fleet.rigs.wire import Invitation
from monitor.presentation.format import System
from monitor.runtime.driver import Mode

PERIOD_S: Final = 0.5
"""Real time between two updates: rows change no sooner."""
MODULE: Final = "monitor.fleet.rigs.viewer"
"""What a viewer's process runs."""


class _Message(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, ser_json_inf_nan="constants")

    def line(self) -> bytes:
        """The message as bytes, with the line's end."""
        return self.model_dump_json(exclude_unset=True).encode() + b"\n"


class RigsWelcome(_Message):
    """First line to a viewer."""

    mode: Mode
    units: System


class RigsUpdate(_Message):
    """To a viewer: all rigs as they are, or the answer to what it asked for."""

    rigs: list[Shown] | None = None
    invitation: Invitation | None = None
    problem: str | None = None
    """Why there is no invitation."""


class RigsAsked(_Message):
    """From a viewer: a rig to open, or one to start again."""

    open: str | None = Field(default=None, max_length=200)
    again: str | None = Field(default=None, max_length=200)


class AllRigs:
    """A hub's source."""

    def __init__(self, supervisor: Supervisor, mode: Mode, units: System) -> None:
        self._supervisor = supervisor
        self._welcome = RigsWelcome(mode=mode, units=units)

    def welcome(self) -> bytes:
        """Mode and units."""
        return self._welcome.line()

    def update(self) -> bytes:
        """All rigs."""
        return RigsUpdate(rigs=shown_now(self._supervisor)).line()

    async def take(self, line: bytes) -> bytes:
        """Open a rig, or start one again.

        Raises:
            ValueError: no viewer of ours asks so.
        """
        asked = RigsAsked.model_validate_json(line)
        if asked.again is not None:
            self._supervisor.again(asked.again)
        if asked.open is None:
            return b""
        try:
            return RigsUpdate(invitation=await self._supervisor.invitation(asked.open)).line()
        except UserError as error:
            return RigsUpdate(problem=str(error)).line()
