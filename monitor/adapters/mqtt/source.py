"""The live source: readings from an MQTT broker. It subscribes and listens; it cannot publish and leaves no will.

What the socket holds is read at once and stamped with the time of that moment (`connection`, `packets`). What cannot be
handed on at once waits in a bounded queue that drops the oldest and counts them (`inbox`). Reading and handing on both work in
short turns, so that the rest of the monitor goes on whatever comes in.

After a lost connection, a fresh client connects again, at most 1.5 s after the attempt before, for as long as it takes. Each
attempt looks the broker's name up again and reads the certificates again: a broker that moved, or a renewed certificate, needs
no restart. A broker that falls silent is asked within a second, and given up 1.5 s later. Why there is no connection, or
nothing comes over it, is said in words that a person on the rig can act on.
"""

import asyncio
import contextlib
import logging
import secrets
import time
from collections.abc import Callable, Sequence
from typing import Final

import aiomqtt
from aiomqtt.exceptions import MqttConnectError

from monitor.adapters.mqtt.address import BrokerUrl, BrokerUrlError
from monitor.adapters.mqtt.connection import Connection
from monitor.adapters.mqtt.connection_errors import LOST, Failure, code_of, explain
from monitor.adapters.mqtt.inbox import Inbox
from monitor.adapters.mqtt.packets import PacketReader
from monitor.model.stream import Clock, Frame

LOG = logging.getLogger(__name__)

AT_ONCE_S: Final = 0.05
"""Pause after a lost connection. A broker that ended is not back by then; one that gave our place to another client is."""
FIRST_DELAY_S: Final = 0.2
LAST_DELAY_S: Final = 1.5
"""From the start of one attempt to the next, if that did not take longer: grows from the first to the last."""
KEEPALIVE_S: Final = 5
"""Keep-alive time of MQTT: we send at least this often, and the broker drops us after one and a half times this."""
SILENT_S: Final = 3.0
"""A connection over which nothing comes for so long is reported as silent."""
UNHEARD_S: Final = 10.0
"""So long after connecting, topics without any message are named."""
TWIN_S: Final = 15.0
"""A connection that the broker ends sooner, and then grants again at once, may have been taken over by another client of the
same name, a twin."""
TWIN_TIMES: Final = 3
TWIN_DELAY_S: Final = 10.0
TAKE_TURN_S: Final = 0.004
"""Longest turn of handing on before the rest of the monitor gets its own."""

CROWD: Final = 256
"""While more comes than can be handed on, so many of the newest messages are read out of a piece, equally many of each topic."""

OnFrame = Callable[[Frame], None]
OnState = Callable[[bool, str], None]
OnDropped = Callable[[int], None]


class _SocketErrors(logging.Handler):
    """Keeps the last error that the library logged about its socket: the only place that says why TLS failed."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.last = ""

    def emit(self, record: logging.LogRecord) -> None:
        text = record.getMessage()
        if "socket" in text or "SSL" in text:
            self.last = text


class MqttSource:
    """Listens to `topics` on the broker at `url` until cancelled."""

    def __init__(
        self,
        url: BrokerUrl,
        topics: Sequence[str],
        clock: Clock,
        on_frame: OnFrame,
        on_state: OnState,
        client_id: str | None = None,
        keepalive_s: int = KEEPALIVE_S,
        on_dropped: OnDropped | None = None,
    ) -> None:
        """`on_frame` gets every message as it arrived. `on_state` gets whether there is a connection, and words for it, once per
        change. `on_dropped` gets the number of messages dropped so far, whenever it has grown. All are called in the event
        loop's thread.

        `client_id` is the name given to the broker; None takes a random one, so that two monitors never collide.
        """
        self._url = url
        self._topics = list(dict.fromkeys(topics))
        self._names = {topic.encode(): topic for topic in self._topics if not topic.startswith("$")}
        self._has_wildcard = any(mark in topic for topic in self._topics for mark in "+#")
        self._clock = clock
        self._on_frame = on_frame
        self._on_state = on_state
        self._on_dropped = on_dropped
        self._keepalive_s = keepalive_s
        self._given_id = client_id
        self._renamed = False
        self.client_id = client_id or f"stopmark-{secrets.token_hex(4)}"
        self._state: tuple[bool, str] | None = None
        self._all_well = f"connected to {url}"
        """Words for a connection over which everything comes; all others are a warning in the log."""
        self._fault: asyncio.Future[None] | None = None
        self._inbox = Inbox()
        self._handing_on = False
        self._silent_topics: set[str] = set()
        self._message_s = 0.0
        self.received = 0
        """Messages handed on."""
        self._foreign = self._left_out = 0
        self._dropped_reported = 0
        self._reader: PacketReader | None = None
        self.connections = 0
        """Times that a connection stood."""

    @property
    def foreign(self) -> int:
        """Messages under topics that nobody asked for; no sound broker sends any."""
        return self._foreign + (self._reader.foreign if self._reader is not None else 0)

    @property
    def dropped(self) -> int:
        """Messages dropped because they came faster than they could be handed on."""
        left_out = self._left_out + (self._reader.dropped if self._reader is not None else 0)
        return self._inbox.dropped + left_out

    @property
    def waiting(self) -> int:
        """Messages read that were not handed on yet."""
        return len(self._inbox)

    async def run(self) -> None:
        """Connect, subscribe, listen, and again, until cancelled.

        Raises:
            Exception: whatever `on_frame` raised; a fault in the monitor itself must not pass unseen.
        """
        delay_s = FIRST_DELAY_S
        losses = 0
        loop = asyncio.get_running_loop()
        self._fault = loop.create_future()
        try:
            while True:
                before, start_s = self.connections, loop.time()
                words, ended = await self._attempt()
                if self._fault.done():
                    await self._fault
                lasted_s = loop.time() - start_s
                if self.connections > before:
                    delay_s = FIRST_DELAY_S
                    losses = losses + 1 if ended and lasted_s < TWIN_S else 0
                    pause_s = AT_ONCE_S
                else:
                    losses = 0
                    pause_s = max(FIRST_DELAY_S, delay_s - lasted_s)
                if losses >= TWIN_TIMES:
                    hint, pause_s = self._avoid_twin()
                    words += hint
                self._report_state(False, words)
                await asyncio.sleep(pause_s)
                delay_s = min(2 * delay_s, LAST_DELAY_S)
        finally:
            if not self._fault.done():
                self._fault.cancel()

    def _avoid_twin(self) -> tuple[str, float]:
        """Words about another client that takes every connection away, and the pause before the next attempt, s."""
        if self._given_id is None or self._renamed:
            return (
                f" again and again: does another client take our place? Next attempt in {TWIN_DELAY_S:.0f} s",
                TWIN_DELAY_S,
            )
        self._renamed = True
        self.client_id = f"{self._given_id}-{secrets.token_hex(4)}"
        return f": another client uses the name {self._given_id}; this monitor is now {self.client_id}", FIRST_DELAY_S

    async def _attempt(self) -> tuple[str, bool]:
        """Make one connection and use it to its end. Returns why it ended, in words, and whether the broker just ended it."""
        socket_errors = _SocketErrors()
        logger = logging.Logger("mqtt-link", logging.ERROR)
        logger.addHandler(socket_errors)
        try:
            tls_context = await asyncio.to_thread(self._url.tls_context)
        except BrokerUrlError as error:
            return str(error), False
        self._foreign = self.foreign
        self._left_out += self._reader.dropped if self._reader is not None else 0
        self._reader = PacketReader(self._names, self._has_wildcard)
        connection = Connection(
            self._url,
            self.client_id,
            self._keepalive_s,
            tls_context,
            logger,
            self._reader,
            self._clock.now_ns,
            self._wanted_per_topic,
            self._on_frames,
        )
        try:
            await self._connect(connection)
            await self._listen(connection)
        except (aiomqtt.MqttError, OSError) as error:
            words = explain(Failure(error, self._url, self.client_id, socket_errors.last))
            ended = words.endswith(LOST)
            if (
                self._renamed
                and isinstance(error, MqttConnectError)
                and error.rc is not None
                and code_of(error.rc) == 0x85
            ):
                self.client_id = self._given_id or self.client_id  # it insists on the name
            elif (
                ended and self._given_id is not None and not self._renamed
            ):  # few brokers say that a name was taken over
                words += f"; if this goes on, another client may be using the name {self.client_id}"
            connection.drop()
            return words, ended
        return f"the connection to {self._url} ended", True

    async def _connect(self, connection: Connection) -> None:
        # Cancelling the library while its thread connects would leave a connected client behind that nobody holds.
        connecting = asyncio.ensure_future(connection.__aenter__())
        try:
            await asyncio.shield(connecting)
        except asyncio.CancelledError:
            connecting.add_done_callback(
                lambda done: None if done.cancelled() or done.exception() else connection.drop()
            )
            raise

    async def _listen(self, connection: Connection) -> None:
        assert self._fault is not None
        try:
            refused = await self._subscribe(connection, self._topics)
            self.connections += 1
            self._silent_topics = set(self._names.values()) if not self._has_wildcard else set()
            start_s = self._message_s = time.monotonic()
            while True:
                self._report_state(True, self._words_when_connected(connection, refused, start_s))
                await asyncio.wait(
                    (connection.lost, self._fault), timeout=LAST_DELAY_S, return_when=asyncio.FIRST_COMPLETED
                )
                if connection.lost.done():
                    await connection.lost
                    return
                if self._fault.done():
                    return
                if refused:
                    refused = await self._subscribe(connection, refused)
        finally:
            await self._close(connection)

    async def _subscribe(self, connection: Connection, topics: list[str]) -> list[str]:
        """Ask for `topics`. Returns those that the broker refuses."""
        if not topics:
            return []
        asking = asyncio.ensure_future(connection.subscribe([(topic, 0) for topic in topics]))
        try:
            await asyncio.wait((asking, connection.lost), return_when=asyncio.FIRST_COMPLETED)
            if connection.lost.done():
                await connection.lost
            codes = await asking
        finally:
            asking.cancel()
        return [topic for topic, code in zip(topics, codes, strict=False) if code_of(code) >= 0x80]

    def _words_when_connected(self, connection: Connection, refused: list[str], start_s: float) -> str:
        """What to say of a connection that stands."""
        now_s = time.monotonic()
        if refused:
            return f"connected, but {self._url} refuses to send {_some(refused)}: check the rights of this user"
        if self._topics and now_s - self._message_s >= SILENT_S:
            return f"connected, but {self._url} sends nothing: do the sensors send, and may this user read them?"
        if self._silent_topics and now_s - start_s >= UNHEARD_S:
            return f"connected, but nothing comes of {_some(sorted(self._silent_topics))}: does it send, may this user read it?"
        if connection.reader.foreign:
            return f"connected, but {self._url} sends topics nobody asked for: they are not taken"
        return self._all_well

    async def _close(self, connection: Connection) -> None:
        if connection.lost.done():
            with contextlib.suppress(Exception):
                connection.lost.exception()
        try:
            async with asyncio.timeout(1.0):
                await connection.__aexit__(None, None, None)
        except (aiomqtt.MqttError, OSError, TimeoutError):
            pass
        finally:
            connection.drop()

    def _report_state(self, connected: bool, words: str) -> None:
        if self._state != (connected, words):
            self._state = connected, words
            all_well = connected and words == self._all_well
            LOG.log(logging.INFO if all_well else logging.WARNING, "%s", words)
            self._on_state(connected, words)

    def _wanted_per_topic(self) -> int:
        return max(4, CROWD // len(self._names)) if self._names and self._inbox.crowded else 0

    def _on_frames(self, frames: list[Frame]) -> None:
        self._inbox.put(frames)
        dropped = self.dropped
        if dropped != self._dropped_reported:
            self._dropped_reported = dropped
            if self._on_dropped is not None:
                self._on_dropped(dropped)
        if not self._handing_on:
            self._handing_on = True
            self._hand_on()

    def _hand_on(self) -> None:
        """Hand frames on for one turn; the next turn comes after the rest of the monitor had its own."""
        inbox, silent, fault = self._inbox, self._silent_topics, self._fault
        end = time.perf_counter() + TAKE_TURN_S
        try:
            while inbox:
                if fault is None or fault.done():
                    return
                if time.perf_counter() > end:
                    asyncio.get_running_loop().call_soon(self._hand_on)
                    return
                frame = inbox.take()
                self.received += 1
                if silent:
                    silent.discard(frame.topic)
                self._on_frame(frame)
            self._handing_on = False
        except Exception as error:
            assert fault is not None
            fault.set_exception(error)
        finally:
            self._message_s = time.monotonic()


def _some(topics: Sequence[str]) -> str:
    """The first of `topics`, and how many more."""
    return topics[0] if len(topics) == 1 else f"{topics[0]} and {len(topics) - 1} more"
