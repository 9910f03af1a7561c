"""What Sparkplug nodes send on a broker: every metric by name, with type and rate, and tables for a rig file."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from monitor.adapters.tables.proposal.quantities import FoundColumn, find_columns, sampled
from monitor.config.rig import Rig
from monitor.core.sensors.payload import Refused
from monitor.core.sensors.sparkplug.birth import alias_of, read_birth
from monitor.core.sensors.sparkplug.metric import read_payload, value_of
from monitor.model.sparkplug import NAMESPACE, NUMERIC_TYPES, SOURCE_KINDS, TYPE_NAMES, source_topic, topic_of
from monitor.model.stream import Frame
from monitor.text import printable

PATTERNS: Final = tuple(topic_of("+", kind, "+", "+") for kind in SOURCE_KINDS)
"""What to ask a broker for. STATE topics and commands are left alone."""
MOST_SOURCES: Final = 200
MOST_METRICS: Final = 2_000
"""Of one node or device; what is more is not listed."""
MOST_VALUES: Final = 500
_OF_THE_NODE: Final = ("bdSeq", "Node Control/", "Device Control/")
"""How metrics begin that are about the node itself."""


@dataclass(slots=True)
class _Metric:
    datatype: int = 0
    alias: int | None = None
    count: int = 0
    first_ns: int = 0
    last_ns: int = 0
    """Stream times of the first and the last value."""
    values: list[float] = field(default_factory=list)

    @property
    def rate_hz(self) -> float:
        """Values a second between the first and the last that came; 0 where fewer than two did."""
        return (self.count - 1) / (self.last_ns - self.first_ns) * 1e9 if self.last_ns > self.first_ns else 0.0


@dataclass(slots=True)
class _Source:
    """A node or a device."""

    birth: str = ""
    dead: bool = False
    nameless: int = 0
    """Values whose metric nobody can tell without the birth."""
    metrics: dict[str, _Metric] = field(default_factory=dict)
    names: dict[int, str] = field(default_factory=dict)


class Survey:
    """Feed it every frame of `PATTERNS`."""

    def __init__(self) -> None:
        self._sources: dict[tuple[str, str, str], _Source] = {}
        self.unreadable = 0
        """Messages that are no Sparkplug payload, or more than are listed."""

    def take(self, frame: Frame) -> None:
        """The next message; a retained one is nothing that is sent now."""
        topic = source_topic(frame.topic)
        if topic is None or frame.retained:
            return
        key = topic.group, topic.node, topic.device
        if key not in self._sources and len(self._sources) >= MOST_SOURCES:
            self.unreadable += 1
            return
        source = self._sources.setdefault(key, _Source())
        try:
            message = read_payload(frame.payload)
            if topic.kind.endswith("BIRTH"):
                self._born(source, message)
        except Refused:
            self.unreadable += 1
            return
        if topic.kind.endswith("DEATH"):
            source.dead = True
            return
        for sent in message.metrics:
            self._value(source, sent, frame.t_ns)

    @staticmethod
    def _born(source: _Source, message: Any) -> None:
        birth = read_birth(message)
        source.birth, source.dead = birth.digest, False
        source.metrics.clear()
        source.names.clear()
        for name, defined in [*birth.metrics.items()][:MOST_METRICS]:
            text = name.decode("utf-8", "replace")
            source.metrics[text] = _Metric(defined.datatype, defined.alias)
            if defined.alias is not None and not defined.clashes:
                source.names[defined.alias] = text

    @staticmethod
    def _value(source: _Source, sent: Any, t_ns: int) -> None:
        alias = alias_of(sent)
        name = sent.name.decode("utf-8", "replace") if sent.name else source.names.get(-1 if alias is None else alias)
        if name is None:
            source.nameless += not source.birth
            return
        if name not in source.metrics and len(source.metrics) >= MOST_METRICS:
            return
        metric = source.metrics.setdefault(name, _Metric())
        metric.datatype = sent.datatype or metric.datatype
        metric.count += 1
        metric.first_ns, metric.last_ns = metric.first_ns or t_ns, t_ns
        try:
            metric.values.append(float(value_of(sent, metric.datatype)))
            del metric.values[:-MOST_VALUES]
        except Refused:
            pass

    # --- words -------------------------------------------------------------------------------------------------------

    def lines(self, seconds: float) -> Iterator[str]:
        """What was heard in so many seconds, by name."""
        if not self._sources:
            yield f"no Sparkplug node was heard in {seconds:g} s: does one send, and may this user read {NAMESPACE}/#?"
        for (group, node, device), source in sorted(self._sources.items()):
            place = f"node {group}/{node}" + (f", device {device}" if device else "")
            life = (
                "DEAD: its death came" if source.dead else f"birth {source.birth}" if source.birth else "no birth heard"
            )
            yield f"{printable(place, 300)}: {life}"
            if source.nameless:
                yield (
                    f"  {source.nameless} values without a name: births are sent once, and none is asked for. Have the node"
                    " begin again while this listens"
                )
            if source.metrics:
                yield f"  {'metric':<44}{'type':<12}{'alias':>8}{'per s':>8}  last"
            for name, metric in source.metrics.items():
                alias = "" if metric.alias is None else str(metric.alias)
                last = f"{metric.values[-1]:.6g}" if metric.values else "no number"
                kind = TYPE_NAMES.get(metric.datatype, "unknown")
                yield f"  {printable(name, 43):<44}{kind:<12}{alias:>8}{metric.rate_hz:>8.1f}  {last}"
        if self.unreadable:
            yield f"{self.unreadable} messages could not be read"

    def proposal(self, rig: Rig) -> Iterator[str]:
        """Tables for a rig file, one for each metric whose name or unit says what it is; of the rest the addresses. `rig` tells
        what its machine can show."""
        found = [
            (key, source, name, metric)
            for key, source in sorted(self._sources.items())
            if not source.dead
            for name, metric in source.metrics.items()
            if name.isprintable()
            and not name.startswith(_OF_THE_NODE)
            and (metric.datatype in NUMERIC_TYPES or (not metric.datatype and metric.values))
        ]
        heads = [f"{place} {name}" for place, (_, _, name, _) in enumerate(found)]
        columns = [
            replace(sampled(name, "", "", [repr(value) for value in metric.values], False), head=head)
            for head, (_, _, name, metric) in zip(heads, found, strict=True)
        ]
        columns = [column for column in columns if column.numbers]
        taken = set()
        for column in find_columns(columns, rig):
            place = heads.index(column.column)
            taken.add(place)
            key, source, name, metric = found[place]
            doubts = tuple(doubt.replace(column.column, name) for doubt in column.doubts)
            yield from _table(replace(column, doubts=doubts), _address(key, name, source.birth, metric), metric)
        rest = [one for place, one in enumerate(found) if place not in taken]
        if rest:
            yield "# No name says what these are. Of each that you want write a table as above, with its quantity and unit:"
        for key, source, name, metric in rest:
            came = f"; {min(metric.values):.6g} to {max(metric.values):.6g} came" if metric.values else ""
            yield f"# {_address(key, name, source.birth, metric)}  # {metric.rate_hz:.3g} a second{came}"


def _address(source: Sequence[str], name: str, birth: str, metric: _Metric) -> str:
    """Where a metric comes from, as a sensor's table has it."""
    given = [
        f"{key} = {json.dumps(text, ensure_ascii=False)}"
        for key, text in zip(("group", "node", "device", "metric"), (*source, name), strict=True)
        if text
    ]
    if metric.datatype in NUMERIC_TYPES:
        given.append(f'type = "{TYPE_NAMES[metric.datatype]}"')
    if birth and metric.alias is not None and metric.datatype in NUMERIC_TYPES:
        given += [f'birth = "{birth}"', f"alias = {metric.alias}"]
    return f"sparkplug = {{ {', '.join(given)} }}"


def _table(column: FoundColumn, address: str, metric: _Metric) -> Iterator[str]:
    """One sensor's table. What only a person can say is left open: the file is not taken without it."""
    rate_hz = max(0.1, metric.rate_hz)
    yield "[[sensors]]"
    yield f'id = "{column.quantity.replace("_", "-")}"'
    yield f'quantity = "{column.quantity}"'
    yield f'unit = "{column.unit}"'
    yield address
    yield f"rate_hz = {rate_hz:.3g}"
    yield f"stale_after_s = {max(0.5, 5 / rate_hz):.3g}"
    came = f"{min(metric.values):.6g} to {max(metric.values):.6g}"
    yield f"# range = [LOWEST, HIGHEST]  # believable, in {column.unit}; {came} came"
    yield "# sigma = NOISE"
    yield from (f"# {printable(doubt, 200)}" for doubt in column.doubts)
    yield ""
