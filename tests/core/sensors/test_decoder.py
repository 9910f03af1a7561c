"""Decoding: every form of payload that the contract names, and everything that must be refused without a word raised."""

import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.config.sensor import Sensor
from monitor.core.sensors.decoder import MAX_PAYLOAD, Decoder
from monitor.core.sensors.payload import compile_pointer
from monitor.model.reading import Reject, RejectReason, Sample
from monitor.model.stream import Frame
from monitor.text import printable

LAND = find_rig("land")
T = 1_700_000_000_000_000_000


def rig_with(**fields: object) -> Rig:
    """The land rig with one hook-load sensor as given (and its drum encoder)."""
    words: dict[str, object] = {
        "id": "w", "quantity": "hook_load", "topic": "w", "unit": "kN", "rate_hz": 10.0, "stale_after_s": 1.0,
        "range": (-50.0, 4500.0), "sigma": 1.0,
    }  # fmt: skip
    return LAND.model_copy(update={"sensors": (LAND.sensors[0], Sensor(**(words | fields)))})  # type: ignore[arg-type]


def decode(payload: bytes, /, retained: bool = False, **fields: object) -> list[Sample | Reject]:
    return Decoder(rig_with(**fields)).decode(Frame(T, "w", payload, retained))


def value(payload: bytes, /, **fields: object) -> float:
    (item,) = decode(payload, **fields)
    assert isinstance(item, Sample), item
    return item.value


def reason(payload: bytes, /, **fields: object) -> RejectReason:
    (item,) = decode(payload, **fields)
    assert isinstance(item, Reject), item
    assert item.sensor == 1
    return item.reason


# --- what is taken ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payload", "fields", "newton"),
    [
        (b"123.5", {}, 123_500.0),
        (b"-3", {}, -3_000.0),
        (b"1.5e2", {}, 150_000.0),
        (b'{"value": 12}', {"value": "/value"}, 12_000.0),
        (b'{"a": {"b": [0, {"c/d": 7}]}}', {"value": "/a/b/1/c~1d"}, 7_000.0),
        (b'{"m~n": 7}', {"value": "/m~0n"}, 7_000.0),
        (b" 12.25 \r\n", {"payload": "ascii"}, 12_250.0),
        (b"+1e2", {"payload": "ascii"}, 100_000.0),
        (b".5", {"payload": "ascii"}, 500.0),
    ],
)
def test_numbers_in_every_form(payload: bytes, fields: dict[str, object], newton: float) -> None:
    assert value(payload, **fields) == pytest.approx(newton)


@pytest.mark.parametrize(
    ("unit", "newton"),
    # One unit of each, by definition of the unit (conventional standard gravity 9.80665 m/s2, pound 0.45359237 kg).
    [
        ("N", 1.0),
        ("kN", 1e3),
        ("N*10", 10.0),
        ("kN*10", 1e4),
        ("tf", 9806.65),
        ("lbf", 4.4482216152605),
        ("klbf", 4448.2216152605),
    ],
)
def test_units_of_force_convert_at_the_edge(unit: str, newton: float) -> None:
    assert value(b"1", unit=unit) == pytest.approx(newton, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "time_format", "ns"),
    [
        ("1700000000.5", "s", 1_700_000_000_500_000_000),
        ("1700000000500", "ms", 1_700_000_000_500_000_000),
        ("1700000000500001", "us", 1_700_000_000_500_001_000),
        ("1700000000500000001", "ns", 1_700_000_000_500_000_001),
        ('"2023-11-14T22:13:20.5Z"', "iso8601", 1_700_000_000_500_000_000),
        ('"2023-11-14T23:13:20.500000+01:00"', "iso8601", 1_700_000_000_500_000_000),
        ('"2023-11-14T22:13:20"', "iso8601", 1_700_000_000_000_000_000),
    ],
)
def test_source_times_in_every_format(text: str, time_format: str, ns: int) -> None:
    payload = f'{{"v": 1, "t": {text}}}'.encode()
    (item,) = decode(payload, value="/v", time="/t", time_format=time_format)
    assert isinstance(item, Sample)
    assert item.source_t_ns == ns


def test_one_message_may_carry_many_readings_and_bad_ones_among_them_are_refused_alone() -> None:
    payload = b'{"v": [1, null, 3, 99999], "t": [1700000000000, 1700000000010, 1700000000020, 1700000000030]}'
    items = decode(payload, value="/v", time="/t")
    assert [item.value for item in items if isinstance(item, Sample)] == [1000.0, 3000.0]
    assert [item.reason for item in items if isinstance(item, Reject)] == [
        RejectReason.NOT_A_NUMBER,
        RejectReason.OUT_OF_RANGE,
    ]


def test_switches_may_be_true_or_false_but_loads_may_not() -> None:
    fields = {"quantity": "clutch_engaged", "unit": "switch", "range": (0.0, 1.0)}
    assert value(b"true", **fields) == 1.0
    assert value(b"0", **fields) == 0.0
    assert reason(b"true") is RejectReason.NOT_A_NUMBER


def test_several_sensors_may_share_a_topic() -> None:
    one, two = (rig_with(id=name, value=f"/{name}").sensors[1] for name in ("x", "y"))
    rig = LAND.model_copy(update={"sensors": (one, two)})
    items = Decoder(rig).decode(Frame(T, "w", b'{"x": 1, "y": 2}'))
    assert [(item.sensor, item.value) for item in items if isinstance(item, Sample)] == [(0, 1000.0), (1, 2000.0)]


# --- what is refused ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payload", "fields", "expected"),
    [
        (b"NaN", {}, RejectReason.NOT_FINITE),
        (b"-Infinity", {}, RejectReason.NOT_FINITE),
        (b"1e999", {}, RejectReason.NOT_FINITE),
        (b"1" + b"0" * 400, {}, RejectReason.NOT_FINITE),
        (b'"12"', {}, RejectReason.NOT_A_NUMBER),
        (b"", {}, RejectReason.EMPTY),
        (b"7" * 10_000_000, {}, RejectReason.TOO_LARGE),
        (b"\xff\xfe1", {}, RejectReason.NOT_UTF8),
        (b"[red]x", {}, RejectReason.NOT_JSON),
        (b"[" * 100_000, {}, RejectReason.NOT_JSON),
        (b'{"v": {"v": 1}}', {"value": "/v"}, RejectReason.NOT_A_NUMBER),
        (b'{"w": 1}', {"value": "/v"}, RejectReason.MISSING_FIELD),
        (b"[1, 2]", {"value": "/01"}, RejectReason.MISSING_FIELD),
        (b'{"v": 1}', {"value": "/v", "time": "/t"}, RejectReason.MISSING_FIELD),
        (b'{"v": 1, "t": "yesterday"}', {"value": "/v", "time": "/t"}, RejectReason.BAD_TIME),
        (b'{"v": 1, "t": 1e300}', {"value": "/v", "time": "/t"}, RejectReason.BAD_TIME),
        (b'{"v": 1, "t": 1700000000000000000}', {"value": "/v", "time": "/t"}, RejectReason.BAD_TIME),
        (b'{"v": [1, 2], "t": [1]}', {"value": "/v", "time": "/t"}, RejectReason.LENGTHS_DIFFER),
        (b'{"v": [1, 2], "t": 1}', {"value": "/v", "time": "/t"}, RejectReason.LENGTHS_DIFFER),
        (b'{"v": 1, "q": "bad"}', {"value": "/v", "quality": "/q"}, RejectReason.BAD_QUALITY),
        (b'{"v": 1}', {"value": "/v", "quality": "/q"}, RejectReason.MISSING_FIELD),
        (b"5000", {}, RejectReason.OUT_OF_RANGE),
        (b"nan", {"payload": "ascii"}, RejectReason.NOT_FINITE),
        (b"1e999", {"payload": "ascii"}, RejectReason.NOT_FINITE),
        (b"12 kN", {"payload": "ascii"}, RejectReason.NOT_A_NUMBER),
        (b"0x12", {"payload": "ascii"}, RejectReason.NOT_A_NUMBER),
        (b"1_000", {"payload": "ascii"}, RejectReason.NOT_A_NUMBER),
        ("١٢".encode(), {"payload": "ascii"}, RejectReason.NOT_A_NUMBER),
    ],
    ids=lambda item: repr(item)[:30],
)  # fmt: skip
def test_rubbish_is_refused_with_its_reason(payload: bytes, fields: dict[str, object], expected: RejectReason) -> None:
    assert reason(payload, **fields) is expected


def test_a_retained_message_is_no_fresh_reading() -> None:
    (item,) = decode(b"12", retained=True)
    assert isinstance(item, Reject)
    assert item.reason is RejectReason.RETAINED


def test_an_unknown_topic_is_counted_and_its_name_is_harmless() -> None:
    (item,) = Decoder(LAND).decode(Frame(T, "a\x1b[31m/" + "x" * 500, b"1"))
    assert isinstance(item, Reject)
    assert item.sensor is None
    assert item.reason is RejectReason.UNKNOWN_TOPIC
    assert "\x1b" not in item.detail
    assert len(item.detail) <= 60


def test_counts_are_whole_numbers() -> None:
    decoder = Decoder(LAND)
    (item,) = decoder.decode(Frame(T, "rig/land/hoist/drum", b'{"value": 1.5, "t": 1700000000000, "seq": 1}'))
    assert isinstance(item, Reject)


# --- whatever comes -----------------------------------------------------------------------------------------------------

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(["value", "t", "seq", "x"]), inner, max_size=4)
    ),
    max_leaves=12,
)


@settings(max_examples=400, deadline=None)
@given(
    payload=st.binary(max_size=200) | JSON.map(lambda document: json.dumps(document).encode()), retained=st.booleans()
)
def test_any_bytes_give_samples_in_range_or_rejects(payload: bytes, retained: bool) -> None:
    decoder = Decoder(LAND)
    for sensor in LAND.sensors:
        items = decoder.decode(Frame(T, LAND.topic(sensor), payload, retained))
        assert items or payload.strip() in (b'{"value": []}',) or b"[" in payload
        low, high = (sensor.si.to_si(bound) for bound in sensor.range)
        for item in items:
            if isinstance(item, Sample):
                assert not retained
                assert math.isfinite(item.value)
                assert low <= item.value <= high
            else:
                assert item.detail == printable(item.detail)


@given(document=JSON, path=st.lists(st.sampled_from(["value", "0", "t", "~", "/", ""]), max_size=3))
def test_pointers_follow_rfc_6901_or_lead_nowhere(document: object, path: list[str]) -> None:
    pointer = "".join("/" + part.replace("~", "~0").replace("/", "~1") for part in path)
    found = compile_pointer(pointer)(document)
    expected: object = document
    for part in path:
        if isinstance(expected, dict) and part in expected:
            expected = expected[part]
        elif isinstance(expected, list) and part == "0" and expected:
            expected = expected[0]
        else:
            assert found is compile_pointer("/nowhere")({})
            return
    assert found is expected


def test_the_size_limit_is_where_it_is_said_to_be() -> None:
    assert isinstance(decode(b" " * (MAX_PAYLOAD - 1) + b"1")[0], Sample)
    assert reason(b" " * MAX_PAYLOAD + b"1") is RejectReason.TOO_LARGE


FIELD: st.SearchStrategy[object] = st.one_of(
    st.integers(-100, 5000), st.floats(-100.0, 5000.0), st.integers(1_690_000_000_000, 1_710_000_000_000),
    st.sampled_from([True, None, "12", -1, -0.0, 4500, 4500.5, 1 << 63, 1 << 64, 10**40, 1e300, {}, [[1]]]),
)  # fmt: skip
FIELDS: st.SearchStrategy[object] = st.one_of(
    FIELD, st.lists(FIELD, max_size=5), st.just([1, 2, 3]), st.just([1_700_000_000_000] * 3)
)


@settings(max_examples=400, deadline=None)
@given(
    document=st.fixed_dictionaries({}, optional={"value": FIELDS, "t": FIELDS, "n": FIELDS}),
    time=st.booleans(),
    sequence=st.booleans(),
    kind=st.sampled_from([{}, {"quantity": "clutch_engaged", "unit": "switch"}, {"range": (-1e5, 1e5)},
                          {"quantity": "drum_counts", "unit": "counts", "counts_per_turn": 4096}]),
)  # fmt: skip
def test_fields_at_the_top_are_read_as_the_same_fields_further_down(
    document: dict[str, object], time: bool, sequence: bool, kind: dict[str, object]
) -> None:
    def read(payload: object, path: str) -> list[Sample | Reject]:
        names: dict[str, object] = {"value": path + "/value", "time_format": "ms"}
        names |= {"time": path + "/t"} if time else {}
        names |= {"sequence": path + "/n"} if sequence else {}
        return decode(json.dumps(payload).encode(), **names, **kind)  # type: ignore[arg-type]

    # Pointers to the top are followed by a short way of their own.
    assert repr(read(document, "")) == repr(read({"deep": document}, "/deep"))
