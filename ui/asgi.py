"""What the page's own layers of the server share: headers, cookies, bounded bodies, and plain answers."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any

__all__ = [
    "App",
    "Headers",
    "Receive",
    "Scope",
    "Send",
    "answer",
    "body_of",
    "cookie_in",
    "header",
    "script_policy",
]

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Send = Callable[[Message], Awaitable[None]]
Receive = Callable[[], Awaitable[Message]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]
Headers = list[tuple[bytes, bytes]]


def header(scope: Scope, name: bytes) -> str:
    """The first header of a name, "" without one."""
    return next((v.decode("latin-1") for k, v in scope.get("headers", []) if k == name), "")


def cookie_in(scope: Scope, name: str) -> str:
    """A cookie's value, "" without one or where cookies can't be read."""
    for key, value in scope.get("headers", []):
        if key == b"cookie":
            try:
                morsel = SimpleCookie(value.decode("latin-1")).get(name)
            except CookieError:
                return ""
            if morsel is not None:
                return morsel.value
    return ""


async def body_of(receive: Receive, *, most: int) -> bytes | None:
    """What was sent; None as soon as it is longer than `most` bytes."""
    body = b""
    while True:
        message = await receive()
        body += message.get("body", b"")
        if len(body) > most:
            return None
        if not message.get("more_body"):
            return body


async def answer(
    send: Send, status: int, text: str, *, kind: str, policy: str = "", more: Headers | None = None
) -> None:
    """Answer with a short text that nobody keeps."""
    head: Headers = [(b"content-type", kind.encode()), (b"cache-control", b"no-store")]
    if policy:
        head.append((b"content-security-policy", policy.encode()))
    await send({"type": "http.response.start", "status": status, "headers": [*head, *(more or [])]})
    await send({"type": "http.response.body", "body": text.encode()})


def script_policy(script: str, more: str) -> str:
    """A content policy under which a page runs this one script of its own, and does what `more` adds."""
    code = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{code}'; {more};"
        " base-uri 'none'; frame-ancestors 'none'"
    )
