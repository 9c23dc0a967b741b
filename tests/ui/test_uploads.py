"""The page's server takes no more photos than it can hold, and lets go of those that the page has taken."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

pytest.importorskip("streamlit")

from surfscan.ui.store import MOST_BENCH_BYTES, MOST_BYTES
from surfscan.ui.uploads import UploadMiddleware

MB = 1_000_000


async def _put(middleware: Any, session: str, size: int | None, *, method: str = "PUT") -> int:
    sent: list[Any] = []
    pieces = [{"type": "http.request", "body": b"x", "more_body": k < 2} for k in range(3)]

    async def receive() -> Any:
        return pieces.pop(0)

    async def send(message: Any) -> None:
        sent.append(message)

    head = [] if size is None else [(b"content-length", str(size).encode())]
    path = f"/_stcore/upload_file/{session}/one"
    await middleware({"type": "http", "method": method, "path": path, "headers": head}, receive, send)
    assert sent[0]["status"] == 200 or not pieces  # a refused one is read to its end
    return int(sent[0]["status"])


def _server(held: dict[str, int], wait: asyncio.Event | None = None) -> UploadMiddleware:
    async def inside(scope: Any, receive: Any, send: Any) -> None:
        if wait is not None:
            await wait.wait()
        await send({"type": "http.response.start", "status": 200, "headers": []})

    return UploadMiddleware(inside, lambda: held)


@pytest.mark.parametrize(
    ("held", "size", "status"),
    [
        ({}, 39 * MB, 200),
        ({"a": MOST_BENCH_BYTES - 39 * MB}, 39 * MB, 200),
        ({"a": MOST_BENCH_BYTES - 39 * MB}, 40 * MB, 413),
        ({"a": MOST_BENCH_BYTES - 39 * MB}, None, 413),  # of unknown size: as large as one may be
        ({"b": MOST_BENCH_BYTES}, 39 * MB, 200),  # another browser's
        ({"b": MOST_BENCH_BYTES, "c": MOST_BENCH_BYTES, "d": MOST_BYTES - 2 * MOST_BENCH_BYTES}, 1, 413),
        ({}, 10**14, 413),
    ],
)
def test_what_does_not_fit_is_not_kept(held: dict[str, int], size: int | None, status: int) -> None:
    assert asyncio.run(_put(_server(held), "a", size)) == status
    assert asyncio.run(_put(_server(held), "a", size, method="DELETE")) == 200


def test_thirty_photos_at_once_are_counted_before_they_are_there() -> None:
    async def go() -> list[int]:
        arrived = asyncio.Event()
        server = _server({}, arrived)
        tasks = [asyncio.create_task(_put(server, "a", 40 * MB)) for _ in range(30)]
        await asyncio.sleep(0.01)
        arrived.set()
        ends = [await task for task in tasks]
        return [*ends, await _put(server, "a", 40 * MB)]  # and what was announced is forgotten again

    ends = asyncio.run(go())
    assert ends[:30].count(200) == MOST_BENCH_BYTES // (40 * MB)
    assert ends[-1] == 200
