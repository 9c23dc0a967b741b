"""The README's picture of the page: verdict, a spot's card, the ruler on a low, as a phone shows them.

    python tests/bench/page_pictures.py OUT.png     (then tests/renders/list_hashes.py, where OUT is in fixtures/)

Chromium and Playwright are needed, as for the page's tests. The job is `fixtures/jobs/flat`.
"""

from __future__ import annotations

import io
import os
import sys
import tempfile
from pathlib import Path

from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1]))
from page_server import start_server, stop_server

JOB = Path(__file__).parents[2] / "fixtures" / "jobs" / "flat"
WIDE, TALL, GAP = 360, 760, 10


def shots(url: str) -> list[bytes]:
    """Three screens of a phone."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as tool:
        browser = tool.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": WIDE, "height": TALL}, has_touch=True)
        page.set_default_timeout(120_000)
        page.goto(url)
        page.get_by_role("button", name="Open a job").first.tap()
        files = [str(JOB / name) for name in ("panel.toml", "stripes-across.jpg", "stripes-up.jpg")]
        page.locator("[class*='st-key-files-'] input[type=file]").set_input_files(files)
        page.get_by_text("Good.").nth(1).wait_for()
        page.get_by_role("button", name="Check the panel").last.tap()
        page.locator(".mark").first.wait_for()
        slider = page.locator(".bar input[type=range]").first
        slider.evaluate("e => { e.value = 50; e.dispatchEvent(new Event('input')); }")
        page.wait_for_timeout(1500)
        taken = [page.screenshot()]
        page.get_by_text("Each spot, worst first").scroll_into_view_if_needed()
        page.get_by_text("Each spot, worst first").evaluate("e => e.scrollIntoView()")
        page.wait_for_timeout(800)
        taken.append(page.screenshot())
        page.get_by_role("button", name="Look closer at spot 1").first.tap()
        page.get_by_text("Gap under a 300 mm straightedge").wait_for()
        page.locator(".js-plotly-plot").first.wait_for()
        page.get_by_text("Gap under a 300 mm straightedge").evaluate("e => e.scrollIntoView()")
        page.wait_for_timeout(2500)
        taken.append(page.screenshot())
        browser.close()
    return taken


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        os.environ["SURFSCAN_HOME"] = folder
        server = start_server(Path(folder))
        try:
            taken = [Image.open(io.BytesIO(one)).convert("RGB") for one in shots(server.url)]
        finally:
            stop_server(server)
    whole = Image.new("RGB", (len(taken) * (WIDE + GAP) - GAP, TALL), (128, 128, 128))
    for k, one in enumerate(taken):
        whole.paste(one, (k * (WIDE + GAP), 0))
    whole.quantize(128).save(sys.argv[1], optimize=True)


if __name__ == "__main__":
    main()
