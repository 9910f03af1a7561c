"""The screen in a browser: one monitor that records, and a process per browser that only shows.

    browser ── websocket ── server ── pipe ── viewer process (the screen)
                              │                  │  hub: loopback TCP
                            core, recorder ──────┘  pictures out, the crew's actions in

The core runs once, in the process that records; viewers get its snapshots and have no core of their own. So every screen
shows the same height, the same alarms and the same references taken, from the first moment, and what one crew member
acknowledges is recorded once and seen by all.

Imports ui, runtime and what stands below them; neither report nor commands. Begin with `server`, then `hub` and `viewer`.
"""

from typing import TYPE_CHECKING

from monitor.errors import UserError

if TYPE_CHECKING:
    from monitor.web.server import WebPage

LOOPBACK = "127.0.0.1"
PORT = 8100


def listen(address: str | None, port: int | None) -> "WebPage":
    """A web page that has its port already and serves nothing yet; None takes the defaults.

    Raises:
        UserError: the extra is not installed, or address and port cannot be used.
    """
    try:
        from monitor.web.server import WebPage
    except ModuleNotFoundError as error:
        if (error.name or "").split(".")[0] not in ("textual_serve", "aiohttp", "aiohttp_jinja2", "jinja2"):
            raise
        raise UserError('the browser needs textual-serve: pip install "stopmark[web]"') from None
    return WebPage(LOOPBACK if address is None else address, PORT if port is None else port)
