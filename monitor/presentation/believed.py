"""Words for numbers that nobody can believe: the ranges of `core.signals.believable` at the edge where people read.

The numbers themselves stay: colours, bars and marks are drawn from them, and rules never see the words.
"""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from monitor.core.signals.believable import BELIEVABLE
from monitor.core.signals.table import SIGNALS
from monitor.model.check import CheckReading
from monitor.model.reading import Value
from monitor.model.snapshot import Snapshot

_BY_LABEL: Final = {signal.label: signal.name for signal in SIGNALS}
"""Checks name what they watch by its label."""


def words_for(name: str, number: float, slack: bool = False) -> str:
    """What stands instead of `number` of the signal `name`; empty where the figure can stand. `slack`: the line carries
    nothing to speak of."""
    row = BELIEVABLE.get(name)
    return row.words(number, slack) if row is not None else ""


def believed_value(name: str, value: Value, slack: bool = False) -> Value:
    """`value` of the signal or the quantity `name`, with words on it where its figure says nothing."""
    words = words_for(name, value.number, slack) if value.known else ""
    return replace(value, word=words) if words else value


def believed_reading(reading: CheckReading, values: Mapping[str, Value]) -> Value:
    """What a check reads, beside the signals of the moment."""
    return believed_value(_BY_LABEL.get(reading.label, ""), reading.value, slack_in(values))


def slack_in(values: Mapping[str, Value]) -> bool:
    """Whether these signals say that the line is slack."""
    slack = values.get("slack")
    return slack is not None and slack.known and slack.number >= 0.5


def believed(snap: Snapshot) -> Snapshot:
    """`snap` with words on the values whose figures say nothing."""
    slack = slack_in(snap.values)
    worded = {
        name: replace(value, word=words)
        for name, value in snap.values.items()
        if value.known and (words := words_for(name, value.number, slack))
    }
    return replace(snap, values=MappingProxyType({**snap.values, **worded})) if worded else snap
