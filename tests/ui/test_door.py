"""The door of a page on the network: one-time codes, a pass for each browser, patience with wrong ones."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import socket
from typing import Any
from urllib.parse import urlencode

import pytest

from surfscan.cli.page import find_page

find_page()
from surfscan.ui.door import DIGITS, FIRST_WAIT_S, LONGEST_WAIT_S, TRIES, Door, DoorMiddleware  # noqa: E402
from surfscan.ui.guard import HEADERS, GuardMiddleware, known_host  # noqa: E402


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


def make() -> tuple[Door, list[str], Clock]:
    codes: list[str] = []
    clock = Clock()
    return Door(codes.append, clock=clock), codes, clock


def wrong(code: str) -> str:
    return f"{(int(code) + 1) % 10**DIGITS:0{DIGITS}d}"


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
    assert all(len(code) == DIGITS and code.isdigit() for code in codes)


def test_who_types_wrong_codes_waits_longer_each_time_and_nobody_else_does() -> None:
    door, codes, clock = make()
    for _ in range(TRIES):
        assert door.wait_s("guesser") == 0
        assert door.try_code(wrong(codes[0]), "guesser") is None
    assert door.wait_s("guesser") == FIRST_WAIT_S
    assert door.try_code(codes[0], "guesser") is None  # even the right one
    clock.now += FIRST_WAIT_S
    door.try_code(wrong(codes[0]), "guesser")
    assert door.wait_s("guesser") == 2 * FIRST_WAIT_S
    for _ in range(20):
        clock.now += LONGEST_WAIT_S
        door.try_code(wrong(codes[0]), "guesser")
    assert door.wait_s("guesser") == LONGEST_WAIT_S
    assert len(codes) == 1  # guessing takes the code from nobody's hand
    assert door.wait_s("phone") == 0
    assert door.try_code(codes[0], "phone") is not None
    clock.now += 90_000
    assert door.wait_s("guesser") == 0


def test_ten_thousand_addresses_that_guess_lock_nobody_out() -> None:
    door, codes, _ = make()
    for k in range(10_000):
        door.try_code(wrong(codes[0]), f"10.0.{k // 256}.{k % 256}")
    assert len(door._tries) == 5000
    assert door.try_code(f" {codes[0][:4]} {codes[0][4:]}", "phone") is not None


def test_the_terminal_is_told_who_guesses() -> None:
    told: list[tuple[str, int]] = []
    door = Door(lambda code: None, warn=lambda who, count: told.append((who, count)))
    for _ in range(TRIES):
        door.try_code("no code", "guesser")
    assert told == [("guesser", TRIES)]


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

    scope = {"type": kind, "method": method, "path": path, "headers": headers, "client": ("10.0.0.9", 1)}
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
    middleware = GuardMiddleware(DoorMiddleware(_inner, door), lan=True)
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
    for _ in range(TRIES):
        ask(middleware, "POST", "/door", body=urlencode({"code": wrong(codes[-1])}).encode())
    status, headers, _ = ask(middleware, "POST", "/door", body=urlencode({"code": codes[-1]}).encode())
    assert status == 429
    assert 0 < int(headers[b"retry-after"]) <= 60
    assert ask(middleware, "POST", "/door", body=b"code=" + b"1" * 5000)[0] == 413


@pytest.mark.parametrize(
    ("host", "known"),
    [
        ("127.0.0.1:8471", True),
        ("localhost:8471", True),
        ("[::1]:8471", True),
        ("192.168.1.7:8471", False),  # nobody else is to ask for it
        (f"{socket.gethostname()}.local", False),
        ("evil.example", False),
        ("127.0.0.1.evil.example", False),
    ],
)
def test_without_the_network_only_this_computers_own_names_are_answered(host: str, known: bool) -> None:
    middleware = GuardMiddleware(_inner, lan=False)
    status, _, body = ask(middleware, "GET", "/", host=host)
    assert (status == 200, body == b"inside") == (known, known)
    if not known:
        assert ask(middleware, "GET", "/_stcore/stream", kind="websocket", host=host)[0] == 1008


async def _with_cookies(scope: Any, receive: Any, send: Any) -> None:
    cookies = [(b"set-cookie", b"_xsrf=1; Path=/"), (b"set-cookie", b"a=1; SameSite=Lax; secure")]
    head = [*cookies, (b"X-Frame-Options", b"ALLOWALL")]
    await send({"type": "http.response.start", "status": 200, "headers": head})
    await send({"type": "http.response.body", "body": b""})


@pytest.mark.parametrize("secure", [False, True])
def test_every_answer_says_what_a_browser_may_do_with_it(secure: bool) -> None:
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {"type": "http", "method": "GET", "path": "/", "headers": [(b"host", b"10.0.0.7:8471")]}
    asyncio.run(GuardMiddleware(_with_cookies, lan=True, secure=secure)(scope, None, send))  # type: ignore[arg-type]
    head = sent[0]["headers"]
    for name, value in HEADERS.items():
        assert [v for k, v in head if k.lower() == name.encode()] == [value.encode()]
    policy = dict(head)[b"content-security-policy"].decode()
    for part in ("default-src 'self'", "frame-ancestors 'none'", "object-src 'none'", "ws://10.0.0.7:8471"):
        assert part in policy
    cookies = [v for k, v in head if k == b"set-cookie"]
    assert cookies[0] == b"_xsrf=1; Path=/; SameSite=Strict" + (b"; Secure" if secure else b"")
    assert cookies[1] == b"a=1; SameSite=Lax; secure"


def test_the_doors_own_page_runs_its_own_script_and_no_other() -> None:
    door, _, _ = make()
    _, head, text = ask(DoorMiddleware(_inner, door), "GET", "/")
    script = text.split(b"<script>")[1].split(b"</script>")[0]
    digest = base64.b64encode(hashlib.sha256(script).digest())
    assert b"script-src 'sha256-" + digest + b"'" in head[b"content-security-policy"]
    assert text.count(b"<script") == 1
