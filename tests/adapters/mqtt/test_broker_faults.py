"""What a broker and the way to it can do to a live monitor: each is announced in time, said in words, and got over."""

import asyncio
import contextlib
import gc
import os
import re
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.mqtt import connection, source
from tests.adapters.mqtt.faults_of_broker import BROKER_FAULTS, outcome_of
from tests.adapters.mqtt.test_source import Listener, listening, publish
from tests.support.broker import Certificates, Mosquitto, sending, until
from tests.support.sender import packet

STALE_S = 1.0
"""When half of the land rig's sensors count as silent."""
GRID_S = 0.1
"""Stream time that an alarm may take on top: rules look at it every 50 ms."""
BACK_S = 2.0
BUSY_S = 4.0
"""What a busy machine may take on top, beside three times what the senders take to be back."""
MakeBroker = Callable[..., Mosquitto]


@pytest.mark.parametrize("name", BROKER_FAULTS)
async def test_announced_in_the_stale_time_and_back_within_two_seconds(
    name: str, make_broker: object, certificates: object
) -> None:
    # The fixtures are named for what they need: mosquitto and openssl.
    outcome = await outcome_of(name)
    assert outcome.silent_s <= STALE_S + GRID_S
    assert outcome.back_s <= BACK_S + BUSY_S + 3 * outcome.sent_s
    assert outcome.twice == 0
    assert outcome.wrote == []


async def test_a_broker_that_moved_is_found_by_its_name(
    make_broker: MakeBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = {"rig-broker.test": "127.0.0.1"}
    real = socket.getaddrinfo

    def look_up(host: Any, *args: Any, **options: Any) -> Any:
        return real(place.get(host, host), *args, **options)

    monkeypatch.setattr(socket, "getaddrinfo", look_up)
    old = make_broker()
    async with listening(Listener(f"mqtt://rig-broker.test:{old.port}", ["rig/a"])) as heard:
        await until(lambda: heard.connected, "a connection")
        old.stop()
        await until(lambda: "nothing answers at rig-broker.test" in heard.words, "words for it")
        new = make_broker(address="127.0.0.2", port=old.port)
        place["rig-broker.test"] = new.address
        await until(lambda: heard.connected, "the connection to where it is now")
        await until(lambda: heard.source.client_id in new.text(), "the monitor in the new broker's log")


async def test_a_broker_at_another_port_is_not_guessed_at_but_said(make_broker: MakeBroker, tmp_path: Path) -> None:
    broker = make_broker()
    async with listening(Listener(broker.url, ["rig/a"])) as heard:
        await until(lambda: heard.connected, "a connection")
        broker.stop()
        make_broker()
        await until(lambda: f"nothing answers at 127.0.0.1:{broker.port}" in heard.words, "words for it")
        assert "is this its port?" in heard.words


async def test_twins_with_one_name_part_ways(broker: Mosquitto) -> None:
    async with (
        listening(Listener(broker.url, ["rig/a"], client_id="monitor-one")) as one,
        listening(Listener(broker.url, ["rig/a"], client_id="monitor-one")) as two,
    ):
        renamed = re.compile("another client uses the name monitor-one; this monitor is now monitor-one-")
        await until(
            lambda: any(renamed.search(words) for heard in (one, two) for _, words in heard.states),
            "one of them takes another name",
        )
        await until(lambda: one.connected and two.connected, "both are there")
        before = one.source.connections + two.source.connections
        await publish(broker, ("rig/a", b"1"))
        await until(lambda: one.messages != [] and two.messages != [], "both hear")
        await publish(broker, *(("rig/a", b"%d" % number) for number in range(200)))
        await until(lambda: len(one.messages) == len(two.messages) == 201, "both go on hearing")
        assert one.source.connections + two.source.connections == before <= 10
        assert one.source.client_id != two.source.client_id


async def test_twins_that_the_broker_names_by_their_user_take_turns_without_haste(make_broker: MakeBroker) -> None:
    broker = make_broker(users={"crew": "a"}, extra=["use_username_as_clientid true"])
    both = [Listener(broker.url, ["rig/a"], STOPMARK_MQTT_USER="crew", STOPMARK_MQTT_PASSWORD="a") for _ in range(2)]
    async with listening(both[0]), listening(both[1]):
        await until(
            lambda: any("does another client take our place?" in heard.words for heard in both), "one of them says so"
        )
        first = sum(heard.source.connections for heard in both)
        assert first <= 2 * source.TWIN_TIMES + 2
        await until(lambda: any(heard.connected for heard in both), "the other has the place")
        loop = asyncio.get_running_loop()
        end_s = loop.time() + 3.0
        await until(lambda: loop.time() > end_s, "three seconds pass")
        assert sum(heard.source.connections for heard in both) <= first + 2


async def test_a_renamed_monitor_takes_its_name_back_where_only_that_is_let_in(tmp_path: Path) -> None:
    names: list[str] = []

    async def picky(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """A broker that lets in one name only, and ends each connection once it is subscribed."""
        head = await reader.readexactly(2)
        name = (await reader.readexactly(head[1]))[12:].decode()
        names.append(name)
        writer.write(packet(0x20, b"\x00\x00" if name == "monitor-one" else b"\x00\x02"))
        head = await reader.read(2)
        if len(head) == 2:
            asked = await reader.readexactly(head[1])
            writer.write(packet(0x90, asked[:2] + b"\x00"))
            await until(lambda: heard.source.connections >= names.count("monitor-one"), "the connection stands")
        writer.close()

    server = await asyncio.start_server(picky, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    heard = Listener(f"mqtt://127.0.0.1:{port}", ["rig/a"], client_id="monitor-one")
    async with server, listening(heard):
        await until(lambda: len(names) >= source.TWIN_TIMES + 2, f"attempts under another name and back: {names}")
        assert any("refuses the client name monitor-one-" in words for _, words in heard.states)
    assert names[: source.TWIN_TIMES] == ["monitor-one"] * source.TWIN_TIMES
    assert names[source.TWIN_TIMES].startswith("monitor-one-")
    assert names[source.TWIN_TIMES + 1] == "monitor-one"


async def test_a_topic_refused_is_named_and_asked_for_again() -> None:
    asked: list[bytes] = []

    async def refuse_twice(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """A broker that refuses the second topic at first."""
        head = await reader.readexactly(2)
        await reader.readexactly(head[1])
        writer.write(packet(0x20, b"\x00\x00"))
        while len(head := await reader.read(2)) == 2:
            body = await reader.readexactly(head[1])
            if head[0] == 0x82:
                asked.append(body)
                codes = b"\x00\x80" if len(asked) == 1 else b"\x80" if len(asked) == 2 else b"\x00"
                writer.write(packet(0x90, body[:2] + codes))
            elif head[0] == 0xC0:
                writer.write(packet(0xD0, b""))
            else:
                break
        writer.close()

    server = await asyncio.start_server(refuse_twice, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with server, listening(Listener(f"mqtt://127.0.0.1:{port}", ["rig/a", "rig/b"])) as heard:
        await until(lambda: heard.said("refuses to send rig/b: check the rights"), "words for it")
        await until(lambda: len(asked) == 3, "it is asked for again")
        await until(lambda: "refuses" not in heard.words, "the words end")
    assert [b"rig/a" in body for body in asked] == [True, False, False]


async def test_a_topic_that_never_speaks_is_named(broker: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "UNHEARD_S", 0.5)
    async with listening(Listener(broker.url, ["rig/a", "rig/b"])) as heard:
        await until(lambda: heard.connected, "a connection")
        async with sending(broker, lambda _: [("rig/a", "1")]):
            await until(lambda: "nothing comes of rig/b" in heard.words, "words for it")
            await publish(broker, ("rig/b", b"1"))
            await until(lambda: heard.words == f"connected to {broker.url}", "the words end")


async def test_a_message_that_drips_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "PACKET_LOOKS", 4)
    seen = 0

    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """A broker that sends its message byte by byte, for as long as anybody listens."""
        nonlocal seen
        seen += 1
        head = await reader.readexactly(2)
        await reader.readexactly(head[1])
        writer.write(packet(0x20, b"\x00\x00"))
        head = await reader.readexactly(2)
        asked = await reader.readexactly(head[1])
        writer.write(packet(0x90, asked[:2] + b"\x00") + b"\x30\x7f\x00\x05rig/a")
        while not writer.transport.is_closing():
            writer.write(b" ")
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(0.1):
                    await reader.read(10)
            if reader.at_eof():
                break
        writer.close()

    server = await asyncio.start_server(drip, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with server, listening(Listener(f"mqtt://127.0.0.1:{port}", ["rig/a"])) as heard:
        await until(lambda: heard.said("took too long to come in"), "words for it")
        await until(lambda: seen >= 2, "a new connection")


async def test_cycles_of_loss_and_return_leave_nothing_behind(broker: Mosquitto, certificates: Certificates) -> None:
    def standing() -> tuple[int, int, int]:
        gc.collect()
        # asyncio's own pool (names are looked up in it) takes one more thread whenever its others are busy, up to a bound.
        threads = [thread for thread in threading.enumerate() if not thread.name.startswith("asyncio_")]
        return len(os.listdir("/proc/self/fd")), len(threads), len(asyncio.all_tasks())

    async def cycle(number: int) -> None:
        broker.stop()
        await until(lambda: not heard.connected, "the loss")
        await until(lambda: "nothing answers" in heard.words, "words")
        broker.start()
        await until(lambda: heard.source.connections == number, "the return")
        heard.states.clear()
        heard.states.append((True, ""))

    async with listening(Listener(broker.url, ["rig/a"])) as heard:
        await until(lambda: heard.connected, "a connection")
        for number in range(2, 5):
            await cycle(number)
        before, objects = standing(), len(gc.get_objects())
        for number in range(5, 12):
            await cycle(number)
        await until(lambda: standing() == before, f"what the last cycle had is given back: {before}, not {standing()}")
        grown = len(gc.get_objects()) - objects
        await publish(broker, ("rig/a", b"1"))
        await until(lambda: heard.messages != [], "a message")
    assert grown < 70, "objects left behind by seven cycles"


async def test_a_port_that_speaks_something_else_is_told() -> None:
    async def chatter(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 service ready, who are you? " * 10)
        await reader.read(1000)
        writer.close()

    server = await asyncio.start_server(chatter, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with server, listening(Listener(f"mqtt://127.0.0.1:{port}", ["rig/a"])) as heard:
        await until(lambda: heard.words != "", "words")
    assert "MQTT" in heard.words
