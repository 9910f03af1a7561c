"""The table of targets. Each takes any bytes, makes one input of them, and fails where its oracle is broken."""

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final

from tests.fuzz import carried, ledgers, logs, nodes, requests, sessions, stream, texts

Target = Callable[[bytes], None]

TARGETS: Final[Mapping[str, Target]] = MappingProxyType(
    {
        "wire": stream.wire,
        "decode": stream.decode,
        "sparkplug": nodes.nodes,
        "rig": texts.rig,
        "rules": texts.rules,
        "scenario": texts.scenario,
        "import": texts.fieldlog,
        "log-text": logs.text,
        "log-las": logs.las,
        "log-witsml": logs.witsml,
        "log-binary": logs.binary,
        "log-proposed": logs.proposed,
        "map": requests.log_map,
        "web": requests.browser,
        "session": sessions.session,
        "notes": requests.notes,
        "ledger": ledgers.ledger,
        "core": stream.core,
        "carried": carried.restart,
    }
)
SIZES: Final = (4, 8, 16, 32, 64, 128, 256)
"""Lengths of random inputs, bytes."""
