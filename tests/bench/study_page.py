"""The page's times, and eight people checking at once, against a server on this machine. Not collected by pytest.

Usage: python tests/bench/study_page.py [--people 8] [--pause 3]

Prints: from the command to the first picture in a browser; from the button to the first progress and to the verdict
for two photos of 12 megapixels, with the longest time in which the page did not answer; and the same for several
people with different jobs at once, each verdict held against the fixture's known one.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import time
import tomllib
from pathlib import Path
from typing import Any

import cv2

sys.path.insert(0, str(Path(__file__).parents[1]))

from page_server import Server, start_server, stop_server

from surfscan.job.sheet_writing import write_sheet

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"
# Fixtures whose faults are far over or under their limits; the verdict follows from truth.json.
PEOPLE = ("flat", "crown", "smooth", "halo", "clean-flat", "covered-tag", "satin", "clean-crown")
SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
]
# The longest pause between two ticks of the page's own clock: what a finger would feel as freezing.
TICKS = """() => { let last = performance.now(); window.worst = 0;
  const tick = () => {
    const now = performance.now(); window.worst = Math.max(window.worst, now - last - 50); last = now; };
  setInterval(tick, 50); }"""


def main() -> None:
    given = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    given.add_argument("--people", type=int, default=8)
    given.add_argument(
        "--pause", type=float, default=0.0, help="seconds between the photos' judgement and the tap"
    )
    options = given.parse_args()
    people = min(options.people, len(PEOPLE))
    from playwright.sync_api import sync_playwright

    path = next(p for p in map(shutil.which, ("chromium", "chromium-browser")) if p)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=SWITCHES)
        browser.new_page().goto("about:blank")
        began = time.monotonic()
        server = start_server(Path(folder) / "server")
        try:
            listening = time.monotonic() - began
            page = open_page(browser, server)
            print(f"listening after {listening:.2f} s, first picture after {time.monotonic() - began:.2f} s")
            time.sleep(4)
            large(page, Path(folder), options.pause)
            page.close()
            together(browser, server, PEOPLE[:people])
        finally:
            stop_server(server)
            browser.close()


def open_page(browser: Any, server: Server) -> Any:
    page = browser.new_context(viewport={"width": 390, "height": 800}).new_page()
    page.set_default_timeout(120_000)
    page.goto(server.url)
    page.get_by_role("heading", name="Is the panel fair?").wait_for()
    return page


def bring(page: Any, job: Path) -> None:
    page.get_by_role("button", name="Open a job").click()
    names = [p for p in sorted(job.iterdir()) if p.name == "panel.toml" or p.suffix == ".jpg"]
    page.locator("[class*='st-key-files-'] input[type=file]").set_input_files([str(path) for path in names])
    page.get_by_text("Good.").nth(1).wait_for()


def large(page: Any, folder: Path, pause_s: float) -> None:
    job = folder / "large"
    job.mkdir()
    tables = tomllib.loads((JOBS / "flat" / "panel.toml").read_text())
    tables["camera"]["focal_px"] *= 2.5
    (job / "panel.toml").write_text(write_sheet(tables))
    for row in tables["photo"]:
        grey = cv2.imread(str(JOBS / "flat" / row["file"]))
        cv2.imwrite(str(job / row["file"]), cv2.resize(grey, (4000, 3000), interpolation=cv2.INTER_CUBIC))
    began = time.monotonic()
    bring(page, job)
    print(f"two photos of 12 megapixels: brought and looked at in {time.monotonic() - began:.2f} s")
    page.evaluate(TICKS)
    page.wait_for_timeout(1000 * pause_s)
    began = time.monotonic()
    page.get_by_role("button", name="Check the panel").last.click()
    page.locator("[data-testid=stProgress], .verdict").first.wait_for()
    first = time.monotonic() - began
    page.locator(".verdict").wait_for()
    done = time.monotonic() - began
    word = page.locator(".verdict h2").inner_text()
    print(f"first progress {first:.2f} s, verdict ({word}) {done:.2f} s after the button; ", end="")
    print(f"longest pause of the page {page.evaluate('window.worst') / 1000:.2f} s")


def together(browser: Any, server: Server, jobs: tuple[str, ...]) -> None:
    pages = [open_page(browser, server) for _ in jobs]
    for page, job in zip(pages, jobs, strict=True):
        bring(page, JOBS / job)
        page.evaluate(TICKS)
    began = time.monotonic()
    for page in pages:
        page.get_by_role("button", name="Check the panel").last.click()
    pressed = time.monotonic() - began
    right, pauses = 0, []
    for page, job in zip(pages, jobs, strict=True):
        page.get_by_text("of the judged region was measured").wait_for()
        page.wait_for_timeout(300)  # the picture is drawn right after
        spots = json.loads((JOBS / job / "truth.json").read_text())["spots"]
        limit = tomllib.loads((JOBS / job / "panel.toml").read_text())["limits"]["low_mm"]
        over = [spot for spot in spots if spot["depth_mm"] > limit]
        word, marks = page.locator(".verdict h2").inner_text(), page.locator(".stage .mark").count()
        fits = word == ("Rework" if over else "Fair") and marks == len(over)
        right += fits
        pauses.append(page.evaluate("window.worst") / 1000)
        print(
            f"  {job}: {word}, {marks} spots (known: {len(over)} over the limit){'' if fits else '  WRONG'}"
        )
    print(
        f"{len(jobs)} people: buttons pressed within {pressed:.1f} s, all {right} of {len(jobs)} right after "
        f"{time.monotonic() - began:.1f} s; longest pause of a page {max(pauses):.2f} s"
    )
    assert right == len(jobs)


if __name__ == "__main__":
    main()
