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


@dataclass(slots=True)
class _Metric:
    datatype: int = 0
    alias: int | None = None
    count: int = 0
    values: list[float] = field(default_factory=list)


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
            self._value(source, sent)

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
    def _value(source: _Source, sent: Any) -> None:
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
                yield f"  {printable(name, 43):<44}{kind:<12}{alias:>8}{metric.count / seconds:>8.1f}  {last}"
        if self.unreadable:
            yield f"{self.unreadable} messages could not be read"

    def proposal(self, rig: Rig, seconds: float) -> Iterator[str]:
        """Tables for a rig file, one for each metric whose name or unit says what it is. `rig` tells what its machine can
        show."""
        found = [
            (key, source, name, metric)
            for key, source in sorted(self._sources.items())
            if not source.dead
            for name, metric in source.metrics.items()
            if name.isprintable() and (metric.datatype in NUMERIC_TYPES or (not metric.datatype and metric.values))
        ]
        heads = [f"{place} {name}" for place, (_, _, name, _) in enumerate(found)]
        columns = [
            replace(sampled(name, "", "", [repr(value) for value in metric.values], False), head=head)
            for head, (_, _, name, metric) in zip(heads, found, strict=True)
        ]
        columns = [column for column in columns if column.numbers]
        for column in find_columns(columns, rig):
            (group, node, device), source, name, metric = found[heads.index(column.column)]
            yield from _table(column, (group, node, device, name), source.birth, metric, seconds)


def _table(column: FoundColumn, address: Sequence[str], birth: str, metric: _Metric, seconds: float) -> Iterator[str]:
    """One sensor's table. What only a person can say is left open: the file is not taken without it."""
    rate_hz = max(0.1, metric.count / seconds)
    given = [
        f"{key} = {json.dumps(text, ensure_ascii=False)}"
        for key, text in zip(("group", "node", "device", "metric"), address, strict=True)
        if text
    ]
    if metric.datatype in NUMERIC_TYPES:
        given.append(f'type = "{TYPE_NAMES[metric.datatype]}"')
    if birth and metric.alias is not None and metric.datatype in NUMERIC_TYPES:
        given += [f'birth = "{birth}"', f"alias = {metric.alias}"]
    yield "[[sensors]]"
    yield f'id = "{column.quantity.replace("_", "-")}"'
    yield f'quantity = "{column.quantity}"'
    yield f'unit = "{column.unit}"'
    yield f"sparkplug = {{ {', '.join(given)} }}"
    yield f"rate_hz = {rate_hz:.3g}"
    yield f"stale_after_s = {max(0.5, 5 / rate_hz):.3g}"
    came = f"{min(metric.values):.6g} to {max(metric.values):.6g}"
    yield f"# range = [LOWEST, HIGHEST]  # believable, in {column.unit}; {came} came"
    yield "# sigma = NOISE"
    yield from (f"# {printable(doubt, 200)}" for doubt in column.doubts)
    yield ""
