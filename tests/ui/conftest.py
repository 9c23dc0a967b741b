"""A real browser and a real server for the page's tests.

Where `SURFSCAN_NEED_BROWSER` is set, as `.ci/run` does, a missing browser is a failure; on a user's machine the
browser's tests say why they can't run.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import Any

import pytest
from page_server import Server, start_server, stop_server

# The switches keep Chromium from looking for its makers' servers, and let it run as root in a box.
SWITCHES = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="module")  # its event loop must not outlive the module: other tests start their own
def browser() -> Iterator[Any]:
    """Debian's Chromium, driven by Playwright."""
    path = next((p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), None)
    if path is None:
        why = "no Chromium here: install it (Debian: apt install chromium) to test the page in a browser"
        if os.environ.get("SURFSCAN_NEED_BROWSER"):
            pytest.fail(why)
        pytest.skip(why)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        started = play.chromium.launch(executable_path=path, args=SWITCHES, headless=True)
        yield started
        started.close()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    running = start_server(tmp_path_factory.mktemp("page"))
    yield running
    stop_server(running)
    # Files are kept only where the user saved them.
    assert list(running.scratch.rglob("*")) == []
