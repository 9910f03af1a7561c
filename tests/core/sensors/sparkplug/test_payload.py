"""One payload: every type of number, every mark on a value, and everything that must be refused in words."""

import math
import struct
from typing import Any

import pytest

from monitor.core.sensors.decoder import MAX_PAYLOAD, Decoder
from monitor.core.sensors.sparkplug.metric import MAX_METRICS
from monitor.model.reading import Reject, RejectReason, Sample
from monitor.model.sparkplug import topic_of
from monitor.model.stream import Frame
from tests.support.sparkplug import DEVICE, GROUP, MS, NODE, T, frame, load_sensor, metric, payload, rig_with

NAME = "Hoist/Hook load"


def taken(*metrics: dict[str, Any], born: str | None = "Float") -> list[Sample | Reject]:
    """What one message of data gives, after a birth with that type of the hook load."""
    decoder = Decoder(rig_with(load_sensor()))
    if born is not None:
        assert decoder.decode(frame("DBIRTH", metric(NAME, alias=7, datatype=born, is_null=True))) == []
    return decoder.decode(frame("DDATA", *metrics, seq=1, t_ns=T + 1_000_000))


def newton(*metrics: dict[str, Any], born: str | None = "Float") -> float:
    (item,) = taken(*metrics, born=born)
    assert isinstance(item, Sample), item
    return item.value


def refusal(*metrics: dict[str, Any], born: str | None = "Float") -> tuple[RejectReason, str]:
    (item,) = taken(*metrics, born=born)
    assert isinstance(item, Reject), item
    assert item.sensor == 1
    return item.reason, item.detail


@pytest.mark.parametrize(
    ("datatype", "field", "sent", "number"),
    [
        ("Int8", "int_value", 0xFF, -1), ("Int8", "int_value", 0xFFFFFFFF, -1), ("Int8", "int_value", 100, 100),
        ("Int8", "int_value", 0xFFFFFF80, -128), ("Int16", "int_value", 0xFFFF, -1), ("Int16", "int_value", 0x8000, -32768),
        ("Int16", "int_value", 0xFFFFFFCE, -50), ("Int32", "int_value", 0xFFFFFFCE, -50), ("Int32", "int_value", 4000, 4000),
        ("Int32", "long_value", 2**64 - 50, -50), ("Int32", "long_value", 2**32 - 50, -50),
        ("Int64", "long_value", 2**64 - 50, -50), ("Int64", "long_value", 4000, 4000), ("Int64", "int_value", 12, 12),
        ("UInt8", "int_value", 255, 255), ("UInt16", "int_value", 4000, 4000), ("UInt32", "int_value", 4000, 4000),
        ("UInt32", "long_value", 4000, 4000), ("UInt64", "long_value", 4500, 4500),
        ("Float", "float_value", 12.5, 12.5), ("Double", "double_value", 12.3, 12.3), ("Float", "double_value", 12.5, 12.5),
    ],
)  # fmt: skip
def test_every_numeric_type_is_read(datatype: str, field: str, sent: float, number: float) -> None:
    if number < -50:  # below the sensor's range: read right, then refused by that
        assert refusal(metric(alias=7, **{field: sent}), born=datatype) == (RejectReason.OUT_OF_RANGE, f"{number:.6g}")
    else:
        assert newton(metric(alias=7, **{field: sent}), born=datatype) == pytest.approx(1000.0 * number)
        assert newton(metric(NAME, datatype=datatype, **{field: sent}), born=None) == pytest.approx(1000.0 * number)


@pytest.mark.parametrize(
    ("sent", "born", "reason", "detail"),
    [
        ({"int_value": 300}, "UInt8", RejectReason.NOT_A_NUMBER, "300 does not fit UInt8"),
        ({"int_value": 300}, "Int8", RejectReason.NOT_A_NUMBER, "300 does not fit Int8"),
        ({"long_value": 2**63}, "UInt32", RejectReason.NOT_A_NUMBER, "9223372036854775808 does not fit UInt32"),
        ({"float_value": 1.0}, "Int32", RejectReason.NOT_A_NUMBER, "Int32 sent as float"),
        ({"int_value": 1}, "Float", RejectReason.NOT_A_NUMBER, "Float sent as int"),
        ({"boolean_value": True}, "Boolean", RejectReason.NOT_A_NUMBER, "bool"),
        ({"float_value": math.nan}, "Float", RejectReason.NOT_FINITE, ""),
        ({"float_value": math.inf}, "Float", RejectReason.NOT_FINITE, ""),
        ({"is_null": True}, "Float", RejectReason.NO_VALUE, ""),
        ({"is_null": True, "float_value": 3.0}, "Float", RejectReason.NO_VALUE, ""),
        ({}, "Float", RejectReason.NO_VALUE, ""),
        ({"float_value": 3.0, "is_historical": True}, "Float", RejectReason.HISTORICAL, ""),
        ({"float_value": 3.0, "timestamp": 2**63}, "Float", RejectReason.BAD_TIME,
         "not in this century: time stamps count milliseconds"),
        ({"float_value": 3.0, "timestamp": MS - 5000}, "Float", RejectReason.TOO_OLD, "5.0 s older than its message"),
        ({"dataset_value": b"\x08\x01"}, "Float", RejectReason.NOT_A_NUMBER, "Float sent as DataSet"),
        ({"string_value": b"12"}, "Float", RejectReason.NOT_A_NUMBER, "Float sent as text"),
        ({"datatype": "DataSet", "dataset_value": b"\x08\x01"}, "Float", RejectReason.NOT_A_NUMBER, "DataSet"),
        ({"datatype": "Template", "template_value": b"x"}, "Float", RejectReason.NOT_A_NUMBER, "Template"),
        ({"datatype": "String", "string_value": b"12"}, "Float", RejectReason.NOT_A_NUMBER, "String"),
        ({"datatype": "DateTime", "long_value": MS}, "Float", RejectReason.NOT_A_NUMBER, "DateTime"),
        ({"datatype": "FloatArray", "bytes_value": b"0000"}, "Float", RejectReason.NOT_A_NUMBER, "FloatArray"),
        ({"datatype": 99, "int_value": 1}, "Float", RejectReason.NOT_A_NUMBER, "type 99"),
    ],
)  # fmt: skip
def test_what_is_no_reading_is_refused_in_words(
    sent: dict[str, Any], born: str, reason: RejectReason, detail: str
) -> None:
    assert refusal(metric(alias=7, **sent), born=born) == (reason, detail)


def test_a_name_without_type_is_read_where_the_value_itself_shows_it() -> None:
    assert newton(metric(NAME, float_value=12.5), born=None) == 12_500.0
    assert refusal(metric(NAME, int_value=12), born=None)[0] is RejectReason.NOT_A_NUMBER


def test_times_are_the_metrics_own_or_else_the_messages() -> None:
    own, message = taken(metric(alias=7, float_value=1.0, timestamp=MS - 20), metric(alias=7, float_value=2.0))
    assert isinstance(own, Sample)
    assert isinstance(message, Sample)
    assert own.source_t_ns == (MS - 20) * 1_000_000
    assert message.source_t_ns == (MS + 1) * 1_000_000


def test_transient_values_are_readings() -> None:
    assert newton(metric(alias=7, float_value=3.0, is_transient=True)) == 3000.0


def properties(code: int) -> bytes:
    """A property set with Quality of that code: keys = 1, values = 2, its int_value = 3."""
    number = bytes([0x18]) + (bytes([code]) if code < 128 else bytes([code & 0x7F | 0x80, code >> 7]))
    return b"\x0a\x07Quality" + bytes([0x12, len(number)]) + number


def test_a_quality_that_is_not_good_refuses_the_value() -> None:
    assert newton(metric(alias=7, float_value=3.0, properties=properties(192))) == 3000.0
    for code in (0, 500):
        assert refusal(metric(alias=7, float_value=3.0, properties=properties(code))) == (
            RejectReason.BAD_QUALITY, f"Quality {code}"
        )  # fmt: skip
    assert refusal(metric(alias=7, float_value=3.0, properties=b"\x0a\x7f"))[0] is RejectReason.NOT_SPARKPLUG


def test_metrics_of_others_are_left_alone() -> None:
    assert taken(metric(alias=99, float_value=1.0), metric("Hoist", float_value=1.0), metric(float_value=1.0)) == []


HOSTILE = {
    "no protobuf": b"\xff\xff\xff\xff",
    "a length that lies": b"\x12\xff\xff\xff\xff\x0f\x00",
    "a length beyond its message": b"\x12\x05\x08",
    "deep groups": b"\x13" * 100_000,
    "a group that ends another": b"\x13\x1c",
    "deep groups, all closed": b"\x33" * 5_000 + b"\x34" * 5_000,
    "more metrics than any node has": b"\x12\x00" * (MAX_METRICS + 1),
    "a number without end": b"\x08" + b"\xff" * 11,
    "a packed payload": b"\x22\x12SPBV1.0_COMPRESSED\x2a\x02xx",
}


@pytest.mark.parametrize("data", HOSTILE.values(), ids=HOSTILE)
@pytest.mark.parametrize("kind", ["DDATA", "DBIRTH", "DDEATH", "NBIRTH", "NDATA", "NDEATH"])
def test_hostile_bytes_are_refused(kind: str, data: bytes) -> None:
    items = Decoder(rig_with(load_sensor())).decode(Frame(T, topic_of(GROUP, kind, NODE, DEVICE), data))
    assert items
    for item in items:
        assert isinstance(item, Reject)
        assert item.reason in (RejectReason.NOT_SPARKPLUG, RejectReason.TOO_LARGE)


def test_retained_empty_and_giant_messages_are_not_looked_into() -> None:
    decoder = Decoder(rig_with(load_sensor()))
    topic = topic_of(GROUP, "DDATA", NODE, DEVICE)
    good = payload(metric(NAME, float_value=1.0))
    for given, retained, reason in (
        (good, True, RejectReason.RETAINED),
        (b"", False, RejectReason.EMPTY),
        (b"\x12" * (MAX_PAYLOAD + 1), False, RejectReason.TOO_LARGE),
    ):
        (item,) = decoder.decode(Frame(T, topic, given, retained))
        assert isinstance(item, Reject)
        assert (item.reason, item.sensor) == (reason, 1)


@pytest.mark.parametrize(
    "topic",
    [
        "spBv1.0/field/NCMD/rig-7", "spBv1.0/field/DCMD/rig-7/hoist", "spBv1.0/STATE/host", "spBv1.0/field/DDATA/rig-8/hoist",
        "spBv1.0/field/DDATA/rig-7", "spBv1.0/field/NDATA/rig-7/hoist", "spBv1.0", "spBv1.0/field/DDATA/rig-7/hoist/x",
    ],
)  # fmt: skip
def test_topics_that_are_no_message_of_the_node_are_unknown(topic: str) -> None:
    (item,) = Decoder(rig_with(load_sensor())).decode(Frame(T, topic, payload(metric(NAME, float_value=1.0))))
    assert isinstance(item, Reject)
    assert (item.reason, item.sensor) == (RejectReason.UNKNOWN_TOPIC, None)


def test_names_may_have_slashes_and_any_letters() -> None:
    name = "Hoist/Drum/Temperature °C/左"
    decoder = Decoder(rig_with(load_sensor(metric=name)))
    (item,) = decoder.decode(frame("DDATA", metric(name, float_value=1.0)))
    assert isinstance(item, Sample)


def test_a_float_keeps_the_value_that_was_sent() -> None:
    (sent,) = struct.unpack("<f", struct.pack("<f", 12.3))
    assert newton(metric(alias=7, float_value=12.3)) == 1000.0 * sent
