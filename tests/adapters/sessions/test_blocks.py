"""Blocks of frames: every byte comes back, readings pack small, and a damaged or hostile block is an error in words."""

import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.sessions.blocks import _HEAD, MAX_BLOCK_FRAMES, MAX_RAW_BYTES, pack_block, unpack_block
from monitor.model.alarm import Finding
from monitor.model.stream import Action, Frame
from tests.adapters.sessions.streams import rig_stream, streams


@given(streams(), st.booleans())
def test_every_frame_comes_back(stream: list[Frame | Action | Finding], with_dictionary: bool) -> None:
    frames = [item for item in stream if isinstance(item, Frame)] or [Frame(0, "a", b"1")]
    dictionary = (
        pack_block([Frame(0, "rig/a/drum", b'{"t": 1, "value": 2.5, "seq": 3}')])[1] if with_dictionary else b""
    )
    packed, _ = pack_block(frames, dictionary)
    assert unpack_block(packed, dictionary) == frames


def test_times_may_fall_and_reach_far() -> None:
    frames = [Frame(t_ns, "a", b"1") for t_ns in (5, 3, 2**62, -(2**62), 0)]
    assert unpack_block(pack_block(frames)[0]) == frames


def test_many_kinds() -> None:
    frames = [Frame(i, f"topic/{i}", b"%d" % i) for i in range(1000)]
    assert unpack_block(pack_block(frames)[0]) == frames


def test_a_reading_takes_few_bytes() -> None:
    frames = list(rig_stream(20.0))
    dictionary, size = b"", 0
    for start in range(0, len(frames), 100):
        packed, kinds = pack_block(frames[start : start + 100], dictionary)
        dictionary = dictionary or kinds
        size += len(packed)
    assert size / len(frames) < 7.0


@pytest.mark.parametrize("count", [0, MAX_BLOCK_FRAMES + 1])
def test_too_few_or_too_many_frames(count: int) -> None:
    with pytest.raises(ValueError, match=f"not {count}"):
        pack_block([Frame(0, "a", b"")] * count)


@given(st.data())
def test_flipped_and_cut_blocks_never_give_anything_but_a_clear_error(data: st.DataObject) -> None:
    frames = list(rig_stream(0.5))
    packed, _ = pack_block(frames)
    raw = bytearray(zlib.decompress(packed) if data.draw(st.booleans()) else packed)
    inside = len(raw) != len(packed)
    for _ in range(data.draw(st.integers(1, 4))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    cut = bytes(raw[: data.draw(st.integers(0, len(raw)))]) if data.draw(st.booleans()) else bytes(raw)
    words, got = "", []
    try:
        got = unpack_block(zlib.compress(cut) if inside else cut)
    except ValueError as error:
        words = str(error)
    assert bool(words) != bool(got)
    assert len(got) <= MAX_BLOCK_FRAMES


@given(st.binary(max_size=300))
def test_rubbish_is_refused(rubbish: bytes) -> None:
    with pytest.raises(ValueError, match="it"):
        unpack_block(rubbish)
    with pytest.raises(ValueError, match="it"):
        unpack_block(zlib.compress(rubbish))


def test_bombs_are_refused_early() -> None:
    with pytest.raises(ValueError, match="larger than any block"):
        unpack_block(zlib.compress(bytes(MAX_RAW_BYTES + 1)))
    # Small when unpacked, but its frames would repeat one long text 200,000 times.
    text = b"x" * 100_000
    table = bytes((0, 0)) + b"\1\0\0\0a" + len(text).to_bytes(4, "little") + text
    count = MAX_BLOCK_FRAMES
    head = _HEAD.pack(1, count, 1, len(table), 0, 1)
    columns = b"\1" + bytes(count) + b"\1" + bytes(count - 1)
    with pytest.raises(ValueError, match="payloads are larger"):
        unpack_block(zlib.compress(head + table + columns))
