"""Targets on the way in: a broker's bytes, payloads into the decoder, whole streams of frames and the crew's actions into `Core`.

Oracle: no exception at all; readings in range or refused with printable words; numbers finite or marked as not known.
"""

import json
import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Any, Final

from monitor.adapters.mqtt.packets import MAX_PACKET_BYTES, PacketError, PacketReader
from monitor.config.rig import Rig
from monitor.config.rule import RuleSet
from monitor.config.sensor import Sensor
from monitor.core.engine import Core
from monitor.core.sensors.decoder import Decoder
from monitor.model.alarm import Finding
from monitor.model.reading import Sample, Validity
from monitor.model.snapshot import Snapshot
from monitor.model.stream import HEALTH_TOPIC, Action, ActionKind, Frame
from monitor.text import printable
from tests.fuzz.draws import NUMBERS, Draws, edited
from tests.fuzz.texts import find_rig_once, rules_for

T_NS: Final = 1_700_000_000_000_000_000
RIGS: Final = ("land", "light", "deep")

TOKENS: Final = (
    *(b"{", b"}", b"[", b"]", b",", b":", b'"', b"null", b"true", b"false", b"NaN", b"-Infinity", b"1e999", b"-1e999"),
    *(
        b"9" * 25,
        b"9" * 5000,
        b"-0",
        b"0",
        b"1e-400",
        b"\\u0000",
        b"\\ud800",
        b"\xff",
        b"\xed\xa0\x80",
        b"\x00",
        b"\x1b[2J",
    ),
    *(
        b"[" * 300,
        b'{"value":' * 300,
        b'"value"',
        b'"v"',
        b'"t"',
        b'"seq"',
        b'"q"',
        b'"good"',
        b"1700000000000",
        b" " * 300,
    ),
    *(
        b"1.5",
        b"true",
        b'"2026-01-01T00:00:00Z"',
        b'"0001-01-01T00:00:00+23:59"',
        b'"9999-12-31T23:59:59-23:59"',
        b"[1,2]",
    ),
)
_PAYLOADS: Final = (
    *(
        b"12.5",
        b" 12 \r\n",
        b'{"value": 12.5}',
        b'{"value": 123456, "t": 1700000000000, "seq": 17}',
        b"[1, 2, 3]",
        b"true",
    ),
    b'{"v": [1.5, 2, 3.25], "t": [1700000000000, 1700000000010, 1700000000020], "seq": [1, 2, 3], "q": "good"}',
    b'{"a": {"b": [0, {"c/d": 7}]}, "t": "2026-01-01T00:00:00Z", "q": 192}',
)


@lru_cache(maxsize=1)
def every_way() -> Rig:
    """The land rig with a sensor for every way in which a payload can be read."""
    land = find_rig_once("land")
    base: dict[str, Any] = {"quantity": "hook_load", "unit": "kN", "rate_hz": 10.0, "stale_after_s": 1.0, "sigma": 1.0}
    ways: tuple[dict[str, Any], ...] = (
        {},
        {"payload": "ascii"},
        {"value": "/v", "time": "/t", "sequence": "/seq"},
        {"value": "/v", "time": "/t", "time_format": "s", "quality": "/q"},
        {"value": "/v", "time": "/t", "time_format": "ns", "quality": "/q", "good": (192, True, "good")},
        {"value": "/a/b/1/c~1d", "time": "/t", "time_format": "iso8601"},
        {"value": "/v", "quantity": "clutch_engaged", "unit": "switch", "range": (0.0, 1.0)},
        {
            "value": "/v",
            "quantity": "drum_counts",
            "unit": "counts",
            "range": (0.0, 4294967295.0),
            "counts_per_turn": 4096.0,
        },
        {"value": "/value", "unit": "klbf", "range": (-2e4, 2e4)},
    )
    sensors = tuple(
        Sensor(**({**base, "range": (-50.0, 4500.0), "id": f"s{place}", "topic": "w"} | way))
        for place, way in enumerate(ways)
    )
    return land.model_copy(update={"sensors": (*sensors, *land.sensors)})


@lru_cache(maxsize=8)
def _decoder(name: str) -> tuple[Decoder, Rig, tuple[str, ...]]:
    rig = every_way() if name == "every" else find_rig_once(name)
    return Decoder(rig), rig, tuple(dict.fromkeys(rig.topic(sensor) for sensor in rig.sensors))


def decode(data: bytes) -> None:
    """A payload, edited or raw, on a topic of a rig."""
    draws = Draws(data)
    decoder, rig, topics = _decoder(draws.pick(("every", *RIGS)))
    topic = draws.text() if draws.flag(16) else draws.pick(topics)
    kind = draws.below(4)
    payload = draws.raw(1 << 20) if kind == 0 else edited(draws, draws.pick(_PAYLOADS), TOKENS)
    for item in decoder.decode(Frame(T_NS, topic, payload, draws.flag(16))):
        if isinstance(item, Sample):
            sensor = rig.sensors[item.sensor]
            low, high = sensor.si.to_si(sensor.range[0]), sensor.si.to_si(sensor.range[1])
            assert math.isfinite(item.value)
            assert low <= item.value <= high or math.isinf(low) or math.isinf(high)
            assert item.source_t_ns is None or 0 <= item.source_t_ns < 1 << 63
            assert item.sequence is None or 0 <= item.sequence < 1 << 64
        else:
            assert item.detail == printable(item.detail)


ENDLESS: Final = {
    "speed_bound": math.inf, "reach_expected": math.inf, "reach_assured": math.inf, "emergency_reach": math.inf,
    "margin_up": -math.inf, "margin_down": -math.inf, "late_margin_up": -math.inf, "late_margin_down": -math.inf,
    "fully_margin_up": -math.inf, "fully_margin_down": -math.inf, "cross_margin_up": -math.inf, "cross_margin_down": -math.inf,
    "overrun_least": math.inf, "overrun_most": math.inf, "speed_over_max": -math.inf,
}  # fmt: skip
"""Signals that may be infinite and mean it: nothing is known of the speed; with so little brake the block never stops."""
_WAITS: Final = (
    0,
    1,
    1_000_000,
    20_000_000,
    50_000_000,
    49_999_999,
    50_000_001,
    50_000_000,
    250_000_000,
    1_000_000_000,
)
_HEALTHS: Final = (
    b'{"recording": "on", "connected": true, "dropped": 0, "lag_s": 0.0, "note": ""}',
    b'{"recording": "failed", "connected": false, "dropped": 12, "lag_s": 3.5, "note": "disk full"}',
)


@lru_cache(maxsize=8)
def shipped(name: str) -> tuple[Rig, RuleSet]:
    """A shipped rig with the shipped rules, read once."""
    rig = find_rig_once(name)
    return rig, rules_for(rig)


def _payload(draws: Draws, sensor: Sensor) -> bytes:
    if draws.flag(12):
        return edited(draws, draws.pick(_PAYLOADS), TOKENS)
    low, high = sensor.range
    number = draws.pick(NUMBERS) if draws.flag(6) else low + (high - low) * draws.below(65_536) / 65_535
    whole = sensor.dimension in ("count", "switch")
    if whole and math.isfinite(number):
        number = float(int(number)) if draws.flag(4) else float(draws.below(2)) if high == 1 else float(round(number))
    text = str(int(number)) if whole and math.isfinite(number) and abs(number) < 1e18 else json.dumps(number)
    if sensor.payload == "ascii" or not sensor.value:
        return text.encode()
    source = T_NS // 1_000_000 + draws.below(60_000)
    return b'{"value": %s, "t": %d, "seq": %d}' % (text.encode(), source, draws.below(1000))


def _action(draws: Draws, t_ns: int, rig: Rig) -> Action:
    kind = draws.pick(tuple(ActionKind))
    targets = ("", "ease-up", "floor", "sensor-silent:drum", "overtravel", "holding", "leak", "reference", "auxiliary")
    target = draws.text() if draws.flag(8) else draws.pick(targets)
    number: float | None = None
    if not draws.flag(3):
        number = draws.number() if draws.flag(3) else rig.mast.crown_m * draws.below(256) / 255
    return Action(t_ns, kind, target, number, draws.text(), draws.text()[:12])


def sound_finding(finding: Finding) -> None:
    """Fail where a finding carries what no screen, file or report may get."""
    for word in (finding.key, finding.before, finding.after, finding.message, finding.guidance):
        assert word == printable(word, 10_000), f"not printable: {word!r}"
    for number in (finding.number, finding.threshold):
        assert number is None or not math.isnan(number), f"{finding} has {number}"


def sound_snapshot(snapshot: Snapshot) -> None:
    """Fail where a snapshot shows a number that is none."""
    for name, value in snapshot.values.items():
        if value.validity <= Validity.DEGRADED:
            assert math.isfinite(value.number) or ENDLESS.get(name) == value.number, f"{name} is {value}"
    for view in snapshot.alarms:
        assert view.message == printable(view.message, 10_000)
    for sensor in snapshot.sensors:
        assert sensor.value.validity > Validity.DEGRADED or math.isfinite(sensor.value.number)
        assert sensor.age_s >= 0.0
        for number in (sensor.latency_s, sensor.innovation, sensor.test_ratio):
            assert number is None or not math.isnan(number)


def core(data: bytes) -> None:
    """A stream: readings, rubbish, the monitor's own health frames, the crew's actions, and time."""
    draws = Draws(data)
    rig, rules = shipped(draws.pick(RIGS))
    under_test = Core(rig, rules)
    t_ns = T_NS
    count = 0
    while draws.left and count < 200:
        count += 1
        t_ns += draws.pick(_WAITS)
        kind = draws.below(8)
        if kind < 5:
            sensor = draws.pick(rig.sensors)
            frame = Frame(t_ns, rig.topic(sensor), _payload(draws, sensor), draws.flag(32))
            findings = under_test.feed(frame)
        elif kind == 5:
            findings = under_test.feed(_action(draws, t_ns, rig))
        elif kind == 6:
            health = edited(draws, draws.pick(_HEALTHS), TOKENS) if draws.flag() else draws.pick(_HEALTHS)
            topic = draws.text() if draws.flag(4) else HEALTH_TOPIC
            findings = under_test.feed(Frame(t_ns, topic, health))
        else:
            findings = under_test.advance(t_ns)
        for finding in findings:
            sound_finding(finding)
    for finding in under_test.advance(t_ns + 500_000_000):
        sound_finding(finding)
    sound_snapshot(under_test.snapshot())


_TOPIC_BYTES: Final = (b"a", b"rig/a/drum", b"$SYS/x", b"", b"\xff\xfe", b"a\0b", b"x" * 200)
_LENGTHS: Final = (b"\x00", b"\x7f", b"\x80\x01", b"\xff\xff\xff\x7f", b"\xff\xff\xff\xff", b"\xff\xff\x7f", b"\x02")


def _packet(draws: Draws) -> bytes:
    """One packet of a broker, mostly sound."""
    topic = draws.pick(_TOPIC_BYTES)
    body = len(topic).to_bytes(2, "big") + topic + draws.pick(_PAYLOADS)
    first = draws.pick((0x30, 0x30, 0x30, 0x31, 0x32, 0x34, 0x3D, 0x20, 0x90, 0xD0, 0x00, 0xF0))
    if draws.flag(6):
        return bytes((first,)) + draws.pick(_LENGTHS) + body
    length, left = bytearray(), len(body)
    while True:
        left, low = left >> 7, left & 0x7F
        length.append(low | 0x80 if left else low)
        if not left:
            return bytes((first, *length)) + body


def wire(data: bytes) -> None:
    """A broker's bytes, edited, in pieces of any size: messages or an error in words; the pieces do not matter."""
    draws = Draws(data)
    wild, most = draws.flag(), draws.pick((0, 0, 1, 2, 32))
    stream = b"".join(_packet(draws) for _ in range(1 + draws.below(8)))
    if draws.flag():
        stream = edited(draws, stream, (*_LENGTHS, b"\x30", b"\x00\x00", b"\xff" * 6))
    cuts = sorted(draws.below(len(stream) + 1) for _ in range(draws.below(6)))
    pieces = [stream[start:stop] for start, stop in pairwise((0, *cuts, len(stream)))]
    whole, broken = _fed((stream,), wild, most)
    parts, broken_too = _fed(pieces, wild, most)
    if most == 0:
        # Broken bytes may be seen to be so a piece earlier or later, and then more or less before them was given.
        shorter = min(len(whole), len(parts))
        assert whole[:shorter] == parts[:shorter]
        assert broken or broken_too or len(whole) == len(parts)
    for _, topic, payload, _ in whole:
        assert topic
        assert len(payload) <= MAX_PACKET_BYTES


def _fed(pieces: Sequence[bytes], wild: bool, most: int) -> tuple[list[Frame], bool]:
    under_test = PacketReader({b"a": "a", b"rig/a/drum": "rig/a/drum"}, wild)
    found: list[Frame] = []
    for piece in pieces:
        try:
            frames, rest = under_test.feed(0, piece, most)
        except PacketError:
            return found, True
        found += frames
        assert len(rest) <= len(piece) + MAX_PACKET_BYTES
        assert len(under_test._held) <= MAX_PACKET_BYTES + 8
    return found, False
