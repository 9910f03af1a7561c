"""The messages between hub and viewer: lines of JSON, checked on arrival by their types.

A viewer first sends its pass, and then an `ActionRequest` for each action of its crew. The hub answers with `Welcome`, and then
sends an `Update` ten times a second. Numbers arrive exact to the last bit, NaN included, so a viewer's screen is drawn from
what the core said and nothing else.
"""

from dataclasses import replace
from types import MappingProxyType
from typing import Final

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from monitor.config.rig import Rig
from monitor.model import alarm, check, reading, snapshot, stream
from monitor.model.snapshot import Snapshot
from monitor.model.stream import ActionKind, Request
from monitor.runtime.driver import Mode
from monitor.runtime.facts import RunFacts
from monitor.units import Dimension

REQUEST_BYTES: Final = 8192
"""No line from a viewer is longer."""
UPDATE_BYTES: Final = 4 << 20
"""No line from the hub is longer."""


class _Message(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, ser_json_inf_nan="constants")

    def line(self) -> bytes:
        """The message as bytes, with the line's end."""
        return self.model_dump_json().encode() + b"\n"


class Welcome(_Message):
    """First line of the hub: what the screen needs once."""

    rig: Rig
    mode: Mode


class Update(_Message):
    """The present state; `snapshot` is None before the first input."""

    snapshot: Snapshot | None
    facts: RunFacts


class ActionRequest(_Message):
    """What the crew asks for at a viewer. The monitor adds the time."""

    kind: ActionKind
    target: str = Field(default="", max_length=200)
    number: FiniteFloat | None = None
    text: str = Field(default="", max_length=1000)
    who: str = Field(default="", max_length=12)

    @classmethod
    def of(cls, request: Request) -> "ActionRequest":
        """The message for a request."""
        return cls(kind=request.kind, target=request.target, number=request.number, text=request.text, who=request.who)

    def request(self) -> Request:
        """The request in the message."""
        return Request(self.kind, self.target, self.number, self.text, self.who)


# The core names `Dimension` for type checkers only, to stay free of the units' libraries.
Update.model_rebuild(
    _types_namespace={
        name: kind for module in (stream, reading, alarm, check, snapshot) for name, kind in vars(module).items()
    }
    | {"Dimension": Dimension}
)


def update_line(snapshot: Snapshot | None, facts: RunFacts) -> bytes:
    """The present state as one message."""
    if snapshot is not None:
        snapshot = replace(snapshot, values=dict(snapshot.values), rejects=dict(snapshot.rejects))
    events = tuple(replace(entry, numbers=dict(entry.numbers)) for entry in facts.line_events)
    return Update(snapshot=snapshot, facts=replace(facts, line_events=events)).line()


def read_update(line: bytes) -> Update:
    """Read the state in one message; its snapshot cannot be changed, like the core's.

    Raises:
        ValueError: the line is no update.
    """
    update = Update.model_validate_json(line)
    snapshot = update.snapshot
    if snapshot is None:
        return update
    frozen = replace(
        snapshot, values=MappingProxyType(dict(snapshot.values)), rejects=MappingProxyType(dict(snapshot.rejects))
    )
    return update.model_copy(update={"snapshot": frozen})
