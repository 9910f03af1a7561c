"""One attempt's connection to a broker: the library's client, taught to read fast and to notice when nobody is there."""

import asyncio
import ssl
import time
from collections.abc import Callable
from typing import Any, Final

import aiomqtt

from monitor.adapters.mqtt.packets import Message, Wire

CONNECT_S: Final = 3.0
"""How long a connection may take to stand; a fresh attempt knocks sooner than the system's own retries."""
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
    """Nothing was heard for too long."""


class Slow(aiomqtt.MqttError):
    """One message takes so long to come in that it holds up all others."""


class Link(aiomqtt.Client):
    """One attempt's client, with what the library lacks for our purpose.

    It reads the socket itself, in large pieces, and leaves the library only what is no message; it notices at once when
    the broker hangs up instead of answering (the library waits for its time-out), and soon when it falls silent; it does
    not trip over a socket that has closed in the meantime; and it can be dropped without a farewell.
    """

    wire: Wire
    take: Callable[[list[Message]], None]
    most: Callable[[], int]
    """How many messages of a topic are wanted out of one piece; 0: all."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._client.connect_timeout = CONNECT_S
        self._client._sock_recv = self._left  # type: ignore[method-assign]
        self._for_library = bytearray()
        self._end: OSError | bytes | None = None
        self._heard = True
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
                self._heard = True
                messages, rest = self.wire.feed(piece, self.most())
                if messages:
                    self.take(messages)
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

    def _left(self, bufsize: int) -> bytes:
        """What the library reads in place of the socket."""
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
        """Show the broker that we are there, and see that it is."""
        silent = unasked = slow = packets = 0
        while self._client.socket() is not None:
            await asyncio.sleep(LOOK_S)
            silent = 0 if self._heard else silent + 1
            self._heard = False
            slow = slow + 1 if self.wire.amid and self.wire.packets == packets else 0
            packets = self.wire.packets
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
