"""What stands round the page's server whoever asks: whose name it is asked by, and what a browser may do with it."""

from __future__ import annotations

import ipaddress
import re
import socket
from typing import Any
from urllib.parse import urlsplit

from surfscan.ui.asgi import App, Message, Receive, Scope, Send, answer, header
from surfscan.ui.store import cookie_for, new_token, token_in

__all__ = ["GuardMiddleware", "PackMiddleware", "known_host"]

HEADERS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), payment=(), usb=()",
}
"""On every answer, beside the policy of what may be loaded."""


def policy(host: str) -> str:
    """What the page may load and do: itself, and nothing from elsewhere.

    The server's own scripts make code and styles as they go, so those two can't be forbidden; but no address other
    than this one is ever reached, no page may frame this one, and no form goes elsewhere.
    """
    return (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; style-src 'self' 'unsafe-inline';"
        f" img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self' ws://{host} wss://{host};"
        " worker-src 'self' blob:; frame-src 'self' blob:; media-src 'self' blob:; object-src 'none'; base-uri 'self';"
        " form-action 'self'; frame-ancestors 'none'"
    )


class GuardMiddleware:
    """ASGI middleware outside of all others.

    Parameters
    ----------
    app : ASGI application
    lan : bool
        Whether the network may ask; else only this computer may, by its own names.
    secure : bool
        Whether it is served by TLS: cookies are then for TLS alone.
    """

    def __init__(self, app: App, *, lan: bool, secure: bool = False) -> None:
        self._app, self._lan, self._secure = app, lan, secure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer only who asks by a name that is ours, and put the headers on."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        host = header(scope, b"host")
        # Whoever opens the page is known again by a cookie; an answer to a script or a picture hands out none.
        opens = scope["type"] == "http" and "text/html" in header(scope, b"accept")
        cookie = opens and not token_in(header(scope, b"cookie"))
        known = known_host(host) if self._lan else _is_local(host)

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = [*message.get("headers", [])]
                if cookie and known:
                    given.append((b"set-cookie", cookie_for(new_token()).encode()))
                message["headers"] = self._with_headers(given, host if known else "")
            await send(message)

        if known:
            await self._app(scope, receive, guarded)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008})  # policy violation, RFC 6455, 7.4.1
        else:
            said = "Ask for this page by the address that the terminal shows."
            await answer(guarded, 421, said, kind="text/plain; charset=utf-8")  # RFC 9110, 15.5.20

    def _with_headers(self, given: Any, host: str) -> list[tuple[bytes, bytes]]:
        """The answer's headers with ours; a cookie never goes to another site, nor in the clear beside TLS."""
        made = []
        for name, value in given:
            low = name.lower()
            if low == b"set-cookie":
                flags = value.lower()
                if b"samesite" not in flags:
                    value += b"; SameSite=Strict"
                if self._secure and b"; secure" not in flags:
                    value += b"; Secure"
            if low.decode("latin-1") not in HEADERS:
                made.append((name, value))
        made += [(name.encode(), value.encode()) for name, value in HEADERS.items()]
        if all(name.lower() != b"content-security-policy" for name, _ in made):
            made.append((b"content-security-policy", policy(host).encode("latin-1")))
        return made


class PackMiddleware:
    """ASGI middleware that packs the page's own scripts and styles for the way; nothing that anybody typed."""

    def __init__(self, app: App) -> None:
        from starlette.middleware.gzip import GZipMiddleware

        self._app, self._packed = app, GZipMiddleware(app, minimum_size=1000, compresslevel=6)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pack what is static."""
        own = scope["type"] == "http" and re.fullmatch(r"/static/[^?]+\.(js|css)", scope["path"])
        await (self._packed if own else self._app)(scope, receive, send)


def known_host(host: str) -> bool:
    """Whether a page is asked for by an address or by this computer's own name.

    A stranger's site can make its own name lead here (DNS rebinding), but can't make a browser send another name.
    """
    name = _name_of(host)
    try:
        ipaddress.ip_address(name)
    except ValueError:
        own = socket.gethostname().lower().removesuffix(".local")
        return name in ("localhost", own, f"{own}.local")
    return True


def _is_local(host: str) -> bool:
    """The same for a page that only this computer may ask for."""
    name = _name_of(host)
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return name == "localhost"


def _name_of(host: str) -> str:
    if not host.isascii() or set(host) & set("/?#@;, \t\r\n"):
        return ""
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""
