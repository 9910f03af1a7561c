"""The live source: readings from an MQTT broker. It subscribes and listens; it cannot publish and leaves no will.

Every message is handed on the moment the library has read it, with the time of that moment: nothing waits, so nothing can
pile up. A busy monitor reads slower, the network holds the sender back, and memory stays bounded; a message that is
larger than any reading is cut while it comes in.

A lost connection is made anew with a fresh client, at most 1.5 s after the attempt before, for as long as it takes. Why
there is no connection is told in words a person on the rig can act on.
"""

import asyncio
import contextlib
import logging
import secrets
import socket
import ssl
from collections.abc import Callable, Sequence
from typing import Any, Final, Protocol

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt import client as mqtt
from paho.mqtt.reasoncodes import ReasonCode

from monitor.adapters.address import BrokerUrl, BrokerUrlError, short_reason
from monitor.adapters.address import parse_broker_url as parse_broker_url

LOG = logging.getLogger(__name__)

FIRST_DELAY_S: Final = 0.2
LAST_DELAY_S: Final = 1.5
"""Pause between attempts: grows from the first to the last, and starts over after a connection."""
ANSWER_S: Final = 5.0
"""How long a broker may take to answer."""
KEEPALIVE_S: Final = 5
"""A frozen broker is noticed after about twice this; stale sensors are noticed much earlier."""
MAX_PACKET_BYTES: Final = 1 << 20
"""A message is cut here while it is read; the core refuses it by its length."""
RECEIVE_BYTES: Final = 1 << 18
"""What the system may hold for us unread: more would only make late readings look fresh."""
READS: Final = 32
"""Messages read in a row before the rest of the monitor gets its turn."""

OnMessage = Callable[[int, str, bytes, bool], None]
OnState = Callable[[bool, str], None]


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


class _Closed(aiomqtt.MqttError):
    """The broker closed the connection before it answered."""


class _Capped(bytearray):
    """What the library has read of a packet; it stops growing at `MAX_PACKET_BYTES`."""

    def __iadd__(self, data: Any) -> "_Capped":  # type: ignore[misc]
        room = MAX_PACKET_BYTES - len(self)
        if room > 0:
            super().__iadd__(data if len(data) <= room else data[:room])
        return self


class _Link(aiomqtt.Client):
    """One attempt's client, with what the library lacks for our purpose.

    It hands messages on from where they are read, several in a row; it notices at once when the broker hangs up instead
    of answering (the library waits for its time-out); it does not trip over a socket that has closed in the meantime;
    and it can be dropped without a farewell.
    """

    take: Callable[[str, bytes, bool], None]
    _taken = 0
    _dropped = False

    def _on_message(self, client: Any, userdata: Any, message: mqtt.MQTTMessage) -> None:
        self._taken += 1
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return  # no topic of ours
        self.take(topic, bytes(message.payload), message.retain)

    def _on_disconnect(self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None) -> None:
        if not self._connected.done() and not self._dropped:
            self._loop.call_soon_threadsafe(self._give_up)
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _give_up(self) -> None:
        if not self._connected.done() and not self._dropped:
            self._connected.set_exception(_Closed("closed before it answered"))

    def _on_socket_open(self, client: Any, userdata: Any, sock: Any) -> None:
        # Called from the thread that connects.
        self._loop.call_soon_threadsafe(self._watch_reading, client, sock)

    def _watch_reading(self, client: Any, sock: Any) -> None:
        if sock.fileno() >= 0:
            self._loop.add_reader(sock.fileno(), self._read, client)
            self._misc_task = self._loop.create_task(self._misc_loop())

    def _read(self, client: Any) -> None:
        try:
            for _ in range(READS):
                before = self._taken
                client.loop_read()
                packet = client._in_packet
                if type(packet["packet"]) is bytearray:
                    packet["packet"] = _Capped(packet["packet"])
                sock = client.socket()
                waiting = isinstance(sock, ssl.SSLSocket) and sock.pending() > 0
                if self._taken == before and not waiting:
                    return
            if waiting:  # decoded already: the socket will not become readable for it
                self._loop.call_soon(self._read, client)
        except Exception as error:  # whatever breaks the reading has broken the connection
            self._broken(error)

    def _on_socket_register_write(self, client: Any, userdata: Any, sock: Any) -> None:
        self._loop.call_soon_threadsafe(self._watch_writing, client, sock)

    def _watch_writing(self, client: Any, sock: Any) -> None:
        if sock.fileno() >= 0:
            self._loop.add_writer(sock.fileno(), self._write, client)

    def _write(self, client: Any) -> None:
        try:
            client.loop_write()
        except Exception as error:  # whatever breaks the writing has broken the connection
            self._broken(error)

    def _broken(self, error: Exception) -> None:
        if not self._disconnected.done():
            self._disconnected.set_exception(error)

    def drop(self) -> None:
        """Cut the connection, whatever state it is in."""
        self._dropped = True
        wire = self._client.socket()
        if isinstance(wire, socket.socket):
            with contextlib.suppress(OSError):
                wire.shutdown(socket.SHUT_RDWR)

    @property
    def lost(self) -> "asyncio.Future[None]":
        """Done when the connection is gone."""
        return self._disconnected


class MqttSource:
    """Listens to `topics` on the broker at `url` until cancelled."""

    def __init__(
        self,
        url: BrokerUrl,
        topics: Sequence[str],
        clock: Clock,
        on_message: OnMessage,
        on_state: OnState,
        client_id: str | None = None,
        keepalive_s: int = KEEPALIVE_S,
    ) -> None:
        """`on_message` gets arrival (ns), topic, payload and whether it is a retained message; `on_state` gets whether
        there is a connection and words for it, once per change. Both are called in the event loop's thread.

        `client_id` is the name told to the broker; None takes a random one, so that two monitors never collide.
        """
        self._url = url
        self._topics = list(dict.fromkeys(topics))
        self._clock = clock
        self._on_message = on_message
        self._on_state = on_state
        self._keepalive_s = keepalive_s
        self._named = client_id is not None
        self.client_id = client_id or f"stopmark-{secrets.token_hex(4)}"
        self._state: tuple[bool, str] | None = None
        self._fault: asyncio.Future[None] | None = None
        self.received = 0
        """Messages handed on."""
        self.connections = 0
        """Times that a connection stood."""

    async def run(self) -> None:
        """Connect, subscribe, listen, and again, until cancelled.

        Raises:
            Exception: whatever `on_message` raised; a fault in the monitor itself must not pass unseen.
        """
        delay_s = FIRST_DELAY_S
        self._fault = asyncio.get_running_loop().create_future()
        while True:
            before = self.connections
            words = await self._attempt()
            if self._fault.done():
                await self._fault
            if self.connections > before:
                delay_s = FIRST_DELAY_S
            self._tell(False, words)
            await asyncio.sleep(delay_s)
            delay_s = min(2 * delay_s, LAST_DELAY_S)

    async def _attempt(self) -> str:
        """One connection, from its start to its end. Why it ended, in words."""
        refusal = _Refusal()
        logger = logging.Logger("mqtt-link", logging.ERROR)
        logger.addHandler(refusal)
        try:
            link = _Link(
                self._url.host,
                self._url.port,
                username=self._url.user,
                password=self._url.password,
                logger=logger,
                identifier=self.client_id,
                protocol=aiomqtt.ProtocolVersion.V311,  # 5 makes an object of properties for every message
                timeout=ANSWER_S,
                keepalive=self._keepalive_s,
                clean_session=True,
                socket_options=[(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BYTES)],
                tls_context=await asyncio.to_thread(self._url.tls_context),
            )
        except BrokerUrlError as error:
            return str(error)
        link.take = self._take
        try:
            await self._connect(link)
            await self._listen(link)
        except (aiomqtt.MqttError, OSError) as error:
            link.drop()
            words = explain(error, self._url, self.client_id, refusal.last)
            if words.endswith("was lost") and self._named:  # few brokers say that a name was taken over
                words += f"; if this goes on, another client may be using the name {self.client_id}"
            return words
        return f"the connection to {self._url} ended"

    async def _connect(self, link: _Link) -> None:
        # Cancelling the library while its thread connects would leave a connected client behind that nobody holds.
        connecting = asyncio.ensure_future(link.__aenter__())
        try:
            await asyncio.shield(connecting)
        except asyncio.CancelledError:
            connecting.add_done_callback(lambda done: None if done.cancelled() or done.exception() else link.drop())
            raise

    async def _listen(self, link: _Link) -> None:
        assert self._fault is not None
        try:
            refused = []
            if self._topics:
                codes = await link.subscribe([(topic, 0) for topic in self._topics])
                refused = [topic for topic, code in zip(self._topics, codes, strict=False) if _value(code) >= 0x80]
            self.connections += 1
            words = f"connected to {self._url}"
            if refused:
                words += f", but the broker refuses to send {', '.join(refused)}: check the rights of this user"
            self._tell(True, words)
            await asyncio.wait((link.lost, self._fault), return_when=asyncio.FIRST_COMPLETED)
            if link.lost.done():
                await link.lost
        finally:
            await self._leave(link)

    async def _leave(self, link: _Link) -> None:
        if link.lost.done():
            with contextlib.suppress(Exception):
                link.lost.exception()
        try:
            async with asyncio.timeout(1.0):
                await link.__aexit__(None, None, None)
        except (aiomqtt.MqttError, OSError, TimeoutError):
            link.drop()

    def _tell(self, connected: bool, words: str) -> None:
        if self._state != (connected, words):
            self._state = connected, words
            LOG.info("%s", words)
            self._on_state(connected, words)

    def _take(self, topic: str, payload: bytes, retained: bool) -> None:
        t_ns = self._clock.now_ns()
        fault = self._fault
        if topic.startswith("$") or fault is None or fault.done():
            return
        self.received += 1
        try:
            self._on_message(t_ns, topic, payload, retained)
        except Exception as error:
            fault.set_exception(error)


def _value(code: Any) -> int:
    return code.value if isinstance(code, ReasonCode) else int(code or 0)


_BY_CODE: Final = {
    0x84: "the broker does not speak MQTT 3.1.1",
    0x85: "the broker refuses the client name {name}",
    0x86: "wrong user or password",
    0x87: "the broker does not let this user in: check user and password",
    0x88: "the broker is not ready to serve",
    0x8D: "nothing was heard for too long: is the broker frozen, or the network cut?",
}
"""Reason codes as the library gives them (those of MQTT 5, to which it translates), in our words."""


def explain(error: BaseException, url: BrokerUrl, client_id: str = "", wire: str = "") -> str:
    """Why there is no connection, in words that say what to do. `wire`: the library's last log line on its socket."""
    place = f"{url.host}:{url.port}"
    cause = error if isinstance(error, OSError) else (error.__context__ or error)
    if isinstance(cause, ssl.SSLCertVerificationError):
        reason = cause.verify_message
        return f"{place}: the broker's certificate is not trusted ({reason}): check ca in the credentials file"
    if isinstance(cause, ssl.SSLError):
        if "WRONG_VERSION" in str(cause) or "RECORD_LAYER" in str(cause):
            return f"{place} does not speak TLS: use mqtt:// or the port for TLS"
        return f"{place}: TLS failed ({cause.reason or cause})"
    if isinstance(cause, socket.gaierror):
        return f"unknown host {url.host!r}: check the name in the broker's address"
    if isinstance(cause, ConnectionRefusedError):
        return f"nothing answers at {place}: is the broker running, and is this its port?"
    if isinstance(error, aiomqtt.MqttError) and str(error) == "Operation timed out":
        return f"{place} accepts connections but does not answer: is the broker frozen, and is this its port?"
    if isinstance(cause, TimeoutError):
        return f"{place} does not answer: is the machine reachable, is a firewall in between?"
    if isinstance(error, aiomqtt.MqttCodeError) and error.rc is not None:
        code = _value(error.rc)
        if code in _BY_CODE and (isinstance(error, MqttConnectError) or code >= 0x80):
            return f"{place}: {_BY_CODE[code].format(name=client_id)}"
    if "CERTIFICATE_REQUIRED" in wire or "HANDSHAKE_FAILURE" in wire.upper().replace(" ", "_"):
        return f"{place} asks for a client certificate: give cert and key in the credentials file"
    if "ALERT" in wire.upper():
        return f"{place} refuses the monitor's certificate ({_alert(wire)}): check cert and key in the credentials file"
    if isinstance(error, _Closed):
        hint = "" if url.tls else ", or the port wants mqtts://"
        return f"{place} closed the connection instead of answering: it may not be an MQTT broker{hint}"
    if isinstance(cause, OSError):
        return f"{place} cannot be reached ({short_reason(cause)})"
    return f"the connection to {place} was lost"


def _alert(wire: str) -> str:
    """The TLS alert's own name, out of a log line."""
    for word in wire.replace("]", " ").split():
        if "ALERT" in word:
            return word.split("ALERT_")[-1].lower().replace("_", " ")
    return "TLS alert"
