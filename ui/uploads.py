"""What the page's server holds of photos on their way in: bounded, and let go once the page has taken them.

Streamlit keeps each upload in memory for as long as its browser is there, whatever a page says of the total.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any

from streamlit import runtime
from streamlit.runtime.scriptrunner import get_script_run_ctx

from surfscan.ui.asgi import App, Receive, Scope, Send
from surfscan.ui.limits import MOST_FILE_MB
from surfscan.ui.store import MOST_BENCH_BYTES, MOST_BYTES

__all__ = ["UploadMiddleware", "let_go"]

_PATH = re.compile(r".*/_stcore/upload_file/([^/]+)/[^/]+")


class UploadMiddleware:
    """ASGI middleware that takes no upload for which there is no room, before its bytes are kept.

    Parameters
    ----------
    app : ASGI application
    held : callable, optional
        Bytes that the server holds for each of its sessions.
    """

    def __init__(
        self,
        app: App,
        held: Callable[[], dict[str, int]] | None = None,
    ) -> None:
        self._app, self._held = app, held or _held
        self._coming: dict[str, int] = {}  # bytes announced and not there yet

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let an upload through where there is room for all that is announced."""
        path = _PATH.fullmatch(scope["path"]) if scope["type"] == "http" else None
        if path is None or scope["method"] not in ("PUT", "POST"):
            await self._app(scope, receive, send)
            return
        session, size = path[1], _announced(scope)
        held = self._held()
        own = held.get(session, 0) + self._coming.get(session, 0)
        every = sum(held.values()) + sum(self._coming.values())
        if own + size > MOST_BENCH_BYTES or every + size > MOST_BYTES:
            while (await receive()).get("more_body"):
                pass  # read to its end and dropped: a browser hears no answer before
            body = b"There is no room for more photos here now: wait until those before are taken, or reload the page."
            head = [(b"content-type", b"text/plain; charset=utf-8")]
            await send({"type": "http.response.start", "status": 413, "headers": head})  # RFC 9110, 15.5.14
            await send({"type": "http.response.body", "body": body})
            return
        self._coming[session] = self._coming.get(session, 0) + size
        try:
            await self._app(scope, receive, send)
        finally:
            self._coming[session] -= size
            if not self._coming[session]:
                del self._coming[session]


def _announced(scope: Scope) -> int:
    """Bytes that an upload says it has; the most that the server takes of one where it does not say."""
    given = next((value for name, value in scope.get("headers", []) if name == b"content-length"), b"")
    return int(given) if given.isdigit() and len(given) < 16 else MOST_FILE_MB * 2**20


def _held() -> dict[str, int]:
    if not runtime.exists():
        return {}
    stored = getattr(runtime.get_instance().uploaded_file_mgr, "file_storage", {})
    return {session: sum(len(file.data) for file in files.values()) for session, files in [*stored.items()]}


def let_go(uploads: Sequence[Any]) -> None:
    """Take uploads that the page has copied out of the server's own memory."""
    context = get_script_run_ctx()
    if context is None or not runtime.exists():
        return
    manager: Any = runtime.get_instance().uploaded_file_mgr  # the protocol names less than the class has
    for upload in uploads:
        manager.remove_file(context.session_id, upload.file_id)
