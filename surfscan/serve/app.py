"""The service's HTTP interface, as an ASGI application."""

from __future__ import annotations

import asyncio
import hmac
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from surfscan.core.errors import SurfscanError
from surfscan.serve.desk import FullError, JobDesk, Told
from surfscan.serve.intake import TooLargeError, receive
from surfscan.serve.openapi import describe, make_page
from surfscan.version import VERSION

__all__ = ["make_app"]

_UPLOADS = 8  # at once; the others wait, then are told to come again
_PATIENCE_S = 20.0
_LONGEST_WAIT_S = 30.0
_LOOK_S = 0.1
_ROW = (
    "outcome", "reason", "panel", "stage", "coverage", "spots", "over", "worst_mm", "worst_u95_mm", "fill_ml",
    "started", "seconds", "program",
)  # fmt: skip
_KINDS = {
    ".json": "application/json",
    ".png": "image/png",
    ".csv": "text/csv",
    ".npz": "application/octet-stream",
}

Handler = Callable[[Request], Awaitable[Response]]


def make_app(desk: JobDesk, token: str) -> Starlette:
    """The application.

    Parameters
    ----------
    desk : JobDesk
        Closed when the application stops.
    token : str
        What a client has to show: ``Authorization: Bearer TOKEN``.
    """
    service = _Service(desk, token)

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        yield
        await asyncio.to_thread(desk.close)

    return Starlette(
        routes=[
            Route("/", service.about),
            Route("/docs", service.docs),
            Route("/openapi.json", service.openapi),
            Route("/health", service.health),
            Route("/jobs", service.guarded(service.submit), methods=["POST"]),
            Route("/jobs/{id}", service.guarded(service.follow), methods=["GET"]),
            Route("/jobs/{id}", service.guarded(service.forget), methods=["DELETE"]),
            Route("/jobs/{id}/{file}", service.guarded(service.fetch), methods=["GET"]),
        ],
        lifespan=life,
        exception_handlers={404: _not_there, 405: _not_there},
    )


class _Service:
    def __init__(self, desk: JobDesk, token: str) -> None:
        self._desk, self._token = desk, token.encode()
        self._uploads = asyncio.Semaphore(_UPLOADS)

    def guarded(self, handler: Handler) -> Handler:
        """A handler that only who shows the token reaches."""

        async def guard(request: Request) -> Response:
            scheme, _, given = request.headers.get("authorization", "").partition(" ")
            if scheme.lower() != "bearer" or not hmac.compare_digest(given.strip().encode(), self._token):
                error = _error(401, "The token is missing or wrong", cure="send Authorization: Bearer TOKEN")
                error.headers["WWW-Authenticate"] = "Bearer"
                return error
            try:
                return await handler(request)
            except FullError as full:
                return _later(str(full), full.wait_s)
            except TooLargeError as large:
                return _error(413, str(large), cure="send less, or smaller photos: 12 megapixels are plenty")
            except SurfscanError as refused:
                return _error(
                    422, refused.what, found=refused.found, allowed=refused.allowed, cure=refused.cure
                )
            except TimeoutError:
                return _error(408, "The upload did not come to an end", cure="send it again")

        return guard

    async def about(self, _: Request) -> Response:
        """What this is."""
        return JSONResponse(
            {"service": "surfscan", "version": VERSION, "docs": "/docs", "openapi": "/openapi.json"}
        )

    async def docs(self, _: Request) -> Response:
        """The interface to read."""
        return HTMLResponse(
            make_page(describe()),
            headers={"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'"},
        )

    async def openapi(self, _: Request) -> Response:
        """The interface for programs."""
        return JSONResponse(describe())

    async def health(self, _: Request) -> Response:
        """Whether it runs, and how much there is to do."""
        return JSONResponse({"status": "ok", "workers": self._desk.workers, **self._desk.count()})

    async def submit(self, request: Request) -> Response:
        """Take a job in."""
        self._desk.see_room()  # before anything is sent, where the client waits to be asked
        try:
            await asyncio.wait_for(self._uploads.acquire(), _PATIENCE_S)
        except TimeoutError:
            raise FullError(5) from None
        try:
            self._desk.see_room()
            folder, number = await receive(request, self._desk.incoming)
            told, fresh = await asyncio.to_thread(self._desk.take, folder, job_number=number)
        finally:
            self._uploads.release()
        return JSONResponse(
            _document(self._desk.find(told.id) or told),
            202 if fresh else 200,
            {"Location": f"/jobs/{told.id}"},
        )

    async def follow(self, request: Request) -> Response:
        """Tell what is known of a job; with ``wait`` when it is done, or so many seconds later."""
        try:
            wait = min(max(float(request.query_params.get("wait", "0")), 0.0), _LONGEST_WAIT_S)
        except ValueError:
            return _error(
                422, "wait is no number", allowed="seconds, 0 to 30", cure="leave it out, or give seconds"
            )
        until = time.monotonic() + wait
        name = request.path_params["id"]
        while True:
            told = self._desk.find(name)
            if told is None:
                return _no_job()
            if told.state == "done" or not time.monotonic() < until:
                return JSONResponse(_document(told))
            await asyncio.sleep(_LOOK_S)

    async def fetch(self, request: Request) -> Response:
        """A file of a result."""
        name, file = request.path_params["id"], request.path_params["file"]
        told = self._desk.find(name)
        if told is None:
            return _no_job()
        if told.state != "done":
            return _error(409, "The job is not done", found=told.state, cure="follow it with wait")
        path = self._desk.file(name, file)
        if path is None:
            return _error(
                404,
                "The result has no such file",
                found=file,
                allowed=", ".join(sorted(_files(told))) or "none: see its reason",
            )
        return FileResponse(path, media_type=_KINDS[path.suffix], headers={"Cache-Control": "no-store"})

    async def forget(self, request: Request) -> Response:
        """Take a result away."""
        name = request.path_params["id"]
        told = self._desk.find(name)
        if told is None:
            return _no_job()
        if not await asyncio.to_thread(self._desk.forget, name):
            return _error(409, "The job is not done", found=told.state, cure="wait until it is")
        return Response(status_code=204)


def _document(told: Told) -> dict[str, Any]:
    """A job as JSON."""
    told_of = {"id": told.id, "state": told.state, "url": f"/jobs/{told.id}"}
    if told.state == "waiting":
        return {**told_of, "ahead": told.ahead}
    if told.row is None:
        return {**told_of, "stage": told.stage, "share": round(told.share, 3)}
    row = {name: told.row.get(name) for name in _ROW}
    return {**told_of, **row, "files": {name: f"/jobs/{told.id}/{name}" for name in _files(told)}}


def _files(told: Told) -> tuple[str, ...]:
    from surfscan.report.output import OUTPUT_FILES

    measured = told.row is not None and told.row.get("coverage") is not None
    return OUTPUT_FILES if measured else ()


def _error(status: int, what: str, *, found: str = "", allowed: str = "", cure: str = "") -> JSONResponse:
    """A refusal in the one form of this program."""
    parts = {"what": what, "found": found, "allowed": allowed, "cure": cure}
    return JSONResponse({"error": {key: text for key, text in parts.items() if text}}, status)


def _later(what: str, wait_s: int) -> JSONResponse:
    """Told to wait."""
    answer = _error(429, what, cure=f"send it again in {wait_s} s")
    answer.headers["Retry-After"] = str(wait_s)
    return answer


def _no_job() -> JSONResponse:
    return _error(
        404,
        "There is no such job",
        allowed="an id that POST /jobs gave, while its result is kept",
        cure="send it",
    )


async def _not_there(request: Request, error: Exception) -> Response:
    status = getattr(error, "status_code", 404)
    return _error(
        status, "There is nothing here", found=f"{request.method} {request.url.path}", cure="see /docs"
    )
