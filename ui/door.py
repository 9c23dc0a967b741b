"""The door of a page that the shop's network can reach: a one-time code, then a pass for that browser.

Everything but the door itself is shut to a browser without a pass: pages, uploads, the live connection. A code
lets one browser in and is then replaced; the new one is told to `announce`, the terminal. The pass is a random
cookie, kept in memory, and ends with the server.
"""

from __future__ import annotations

import hmac
import html
import ipaddress
import secrets
import socket
import threading
import time
from collections import deque
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit

__all__ = ["Door", "DoorMiddleware", "known_host"]

COOKIE = "surfscan_pass"
PATH = "/door"
TRIES, WITHIN_S = 5, 60.0
"""Wrong codes allowed within so many seconds, from all browsers together: a million codes take months."""
RENEW_AFTER = 20
"""Wrong codes in all, after which the code is replaced."""
_MOST_PASSES = 100

Scope = MutableMapping[str, Any]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]


class Door:
    """Who is let in.

    Parameters
    ----------
    announce : callable
        Told each new code.
    clock : callable, optional
        Seconds, rising.
    """

    def __init__(
        self, announce: Callable[[str], None], *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._announce, self._clock = announce, clock
        self._lock = threading.Lock()
        self._passes: deque[str] = deque(maxlen=_MOST_PASSES)
        self._wrong: deque[float] = deque(maxlen=TRIES)
        self._wrong_since_new = 0
        self._code = ""
        self._renew()

    def _renew(self) -> None:
        self._code, self._wrong_since_new = f"{secrets.randbelow(10**6):06d}", 0
        self._announce(self._code)

    def wait_s(self) -> float:
        """Seconds until another code may be tried; 0 when it may be now."""
        with self._lock:
            return self._wait()

    def _wait(self) -> float:
        if len(self._wrong) < TRIES:
            return 0.0
        return max(0.0, self._wrong[0] + WITHIN_S - self._clock())

    def try_code(self, code: str) -> str | None:
        """The pass for a right code, which is then spent; None for a wrong one, or while one must wait."""
        with self._lock:
            if self._wait() > 0:
                return None
            if not hmac.compare_digest(code.strip().encode(), self._code.encode()):
                self._wrong.append(self._clock())
                self._wrong_since_new += 1
                if self._wrong_since_new >= RENEW_AFTER:
                    self._renew()
                return None
            new = secrets.token_urlsafe(24)
            self._passes.append(new)
            self._renew()
            return new

    def knows(self, given: str) -> bool:
        """Whether a pass is one of ours."""
        with self._lock:
            return any(hmac.compare_digest(given.encode(), known.encode()) for known in self._passes)


class DoorMiddleware:
    """ASGI middleware around the whole server."""

    def __init__(self, app: Callable[[Scope, Receive, Send], Awaitable[None]], door: Door) -> None:
        self._app, self._door = app, door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let through who has a pass; show the door to the others."""
        if scope["type"] == "http" and not known_host(_header(scope, b"host")):
            await _answer(send, 421, "Ask for this page by the address that the terminal shows.")
        elif scope["type"] == "websocket" and not known_host(_header(scope, b"host")):
            await receive()
            await send({"type": "websocket.close", "code": 1008})
        elif scope["type"] not in ("http", "websocket") or self._door.knows(_pass_of(scope)):
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008})
        elif scope["path"] == PATH and scope["method"] == "POST":
            await self._enter(receive, send)
        elif scope["path"] in ("/", PATH) and scope["method"] == "GET":
            await _answer(send, 200, _page(""))
        else:
            await _answer(send, 403, "The door is shut: open the page and type the code.")

    async def _enter(self, receive: Receive, send: Send) -> None:
        body = b""
        while True:
            message = await receive()
            body += message.get("body", b"")
            if len(body) > 1000:
                await _answer(send, 413, _page("That is no code."))
                return
            if not message.get("more_body"):
                break
        code = parse_qs(body.decode("ascii", "replace")).get("code", [""])[0]
        wait = self._door.wait_s()
        new = self._door.try_code(code)
        if new is None:
            said = (
                f"Too many wrong codes. Wait {wait:.0f} seconds, then type the code the terminal shows."
                if wait > 0
                else "That is not the code. Type the six digits that the terminal shows now; each is good once."
            )
            await _answer(send, 429 if wait > 0 else 401, _page(said))
            return
        cookie = f"{COOKIE}={new}; Path=/; HttpOnly; SameSite=Strict"
        await _answer(send, 303, "", [(b"location", b"/"), (b"set-cookie", cookie.encode())])


def known_host(host: str) -> bool:
    """Whether a page is asked for by an address or by this computer's own name.

    A stranger's site can make its own name lead here (DNS rebinding), but can't make a browser send another name.
    """
    if set(host) & set("/?#@\t\r\n"):
        return False
    try:
        name = urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return False
    try:
        ipaddress.ip_address(name)
    except ValueError:
        own = socket.gethostname().lower().removesuffix(".local")
        return name in ("localhost", own, f"{own}.local")
    return True


def _header(scope: Scope, name: bytes) -> str:
    return next((value.decode("latin-1") for key, value in scope.get("headers", []) if key == name), "")


def _pass_of(scope: Scope) -> str:
    for name, value in scope.get("headers", []):
        if name == b"cookie":
            try:
                morsel = SimpleCookie(value.decode("latin-1")).get(COOKIE)
            except CookieError:
                return ""
            if morsel is not None:
                return morsel.value
    return ""


async def _answer(
    send: Send, status: int, text: str, headers: list[tuple[bytes, bytes]] | None = None
) -> None:
    fixed = [
        (b"content-type", b"text/html; charset=utf-8"),
        (b"cache-control", b"no-store"),
        (b"content-security-policy", b"default-src 'none'; style-src 'unsafe-inline'; form-action 'self'"),
    ]
    await send({"type": "http.response.start", "status": status, "headers": [*fixed, *(headers or [])]})
    await send({"type": "http.response.body", "body": text.encode()})


def _page(said: str) -> str:
    note = f'<p role="alert"><strong>{html.escape(said)}</strong></p>' if said else ""
    return f"""<!doctype html><html lang="en"><head><meta charset="utf-8"><title>surfscan: code</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><style>
:root {{ color-scheme: light dark }}
body {{ font: 18px/1.5 sans-serif; max-width: 26em; margin: 12vh auto; padding: 0 1em }}
input, button {{ font: inherit; min-height: 52px; padding: 0 .8em; box-sizing: border-box; width: 100%; }}
</style></head><body><h1>surfscan</h1><p>Type the six digits that the terminal of the computer shows.</p>{note}
<form method="post" action="{PATH}"><label for="code">Code</label>
<input id="code" name="code" inputmode="numeric" autocomplete="one-time-code" maxlength="6" autofocus required>
<button type="submit">Open</button></form></body></html>"""
