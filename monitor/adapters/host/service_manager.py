"""Talking to the service manager: readiness, one line of status, and signs of life (the protocol of sd_notify, systemd).

Messages are datagrams of ``WORD=value`` lines to the socket named in NOTIFY_SOCKET; without one, nothing is sent. The socket is
opened once, so that signs of life still go out when the process has no file handle left. It never blocks: a service manager
that does not listen must not hold up the watch.
"""

import os
import socket
from collections.abc import Mapping
from typing import Final

from monitor.text import one_line

_STATUS_CHARACTERS: Final = 200


class Notifier:
    """The service manager that started this process, if there is one."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._socket: socket.socket | None = None
        self._status = ""
        self.watchdog_s: float | None = None
        """Longest time between two signs of life that it allows, s; None when it wants none."""
        name = environment.get("NOTIFY_SOCKET", "")
        if not name.startswith(("/", "@")) or not hasattr(socket, "AF_UNIX"):
            return
        # "@" stands for the null byte of an abstract address, which has no file.
        address = "\0" + name[1:] if name.startswith("@") else name
        wire = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        try:
            wire.setblocking(False)
            wire.connect(address)
        except OSError:
            wire.close()
            return
        self._socket = wire
        self.watchdog_s = _watchdog_s(environment)

    @property
    def listens(self) -> bool:
        """Whether there is a service manager."""
        return self._socket is not None

    def ready(self) -> bool:
        """Report the start: what depends on this service may start. False when the message did not get through."""
        return self._send("READY=1")

    def status(self, words: str) -> None:
        """Send one line of status, when it has changed."""
        words = one_line(words)[:_STATUS_CHARACTERS]
        if words != self._status and self._send(f"STATUS={words}"):
            self._status = words

    def alive(self) -> None:
        """Send a sign of life."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """Report that the end has begun."""
        self._send("STOPPING=1")

    def close(self) -> None:
        """Close the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, line: str) -> bool:
        if self._socket is not None:
            try:
                self._socket.send(line.encode("utf-8", "replace"))
            except OSError:  # it has no room for more just now, or is gone
                return False
        return True


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    """WATCHDOG_USEC, where it is meant for this process."""
    if environment.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    try:
        microseconds = int(environment.get("WATCHDOG_USEC", ""))
    except ValueError:
        return None
    return microseconds * 1e-6 if microseconds > 0 else None
