"""The messages between a rig's process and what supervises it: lines of JSON, checked on arrival by their types."""

from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from monitor.fleet.rigs.row import RigRow
from monitor.model.alarm import Finding
from monitor.web.wire import ActionRequest

REPORT_BYTES: Final = 1 << 20
"""No line from a rig's process is longer."""
Samples = list[tuple[dict[str, str], float]]


class _Message(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, ser_json_inf_nan="constants")

    def line(self) -> str:
        """The message as one line, without its end."""
        return self.model_dump_json(exclude_unset=True)


class Logged(_Message):
    """A line for the log."""

    level: int
    logger: str
    words: str
    fields: dict[str, str | int | float | None] = {}


class FamilySent(_Message):
    """A family of metrics."""

    name: str
    kind: Literal["gauge", "counter"]
    help: str
    samples: Samples


class Invitation(_Message):
    """A way into the hub of a rig's process, good once."""

    port: int
    word: str


class Report(_Message):
    """From a rig's process: what has changed, each where it is there."""

    row: RigRow | None = None
    finding: Finding | None = None
    families: list[FamilySent] | None = None
    log: Logged | None = None
    invitation: Invitation | None = None
    summary: dict[str, object] | None = None
    """Of the run, when it has ended in order."""
    problem: str | None = None
    """Why it ended otherwise."""


class Order(_Message):
    """To a rig's process."""

    act: ActionRequest | None = None
    invite: bool = False
    stop: bool = False
