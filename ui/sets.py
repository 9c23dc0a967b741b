"""Televisions that follow a phone: which have joined, what each is to show, and the plain page that they open.

A set has no pass for the page. It opens ``/set``, shows a code, and sees nothing until somebody who was let in types
that code; from then on it is told what to draw and one line of words, and can ask for nothing else. It is known by a
random cookie of its own, which opens no other address.
"""

from __future__ import annotations

import hmac
import json
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from surfscan.screen.page import make_set_page
from surfscan.screen.set_board import good_size
from surfscan.ui.asgi import (
    App,
    Headers,
    Receive,
    Scope,
    Send,
    answer,
    body_of,
    cookie_in,
    header,
    script_policy,
)
from surfscan.ui.door import Tries

__all__ = ["CODE_DIGITS", "PATH", "SETS", "SetMiddleware", "SetSeen", "Sets"]

COOKIE = "surfscan_set"
PATH = "/set"
CODE_DIGITS = 6
"""Of a set's code: it lets nobody in, it only tells which of a few screens is meant."""
ASLEEP_S = 6.0
"""A set asks once a second."""
MOST_WAITING, MOST_OF_ONE, MOST_JOINED = 30, 5, 12
"""Screens whose code nobody has typed, of those from one address, and screens that have joined."""
_WAITING_S, _JOINED_S = 600.0, 43_200.0
_MOST_BYTES = 500


@dataclass
class _Set:
    """One screen."""

    who: str
    code: str
    seen: float
    number: int = 0  # 0 until it has joined
    size: tuple[int, int] = (0, 0)
    glass: tuple[int, int] = (0, 0)
    owner: str = ""
    frame: dict[str, Any] | None = None
    frame_size: tuple[int, int] = (0, 0)
    words: str = ""
    serial: int = 0
    shown: int = -1


@dataclass(frozen=True, slots=True)
class SetSeen:
    """A screen as the page sees it.

    Attributes
    ----------
    number : int
        In the order of joining, from 1.
    name : str
        Its own secret: what is remembered of it is kept under that.
    size, glass : (width, height)
        Pixels of its picture, and of all that it has.
    awake : bool
        Whether it has asked in the last seconds.
    shows : bool
        Whether it has said that what it was told last is on the glass.
    owner : str
        The job that it shows for; empty for none.
    busy : bool
        Whether it shows something for that job now.
    """

    number: int
    name: str = field(repr=False)
    size: tuple[int, int]
    glass: tuple[int, int]
    awake: bool
    shows: bool
    owner: str
    busy: bool

    def taken(self, job: str) -> bool:
        """Whether it shows something for another job."""
        return self.busy and self.owner not in ("", job)


class Sets:
    """All screens of this server, in memory.

    Parameters
    ----------
    clock : callable, optional
        Seconds, rising.
    """

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._lock, self._tries = clock, threading.Lock(), Tries(clock)
        self._sets: OrderedDict[str, _Set] = OrderedDict()  # by their secret, the one heard last at the end
        self._numbers = 0

    def hello(self, name: str, who: str, report: dict[str, Any]) -> tuple[str, dict[str, Any]]:
        """A screen asks what to show.

        Parameters
        ----------
        name : str
            Its secret; one that is not known, or empty, gets another.
        who : str
            Its address.
        report : dict
            What it says: ``size``, ``glass`` and the serial that is ``shown``.

        Returns
        -------
        (str, dict)
            Its secret from now on, and what it is told.
        """
        with self._lock:
            self._sweep()
            found = self._sets.get(name)
            if found is None:
                # A secret that was ours before the server stopped stays: the screen's size is remembered under it.
                name = name if _is_name(name) else secrets.token_urlsafe(24)
                found = self._sets[name] = _Set(who, self._free_code(), self._clock())
                self._bound(who)
            found.seen = self._clock()
            self._sets.move_to_end(name)
            size, glass = (_pair(report.get(key)) for key in ("size", "glass"))
            found.size, found.glass = size, glass if glass != (0, 0) else size
            shown = report.get("shown")
            found.shown = shown if isinstance(shown, int) else -1
            if not found.number:
                return name, {"code": found.code}
            told = {"words": found.words, "serial": found.serial, "size": list(found.frame_size)}
            return name, told | {"frame": found.frame}

    def _free_code(self) -> str:
        taken = {one.code for one in self._sets.values()}
        while True:
            code = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"
            if code not in taken:
                return code

    def _bound(self, who: str) -> None:
        """Too many that wait: the oldest goes, of the same address first."""
        for of_one, most in ((who, MOST_OF_ONE), (None, MOST_WAITING)):
            waiting = [
                name for name, one in self._sets.items() if not one.number and of_one in (None, one.who)
            ]
            for name in waiting[: max(len(waiting) - most, 0)]:
                del self._sets[name]

    def _sweep(self) -> None:
        now = self._clock()
        for name, one in list(self._sets.items()):
            if now - one.seen > (_JOINED_S if one.number else _WAITING_S):
                del self._sets[name]

    def wait_s(self, who: str) -> float:
        """Seconds until somebody may type another code."""
        with self._lock:
            return self._tries.wait_s(who)

    def join(self, code: str, who: str) -> int | None:
        """Somebody who was let in types a screen's code: its number, or None for a code that no screen shows.

        Parameters
        ----------
        code : str
        who : str
            The job it is typed for: after some wrong ones it waits.
        """
        typed = "".join(letter for letter in code if letter.isalnum())
        with self._lock:
            self._sweep()
            if self._tries.wait_s(who) > 0:
                return None
            found = next(
                (
                    one
                    for one in self._sets.values()
                    if not one.number and hmac.compare_digest(one.code.encode(), typed.encode())
                ),
                None,
            )
            if found is None:
                self._tries.wrong(who)
                return None
            self._tries.right(who)
            self._numbers += 1
            found.number, found.code = self._numbers, ""
            joined = [name for name, one in self._sets.items() if one.number]
            for name in joined[: max(len(joined) - MOST_JOINED, 0)]:
                del self._sets[name]
            return found.number

    def joined(self) -> list[SetSeen]:
        """The screens that have joined, the first one first."""
        with self._lock:
            self._sweep()
            found = [self._told(name, one) for name, one in self._sets.items() if one.number]
        return sorted(found, key=lambda one: one.number)

    def seen(self, number: int) -> SetSeen | None:
        """One of them; None when it is gone."""
        return next((one for one in self.joined() if one.number == number), None)

    def _told(self, name: str, one: _Set) -> SetSeen:
        awake = self._clock() - one.seen < ASLEEP_S
        return SetSeen(
            one.number,
            name,
            one.size,
            one.glass,
            awake,
            one.shown == one.serial,
            one.owner,
            one.frame is not None,
        )

    def take(self, number: int, owner: str) -> None:
        """From now on this screen shows for this job, and what it shows is nobody's any more."""
        with self._lock:
            for one in self._sets.values():
                if one.number == number and one.owner != owner:
                    one.owner = owner
                    self._put(one, None, (0, 0), "")

    def show(
        self, number: int, owner: str, frame: dict[str, Any] | None, size: tuple[int, int], words: str
    ) -> bool:
        """Tell a screen what to show; False when it is gone, or shows for another job."""
        with self._lock:
            found = next((one for one in self._sets.values() if one.number == number), None)
            if found is None or found.owner != owner:
                return False
            self._put(found, frame, size, words)
            return True

    def leave(self, number: int, owner: str) -> None:
        """This job needs the screen no more."""
        with self._lock:
            for one in self._sets.values():
                if one.number == number and one.owner == owner:
                    one.owner = ""
                    self._put(one, None, (0, 0), "")

    @staticmethod
    def _put(one: _Set, frame: dict[str, Any] | None, size: tuple[int, int], words: str) -> None:
        one.words = words[:200]
        if (frame, size) != (one.frame, one.frame_size):
            one.frame, one.frame_size = frame, size
            one.serial += 1


def _is_name(name: str) -> bool:
    return len(name) == 32 and name.isascii() and name.replace("-", "").replace("_", "").isalnum()


def _pair(given: Any) -> tuple[int, int]:
    if isinstance(given, list) and len(given) == 2 and good_size(given[0], given[1]):
        return given[0], given[1]
    return 0, 0


SETS = Sets()
"""The ones of this server."""


class SetMiddleware:
    """ASGI middleware that answers a set's page and its questions; inside `surfscan.ui.guard`, outside the door.

    Parameters
    ----------
    app : ASGI application
    sets : Sets, optional
    """

    def __init__(self, app: App, sets: Sets | None = None) -> None:
        self._app, self._sets = app, sets or SETS
        page, script = make_set_page()
        # It runs its own script, and asks this server.
        self._page, self._policy = page, script_policy(script, "connect-src 'self'; form-action 'none'")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer what is a set's; let all else through."""
        path = scope.get("path", "") if scope["type"] == "http" else ""
        if path != PATH and not path.startswith(f"{PATH}/"):
            await self._app(scope, receive, send)
        elif path == PATH and scope["method"] == "GET":
            await self._answer(send, 200, self._page, "text/html; charset=utf-8")
        elif path == f"{PATH}/state" and scope["method"] == "POST":
            await self._state(scope, receive, send)
        else:
            await self._answer(send, 404, "There is nothing here.")

    async def _state(self, scope: Scope, receive: Receive, send: Send) -> None:
        # A form of another site can't send this type without asking first.
        if not header(scope, b"content-type").startswith("application/json") or not _own_origin(scope):
            await self._answer(send, 403, "Not from here.")
            return
        body = await body_of(receive, most=_MOST_BYTES)
        if body is None:
            await self._answer(send, 413, "That is too long.")
            return
        try:
            report = json.loads(body)
        except (ValueError, RecursionError):
            report = None
        if not isinstance(report, dict):
            await self._answer(send, 400, "That is no report of a screen.")
            return
        name = cookie_in(scope, COOKIE)
        given, told = self._sets.hello(name, (scope.get("client") or ("", 0))[0], report)
        cookie = f"{COOKIE}={given}; Path={PATH}; Max-Age=31536000; HttpOnly; SameSite=Strict"
        more = [] if given == name else [(b"set-cookie", cookie.encode())]
        await self._answer(send, 200, json.dumps(told), "application/json", more)

    async def _answer(
        self,
        send: Send,
        status: int,
        text: str,
        kind: str = "text/plain; charset=utf-8",
        more: Headers | None = None,
    ) -> None:
        await answer(send, status, text, kind=kind, policy=self._policy, more=more)


def _own_origin(scope: Scope) -> bool:
    origin = header(scope, b"origin")
    return not origin or urlsplit(origin).netloc == header(scope, b"host")
