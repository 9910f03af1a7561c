"""Readings made from a block's columns are those that the core's decoder makes, to the bit, whatever the payload."""

import json
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import Recorder
from monitor.adapters.tables import columns
from monitor.adapters.tables.columns import ColumnDecoder
from monitor.adapters.tables.table_file import NO_TIME
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.core.sensors.decoder import Decoder
from monitor.model.reading import Sample
from monitor.model.stream import Frame
from tests.adapters.sessions.streams import START_NS


def rig_with(**fields: Any) -> Rig:
    """The land rig, its hook load sensor changed."""
    plain = find_rig("land").model_dump(mode="json")
    for sensor in plain["sensors"]:
        if sensor["id"] == "hook-load":
            sensor.update(fields)
    return Rig.model_validate_json(json.dumps(plain))


RIGS = (
    find_rig("land"),
    rig_with(time_format="s", sequence="/n"),
    rig_with(time=None, value="/a/0/b"),
    rig_with(quality="/q"),
    rig_with(payload="ascii", value="", time=None),
    rig_with(topic="rig/land/hoist/drum", sequence="/seq"),
    rig_with(time_format="iso8601"),
)
TOPICS = ("rig/land/hoist/hook-load", "rig/land/hoist/drum", "rig/land/hoist/clutch", "rig/land/other")
T_MS = START_NS // 1_000_000

_NUMBER = st.one_of(
    st.integers(-5000, 5000).map(str),
    st.tuples(st.sampled_from(["", "-"]), st.integers(0, 4600), st.text("0123456789", min_size=1, max_size=17)).map(
        lambda parts: f"{parts[0]}{parts[1]}.{parts[2]}"
    ),
    st.sampled_from(
        ["1e3", "1E-2", "-0", "-0.0", "0.5", "007", "NaN", "true", "null", '"12"', "[1, 2]", "9007199254740993",
         "4294967295", "4294967296", "1.5e400", "--5", "1.-5", "99999999999999999", "0.1234567890123456", "-", ""]
    ),
)  # fmt: skip
_TIME = st.one_of(
    st.integers(T_MS - 10**6, T_MS + 10**6).map(str),
    st.integers(0, 9999).map(lambda n: f"{T_MS // 1000}.{n:04d}"),
    st.sampled_from(["0", "-1", "5e12", "99999999999999", '"2026-01-05T00:00:00Z"', "null", "1.5"]),
)
_SHAPES = st.sampled_from(
    [
        '{{"value": {v}, "t": {t}, "seq": {n}}}', '{{"value":{v},"t":{t}}}', '{{"t": {t}, "n": {n}, "value": {v}}}',
        '{{"a": [{{"b": {v}}}], "value": {v}}}', '{{"q": "good", "value": {v}, "t": {t}}}', "{v}", " {v}",
        '{{"value": {v}, "value": {n}, "t": {t}}}', '{{"value": {v}, "t": {t}, "seq": {n}, "n": {n}', "+{v}",
        '{{"x7": 1, "value": {v}, "t": {t}, "n": {n}}}', '{{"value": [{v}, {v}], "t": [{t}, {t}]}}',
    ]
)  # fmt: skip


@st.composite
def payloads(draw: st.DrawFn) -> list[tuple[str, bytes]]:
    made = []
    for _ in range(draw(st.integers(1, 4))):
        topic, shape = draw(st.sampled_from(TOPICS)), draw(_SHAPES)
        for _ in range(draw(st.integers(1, 6))):
            text = shape.format(v=draw(_NUMBER), t=draw(_TIME), n=draw(st.sampled_from(["0", "7", "12", "-1", "1.5"])))
            made.append((topic, text.encode()))
    return draw(st.permutations(made))


def both_ways(rig: Rig, frames: list[Frame], path: Path, from_ns: int | None, to_ns: int | None) -> None:
    with Recorder(path, {"rig": "land", "config": {}, "rules": ""}) as recorder:
        for frame in frames:
            recorder.frame(frame)
    refused: Counter[str] = Counter()
    expected: list[Sample] = []
    decoder = Decoder(rig)
    for frame in frames:
        if (from_ns is not None and frame.t_ns < from_ns) or (to_ns is not None and frame.t_ns >= to_ns):
            continue
        for item in decoder.decode(frame):
            if isinstance(item, Sample):
                expected.append(item)
            else:
                refused[item.reason.value] += 1
    fast = ColumnDecoder(rig)
    with SessionReader(path) as session:
        parts = list(fast.read(session, from_ns, to_ns))
    assert [t for part in parts for t in part.t_ns.tolist()] == [sample.t_ns for sample in expected]
    assert [i for part in parts for i in part.sensor.tolist()] == [sample.sensor for sample in expected]
    assert [v for part in parts for v in part.value.tolist()] == [sample.value for sample in expected]
    source = [NO_TIME if sample.source_t_ns is None else sample.source_t_ns for sample in expected]
    assert [t for part in parts for t in part.source_ns.tolist()] == source
    assert fast.refused == refused


@given(payloads(), st.sampled_from(RIGS), st.booleans(), st.booleans(), st.data())
def test_any_payload_gives_what_the_decoder_gives(
    made: list[tuple[str, bytes]], rig: Rig, retained: bool, window: bool, data: st.DataObject
) -> None:
    frames = [
        Frame(START_NS + i * 30_000_000, topic, payload, retained and i % 3 == 0)
        for i, (topic, payload) in enumerate(made)
    ]
    from_ns = data.draw(st.sampled_from(frames)).t_ns if window else None
    to_ns = START_NS + len(frames) * 15_000_000 if window else None
    with TemporaryDirectory() as folder:
        both_ways(rig, frames, Path(folder) / "a.stopmark", from_ns, to_ns)


def test_long_streams_go_in_chunks_and_mostly_by_columns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "CHUNK_BLOCKS", 3)
    frames = []
    for i in range(3000):
        value = f"{(i * 37 % 900) - 20}.{i * 7919 % 1000:03d}"
        payload = f'{{"value": {value}, "t": {T_MS + i * 20}, "seq": {i}}}'.encode()
        frames.append(Frame(START_NS + i * 20_000_000, TOPICS[0], payload))
    slow: list[int] = []
    real = Decoder.decode

    def counted(self: Decoder, frame: Frame) -> Any:
        slow.append(1)
        return real(self, frame)

    both_ways(RIGS[0], frames, tmp_path / "a.stopmark", None, None)
    monkeypatch.setattr(Decoder, "decode", counted)
    with SessionReader(tmp_path / "a.stopmark") as session:
        parts = list(ColumnDecoder(RIGS[0]).read(session))
    assert len(parts) > 5
    assert sum(len(part.value) for part in parts) == 3000
    assert slow == []


def test_an_empty_session_gives_nothing(tmp_path: Path) -> None:
    both_ways(RIGS[0], [], tmp_path / "a.stopmark", None, None)
    both_ways(RIGS[0], [Frame(START_NS, "$stopmark/health", b"{}")][:0], tmp_path / "b.stopmark", None, None)
    path = tmp_path / "c.stopmark"
    with Recorder(path, {"rig": "land", "config": {}, "rules": ""}) as recorder:
        recorder.frame(Frame(START_NS, "$stopmark/health", b'{"lag_s": 0.5}'))
    fast = ColumnDecoder(RIGS[0])
    with SessionReader(path) as session:
        (part,) = fast.read(session)
    assert len(part.value) == 0
    assert np.array_equal(part.t_ns, part.source_ns)
    assert not fast.refused
