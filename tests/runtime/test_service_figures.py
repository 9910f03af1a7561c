"""The figures for the site's supervision: what they say, and where they are read."""

import asyncio
import logging
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.parser import text_string_to_metric_families

from monitor.adapters.host import metrics_endpoint
from monitor.adapters.host.metrics import Facts, families, page
from monitor.adapters.host.metrics_endpoint import Endpoint, HealthFile, parse_place
from monitor.errors import UserError
from monitor.model.alarm import AlarmState, Severity
from tests.support.broker import GRACE_S
from tests.ui import sample

# --- the figures --------------------------------------------------------------------------------------------------------


@given(st.text(), st.text(max_size=20), st.dictionaries(st.text(max_size=10), st.integers(0, 9), max_size=3))
def test_any_text_in_a_label_is_read_back_as_it_was(rig: str, sensor: str, rejects: dict[str, int]) -> None:
    # The format knows lines that end with a line feed; the parser also splits at other ends of a line, the format does not.
    snap = sample.calm()
    sensors = (replace(snap.sensors[0], id=sensor),)
    snap = replace(snap, sensors=sensors, rejects=MappingProxyType(rejects))
    text = page(families(Facts(version="1", rig=rig, mode="LIVE", snapshot=snap)))
    found = {family.name: family for family in text_string_to_metric_families(text)}
    assert found["stopmark_info"].samples[0].labels == {"version": "1", "rig": rig, "mode": "live"}
    assert found["stopmark_sensor_readings"].samples[0].labels["sensor"] == sensor
    if rejects:
        counted = {sample.labels["reason"]: sample.value for sample in found["stopmark_rejects"].samples}
        assert counted == rejects


def test_every_family_is_described_once_and_counts_what_the_screen_shows() -> None:
    snap = sample.warning()
    text = page(
        families(Facts(version="1", rig="land", mode="LIVE", snapshot=snap, findings={"alarm": 3}, recorder_lost=2))
    )
    lines = text.splitlines()
    described = [line.split()[2] for line in lines if line.startswith("# HELP ")]
    assert described == [line.split()[2] for line in lines if line.startswith("# TYPE ")]
    assert len(set(described)) == len(described)
    names = {line.partition("{")[0].split()[0] for line in lines if not line.startswith("#")}
    assert names == set(described)
    for name in names:
        assert name.startswith(("stopmark_", "process_"))
        kind = next(line.split()[3] for line in lines if line.startswith(f"# TYPE {name} "))
        assert (kind == "counter") == name.endswith("_total")
    for name in ("stopmark_alarms", "stopmark_findings_total", "stopmark_height_validity", "stopmark_info"):
        assert any(line.startswith(f"# HELP {name} ") and "Advisory only" in line for line in lines), name
    found = {
        (s.name, *sorted((name, word) for name, word in s.labels.items() if name != "rig")): s.value
        for family in text_string_to_metric_families(text)
        for s in family.samples
    }
    for severity in Severity:
        for state in set(AlarmState) - {AlarmState.NORMAL}:
            key = ("stopmark_alarms", ("severity", severity.name.lower()), ("state", state.value))
            assert found[key] == sum(alarm.severity == severity and alarm.state == state for alarm in snap.alarms)
    assert sum(value for key, value in found.items() if key[0] == "stopmark_alarms") == len(snap.alarms) > 0
    assert found["stopmark_blind_rules",] == snap.blind_rules
    assert found["stopmark_recorder_lost_frames_total",] == 2
    assert ("stopmark_disk_free_bytes",) not in found  # not known, so not told


def test_what_was_never_seen_has_an_infinite_age() -> None:
    snap = sample.calm()
    snap = replace(snap, sensors=(replace(snap.sensors[0], age_s=float("inf"), stale=True),))
    text = page(families(Facts(version="1", rig="land", mode="LIVE", snapshot=snap)))
    (line,) = [line for line in text.splitlines() if line.startswith("stopmark_sensor_age_seconds{")]
    assert line.endswith(" +Inf")
    assert 'stopmark_stale_sensors{rig="land"} 1' in text.splitlines()


def test_before_the_first_input_the_page_says_what_is_known() -> None:
    text = page(families(Facts(version="1", rig="land", mode="LIVE")))
    assert 'stopmark_up{rig="land"} 1' in text.splitlines()
    assert "stopmark_alarms" not in text


def test_rigs_of_one_page_are_told_apart_by_label() -> None:
    rigs = [families(Facts(version="1", rig=rig, mode="LIVE", snapshot=sample.calm())) for rig in ("north", "south")]
    found = {family.name: family for family in text_string_to_metric_families(page(*rigs))}
    for family in found.values():
        assert {one.labels["rig"] for one in family.samples} == {"north", "south"}, family.name
    assert page(*rigs).count("# TYPE stopmark_up ") == 1


# --- where they are read ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("9477", ("127.0.0.1", 9477)),
        (":0", ("127.0.0.1", 0)),
        ("0.0.0.0:80", ("0.0.0.0", 80)),
        ("[::1]:9477", ("::1", 9477)),
        ("localhost:1", ("localhost", 1)),
    ],
)
def test_places(text: str, expected: tuple[str, int]) -> None:
    assert parse_place(text) == expected


@pytest.mark.parametrize("text", ["", "host", "host:", "host:-1", "host:65536", "::1:80", "host:1x", "host:\u0663"])
def test_places_that_are_none(text: str) -> None:
    with pytest.raises(ValueError, match="ADDRESS:PORT"):
        parse_place(text)


async def asked(port: int, request: bytes) -> bytes:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        writer.write(request)
        return await asyncio.wait_for(reader.read(), GRACE_S)
    except ConnectionError:  # hung up on before all was read
        return b""
    finally:
        writer.close()


@pytest.mark.parametrize(
    ("request_", "status", "body"),
    [
        (b"GET /metrics HTTP/1.1\r\nHost: 127.0.0.1:1\r\n\r\n", b"200", b"the page\n"),
        (b"GET /metrics?x=1 HTTP/1.0\r\n\r\n", b"200", b"the page\n"),
        (b"GET /metrics HTTP/1.1\r\nhost: [::1]:1\r\n\r\n", b"200", b"the page\n"),
        (b"HEAD /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n", b"200", b""),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n", b"404", b"the figures are at /metrics\n"),
        (b"GET /../etc/passwd HTTP/1.1\r\nHost: localhost\r\n\r\n", b"404", b"the figures are at /metrics\n"),
        (b"POST /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n", b"405", b"there is nothing here to change\n"),
        (b"GET /metrics HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n", b"403", b"this page is for this machine only\n"),
        (b"\x16\x03\x01 nonsense\r\n\r\n", b"400", b"this is no HTTP request\n"),
        (b"\r\n\r\n", b"400", b"this is no HTTP request\n"),
    ],
)
async def test_requests_and_answers(request_: bytes, status: bytes, body: bytes) -> None:
    endpoint = Endpoint("127.0.0.1", 0, lambda: "the page\n")
    await endpoint.start()
    try:
        head, _, reported = (await asked(endpoint.port, request_)).partition(b"\r\n\r\n")
        assert head.split()[1] == status
        assert reported == body
    finally:
        await endpoint.close()


async def test_slow_large_and_too_many_requests_are_hung_up_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(metrics_endpoint, "REQUEST_S", 0.2)
    monkeypatch.setattr(metrics_endpoint, "MOST_READERS", 2)
    endpoint = Endpoint("127.0.0.1", 0, lambda: "the page\n")
    await endpoint.start()
    try:
        assert await asked(endpoint.port, b"GET /metrics HTTP/1.1\r\nHost: lo") == b""
        assert await asked(endpoint.port, b"GET /" + b"x" * 1_000_000) == b""
        # Those that only hold their connection give way to one that asks.
        idle = [await asyncio.open_connection("127.0.0.1", endpoint.port) for _ in range(5)]
        assert b"the page" in await asked(endpoint.port, b"GET /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n")
        for reader, writer in idle:
            assert await asyncio.wait_for(reader.read(), 5.0) == b""
            writer.close()
    finally:
        await endpoint.close()


async def test_a_port_in_use_is_told_and_a_page_asked_without_pause_is_made_once() -> None:
    made = []

    def make() -> str:
        made.append(1)
        return "the page\n"

    endpoint = Endpoint("127.0.0.1", 0, make)
    await endpoint.start()
    try:
        with pytest.raises(UserError, match="give another address or port"):
            Endpoint("127.0.0.1", endpoint.port, make)
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        for _ in range(20):
            await asked(endpoint.port, b"GET /metrics HTTP/1.1\r\n\r\n")
        assert len(made) <= 1 + (loop.time() - began_s) / metrics_endpoint.FRESH_S
    finally:
        await endpoint.close()
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection("127.0.0.1", endpoint.port)


def test_a_health_file_is_replaced_as_a_whole_and_trouble_is_said_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    caplog.set_level(logging.INFO)
    file = HealthFile(tmp_path / "health.prom")
    file.write("one\n")
    with file.path.open() as reader:
        file.write("two\n")
        assert reader.read() == "one\n"
    assert file.path.read_text() == "two\n"
    assert file.path.stat().st_mode & 0o777 == 0o644

    def refuse(_self: Path, _target: Path) -> Path:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", refuse)
        file.write("three\n")
        file.write("three\n")
    assert file.path.read_text() == "two\n"
    file.write("four\n")
    assert file.path.read_text() == "four\n"
    assert [record.levelname for record in caplog.records] == ["WARNING", "INFO"]
    assert "No space left" in caplog.text
    assert list(tmp_path.iterdir()) == [file.path]
