"""The stream of bytes from a broker: the same messages come out whatever the pieces, and rubbish ends in a clear error."""

import random
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.mqtt.packets import MAX_PACKET_BYTES, PacketError, PacketReader

NAMES = {b"rig/a": "rig/a", b"rig/b": "rig/b"}


def length_of(size: int) -> bytes:
    """A remaining length as MQTT writes it."""
    out = bytearray()
    while True:
        size, digit = divmod(size, 128)
        out.append(digit | (0x80 if size else 0))
        if not size:
            return bytes(out)


def packet(topic: bytes, payload: bytes, flags: int = 0) -> bytes:
    """A PUBLISH as a broker sends it."""
    mid = b"\x00\x07" if flags & 0x06 else b""
    body = struct.pack(">H", len(topic)) + topic + mid + payload
    return bytes((0x30 | flags,)) + length_of(len(body)) + body


def fed(reader: PacketReader, pieces: list[bytes], most: int = 0) -> tuple[list[tuple[str, bytes, bool]], bytes]:
    """Topic, payload and retained flag of the messages in `pieces`, and what is left for the library."""
    messages = []
    rest = b""
    for t_ns, piece in enumerate(pieces):
        frames, other = reader.feed(t_ns, piece, most)
        assert all(frame.t_ns == t_ns for frame in frames)
        messages += [(frame.topic, frame.payload, frame.retained) for frame in frames]
        rest += other
    return messages, rest


MESSAGES = st.lists(
    st.tuples(st.sampled_from(sorted(NAMES)), st.binary(max_size=300), st.sampled_from((0, 1, 2, 4, 8, 9))), max_size=12
)


@given(MESSAGES, st.randoms(use_true_random=False))
def test_the_pieces_do_not_matter(sent: list[tuple[bytes, bytes, int]], chance: random.Random) -> None:
    stream = b"\x20\x02\x00\x00"
    for place, (topic, payload, flags) in enumerate(sent):
        stream += packet(topic, payload, flags)
        if place % 3 == 0:
            stream += b"\xd0\x00"
    expected = [(NAMES[topic], payload, bool(flags & 1)) for topic, payload, flags in sent]
    answers = b"\x20\x02\x00\x00" + b"\xd0\x00" * (-(-len(sent) // 3))
    cuts = sorted(chance.randrange(len(stream) + 1) for _ in range(6))
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    for way in ([stream], [stream[i : i + 1] for i in range(len(stream))], pieces):
        reader = PacketReader(NAMES)
        assert fed(reader, way) == (expected, answers)
        assert not reader.inside_packet


@given(MESSAGES, st.integers(1, 4), st.randoms(use_true_random=False))
def test_in_a_flood_the_newest_of_each_topic_are_given_and_all_are_counted(
    sent: list[tuple[bytes, bytes, int]], most: int, chance: random.Random
) -> None:
    reader = PacketReader(NAMES)
    stream = b"".join(
        packet(topic, payload, flags) + b"\xd0\x00" * chance.randrange(2) for topic, payload, flags in sent
    )
    messages, _ = fed(reader, [stream], most)
    whole = [(NAMES[topic], payload, bool(flags & 1)) for topic, payload, flags in sent]
    assert len(messages) + reader.dropped == len(whole)
    assert not reader.inside_packet
    rest = iter(whole)
    assert all(message in rest for message in messages), "in order, and nothing made up"
    for topic in NAMES.values():
        assert [m for m in messages if m[0] == topic][-1:] == [m for m in whole if m[0] == topic][-1:]


def test_in_a_flood_quiet_topics_lose_nothing() -> None:
    reader = PacketReader(NAMES)
    stream = b"".join(
        packet(b"rig/a", b"%d" % n) + (packet(b"rig/b", b"%d" % n) if n % 100 == 0 else b"") for n in range(900)
    )
    messages, _ = fed(reader, [stream], 9)
    assert [payload for topic, payload, _ in messages if topic == "rig/b"] == [b"%d" % n for n in range(0, 900, 100)]
    assert [payload for topic, payload, _ in messages if topic == "rig/a"] == [b"%d" % n for n in range(891, 900)]
    assert reader.dropped == 891


@given(st.lists(st.binary(max_size=60), max_size=30), st.booleans(), st.integers(0, 2))
def test_rubbish_never_does_more_than_break_the_protocol(pieces: list[bytes], wild: bool, most: int) -> None:
    reader = PacketReader(NAMES, wild)
    try:
        messages, rest = fed(reader, pieces, most)
    except PacketError:
        return
    assert sum(len(payload) for _, payload, _ in messages) + len(rest) <= sum(map(len, pieces))


@pytest.mark.parametrize("piece_bytes", [1 << 16, 100_001])
def test_a_giant_is_cut_and_nothing_of_it_is_kept(piece_bytes: int) -> None:
    size = 20_000_000
    body = struct.pack(">H", 5) + b"rig/a"
    reader = PacketReader(NAMES)
    messages = fed(reader, [b"\x30" + length_of(size + len(body)) + body])[0]
    block = bytes(piece_bytes)
    most = left = 0
    left = size
    while left:
        messages += fed(reader, [block[:left]])[0]
        left -= min(left, piece_bytes)
        most = max(most, len(reader._held))
    assert most <= MAX_PACKET_BYTES
    assert not reader.inside_packet
    messages += fed(reader, [packet(b"rig/b", b"after")])[0]
    assert [(topic, len(payload)) for topic, payload, _ in messages] == [
        ("rig/a", MAX_PACKET_BYTES - len(body)),
        ("rig/b", 5),
    ]


def test_topics_nobody_asked_for_are_counted_and_let_go() -> None:
    reader = PacketReader(NAMES)
    storm = b"".join(packet(b"rig/%d" % number, b"1") for number in range(5000))
    assert fed(reader, [storm + packet(b"rig/a", b"2")])[0] == [("rig/a", b"2", False)]
    assert reader.foreign == 5000
    assert fed(reader, [packet(b"$SYS/uptime", b"1") + packet(b"\xff\xfe", b"1")])[0] == []


def test_with_wildcards_other_topics_count_but_the_brokers_own_do_not() -> None:
    reader = PacketReader({}, wild=True)
    stream = packet(b"any/where", b"1") + packet(b"$SYS/uptime", b"1") + packet(b"\xff\xfe", b"1")
    assert fed(reader, [stream])[0] == [("any/where", b"1", False)]
    assert reader.foreign == 1


@pytest.mark.parametrize(
    ("stream", "words"),
    [
        (b"\x30\xff\xff\xff\xff\x01", "length"),
        (b"\x30\x01\x00", "without a topic"),
        (b"\x30\x04\x00\x09ab", "longer than its message"),
        (b"\x90" + length_of(1 << 20), "longer than any answer"),
    ],
)
def test_what_breaks_the_protocol_is_told(stream: bytes, words: str) -> None:
    for pieces in ([stream], [stream[i : i + 1] for i in range(len(stream))]):
        with pytest.raises(PacketError, match=words):
            fed(PacketReader(NAMES), pieces)
