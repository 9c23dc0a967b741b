"""A small server that steps the screen's page, from the phone too.

It listens on this computer only unless told otherwise; then a browser of another device needs a code first.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Protocol
from urllib.parse import parse_qs, urlsplit

from surfscan.screen.page import make_remote
from surfscan.screen.pattern import LEAST_STEP_S, Screen, ScreenFrame

__all__ = ["ScreenServer", "Series"]

_COOKIE = "surfscan_screen"
_MOST_BYTES = 2000
_CSP = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; connect-src 'self';"
    " form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


class Door(Protocol):
    """Who lets browsers of other devices in."""

    def wait_s(self, who: str = ..., /) -> float: ...

    def try_code(self, code: str, who: str = ..., /) -> str | None: ...

    def knows(self, given: str) -> bool: ...


class Series:
    """Which frame is shown, for all browsers that follow.

    Parameters
    ----------
    frames : tuple of ScreenFrame
    clock : callable, optional
        Seconds, rising.
    """

    def __init__(
        self, frames: tuple[ScreenFrame, ...], *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.frames, self.index = frames, 0
        self.screen: Screen | None = None
        self._clock, self._changed, self._lock = clock, -1e9, threading.Lock()

    def move(self, way: str) -> bool:
        """One on or back; False at an end, or sooner than the floor allows."""
        with self._lock:
            to = self.index + {"next": 1, "previous": -1}.get(way, 0)
            if to == self.index or not 0 <= to < len(self.frames):
                return False
            if self._clock() - self._changed < LEAST_STEP_S:
                return False
            self.index, self._changed = to, self._clock()
            return True

    def state(self) -> dict[str, Any]:
        """What the browsers are told."""
        frame = self.frames[self.index]
        label = f"{frame.period_mm:g} mm"
        if frame.varies:
            label = f"{frame.varies}, {label}"
        if frame.pattern == "stepped":
            label += f", {frame.phase_deg:g}°"
        return {
            "index": self.index,
            "count": len(self.frames),
            "label": label,
            "file": frame.file,
            "screen": self.screen is not None,
        }


class ScreenServer(ThreadingHTTPServer):
    """Serves the screen's page at /, the phone's at /remote.

    Parameters
    ----------
    page : str
        HTML of the screen's page.
    series : Series
    host : str
        Address to listen on.
    port : int
        0 takes a free one.
    door : Door, optional
        Asked for browsers of other devices; without, there must be none.
    names : tuple of str
        Further host names by which it may be asked for, as this computer's address.
    told : callable, optional
        Told each time a screen says how large it is.
    """

    daemon_threads = True

    def __init__(
        self,
        page: str,
        series: Series,
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        door: Door | None = None,
        names: tuple[str, ...] = (),
        told: Callable[[Screen], None] = lambda screen: None,
    ) -> None:
        super().__init__((host, port), _Handler)
        self.page, self.remote, self.series = page, make_remote(), series
        self.door, self.told = door, told
        self.names = {"127.0.0.1", "localhost", *names}

    @property
    def port(self) -> int:
        """Where it listens."""
        return int(self.server_address[1])


class _Handler(BaseHTTPRequestHandler):
    server: ScreenServer
    server_version, sys_version = "surfscan", ""
    timeout = 20

    def do_GET(self) -> None:
        """Pages and state."""
        path = urlsplit(self.path).path
        if not self._may(path):
            return
        if path == "/":
            self._answer(200, self.server.page)
        elif path == "/remote":
            self._answer(200, self.server.remote)
        elif path == "/state":
            self._json(200, self.server.series.state())
        else:
            self._answer(404, "There is nothing here.")

    def do_POST(self) -> None:
        """Steps, the screen's size, and codes."""
        path = urlsplit(self.path).path
        length = self.headers.get("content-length", "")
        if not length.isdigit() or int(length) > _MOST_BYTES:
            self.close_connection = True
            self._answer(413, "That is too long.")
            return
        body = self.rfile.read(int(length))
        if path == "/door" and self._known_host():
            self._enter(body)
            return
        if not self._may(path):
            return
        # A form of another site can't send this type without asking first.
        if self.headers.get_content_type() != "application/json" or not self._own_origin():
            self._answer(403, "Not from here.")
            return
        try:
            said = json.loads(body)
        except ValueError:
            said = None
        if not isinstance(said, dict):
            self._json(400, {"error": "no JSON object"})
        elif path == "/move":
            moved = self.server.series.move(str(said.get("move")))
            self._json(200, self.server.series.state() | {"moved": moved})
        elif path == "/screen":
            self._screen(said)
        else:
            self._answer(404, "There is nothing here.")

    def _screen(self, said: dict[str, Any]) -> None:
        mm, size = said.get("pixel_mm"), (said.get("width_px"), said.get("height_px"))
        good = isinstance(mm, int | float) and 0.005 < mm < 20
        if not (good and all(isinstance(v, int) and 50 <= v <= 20_000 for v in size)):
            self._json(400, {"error": "no screen"})
            return
        screen = Screen(size[0], size[1], float(mm))  # type: ignore[arg-type]
        if screen != self.server.series.screen:
            self.server.series.screen = screen
            self.server.told(screen)
        self._json(200, self.server.series.state())

    def _may(self, path: str) -> bool:
        """Whether this browser is let in; answers it when not."""
        if not self._known_host():
            self._answer(421, "Ask for this page by the address that the terminal shows.")
            return False
        near = self.client_address[0] in ("127.0.0.1", "::1")
        if near or (self.server.door is not None and self.server.door.knows(self._pass())):
            return True
        if self.command == "GET" and path in ("/", "/remote", "/door"):
            self._answer(200, _door_page(path, ""))
        else:
            self._answer(403, "The door is shut: open the page and type the code.")
        return False

    def _known_host(self) -> bool:
        return self.headers.get("host", "").rsplit(":", 1)[0] in self.server.names

    def _own_origin(self) -> bool:
        origin = self.headers.get("origin")
        return origin is None or urlsplit(origin).netloc == self.headers.get("host")

    def _pass(self) -> str:
        try:
            morsel = SimpleCookie(self.headers.get("cookie", "")).get(_COOKIE)
        except CookieError:
            return ""
        return "" if morsel is None else morsel.value

    def _enter(self, body: bytes) -> None:
        door = self.server.door
        given = parse_qs(body.decode("ascii", "replace"))
        to = "/remote" if given.get("to", [""])[0] == "/remote" else "/"
        who = self.client_address[0]
        wait = 0.0 if door is None else door.wait_s(who)
        new = None if door is None else door.try_code(given.get("code", [""])[0], who)
        if new is None:
            said = (
                f"Wait {wait:.0f} seconds."
                if wait > 0
                else "That is not the code that the terminal shows now."
            )
            self._answer(429 if wait > 0 else 401, _door_page(to, said))
            return
        self.send_response(303)
        self.send_header("location", to)
        self.send_header("set-cookie", f"{_COOKIE}={new}; Path=/; HttpOnly; SameSite=Strict")
        self.send_header("content-length", "0")
        self.end_headers()

    def _answer(self, status: int, text: str, kind: str = "text/html; charset=utf-8") -> None:
        data = text.encode()
        self.send_response(status)
        for name, value in (
            ("content-type", kind),
            ("content-length", str(len(data))),
            ("cache-control", "no-store"),
            ("content-security-policy", _CSP),
            ("x-content-type-options", "nosniff"),
            ("x-frame-options", "DENY"),
            ("referrer-policy", "no-referrer"),
        ):
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(data)

    def _json(self, status: int, value: dict[str, Any]) -> None:
        self._answer(status, json.dumps(value), "application/json")

    def log_message(self, format: str, *args: Any) -> None:
        """Say nothing: the terminal is for the address and the code."""


def _door_page(to: str, said: str) -> str:
    note = f'<p role="alert"><strong>{said}</strong></p>' if said else ""
    target = "/remote" if to == "/remote" else "/"
    return f"""<!doctype html><html lang="en"><head><meta charset="utf-8"><title>surfscan: code</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><style>
:root {{ color-scheme: light dark }}
body {{ font: 18px/1.5 sans-serif; max-width: 26em; margin: 12vh auto; padding: 0 1em }}
input, button {{ font: inherit; min-height: 52px; box-sizing: border-box; width: 100%; margin: .3em 0 }}
</style></head><body><h1>surfscan</h1><p>Type the digits that the computer's terminal shows.</p>{note}
<form method="post" action="/door"><input type="hidden" name="to" value="{target}"><label for="code">Code</label>
<input id="code" name="code" inputmode="numeric" autocomplete="one-time-code" maxlength="12" autofocus required>
<button type="submit">Open</button></form></body></html>"""
