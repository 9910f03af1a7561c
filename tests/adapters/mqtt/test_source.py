"""The live source against a real mosquitto: it comes back, it says why it cannot, and it never publishes."""

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.mqtt import source
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.mqtt.packets import MAX_PACKET_BYTES
from monitor.adapters.mqtt.source import MqttSource
from monitor.core.sensors.decoder import MAX_PAYLOAD
from monitor.model.stream import Frame
from tests.support.broker import GRACE_S, Certificates, Mosquitto, free_port, until

MakeBroker = Callable[..., Mosquitto]


class Listener:
    """A running source and everything it said."""

    def __init__(
        self,
        url: str,
        topics: Sequence[str],
        credentials: Path | None = None,
        client_id: str | None = None,
        keepalive_s: int = 5,
        **env: str,
    ) -> None:
        self.messages: list[Frame] = []
        self.states: list[tuple[bool, str]] = []
        self.clock = StreamClock.live()
        self.source = MqttSource(
            parse_broker_url(url, env, credentials),
            topics,
            self.clock,
            self.messages.append,
            lambda connected, words: self.states.append((connected, words)),
            client_id,
            keepalive_s,
        )

    @property
    def connected(self) -> bool:
        return bool(self.states) and self.states[-1][0]

    @property
    def words(self) -> str:
        return self.states[-1][1] if self.states else ""

    def said(self, words: str) -> bool:
        """Whether it has said so at any time: some words stand for a hundredth of a second only."""
        return any(words in said for _, said in self.states)

    @property
    def losses(self) -> int:
        """How often a connection was lost."""
        return sum(was and not now for (was, _), (now, _) in pairwise(self.states))

    def payloads(self) -> list[bytes]:
        return [message.payload for message in self.messages]


@contextlib.asynccontextmanager
async def listening(listener: Listener) -> AsyncIterator[Listener]:
    task = asyncio.create_task(listener.source.run())
    try:
        yield listener
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def publish(broker: Mosquitto, *messages: tuple[str, bytes], retain: bool = False) -> None:
    async with aiomqtt.Client("127.0.0.1", broker.port, identifier="test-sender", timeout=GRACE_S) as client:
        for topic, payload in messages:
            await client.publish(topic, payload, qos=1, retain=retain)


async def test_messages_arrive_in_order_with_a_rising_stamp(broker: Mosquitto) -> None:
    async with listening(Listener(broker.url, ["rig/a", "rig/b"])) as heard:
        await until(lambda: heard.connected, "a connection")
        before_ns = heard.clock.now_ns()
        await publish(broker, *((f"rig/{'ab'[i % 2]}", b"%d" % i) for i in range(200)), ("rig/c", b"not asked for"))
        await until(lambda: len(heard.messages) >= 200, "200 messages")
        stamps = [message.t_ns for message in heard.messages]
    assert heard.payloads() == [b"%d" % i for i in range(200)]
    assert [message.topic for message in heard.messages[:4]] == ["rig/a", "rig/b", "rig/a", "rig/b"]
    assert stamps == sorted(stamps)
    assert before_ns <= stamps[0]
    assert stamps[-1] <= heard.clock.now_ns()
    assert not any(message.retained for message in heard.messages)


async def test_any_bytes_pass_unchanged(broker: Mosquitto) -> None:
    payloads = [b"", b"NaN", b"1e999", b"\xff\xfe\x00", b"[red]x", bytes(range(256)) * 4000]
    async with listening(Listener(broker.url, ["rig/a"])) as heard:
        await until(lambda: heard.connected, "a connection")
        await publish(broker, *(("rig/a", payload) for payload in payloads))
        await until(lambda: len(heard.messages) >= len(payloads), "all payloads")
    assert heard.payloads() == payloads


async def test_a_giant_message_is_cut_while_it_comes_in_and_the_next_is_whole(make_broker: MakeBroker) -> None:
    broker = make_broker(quiet=True)
    async with listening(Listener(broker.url, ["rig/a"])) as heard:
        await until(lambda: heard.connected, "a connection")
        await publish(broker, ("rig/a", bytes(100_000_000)), ("rig/a", b"after"))
        await until(lambda: len(heard.messages) == 2, "both messages")
    giant, after = heard.payloads()
    assert MAX_PAYLOAD < len(giant) <= MAX_PACKET_BYTES
    assert after == b"after"
    assert heard.source.connections == 1


@pytest.mark.parametrize("tls", [False, True])
async def test_a_burst_arrives_whole_and_in_order(
    make_broker: MakeBroker, certificates: Certificates, tmp_path: Path, tls: bool
) -> None:
    """Of several pieces of the network, and so small that it may wait whole even where this machine stalls meanwhile."""
    broker = make_broker(tls=certificates if tls else None, quiet=True, extra=["max_queued_messages 0"])
    credentials = tmp_path / "credentials.toml"
    credentials.touch(0o600)
    credentials.write_text(f'ca = "{certificates.ca}"\n', encoding="utf-8")
    url = broker.tls_url if tls else broker.url
    login = parse_broker_url(url, {}, credentials if tls else None)
    async with listening(Listener(url, ["rig/a"], credentials if tls else None)) as heard:
        await until(lambda: heard.connected, "a connection")
        async with aiomqtt.Client(login.host, broker.port, tls_context=login.tls_context(), timeout=GRACE_S) as client:
            for number in range(1000):
                await client.publish("rig/a", b"%0100d" % number)
            await until(lambda: len(heard.messages) == 1000, "the whole burst")
    assert heard.payloads() == [b"%0100d" % number for number in range(1000)]


class Pauses:
    """What the source knows as asyncio; it notes the pauses that are asked for, whatever they come to on a busy machine."""

    def __init__(self) -> None:
        self.asked_s: list[float] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(asyncio, name)

    async def sleep(self, seconds: float) -> None:
        self.asked_s.append(seconds)
        await asyncio.sleep(seconds)


async def test_it_returns_within_two_seconds_after_the_broker_does(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    pauses = Pauses()
    monkeypatch.setattr(source, "asyncio", pauses)
    async with listening(Listener(broker.url, ["rig/a"])) as heard:
        await until(lambda: heard.connected, "a connection")
        broker.stop()
        await until(lambda: not heard.connected, "the loss is noticed")
        await until(lambda: "nothing answers" in heard.words, "words for it")
        await until(lambda: len(pauses.asked_s) >= 6, "attempts")
        broker.start()
        await until(lambda: heard.connected, "the connection is back")
        await publish(broker, ("rig/a", b"1"))
        await until(lambda: heard.messages != [], "a message after the return")
        broker.stop()
        broker.start()
        await until(lambda: heard.source.connections == 3, "the connection is back once more")
        await publish(broker, ("rig/a", b"2"))
        await until(lambda: len(heard.messages) == 2, "a message after the second return")
    assert heard.payloads() == [b"1", b"2"]
    # However long it was away: an attempt that is refused takes no time, and the next is never further off than this.
    assert pauses.asked_s[0] < 0.1
    assert max(pauses.asked_s) <= 1.5


async def test_a_frozen_broker_is_noticed_and_its_thaw_too(broker: Mosquitto) -> None:
    async with listening(Listener(broker.url, ["rig/a"], keepalive_s=1)) as heard:
        await until(lambda: heard.connected, "a connection")
        broker.freeze()
        await until(lambda: not heard.connected, "the freeze is noticed")
        assert heard.said("nothing was heard for too long")
        broker.resume()
        await until(lambda: heard.connected, "the connection is back")
        await publish(broker, ("rig/a", b"1"))
        await until(lambda: heard.messages != [], "a message after the thaw")
    assert heard.payloads() == [b"1"]


async def test_it_waits_for_a_broker_that_is_not_there_yet(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    async with listening(Listener(broker.url, ["rig/a"])) as heard:
        await until(lambda: "nothing answers" in heard.words, "words for it")
        assert f"127.0.0.1:{broker.port}" in heard.words
        broker.start()
        try:
            await until(lambda: heard.connected, "a connection")
        finally:
            broker.stop()


async def test_a_wrong_password_is_named_and_never_shown(make_broker: MakeBroker) -> None:
    broker = make_broker(users={"crew": "right-secret"})
    wrong = Listener(broker.url, ["rig/a"], STOPMARK_MQTT_USER="crew", STOPMARK_MQTT_PASSWORD="wrong-secret")
    async with listening(wrong) as heard:
        await until(lambda: heard.words != "", "words")
    assert "user" in heard.words
    assert "password" in heard.words
    assert not any("secret" in words for _, words in heard.states)
    right = Listener(broker.url, ["rig/a"], STOPMARK_MQTT_USER="crew", STOPMARK_MQTT_PASSWORD="right-secret")
    async with listening(right) as heard:
        await until(lambda: heard.connected, "a connection with the right password")
    assert not any("secret" in words for _, words in heard.states)


async def test_a_retained_message_carries_its_flag_and_a_fresh_one_does_not(broker: Mosquitto) -> None:
    await publish(broker, ("rig/a", b"old"), retain=True)
    async with listening(Listener(broker.url, ["rig/a"])) as heard:
        await until(lambda: heard.messages != [], "the retained message")
        await publish(broker, ("rig/a", b"new"), retain=True)
        await until(lambda: len(heard.messages) == 2, "the fresh message")
    assert [(message.payload, message.retained) for message in heard.messages] == [(b"old", True), (b"new", False)]


async def test_rights_denied_in_silence_raise_nothing(make_broker: MakeBroker) -> None:
    broker = make_broker(
        users={"crew": "a", "sender": "b"}, acl="user crew\ntopic read rig/a\nuser sender\ntopic rig/#\n"
    )
    crew = Listener(broker.url, ["rig/a", "rig/b"], STOPMARK_MQTT_USER="crew", STOPMARK_MQTT_PASSWORD="a")
    async with listening(crew) as heard:
        await until(lambda: heard.connected, "a connection")
        async with aiomqtt.Client("127.0.0.1", broker.port, username="sender", password="b", timeout=GRACE_S) as sender:
            for payload in (b"1", b"2"):
                await sender.publish("rig/b", payload, qos=1)
                await sender.publish("rig/a", payload, qos=1)
        await until(lambda: len(heard.messages) == 2, "what the rights allow")
    assert [message.topic for message in heard.messages] == ["rig/a", "rig/a"]
    assert heard.connected


async def test_topics_of_the_broker_itself_are_not_passed_on(broker: Mosquitto) -> None:
    async with listening(Listener(broker.url, ["#", "$SYS/#", "$stopmark/#"])) as heard:
        await until(lambda: heard.connected, "a connection")
        await publish(broker, ("$stopmark/health", b'{"recording": "on"}'), ("rig/a", b"1"))
        await until(lambda: heard.messages != [], "the plain message")
        await until(
            lambda: "Sending PUBLISH to stopmark-" in broker.text() and "$SYS" in broker.text(), "$SYS was sent"
        )
    assert [message.topic for message in heard.messages] == ["rig/a"]


async def test_the_log_shows_no_publish_and_no_will(broker: Mosquitto) -> None:
    async with listening(Listener(broker.url, ["rig/a"])) as heard:
        await until(lambda: heard.connected, "a connection")
        await publish(broker, ("rig/a", b"1"))
        await until(lambda: heard.messages != [], "a message")
        broker.stop()
        broker.start()
        await until(lambda: heard.source.connections == 2, "the connection is back")
    name = heard.source.client_id
    await until(lambda: f"Received DISCONNECT from {name}" in broker.text(), "its close message in the log")
    assert broker.published_by(name) == []
    assert broker.published_by("test-sender") != [], "the check itself must see a PUBLISH where there is one"
    assert broker.wills() == []
    assert f"Sending PUBLISH to {name}" in broker.text()


async def test_a_fault_of_the_monitor_itself_comes_out_of_run(broker: Mosquitto) -> None:
    def fail(*_: object) -> None:
        raise KeyError("a fault in the callback")

    states: list[bool] = []
    source = MqttSource(
        parse_broker_url(broker.url, {}),
        ["rig/a"],
        StreamClock.live(),
        fail,
        lambda connected, _: states.append(connected),
    )
    task = asyncio.create_task(source.run())
    await until(lambda: states == [True], "a connection")
    await publish(broker, ("rig/a", b"1"), ("rig/a", b"2"))
    with pytest.raises(KeyError, match="a fault in the callback"):
        await asyncio.wait_for(task, GRACE_S)


async def test_a_name_taken_by_a_twin_is_suspected_and_the_source_returns(broker: Mosquitto) -> None:
    async with listening(Listener(broker.url, ["rig/a"], client_id="monitor-one")) as first:
        await until(lambda: first.connected, "a connection")
        with contextlib.suppress(aiomqtt.MqttError):  # the first may have its place back before this one leaves
            async with aiomqtt.Client("127.0.0.1", broker.port, identifier="monitor-one"):
                await until(lambda: first.losses > 0, "the loss")
        assert first.said("another client may be using the name monitor-one")
        await until(lambda: first.connected, "the connection is back")


async def test_tls_with_a_client_certificate(
    make_broker: MakeBroker, certificates: Certificates, tmp_path: Path
) -> None:
    broker = make_broker(tls=certificates, client_certificates=True)
    certificates.issue("monitor")
    credentials = tmp_path / "credentials.toml"
    credentials.touch(0o600)
    ca = f'ca = "{certificates.ca}"\n'

    credentials.write_text(
        ca + f'cert = "{certificates.folder}/monitor.pem"\nkey = "{certificates.folder}/monitor.key"\n',
        encoding="utf-8",
    )
    async with listening(Listener(broker.tls_url, ["rig/a"], credentials)) as heard:
        await until(lambda: heard.connected, "a connection with a certificate")

    credentials.write_text(ca, encoding="utf-8")
    async with listening(Listener(broker.tls_url, ["rig/a"], credentials)) as heard:
        await until(lambda: "asks for a client certificate" in heard.words, "words for the missing certificate")
        assert not heard.connected


async def test_certificates_that_do_not_fit_are_told(
    make_broker: MakeBroker, certificates: Certificates, tmp_path: Path
) -> None:
    broker = make_broker(tls=certificates)
    other = Certificates(tmp_path / "other")
    credentials = tmp_path / "credentials.toml"
    credentials.touch(0o600)
    credentials.write_text(f'ca = "{other.ca}"\n', encoding="utf-8")
    async with listening(Listener(broker.tls_url, [], credentials)) as heard:
        await until(lambda: "certificate is not trusted" in heard.words, f"words: {heard.states}")
    credentials.write_text(f'ca = "{certificates.ca}"\n', encoding="utf-8")
    async with listening(Listener(broker.tls_url.replace("localhost", "127.0.0.1"), [], credentials)) as heard:
        await until(lambda: "IP address mismatch" in heard.words, f"words: {heard.states}")
    async with listening(Listener(broker.tls_url.replace("mqtts", "mqtt"), [])) as heard:
        await until(lambda: "the port wants mqtts://" in heard.words, f"words: {heard.states}")


async def test_an_expired_certificate_is_told(
    make_broker: MakeBroker, certificates: Certificates, tmp_path: Path
) -> None:
    broker = make_broker(tls=certificates, client_certificates=True)
    cert = certificates.issue("old", days=-1)
    credentials = tmp_path / "credentials.toml"
    credentials.touch(0o600)
    lines = f'ca = "{certificates.ca}"\ncert = "{cert}"\nkey = "{cert.with_suffix(".key")}"\n'
    credentials.write_text(lines, encoding="utf-8")
    async with listening(Listener(broker.tls_url, [], credentials)) as heard:
        await until(lambda: "refuses the monitor's certificate (certificate expired" in heard.words, "words")


async def test_a_port_that_is_no_broker_is_told() -> None:
    async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        writer.close()

    server = await asyncio.start_server(hang_up, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with server, listening(Listener(f"mqtt://127.0.0.1:{port}", [])) as heard:
        await until(lambda: "may not be an MQTT broker" in heard.words, "words")


async def test_an_unknown_host_is_told() -> None:
    async with listening(Listener(f"mqtt://rig-broker.invalid:{free_port()}", [])) as heard:
        await until(lambda: heard.words != "", "words")
    assert "rig-broker.invalid" in heard.words
    assert not heard.connected


def test_the_log_warns_of_a_connection_over_which_not_everything_comes(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    source = Listener("mqtt://127.0.0.1", ["a"]).source
    source._report_state(True, "connected to mqtt://127.0.0.1:1883")
    source._report_state(True, "connected, but mqtt://127.0.0.1:1883 sends nothing")
    source._report_state(False, "nothing answers")
    assert [record.levelno for record in caplog.records] == [logging.INFO, logging.WARNING, logging.WARNING]
