"""What a birth says: which metrics there are, of which type, under which alias."""

import hashlib
from collections.abc import Mapping
from typing import Any, NamedTuple

from monitor.core.sensors.payload import Refused
from monitor.model.reading import RejectReason

BD_SEQ = b"bdSeq"
"""The metric that pairs a node's death with its birth."""


class Definition(NamedTuple):
    """What a birth says of one metric."""

    alias: int | None
    datatype: int
    clashes: bool
    """Whether another metric has the same alias."""


class Birth(NamedTuple):
    """A birth, by the names of its metrics."""

    digest: str
    """Hash of names, aliases and types, 16 hexadecimal digits: the same at every birth that defines the same."""
    metrics: Mapping[bytes, Definition]


def read_birth(message: Any) -> Birth:
    """The definitions in a birth's message.

    Raises:
        Refused: two of its metrics have one name.
    """
    found: dict[bytes, tuple[int | None, int]] = {}
    users: dict[int, int] = {}
    for metric in message.metrics:
        name = metric.name
        if name in found:
            raise Refused(RejectReason.NOT_SPARKPLUG, "a birth with two metrics of one name")
        alias = alias_of(metric)
        found[name] = alias, metric.datatype
        if alias is not None:
            users[alias] = users.get(alias, 0) + 1
    digest = hashlib.sha256()
    for name, (alias, datatype) in sorted(found.items()):
        digest.update(b"%d:%b %d %d\n" % (len(name), name, -1 if alias is None else alias, datatype))
    metrics = {
        name: Definition(alias, datatype, alias is not None and users[alias] > 1)
        for name, (alias, datatype) in found.items()
    }
    return Birth(digest.hexdigest()[:16], metrics)


def alias_of(metric: Any) -> int | None:
    """The alias of a metric; None where it has none."""
    alias: int = metric.alias
    return alias if alias or metric.HasField("alias") else None


def bd_seq_of(message: Any) -> int | None:
    """The number that pairs a node's death with its birth; None where the message has none."""
    for metric in message.metrics:
        if metric.name == BD_SEQ:
            field = metric.WhichOneof("value")
            return int(getattr(metric, field)) if field in ("int_value", "long_value") else None
    return None
