"""Words of Sparkplug B, an open standard of MQTT in industry: its topics, and its types of metrics by name and number.

Source: Eclipse Sparkplug Specification 3.0.0, sections 4 (topics and messages) and 6.4.16 (data types).
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, Literal, NamedTuple, get_args

NAMESPACE: Final = "spBv1.0"
"""First level of every topic of version B."""
NODE_KINDS: Final = ("NBIRTH", "NDEATH", "NDATA")
SOURCE_KINDS: Final = (*NODE_KINDS, "DBIRTH", "DDEATH", "DDATA")
"""What a node sends of itself (N) and of its devices (D). Commands (NCMD, DCMD) and STATE are not for us."""

TYPES: Final[Mapping[str, int]] = MappingProxyType(
    {
        "Int8": 1, "Int16": 2, "Int32": 3, "Int64": 4, "UInt8": 5, "UInt16": 6, "UInt32": 7, "UInt64": 8,
        "Float": 9, "Double": 10, "Boolean": 11, "String": 12, "DateTime": 13, "Text": 14, "UUID": 15, "DataSet": 16,
        "Bytes": 17, "File": 18, "Template": 19, "PropertySet": 20, "PropertySetList": 21, "Int8Array": 22,
        "Int16Array": 23, "Int32Array": 24, "Int64Array": 25, "UInt8Array": 26, "UInt16Array": 27, "UInt32Array": 28,
        "UInt64Array": 29, "FloatArray": 30, "DoubleArray": 31, "BooleanArray": 32, "StringArray": 33, "DateTimeArray": 34,
    }
)  # fmt: skip
"""Number of each type."""
TYPE_NAMES: Final[Mapping[int, str]] = MappingProxyType({number: name for name, number in TYPES.items()})

NumericType = Literal[
    "Int8", "Int16", "Int32", "Int64", "UInt8", "UInt16", "UInt32", "UInt64", "Float", "Double", "Boolean"
]
"""Types that a sensor's reading can have."""
NUMERIC_TYPES: Final[frozenset[int]] = frozenset(TYPES[name] for name in get_args(NumericType))


class SourceTopic(NamedTuple):
    """A topic under which a node sends something of itself."""

    group: str
    kind: str
    """One of `SOURCE_KINDS`."""
    node: str
    device: str
    """Empty for the node itself."""


def topic_of(group: str, kind: str, node: str, device: str = "") -> str:
    """The topic of a message of that kind."""
    topic = f"{NAMESPACE}/{group}/{kind}/{node}"
    return f"{topic}/{device}" if kind.startswith("D") else topic


def source_topic(topic: str) -> SourceTopic | None:
    """The parts of a topic under which a node sends; None for every other topic."""
    parts = topic.split("/")
    if len(parts) not in (4, 5) or parts[0] != NAMESPACE or parts[2] not in SOURCE_KINDS:
        return None
    _, group, kind, node, *device = parts
    if (kind[0] == "D") is not bool(device):
        return None
    return SourceTopic(group, kind, node, device[0] if device else "")


def subscriptions_of(group: str, node: str) -> list[str]:
    """What to ask a broker for, to follow a node: its own messages and those of all its devices, which share its numbering."""
    return [topic_of(group, kind, node, "+") for kind in SOURCE_KINDS]
