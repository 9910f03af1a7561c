"""Readings taken from a block's columns are those that its payloads give, to the last bit; what is not plain is left to these."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.adapters.sessions.blocks import pack_block
from monitor.adapters.sessions.readings import form_of, unpack_readings
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.core.sensors.decoder import Decoder
from monitor.model.reading import Reject, Sample
from monitor.model.stream import Frame

T_NS = 1_767_225_600_000_000_000
RIG = find_rig("land")
DECODER = Decoder(RIG)


def topic_of(rig: Rig, name: str) -> str:
    return rig.topic(next(sensor for sensor in rig.sensors if sensor.id == name))


LOAD = topic_of(RIG, "hook-load")
DRUM = topic_of(RIG, "drum")


def frames_of(payloads: list[bytes], topic: str = LOAD) -> list[Frame]:
    return [Frame(T_NS + 50_000_000 * place, topic, payload) for place, payload in enumerate(payloads)]


def same(payloads: list[bytes], topic: str = LOAD) -> int:
    """Check that the readings are the same either way; how many did without their payloads."""
    frames = frames_of(payloads, topic)
    given_ = unpack_readings(pack_block(frames)[0], b"", DECODER)
    assert len(given_) == len(frames)
    plain = 0
    for frame, item in zip(frames, given_, strict=True):
        if isinstance(item, Frame):
            assert item == frame
            continue
        plain += 1
        (expected,) = DECODER.decode(frame)
        assert isinstance(expected, Sample)
        assert repr(item) == repr(expected)
        assert [type(field) for field in item] == [type(field) for field in expected]
        assert math.copysign(1.0, item.value) == math.copysign(1.0, expected.value)
    return plain


NUMBERS = st.one_of(
    st.floats(-1e7, 1e7).map(lambda number: repr(number).encode()),
    st.integers(-(10**9), 10**9).map(lambda number: b"%d" % number),
    st.decimals(-1000, 1000, places=4).map(lambda number: str(number).encode()),
    st.from_regex(rb"-?[0-9]{1,19}(\.[0-9]{1,19})?([eE][-+]?[0-9]{1,2})?", fullmatch=True),
)
FORMS = st.sampled_from(
    [
        b'{"value": %b, "t": %d}',
        b'{"unit": "m3", "value": %b, "t": 1767225600123}',
        b'{"p1": 007, "value": %b, "t": 1767225600123}',
        b'{"a": "\\u00e9", "value": %b, "t": 1767225600123}',
        b'{"a": [1, 2.5, -3], "value": %b, "t": 1767225600123}',
        b'{"value": 1, "value": %b, "t": 1767225600123}',
        b'{"value": [%b], "t": [1767225600123]}',
        b'{"value": %b, "t": 1767225600123, "x": 1-5}',
    ]
)


@settings(max_examples=300, deadline=None)
@given(FORMS, st.lists(NUMBERS, min_size=1, max_size=12))
def test_whatever_is_sent_the_readings_are_those_of_its_payloads(form: bytes, numbers: list[bytes]) -> None:
    holes = form.count(b"%")
    same([form % ((number,) if holes == 1 else (number, 1_767_225_600_000 + n)) for n, number in enumerate(numbers)])


@pytest.mark.parametrize(
    ("payload", "topic"),
    [
        (b'{"value": 12.5, "t": 1767225600123}', LOAD),
        (b'{"value": -0.0, "t": 1767225600123}', LOAD),
        (b'{"value": 12, "t": 1767225600123}', LOAD),
        (b'{"value": 100.005, "t": 1767225600123, "note": "sensor 5"}', LOAD),
        (b'{"value": 1548737, "t": 1767225600570, "seq": 1205}', DRUM),
    ],
)
def test_a_plain_reading_does_without_its_payload(payload: bytes, topic: str) -> None:
    assert same([payload, payload], topic) == 2


@pytest.mark.parametrize(
    "payload",
    [
        b'{"value": 1e400, "t": 1767225600123}',
        b'{"value": 99999999, "t": 1767225600123}',
        b'{"value": 007, "t": 1767225600123}',
        b'{"value": 12.5, "t": 1767225600123',
        b'{"value": 12.5, "t": 1767225600123, "a": "\\ud83d"}',
        b'{"value": 12.5, "t": 1767225600.5}',
        b"12.5",
    ],
)
def test_an_unusual_one_is_left_to_its_payload(payload: bytes) -> None:
    assert same([payload, payload]) == 0


def test_a_retained_message_and_a_topic_of_nobody_are_left_to_their_payloads() -> None:
    retained = Frame(T_NS, LOAD, b'{"value": 12.5, "t": 1767225600123}', retained=True)
    foreign = Frame(T_NS, "somewhere/else", b'{"value": 12.5}')
    frames = [retained, foreign]
    assert unpack_readings(pack_block(frames)[0], b"", DECODER) == frames
    assert isinstance(DECODER.decode(retained)[0], Reject)


def test_a_number_in_a_name_is_no_name_that_is_known_before_it_is_read() -> None:
    form = form_of((b'{"p', b'": ', b', "value": ', b"}"))
    assert form is not None
    assert form.names == {"value": 2}
