"""Target: messages of Sparkplug nodes, edited, in any order, into the decoder.

Oracle: no exception; readings in range or refused in printable words; what is told is printable; a decoder that takes up the
state of another at any moment goes on as that one does.
"""

import json
import math
from functools import lru_cache
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.core.sensors.decoder import Decoder
from monitor.model.reading import Sample
from monitor.model.sparkplug import SOURCE_KINDS, TYPES, topic_of
from monitor.model.stream import Frame
from monitor.text import printable
from tests.fuzz.draws import Draws, edited
from tests.support.sparkplug import GROUP, MS, NODE, T, bd_seq, load_sensor, metric, payload, rig_with

NAMES: Final = ("Hoist/Hook load", "a", "b/c", "", "\u5de6", "bdSeq", "Properties/x")
TOKENS: Final = (
    *(b"\x12\xff\xff\xff\xff\x0f", b"\x13" * 200, b"\x14", b"\x0b\x0c", b"\x12\x00" * 300, b"\xff" * 11),
    *(b"\x10\xff\xff\xff\xff\xff\xff\xff\xff\xff\x01", b"\x4a\x02\x0a\x7f", b"\x18\x00", b"\x0a\x02\xff\xfe"),
    *(b"\x0a\x03a\x00b", b"\x65\x00\x00\xc0\x7f"),
)
_NUMBERS: Final = (0, 1, 7, 127, 128, 255, 256, 65_535, 2**31, 2**32 - 1)
_REALS: Final = (0.0, 12.5, -50.0, 1e30, -1e30, math.nan, math.inf)


@lru_cache(maxsize=1)
def sparkplug_rig() -> Rig:
    """Sensors of a node and of its devices, one of them with an alias from the rig's file."""
    table: dict[str, Any] = {"metric": "a", "alias": 7, "type": "Int16", "birth": "0123456789abcdef"}
    others = [load_sensor(**table), load_sensor(device="", metric="b/c"), load_sensor(device="pumps", metric="a")]
    return rig_with(load_sensor(), *(each.model_copy(update={"id": f"o{n}"}) for n, each in enumerate(others)))


def _metric(draws: Draws) -> dict[str, Any]:
    made: dict[str, Any] = {}
    if draws.flag():
        made["name"] = draws.pick(NAMES).encode()
    if draws.flag():
        made["alias"] = draws.below(9)
    if draws.flag():
        made["datatype"] = draws.pick((*TYPES.values(), 0, 99))
    if draws.flag(4):
        made["timestamp"] = draws.pick((0, 1, MS, MS - 5000, MS + 5000, 2**63))
    for mark in ("is_historical", "is_transient", "is_null"):
        if draws.flag(16):
            made[mark] = True
    kind = draws.below(8)
    if kind < 3:
        made["float_value" if kind else "double_value"] = draws.pick(_REALS)
    elif kind < 5:
        made["int_value"] = draws.pick(_NUMBERS)
    elif kind == 5:
        made["long_value"] = draws.pick((*_NUMBERS, 2**63, 2**64 - 1))
    elif kind == 6:
        made["boolean_value"] = draws.flag()
    else:
        made[draws.pick(("string_value", "bytes_value", "dataset_value", "template_value"))] = draws.raw(8)
    if draws.flag(8):
        made["properties"] = draws.raw(12)
    return made


def _message(draws: Draws) -> bytes:
    if draws.flag(16):
        return draws.raw(1 << 12)
    metrics = [_metric(draws) for _ in range(draws.below(5))]
    if draws.flag(3):
        metrics.append(bd_seq(draws.below(3)))
    if draws.flag(3):
        metrics.append(metric("Hoist/Hook load", alias=7, datatype="Float", float_value=12.5))
    seq = None if draws.flag(16) else draws.pick((0, 1, 2, 3, 4, 5, 255, 1 << 40))
    made = payload(*metrics, seq=seq, at_ms=None if draws.flag(16) else MS)
    return edited(draws, made, TOKENS) if draws.flag(3) else made


def nodes(data: bytes) -> None:
    """Messages of any kind, of a node and its devices."""
    draws = Draws(data)
    rig = sparkplug_rig()
    decoder = Decoder(rig)
    follower: Decoder | None = None
    t_ns = T
    for _ in range(40):
        if not draws.left:
            break
        t_ns += 50_000_000
        if draws.flag(16):
            for each in (decoder,) if follower is None else (decoder, follower):
                each.connection(True)
                each.connection(False)
        if draws.flag(8):
            state = decoder.state()
            follower = Decoder(rig)
            follower.restore(json.loads(json.dumps(state, allow_nan=False)))
            assert follower.state() == state
        kind, device = draws.pick(SOURCE_KINDS), draws.pick(("hoist", "hoist", "pumps", "other"))
        topic = draws.text() if draws.flag(32) else topic_of(GROUP, kind, NODE, device)
        frame = Frame(t_ns, topic, _message(draws), draws.flag(32))
        items = decoder.decode(frame)
        if follower is not None:
            assert follower.decode(frame) == items
            assert follower.state() == decoder.state()
        for item in items:
            if isinstance(item, Sample):
                assert -50e3 <= item.value <= 4500e3
                assert item.source_t_ns is None or 0 <= item.source_t_ns < 1 << 63
            else:
                assert item.detail == printable(item.detail)
        for sensor, source, words in decoder.news:
            assert words == printable(words, 300)
            assert source == f"{GROUP}/{NODE}"
            assert sensor is None or 1 <= sensor <= 4
