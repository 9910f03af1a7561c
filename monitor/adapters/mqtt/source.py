"""The live source: readings from an MQTT broker. It subscribes and listens; it cannot publish and leaves no will.

What the socket holds is read at once and stamped with the time of that moment (`wire`); what cannot be taken at once waits
in a bounded queue that lets the oldest go and counts them (`inbox`). Reading and taking both work in short turns, so that
the rest of the monitor goes on whatever comes in.

A lost connection is made anew with a fresh client, at most 1.5 s after the attempt before, for as long as it takes. The
broker's name is looked up anew each time, and certificates are read anew: a broker that moved, or a renewed certificate,
needs no restart. A broker that falls silent is asked within a second, and given up 1.5 s later. Why there is no
connection, or nothing comes over it, is told in words a person on the rig can act on.
"""

import asyncio
import contextlib
import logging
import secrets
import time
from collections.abc import Callable, Sequence
from typing import Final, Protocol

import aiomqtt
from aiomqtt.exceptions import MqttConnectError

from monitor.adapters.mqtt.address import BrokerUrl, BrokerUrlError
from monitor.adapters.mqtt.connection import Link
from monitor.adapters.mqtt.connection_errors import LOST, Failure, code_of, explain
from monitor.adapters.mqtt.inbox import Inbox
from monitor.adapters.mqtt.packets import Wire
from monitor.model.stream import Frame

LOG = logging.getLogger(__name__)

AT_ONCE_S: Final = 0.05
"""Pause after a connection was lost: a broker that ended is not there then, one that gave our place to a twin is."""
FIRST_DELAY_S: Final = 0.2
LAST_DELAY_S: Final = 1.5
"""From the start of one attempt to the next, if that did not take longer: grows from the first to the last."""
KEEPALIVE_S: Final = 5
"""The broker hears from us at least this often, and forgets us after one and a half times this."""
SILENT_S: Final = 3.0
"""A connection over which nothing comes for so long is said to be silent."""
UNHEARD_S: Final = 10.0
"""So long after connecting, topics that have not spoken are named."""
TWIN_S: Final = 15.0
"""A connection that the broker ends sooner, and then grants again at once, may have been taken over by a twin."""
TWIN_TIMES: Final = 3
TWIN_DELAY_S: Final = 10.0
TAKE_TURN_S: Final = 0.004
"""Longest turn of handing on before the rest of the monitor gets its own."""

CROWD: Final = 256
"""While more comes than can be taken, so many of the newest messages are read out of a piece, an equal share of each topic."""

OnFrame = Callable[[Frame], None]
OnState = Callable[[bool, str], None]
OnDropped = Callable[[int], None]


class Clock(Protocol):
    """Whatever tells stream time."""

    def now_ns(self) -> int:
        """Stream time now."""


class _Refusal(logging.Handler):
    """Keeps the last thing the library logged about its socket: why TLS failed stands nowhere else."""

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
        """`on_frame` gets every message as it arrived; `on_state` gets whether
        there is a connection and words for it, once per change; `on_dropped` the number of messages dropped so far, when
        it has grown. All are called in the event loop's thread.

        `client_id` is the name told to the broker; None takes a random one, so that two monitors never collide.
        """
        self._url = url
        self._topics = list(dict.fromkeys(topics))
        self._names = {topic.encode(): topic for topic in self._topics if not topic.startswith("$")}
        self._wild = any(mark in topic for topic in self._topics for mark in "+#")
        self._clock = clock
        self._on_frame = on_frame
        self._on_state = on_state
        self._on_dropped = on_dropped
        self._keepalive_s = keepalive_s
        self._given = client_id
        self._renamed = False
        self.client_id = client_id or f"stopmark-{secrets.token_hex(4)}"
        self._state: tuple[bool, str] | None = None
        self._well = f"connected to {url}"
        """Words for a connection over which everything comes; all others are a warning in the log."""
        self._fault: asyncio.Future[None] | None = None
        self._inbox = Inbox()
        self._taking = False
        self._unheard: set[str] = set()
        self._message_s = 0.0
        self.received = 0
        """Messages handed on."""
        self._foreign = self._left_out = 0
        self._dropped_told = 0
        self._wire: Wire | None = None
        self.connections = 0
        """Times that a connection stood."""

    @property
    def foreign(self) -> int:
        """Messages under topics that nobody asked for: a broker that sends them is no sound one."""
        return self._foreign + (self._wire.foreign if self._wire is not None else 0)

    @property
    def dropped(self) -> int:
        """Messages that came faster than they could be taken, and were let go."""
        left_out = self._left_out + (self._wire.dropped if self._wire is not None else 0)
        return self._inbox.dropped + left_out

    async def run(self) -> None:
        """Connect, subscribe, listen, and again, until cancelled.

        Raises:
            Exception: whatever `on_frame` raised; a fault in the monitor itself must not pass unseen.
        """
        delay_s = FIRST_DELAY_S
        taken_over = 0
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
                    taken_over = taken_over + 1 if ended and lasted_s < TWIN_S else 0
                    pause_s = AT_ONCE_S
                else:
                    taken_over = 0
                    pause_s = max(FIRST_DELAY_S, delay_s - lasted_s)
                if taken_over >= TWIN_TIMES:
                    hint, pause_s = self._make_way()
                    words += hint
                self._tell(False, words)
                await asyncio.sleep(pause_s)
                delay_s = min(2 * delay_s, LAST_DELAY_S)
        finally:
            if not self._fault.done():
                self._fault.cancel()

    def _make_way(self) -> tuple[str, float]:
        """What to do about a twin that takes every connection away: words for it, and the pause before the next, s."""
        if self._given is None or self._renamed:
            return (
                f" again and again: does another client take our place? Next attempt in {TWIN_DELAY_S:.0f} s",
                TWIN_DELAY_S,
            )
        self._renamed = True
        self.client_id = f"{self._given}-{secrets.token_hex(4)}"
        return f": another client uses the name {self._given}; this monitor is now {self.client_id}", FIRST_DELAY_S

    async def _attempt(self) -> tuple[str, bool]:
        """One connection, from its start to its end. Why it ended, in words, and whether the broker just ended it."""
        refusal = _Refusal()
        logger = logging.Logger("mqtt-link", logging.ERROR)
        logger.addHandler(refusal)
        try:
            tls_context = await asyncio.to_thread(self._url.tls_context)
        except BrokerUrlError as error:
            return str(error), False
        self._foreign = self.foreign
        self._left_out += self._wire.dropped if self._wire is not None else 0
        self._wire = Wire(self._names, self._wild)
        link = Link(
            self._url,
            self.client_id,
            self._keepalive_s,
            tls_context,
            logger,
            self._wire,
            self._clock.now_ns,
            self._most,
            self._put,
        )
        try:
            await self._connect(link)
            await self._listen(link)
        except (aiomqtt.MqttError, OSError) as error:
            words = explain(Failure(error, self._url, self.client_id, refusal.last))
            ended = words.endswith(LOST)
            if (
                self._renamed
                and isinstance(error, MqttConnectError)
                and error.rc is not None
                and code_of(error.rc) == 0x85
            ):
                self.client_id = self._given or self.client_id  # it insists on the name
            elif ended and self._given is not None and not self._renamed:  # few brokers say that a name was taken over
                words += f"; if this goes on, another client may be using the name {self.client_id}"
            link.drop()
            return words, ended
        return f"the connection to {self._url} ended", True

    async def _connect(self, link: Link) -> None:
        # Cancelling the library while its thread connects would leave a connected client behind that nobody holds.
        connecting = asyncio.ensure_future(link.__aenter__())
        try:
            await asyncio.shield(connecting)
        except asyncio.CancelledError:
            connecting.add_done_callback(lambda done: None if done.cancelled() or done.exception() else link.drop())
            raise

    async def _listen(self, link: Link) -> None:
        assert self._fault is not None
        try:
            refused = await self._subscribe(link, self._topics)
            self.connections += 1
            self._unheard = set(self._names.values()) if not self._wild else set()
            start_s = self._message_s = time.monotonic()
            while True:
                self._tell(True, self._standing(link, refused, start_s))
                await asyncio.wait((link.lost, self._fault), timeout=LAST_DELAY_S, return_when=asyncio.FIRST_COMPLETED)
                if link.lost.done():
                    await link.lost
                    return
                if self._fault.done():
                    return
                if refused:
                    refused = await self._subscribe(link, refused)
        finally:
            await self._leave(link)

    async def _subscribe(self, link: Link, topics: list[str]) -> list[str]:
        """Ask for `topics`; those that the broker refuses."""
        if not topics:
            return []
        asking = asyncio.ensure_future(link.subscribe([(topic, 0) for topic in topics]))
        try:
            await asyncio.wait((asking, link.lost), return_when=asyncio.FIRST_COMPLETED)
            if link.lost.done():
                await link.lost
            codes = await asking
        finally:
            asking.cancel()
        return [topic for topic, code in zip(topics, codes, strict=False) if code_of(code) >= 0x80]

    def _standing(self, link: Link, refused: list[str], start_s: float) -> str:
        """Words for a connection that stands."""
        now_s = time.monotonic()
        if refused:
            return f"connected, but {self._url} refuses to send {_some(refused)}: check the rights of this user"
        if self._topics and now_s - self._message_s >= SILENT_S:
            return f"connected, but {self._url} sends nothing: do the sensors send, and may this user read them?"
        if self._unheard and now_s - start_s >= UNHEARD_S:
            return (
                f"connected, but nothing comes of {_some(sorted(self._unheard))}: does it send, may this user read it?"
            )
        if link.reader.foreign:
            return f"connected, but {self._url} sends topics nobody asked for: they are not taken"
        return self._well

    async def _leave(self, link: Link) -> None:
        if link.lost.done():
            with contextlib.suppress(Exception):
                link.lost.exception()
        try:
            async with asyncio.timeout(1.0):
                await link.__aexit__(None, None, None)
        except (aiomqtt.MqttError, OSError, TimeoutError):
            pass
        finally:
            link.drop()

    def _tell(self, connected: bool, words: str) -> None:
        if self._state != (connected, words):
            self._state = connected, words
            well = connected and words == self._well
            LOG.log(logging.INFO if well else logging.WARNING, "%s", words)
            self._on_state(connected, words)

    def _most(self) -> int:
        return max(4, CROWD // len(self._names)) if self._names and self._inbox.crowded else 0

    def _put(self, frames: list[Frame]) -> None:
        self._inbox.put(frames)
        dropped = self.dropped
        if dropped != self._dropped_told:
            self._dropped_told = dropped
            if self._on_dropped is not None:
                self._on_dropped(dropped)
        if not self._taking:
            self._taking = True
            self._take()

    def _take(self) -> None:
        """One turn of handing on; the next comes after the rest of the monitor had its own."""
        inbox, unheard, fault = self._inbox, self._unheard, self._fault
        end = time.perf_counter() + TAKE_TURN_S
        try:
            while inbox:
                if fault is None or fault.done():
                    return
                if time.perf_counter() > end:
                    asyncio.get_running_loop().call_soon(self._take)
                    return
                frame = inbox.take()
                self.received += 1
                if unheard:
                    unheard.discard(frame.topic)
                self._on_frame(frame)
            self._taking = False
        except Exception as error:
            assert fault is not None
            fault.set_exception(error)
        finally:
            self._message_s = time.monotonic()


def _some(topics: Sequence[str]) -> str:
    """The first of `topics`, and how many more."""
    return topics[0] if len(topics) == 1 else f"{topics[0]} and {len(topics) - 1} more"
