"""The browser's end of several apps, one after another in one process: the page stays, what is typed goes to the present one."""

import os
from codecs import getincrementaldecoder
from collections.abc import Callable
from threading import Lock
from typing import ClassVar

from textual._xterm_parser import XTermParser
from textual.drivers._byte_stream import ByteStream
from textual.drivers.web_driver import WebDriver


class InTurnDriver(WebDriver):
    """Textual's driver for browsers, without its word that the end of an app is the end of the page."""

    at_quit: ClassVar[Callable[[], None]] = staticmethod(lambda: None)
    """Called in the loop when the page wants the process to end, whichever app is shown."""
    _turn: ClassVar[Lock] = Lock()
    """Held by the driver that reads: the next one begins when the one before has let go."""
    _stream: ClassVar[ByteStream] = ByteStream()
    """One for all: what one driver has begun to read, the next one reads to its end."""

    def stop_application_mode(self) -> None:
        """Stop reading; the page waits for the next app, or for the end of the process."""
        self.exit_event.set()
        self._input_reader.close()

    def run_input_thread(self) -> None:
        """Read what the page sends, until this app ends."""
        parser = XTermParser(debug=self._debug)
        decode = getincrementaldecoder("utf-8")().decode
        with self._turn:
            for data in self._input_reader:
                for kind, payload in self._stream.feed(data) if data else ():
                    if kind == "D":
                        for event in parser.feed(decode(payload)):
                            self.process_message(event)
                    else:
                        self._on_meta(kind, payload)
                for event in parser.tick():
                    self.process_message(event)

    def on_meta(self, packet_type: str, payload: dict[str, object]) -> None:
        """Take a word of the page's server. The next app begins with the window's present size."""
        if packet_type == "resize":
            os.environ["COLUMNS"], os.environ["ROWS"] = str(payload["width"]), str(payload["height"])
        elif packet_type == "quit":
            self._loop.call_soon_threadsafe(type(self).at_quit)
        super().on_meta(packet_type, payload)
