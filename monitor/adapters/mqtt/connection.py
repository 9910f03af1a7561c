"""One attempt's connection to a broker: the library's client, made to read fast and to notice when nobody is there."""

import asyncio
import logging
import socket
import ssl
import time
from collections.abc import Callable
from typing import Any, Final

import aiomqtt

from monitor.adapters.mqtt.address import BrokerUrl
from monitor.adapters.mqtt.packets import PacketReader
from monitor.model.stream import Frame

CONNECT_S: Final = 3.0
"""How long a connection may take to stand; a fresh attempt connects sooner than the system's own retries."""
ANSWER_S: Final = 5.0
"""How long a broker may take to answer."""
RECEIVE_BYTES: Final = 1 << 18
"""What the system may hold for us unread: more would only make late readings look fresh."""
LOOK_S: Final = 0.25
ASK_LOOKS: Final = 3
"""Looks in silence after which the broker is asked whether it is there."""
GIVE_UP_LOOKS: Final = 9
"""Looks in silence after which it is given up. Looks are counted, not seconds: a monitor that slept is no dead broker."""
PACKET_LOOKS: Final = 20
"""Looks after which a message that still has not come in whole is given up: it holds up all others."""
CHUNK_BYTES: Final = 1 << 16
READ_TURN_S: Final = 0.01
"""Longest turn of reading before the rest of the monitor gets its own. Longer than that of taking: what is not read in a
flood grows old unseen in the network, what is read and not taken is dropped and counted."""


class Closed(aiomqtt.MqttError):
    """The broker closed the connection before it answered."""


class Silent(aiomqtt.MqttError):
    """Nothing came for too long."""


class Slow(aiomqtt.MqttError):
    """One message takes so long to come in that it holds up all others."""


class Connection(aiomqtt.Client):
    """The client of one attempt, with what the library lacks for our purpose.

    It reads the socket itself, in large pieces, and leaves to the library only what is no message. It notices at once when the
    broker closes the connection instead of answering (the library waits for its time-out), and soon when it falls silent. It
    accepts that a socket has closed in the meantime, and can be dropped without a close message.
    """

    def __init__(
        self,
        url: BrokerUrl,
        client_id: str,
        keepalive_s: int,
        tls_context: ssl.SSLContext | None,
        logger: logging.Logger,
        reader: PacketReader,
        now_ns: Callable[[], int],
        most: Callable[[], int],
        on_frames: Callable[[list[Frame]], None],
    ) -> None:
        """`reader` makes frames of what is read, stamped with `now_ns`, for `on_frames`; `most` says how many messages of a
        topic are wanted out of one piece (0: all). `logger` gets what the library has to say about the socket."""
        super().__init__(
            url.host,
            url.port,
            username=url.user,
            password=url.password,
            logger=logger,
            identifier=client_id,
            protocol=aiomqtt.ProtocolVersion.V311,  # nothing of 5 is needed
            timeout=ANSWER_S,
            keepalive=keepalive_s,
            clean_session=True,
            socket_options=[(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BYTES)],
            tls_context=tls_context,
        )
        self.reader: Final = reader
        self._now_ns = now_ns
        self._most = most
        self._on_frames = on_frames
        self._client.connect_timeout = CONNECT_S
        self._client._sock_recv = self._read_for_library  # type: ignore[method-assign]
        self._for_library = bytearray()
        self._end: OSError | bytes | None = None
        self._received = True
        self._dropped = False

    # --- reading ----------------------------------------------------------------------------------------------------

    def _on_socket_open(self, client: Any, userdata: Any, sock: Any) -> None:
        # Called from the thread that connects.
        self._loop.call_soon_threadsafe(self._watch_reading, sock)

    def _watch_reading(self, sock: Any) -> None:
        if sock.fileno() >= 0:
            self._loop.add_reader(sock.fileno(), self._read)
            self._misc_task = self._loop.create_task(self._misc_loop())

    def _read(self) -> None:
        try:
            end = time.perf_counter() + READ_TURN_S
            while (sock := self._client.socket()) is not None:
                try:
                    piece = sock.recv(CHUNK_BYTES)
                except (BlockingIOError, InterruptedError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                    return
                except OSError as error:
                    self._end = error
                    self._client.loop_read()  # it logs why, closes, and tells
                    return
                if not piece:
                    self._end = b""
                    self._client.loop_read()
                    return
                self._received = True
                frames, rest = self.reader.feed(self._now_ns(), piece, self._most())
                if frames:
                    self._on_frames(frames)
                if rest:
                    self._for_library += rest
                    while self._for_library and self._client.socket() is not None:
                        self._client.loop_read()
                secret = isinstance(sock, ssl.SSLSocket)
                if not secret and len(piece) < CHUNK_BYTES:
                    return
                if time.perf_counter() > end:
                    if secret:  # what is decoded already does not make the socket readable
                        self._loop.call_soon(self._read)
                    return
        except Exception as error:  # whatever breaks the reading has broken the connection
            self._broken(error)

    def _read_for_library(self, bufsize: int) -> bytes:
        """What the library reads, in place of the socket."""
        if self._for_library:
            piece = bytes(self._for_library[:bufsize])
            del self._for_library[:bufsize]
            return piece
        if self._end is None:
            raise BlockingIOError
        if isinstance(self._end, OSError):
            raise self._end
        return self._end

    # --- writing ----------------------------------------------------------------------------------------------------

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

    # --- the end of it ----------------------------------------------------------------------------------------------

    async def _misc_loop(self) -> None:
        """Keep the connection alive, and give it up when the broker is silent. Replaces the library's own loop."""
        silent = unasked = slow = packets = 0
        while self._client.socket() is not None:
            await asyncio.sleep(LOOK_S)
            silent = 0 if self._received else silent + 1
            self._received = False
            slow = slow + 1 if self.reader.inside_packet and self.reader.packets == packets else 0
            packets = self.reader.packets
            unasked += 1
            if not self._connected.done():
                continue  # the library waits for the answer
            if silent >= GIVE_UP_LOOKS:
                self._broken(Silent())
            elif slow >= PACKET_LOOKS:
                self._broken(Slow())
            elif silent == ASK_LOOKS or unasked * LOOK_S >= self._keepalive / 2:
                unasked = 0
                self._ask()

    def _ask(self) -> None:
        try:
            self._client._send_pingreq()
        except Exception as error:  # as in writing
            self._broken(error)

    def _on_disconnect(self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None) -> None:
        if not self._connected.done() and not self._dropped:
            self._loop.call_soon_threadsafe(self._give_up, Closed("closed before it answered"))
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _give_up(self, error: Exception) -> None:
        if not self._connected.done() and not self._dropped:
            self._connected.set_exception(error)

    def _broken(self, error: Exception) -> None:
        if not self._connected.done():
            self._give_up(error)
        elif not self._disconnected.done():
            self._disconnected.set_exception(error)
        self.drop()

    def drop(self) -> None:
        """Cut the connection, whatever state it is in."""
        self._dropped = True
        self._client._sock_close()

    @property
    def lost(self) -> "asyncio.Future[None]":
        """Done when the connection is gone."""
        return self._disconnected
