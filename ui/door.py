"""The door of a page that the shop's network can reach: a one-time code, then a pass for that browser.

Everything but the door itself is shut to a browser without a pass: pages, uploads, the live connection. A code
lets one browser in and is then replaced; the new one is told to `announce`, the terminal. The pass is a random
cookie, kept in memory, and ends with the server. Who types wrong codes waits, longer each time, and nobody else does.
"""

from __future__ import annotations

import hmac
import html
import secrets
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import parse_qs

from surfscan.ui.asgi import App, Headers, Receive, Scope, Send, answer, body_of, cookie_in, script_policy

__all__ = ["DIGITS", "Door", "DoorMiddleware", "Tries"]

COOKIE = "surfscan_pass"
PATH = "/door"
DIGITS = 8
"""Of a code: 250 addresses of a network with 34 tries a day each need sixteen years for it, on average."""
TRIES = 5
"""Wrong codes from one address before it must wait."""
FIRST_WAIT_S, LONGEST_WAIT_S = 60.0, 3600.0
"""The first wait; each further wrong code doubles it up to the longest."""
_FORGET_S = 86_400.0
_MOST_PASSES, _MOST_ADDRESSES = 100, 5000


@dataclass
class _Wrong:
    """What one address has typed wrong: how often, and when last."""

    count: int = 0
    last: float = 0.0


class Tries:
    """Who has typed wrong codes, and how long each must wait; callers hold a lock.

    Parameters
    ----------
    clock : callable
        Seconds, rising.
    warn : callable, optional
        Told who must wait, and how many wrong codes came from there.
    """

    def __init__(
        self, clock: Callable[[], float], warn: Callable[[str, int], None] = lambda who, count: None
    ) -> None:
        self._clock, self._warn = clock, warn
        self._wrong: OrderedDict[str, _Wrong] = OrderedDict()

    def __len__(self) -> int:
        return len(self._wrong)

    def wait_s(self, who: str) -> float:
        """Seconds until this one may try another code; 0 when it may now."""
        wrong = self._wrong.get(who)
        if wrong is None or wrong.count < TRIES:
            return 0.0
        wait = min(FIRST_WAIT_S * 2.0 ** min(wrong.count - TRIES, 20), LONGEST_WAIT_S)
        return max(0.0, wrong.last + wait - self._clock())

    def right(self, who: str) -> None:
        """Forget what was wrong before."""
        self._wrong.pop(who, None)

    def wrong(self, who: str) -> None:
        """Count a wrong code; what is a day old, or one of too many, is forgotten, the oldest first."""
        now = self._clock()
        wrong = self._wrong.setdefault(who, _Wrong())
        if now - wrong.last > _FORGET_S:
            wrong.count = 0
        wrong.count, wrong.last = wrong.count + 1, now
        self._wrong.move_to_end(who)
        while len(self._wrong) > _MOST_ADDRESSES:
            self._wrong.popitem(last=False)
        if wrong.count >= TRIES:
            self._warn(who, wrong.count)


class Door:
    """Who is let in.

    Parameters
    ----------
    announce : callable
        Told each new code.
    clock : callable, optional
        Seconds, rising.
    warn : callable, optional
        Told the address that must wait, and how many wrong codes came from it.
    """

    def __init__(
        self,
        announce: Callable[[str], None],
        *,
        clock: Callable[[], float] = time.monotonic,
        warn: Callable[[str, int], None] = lambda who, count: None,
    ) -> None:
        self._announce, self._tries = announce, Tries(clock, warn)
        self._lock = threading.Lock()
        self._passes: deque[str] = deque(maxlen=_MOST_PASSES)
        self._code = ""
        self._renew()

    def _renew(self) -> None:
        self._code = f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}"
        self._announce(self._code)

    def wait_s(self, who: str = "") -> float:
        """Seconds until an address may try another code; 0 when it may now."""
        with self._lock:
            return self._tries.wait_s(who)

    def try_code(self, code: str, who: str = "") -> str | None:
        """The pass for a right code, which is then spent; None for a wrong one, or while this address must wait."""
        with self._lock:
            if self._tries.wait_s(who) > 0:
                return None
            if not hmac.compare_digest("".join(code.split()).encode(), self._code.encode()):
                self._tries.wrong(who)
                return None
            self._tries.right(who)
            new = secrets.token_urlsafe(24)
            self._passes.append(new)
            self._renew()
            return new

    def knows(self, given: str) -> bool:
        """Whether a pass is one of ours."""
        with self._lock:
            return any(hmac.compare_digest(given.encode(), known.encode()) for known in self._passes)


class DoorMiddleware:
    """ASGI middleware around the server, inside `surfscan.ui.guard`."""

    def __init__(self, app: App, door: Door) -> None:
        self._app, self._door = app, door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let through who has a pass; show the door to the others."""
        if scope["type"] not in ("http", "websocket") or self._door.knows(cookie_in(scope, COOKIE)):
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008})
        elif scope["path"] == PATH and scope["method"] == "POST":
            await self._enter(scope, receive, send)
        elif scope["path"] in ("/", PATH) and scope["method"] == "GET":
            await _answer(send, 200, _page(""))
        else:
            await _answer(send, 403, "The door is shut: open the page and type the code.")

    async def _enter(self, scope: Scope, receive: Receive, send: Send) -> None:
        body = await body_of(receive, most=1000)
        if body is None:
            await _answer(send, 413, _page("That is no code."))
            return
        code = parse_qs(body.decode("ascii", "replace")).get("code", [""])[0]
        who = (scope.get("client") or ("", 0))[0]
        wait = self._door.wait_s(who)
        new = self._door.try_code(code, who)
        if new is None:
            said = (
                f"Too many wrong codes from here. Wait {wait:.0f} seconds, then type the code the terminal shows."
                if wait > 0
                else f"That is not the code. Type the {DIGITS} digits that the terminal shows now; each is good once."
            )
            later = [(b"retry-after", f"{wait:.0f}".encode())] if wait > 0 else []
            await _answer(send, 429 if wait > 0 else 401, _page(said), later)
            return
        cookie = f"{COOKIE}={new}; Path=/; HttpOnly; SameSite=Strict"
        await _answer(send, 303, "", [(b"location", b"/"), (b"set-cookie", cookie.encode())])


# The picture at the terminal carries the code behind the address's #, which no browser sends anywhere.
_SCRIPT = """
const told = location.hash.slice(1), field = document.getElementById("code");
if (/^[0-9]+$/.test(told)) {
  history.replaceState(null, "", location.pathname);
  field.value = told;
  field.form.submit();
}
"""
_POLICY = script_policy(_SCRIPT, "form-action 'self'")


async def _answer(send: Send, status: int, text: str, more: Headers | None = None) -> None:
    await answer(send, status, text, kind="text/html; charset=utf-8", policy=_POLICY, more=more)


def _page(said: str) -> str:
    note = f'<p role="alert"><strong>{html.escape(said)}</strong></p>' if said else ""
    return f"""<!doctype html><html lang="en"><head><meta charset="utf-8"><title>surfscan: code</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><style>
:root {{ color-scheme: light dark }}
body {{ font: 18px/1.5 sans-serif; max-width: 26em; margin: 12vh auto; padding: 0 1em }}
input, button {{ font: inherit; min-height: 52px; padding: 0 .8em; box-sizing: border-box; width: 100%; }}
</style></head><body><h1>surfscan</h1><p>Type the {DIGITS} digits that the terminal of the computer shows.</p>{note}
<form method="post" action="{PATH}"><label for="code">Code</label>
<input id="code" name="code" inputmode="numeric" autocomplete="one-time-code" maxlength="12" autofocus required>
<button type="submit">Open</button></form><script>{_SCRIPT}</script></body></html>"""
