"""The door of a page on the network: one-time codes, a pass for each browser, patience with wrong ones."""

from __future__ import annotations

import asyncio
import socket
from typing import Any
from urllib.parse import urlencode

import pytest

from surfscan.cli.page import find_page

find_page()
from surfscan.ui.door import RENEW_AFTER, TRIES, WITHIN_S, Door, DoorMiddleware, known_host  # noqa: E402


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


def make() -> tuple[Door, list[str], Clock]:
    codes: list[str] = []
    clock = Clock()
    return Door(codes.append, clock=clock), codes, clock


def wrong(code: str) -> str:
    return f"{(int(code) + 1) % 10**6:06d}"


def test_a_code_is_good_once() -> None:
    door, codes, _ = make()
    first = door.try_code(codes[0])
    assert first is not None
    assert door.knows(first)
    assert len(codes) == 2  # the next is announced at once
    if codes[1] != codes[0]:
        assert door.try_code(codes[0]) is None
    second = door.try_code(codes[1])
    assert second not in (None, first)
    assert not door.knows("")
    assert not door.knows("guess")
    assert all(len(code) == 6 and code.isdigit() for code in codes)


def test_wrong_codes_make_everybody_wait() -> None:
    door, codes, clock = make()
    for _ in range(TRIES):
        assert door.wait_s() == 0
        assert door.try_code(wrong(codes[0])) is None
    assert door.wait_s() == WITHIN_S
    assert door.try_code(codes[0]) is None  # even the right one
    clock.now += WITHIN_S
    assert door.try_code(codes[0]) is not None


def test_guessing_on_changes_the_code() -> None:
    door, codes, clock = make()
    for _ in range(RENEW_AFTER):
        door.try_code(wrong(codes[0]))
        clock.now += WITHIN_S
    assert len(codes) == 2


async def _inner(scope: Any, receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"inside"})


def ask(
    middleware: DoorMiddleware,
    method: str,
    path: str,
    *,
    body: bytes = b"",
    cookie: str = "",
    kind: str = "http",
    host: str = "192.168.1.7:8471",
) -> Any:
    """One request through the middleware: (status or close code, headers, body)."""
    sent: list[Any] = []
    headers = [(b"host", host.encode()), *([(b"cookie", cookie.encode())] if cookie else [])]

    async def receive() -> Any:
        return (
            {"type": "websocket.connect"} if kind == "websocket" else {"type": "http.request", "body": body}
        )

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {"type": kind, "method": method, "path": path, "headers": headers}
    asyncio.run(middleware(scope, receive, send))
    if sent[0]["type"] == "websocket.close":
        return sent[0]["code"], {}, b""
    return sent[0]["status"], dict(sent[0]["headers"]), sent[1]["body"]


@pytest.mark.parametrize(
    "path", ["/", "/index.html", "/_stcore/upload_file/a/b", "/_stcore/health", "/media/x", "/static/x"]
)
def test_nothing_is_reached_without_a_pass(path: str) -> None:
    door, _, _ = make()
    middleware = DoorMiddleware(_inner, door)
    for method in ("GET", "PUT", "POST", "DELETE", "OPTIONS"):
        assert ask(middleware, method, path)[2] != b"inside"
    assert (
        ask(middleware, "GET", "/_stcore/stream", kind="websocket")[0] == 1008
    )  # policy violation, RFC 6455, 7.4.1


@pytest.mark.parametrize(
    ("host", "known"),
    [
        ("127.0.0.1:8471", True),
        ("[::1]:8471", True),
        ("192.168.1.7:8471", True),
        ("localhost", True),
        (f"{socket.gethostname()}.local:8471", True),
        ("evil.example:8471", False),
        ("192.168.1.7.evil.example", False),
        ("127.0.0.1@evil.example", False),
        ("evil.example#127.0.0.1", False),
        ("", False),
        ("[::1", False),
    ],
)
def test_a_name_led_here_by_a_stranger_is_not_answered(host: str, known: bool) -> None:
    door, codes, _ = make()
    assert known_host(host) == known
    middleware = DoorMiddleware(_inner, door)
    inside = door.try_code(codes[0])
    cookie = f"surfscan_pass={inside}"
    assert (ask(middleware, "GET", "/", cookie=cookie, host=host)[2] == b"inside") == known
    if not known:
        assert ask(middleware, "GET", "/", host=host)[0] == 421
        assert (
            ask(middleware, "GET", "/_stcore/stream", kind="websocket", cookie=cookie, host=host)[0] == 1008
        )


def test_the_way_in() -> None:
    door, codes, _ = make()
    middleware = DoorMiddleware(_inner, door)
    status, headers, text = ask(middleware, "GET", "/")
    assert (status, headers[b"cache-control"]) == (200, b"no-store")
    assert b'name="code"' in text
    status, _, text = ask(middleware, "POST", "/door", body=urlencode({"code": wrong(codes[0])}).encode())
    assert status == 401
    assert b"That is not the code" in text
    status, headers, _ = ask(middleware, "POST", "/door", body=urlencode({"code": codes[0]}).encode())
    cookie = headers[b"set-cookie"].decode()
    assert (status, headers[b"location"]) == (303, b"/")
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert ask(middleware, "GET", "/_stcore/health", cookie=cookie.split(";")[0])[2] == b"inside"
    assert ask(middleware, "GET", "/", cookie="surfscan_pass=guess")[2] != b"inside"
    for _ in range(TRIES - 1):
        ask(middleware, "POST", "/door", body=urlencode({"code": wrong(codes[-1])}).encode())
    assert ask(middleware, "POST", "/door", body=urlencode({"code": codes[-1]}).encode())[0] == 429
    assert ask(middleware, "POST", "/door", body=b"code=" + b"1" * 5000)[0] == 413
