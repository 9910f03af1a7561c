"""The simulated rig on the air: frames of a session published to an MQTT broker when their time has come."""

import asyncio
import math
from collections.abc import Callable, Iterable, Iterator
from typing import Final, TypeVar

import aiomqtt

from monitor.adapters.mqtt.address import BrokerUrl
from monitor.errors import UserError
from monitor.model.stream import Clock, Frame
from simulators.delivery.pace import PACE_TOPIC, Pacer

C = TypeVar("C", bound=Clock)

AGAIN_S: Final = 1.0
"""Real time between two attempts to reach a broker that went away."""
OLD_S: Final = 0.5
"""A frame whose time passed so long ago while there was no broker is not sent any more: a sensor's gateway keeps none either."""


class Publisher:
    """Publishes frames, each at its time, to one broker; through its restarts unless told to end with it."""

    def __init__(self, url: BrokerUrl, pacer: Pacer | None = None, once: bool = False) -> None:
        """With `pacer`, how far it has come is published on `simulators.delivery.pace.PACE_TOPIC`. With `once` it ends when its
        broker goes."""
        self._url = url
        self._pacer = pacer
        self._once = once
        self._retained: dict[str, Frame] = {}
        self.sent = 0
        self.skipped = 0
        """Frames whose time passed while there was no broker."""

    async def run(
        self,
        frames: Callable[[C | None], Iterable[Frame]],
        start: Callable[[], C | None],
        on_lost: Callable[[str], None] = lambda _: None,
        on_found: Callable[[], None] = lambda: None,
    ) -> int:
        """Publish what `frames(clock)` gives, each at its time by the clock (None: as fast as it goes). Returns how many.

        `start` is called once the broker has answered, and gives the clock. Frames marked as retained are published with
        the retain flag, and again to a broker that came back. QoS 0: a lost reading is followed by the next one. `on_lost` and
        `on_found` are called when the broker goes and comes back.

        Raises:
            UserError: the broker cannot be reached at first, or, with `once`, goes away.
        """
        clock: C | None = None
        coming: Iterator[Frame] | None = None
        pending: list[Frame] = []
        while True:
            try:
                async with self._client() as client:
                    if coming is None:
                        clock = await asyncio.to_thread(start)
                        coming = iter(frames(clock))
                    else:
                        on_found()
                        for frame in self._retained.values():
                            await client.publish(frame.topic, frame.payload, qos=0, retain=True)
                    await self._send(client, clock, coming, pending)
                    return self.sent
            except aiomqtt.MqttError as error:
                words = f"{self._url}: the simulated rig cannot publish there ({error})"
                if self._once or coming is None:
                    raise UserError(f"{words}: is the broker running?") from None
                on_lost(words)
            if not await self._wait(clock, coming, pending):
                return self.sent

    def _client(self) -> aiomqtt.Client:
        return aiomqtt.Client(
            self._url.host,
            self._url.port,
            username=self._url.user,
            password=self._url.password,
            tls_context=self._url.tls_context(),
            timeout=10,
            max_queued_outgoing_messages=0,
        )

    async def _send(
        self, client: aiomqtt.Client, clock: C | None, coming: Iterator[Frame], pending: list[Frame]
    ) -> None:
        """Send what is `pending`, then what is `coming`; a frame that could not be sent is left in `pending`."""
        pacer = self._pacer
        rate = clock.rate if clock is not None else math.inf
        while True:
            if not pending:
                frame = next(coming, None)
                if frame is None:
                    return
                pending.append(frame)
            frame = pending[0]
            if clock is not None:
                ahead = (frame.t_ns - clock.now_ns()) * 1e-9 / rate
                if ahead > 0.0005:
                    await asyncio.sleep(ahead)
            elif self.sent % 200 == 0:
                await asyncio.sleep(0)
            if pacer is not None and (mark := pacer.before(frame.t_ns)) is not None:
                await client.publish(PACE_TOPIC, mark, qos=0)
            await client.publish(frame.topic, frame.payload, qos=0, retain=frame.retained)
            pending.clear()
            if pacer is not None:
                pacer.sent(frame.topic)
            if frame.retained:
                self._retained[frame.topic] = frame
            self.sent += 1

    async def _wait(self, clock: C | None, coming: Iterator[Frame], pending: list[Frame]) -> bool:
        """Let time pass until the next attempt; frames whose time passes meanwhile are left out. False when none is left."""
        await asyncio.sleep(AGAIN_S)
        if clock is None:
            return True
        old_ns = clock.now_ns() - round(OLD_S * clock.rate * 1e9)
        while not pending or pending[0].t_ns < old_ns:
            if pending:
                if pending[0].retained:
                    self._retained[pending[0].topic] = pending[0]
                pending.clear()
                self.skipped += 1
            frame = next(coming, None)
            if frame is None:
                return False
            pending.append(frame)
        return True
