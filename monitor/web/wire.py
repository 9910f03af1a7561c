"""What hub and viewer say to each other: lines of JSON, checked on arrival by the types themselves.

The hub greets with `Welcome`, then sends `News` ten times a second; a viewer opens with its pass and then sends `Deed`s.
Numbers come back to the last bit, NaN included, so a viewer's screen is drawn from what the core said and nothing else.
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

DEED_BYTES: Final = 8192
"""No line from a viewer is longer."""
NEWS_BYTES: Final = 4 << 20
"""No line from the hub is longer."""


class _Line(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, ser_json_inf_nan="constants")

    def line(self) -> bytes:
        """As bytes for the wire, with the line's end."""
        return self.model_dump_json().encode() + b"\n"


class Welcome(_Line):
    """First line of the hub: what the screen needs once."""

    rig: Rig
    mode: Mode


class News(_Line):
    """The present state; `snapshot` is None before the first input."""

    snapshot: Snapshot | None
    facts: RunFacts


class Deed(_Line):
    """Something the crew did at a viewer. The hub's side gives it its time."""

    kind: ActionKind
    target: str = Field(default="", max_length=200)
    number: FiniteFloat | None = None
    text: str = Field(default="", max_length=1000)
    who: str = Field(default="", max_length=12)

    @classmethod
    def of(cls, request: Request) -> "Deed":
        """A request for the wire."""
        return cls(kind=request.kind, target=request.target, number=request.number, text=request.text, who=request.who)

    def request(self) -> Request:
        """The request that it is."""
        return Request(self.kind, self.target, self.number, self.text, self.who)


# The core names `Dimension` for type checkers only, to stay free of the units' libraries.
News.model_rebuild(
    _types_namespace={
        name: kind for module in (stream, reading, alarm, check, snapshot) for name, kind in vars(module).items()
    }
    | {"Dimension": Dimension}
)


def news_line(snapshot: Snapshot | None, facts: RunFacts) -> bytes:
    """The present state as one line."""
    if snapshot is not None:
        snapshot = replace(snapshot, values=dict(snapshot.values), rejects=dict(snapshot.rejects))
    events = tuple(replace(entry, numbers=dict(entry.numbers)) for entry in facts.line_events)
    return News(snapshot=snapshot, facts=replace(facts, line_events=events)).line()


def read_news(line: bytes) -> News:
    """The state in one line; its snapshot is as frozen as the core's.

    Raises:
        ValueError: the line is no such thing.
    """
    news = News.model_validate_json(line)
    snapshot = news.snapshot
    if snapshot is None:
        return news
    frozen = replace(
        snapshot, values=MappingProxyType(dict(snapshot.values)), rejects=MappingProxyType(dict(snapshot.rejects))
    )
    return news.model_copy(update={"snapshot": frozen})
