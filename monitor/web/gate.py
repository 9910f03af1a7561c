"""Access control: checks every request before anything else sees it.

On the loopback the request must be *addressed* to the loopback too: a page from elsewhere whose name was made to lead to
this machine (DNS rebinding) is refused. On any other address it must carry the cookie, which the first visit with the
token in the URL sets. A websocket must come from the page served here, loopback or not: browsers let any page open one to
any host, and send cookies along.
"""

import re
import secrets
from collections.abc import Callable
from typing import Final
from urllib.parse import urlsplit

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from monitor.adapters.host.loopback import is_loopback

COOKIE: Final = "stopmark"
HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; font-src 'self';"
        " img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-store",
    "Server": "stopmark",
}
"""Nothing is fetched from outside, nothing frames the page, and no address of it leaks."""
_HOST: Final = re.compile(r"(?P<name>\[[0-9a-fA-F:.]+\]|[^\[\]@:/?#\s]*)(:[0-9]*)?")
_WELCOME: Final = (
    '<!DOCTYPE html><meta charset="utf-8"><meta http-equiv="refresh" content="0; url=."><title>Stopmark</title>'
)
"""Not a redirect: after a link from another site a browser would follow it without the strict cookie."""


class Gate:
    """Guards a page served at one address. `token` opens it; None on the loopback."""

    def __init__(self, address: str) -> None:
        self.token: str | None = None if is_loopback(address) else secrets.token_urlsafe(32)
        self._cookie = secrets.token_urlsafe(32)
        self._names = {"localhost", "127.0.0.1", "::1", address.lower()}

    def middleware(self, welcome: Callable[[web.Request], None] = lambda _: None) -> Middleware:
        """For an aiohttp application. `welcome` gets every request that may pass; the connection of any other is closed."""

        @web.middleware
        async def check(request: web.Request, handler: Handler) -> web.StreamResponse:
            if self.token is None:
                if _name(request.host) not in self._names:
                    return _refused("This page is for this machine only: open it as http://127.0.0.1\n")
            elif request.path == "/" and _same(request.query.get("token", ""), self.token):
                return self._let_in(request)
            elif not _same(request.cookies.get(COOKIE, ""), self._cookie):
                return _refused("Open this page by the address that the monitor printed, token included.\n")
            if request.path == "/ws" and _origin(request) != request.host.lower():
                return _refused("This connection was not opened by the monitor's own page.\n")
            welcome(request)
            return await handler(request)

        return check

    def _let_in(self, request: web.Request) -> web.Response:
        response = web.Response(text=_WELCOME, content_type="text/html")
        secure = request.secure or request.headers.get("X-Forwarded-Proto") == "https"
        response.set_cookie(COOKIE, self._cookie, httponly=True, samesite="Strict", secure=secure, path="/")
        return response


async def add_headers(_request: web.Request, response: web.StreamResponse) -> None:
    """A signal's handler: what every answer carries."""
    response.headers.update(HEADERS)


def _refused(words: str) -> web.Response:
    """The answer to whom the gate does not know: one for each connection."""
    response = web.Response(status=403, text=words)
    response.force_close()
    return response


def _name(host: str) -> str:
    """The name in a Host header, without the port; empty where no browser writes it so."""
    found = _HOST.fullmatch(host)
    return found["name"].strip("[]").lower() if found else ""


def _origin(request: web.Request) -> str:
    """Host and port of the page that made the browser ask; empty when it does not say."""
    try:
        return urlsplit(request.headers.get("Origin", "")).netloc.lower()
    except ValueError:
        return ""


def _same(shown: str, right: str) -> bool:
    return secrets.compare_digest(shown.encode("utf-8", "surrogateescape"), right.encode())
