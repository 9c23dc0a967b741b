"""The page run without a browser, by Streamlit's own page tests."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from streamlit import config
from streamlit.testing.v1 import AppTest
from streamlit.util import calc_hash

from surfscan.cli.page import find_page

APP = find_page()
JOBS = Path(__file__).parents[1] / "fixtures" / "jobs"


config.set_option("global.disableWidgetStateDuplicationWarning", True)  # as the page's own settings have it


def open_page(view: str = "check", **asked: str) -> AppTest:
    """The page, drawn once, at a view's address; `asked` is what stands behind its question mark."""
    page = AppTest.from_file(str(APP), default_timeout=60)
    for name, value in asked.items():
        page.query_params[name] = value
    return go(page, view)


def go(page: AppTest, view: str) -> AppTest:
    """Follow a link to a view, by its address."""
    page._page_hash = calc_hash(view)
    page.run()
    page._page_hash = ""  # where a button leads from here, the page stays
    return page


def uploader(page: AppTest, start: str) -> Any:
    return next(one for one in page.file_uploader if str(one.key).startswith(start))


def button(page: AppTest, label: str) -> Any:
    return next(one for one in page.button if one.label == label)


def job_files(folder: Path, **instead: Path) -> list[tuple[str, bytes, str]]:
    """panel.toml and photos of a job, with other bytes under a photo's name where `instead` says so."""
    files = []
    for path in sorted(folder.iterdir()):
        if path.name == "panel.toml" or path.name in ("stripes-across.jpg", "stripes-up.jpg"):
            source = instead.get(path.stem.replace("-", "_"), path)
            files.append((path.name, source.read_bytes(), "application/octet-stream"))
    return files


def bring_job(page: AppTest, folder: Path, **instead: Path) -> AppTest:
    uploader(page, "files-").set_value(job_files(folder, **instead))
    return page.run()


def check(page: AppTest) -> AppTest:
    """Press the button and wait for the end."""
    page.button(key="check").click().run()
    end = time.monotonic() + 60
    while not page.session_state["work"].done:
        assert time.monotonic() < end
        time.sleep(0.05)
    return page.run()


def told(page: AppTest) -> str:
    """All that the page says, without the marks of Markdown."""
    said = [
        one.value
        for kind in ("title", "header", "subheader", "markdown", "caption")
        for one in getattr(page, kind)
    ]
    said += [one.value for kind in ("error", "warning", "info") for one in getattr(page, kind)]
    said += [one.proto.body for one in page.get("html")]
    return "\n".join(said).replace("\\", "")
