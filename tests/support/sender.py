"""The instruments of a rig, for tests: readings at their rates, through whatever broker there is, back as soon as it is."""

import asyncio
import contextlib
import json
import struct
import time
from collections.abc import AsyncIterator

from monitor.adapters.mqtt.address import BrokerUrl
from monitor.config.rig import Rig

STEP_S = 0.05


def field(data: bytes) -> bytes:
    """A text as MQTT writes it."""
    return struct.pack(">H", len(data)) + data


def packet(first: int, body: bytes) -> bytes:
    """An MQTT packet."""
    out, size = bytearray((first,)), len(body)
    while True:
        size, digit = divmod(size, 128)
        out.append(digit | (0x80 if size else 0))
        if not size:
            return bytes(out) + body


def hello(client_id: str, user: str | None = None, password: str | None = None) -> bytes:
    """A CONNECT for a clean session, without keepalive."""
    flags, more = 0x02, b""
    if user is not None and password is not None:
        flags, more = 0xC2, field(user.encode()) + field(password.encode())
    return packet(0x10, field(b"MQTT") + bytes((4, flags, 0, 0)) + field(client_id.encode()) + more)


def message(topic: str, payload: bytes) -> bytes:
    """A PUBLISH at QoS 0."""
    return packet(0x30, field(topic.encode()) + payload)


class Instruments:
    """Every sensor of `rig`, sending a standing machine's readings with the source's time, the drum with sequence numbers."""

    def __init__(self, rig: Rig, url: BrokerUrl) -> None:
        self.url = url
        self._rig = rig
        self.sent = 0
        """Messages given to a connection that stood."""
        self.ticks = 0
        """Steps of 50 ms; the drum's sequence number."""
        self.connected = False

    async def run(self) -> None:
        """Send until cancelled."""
        while True:
            with contextlib.suppress(OSError, asyncio.IncompleteReadError, TimeoutError):
                await self._send()
            self.connected = False
            await asyncio.sleep(STEP_S)

    async def _send(self) -> None:
        url = self.url
        context = url.tls_context()
        async with asyncio.timeout(2.0):
            reader, writer = await asyncio.open_connection(url.host, url.port, ssl=context)
        try:
            writer.write(hello("instruments", url.user, url.password))
            async with asyncio.timeout(2.0):
                answer = await reader.readexactly(4)
            assert answer[3] == 0, f"the broker refuses the instruments: {answer!r}"
            self.connected = True
            due = time.monotonic()
            while not reader.at_eof():
                writer.write(self._readings())
                async with asyncio.timeout(2.0):
                    await writer.drain()
                due = max(due + STEP_S, time.monotonic())
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(due - time.monotonic()):
                        await reader.read(100)
        finally:
            writer.transport.abort()

    def _readings(self) -> bytes:
        now_ms = time.time_ns() // 1_000_000
        out = b""
        self.ticks += 1
        for place, sensor in enumerate(self._rig.sensors):
            every = max(1, round(1 / (sensor.rate_hz or 20) / STEP_S))
            if (self.ticks + place) % every:
                continue
            wobble = (self.ticks * 7 + place) % 5
            document: dict[str, float] = {"value": 1_000_000 if sensor.sequence else wobble % 2, "t": now_ms}
            if sensor.sequence:
                document["seq"] = self.ticks
            elif sensor.si.dimension != "switch":
                document["value"] = 20 + wobble / 10
            else:
                document["value"] = 0
            out += message(self._rig.topic(sensor), json.dumps(document).encode())
            self.sent += 1
        return out


@contextlib.asynccontextmanager
async def running(instruments: Instruments) -> AsyncIterator[Instruments]:
    """The instruments at work."""
    task = asyncio.create_task(instruments.run())
    try:
        yield instruments
    finally:
        task.cancel()
        await asyncio.wait([task])
