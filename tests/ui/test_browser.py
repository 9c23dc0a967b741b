"""The page in a real browser, at a phone's width and on a desk."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from page_runs import JOBS
from page_server import certificate, start_server, stop_server

SMALL = JOBS / "bad-photos"  # the scene of "flat" with a quarter of its pixels
PHONE, DESK = {"width": 360, "height": 780}, {"width": 1280, "height": 900}

# What sticks out to the right of the screen, but for what is clipped or hidden on purpose.
STICKS_OUT = """() => [...document.querySelectorAll('.stMain *')].filter(e => {
  const r = e.getBoundingClientRect(), s = getComputedStyle(e);
  return r.width > 2 && r.right > innerWidth + 1 && s.visibility !== 'hidden' && s.opacity !== '0'
    && !e.closest('.js-plotly-plot, .tablewrap, [data-testid=stSlider]') && s.clipPath === 'none' && s.clip === 'auto';
}).map(e => e.tagName + ' ' + (e.innerText || '').slice(0, 40))"""

# Everything that can be tapped, with its height and its name as a screen reader says it.
TAPPED = """() => [...document.querySelectorAll('.stMain button, .stMain summary, .stMain input, .stMain textarea, ' +
  '.stMain [role=slider], .stMain [role=radio], .stMain [role=combobox]')].filter(e => {
  const r = e.getBoundingClientRect(), s = getComputedStyle(e);
  return r.width > 2 && r.height > 2 && s.visibility !== 'hidden' && s.opacity !== '0' && e.type !== 'file';
}).map(e => {
  const within = e.closest('label, [data-baseweb=input], [data-baseweb=select], [data-testid=stSlider]') || e;
  const tall = Math.max(e.getBoundingClientRect().height, within.getBoundingClientRect().height);
  const labels = e.labels ? [...e.labels].map(l => l.textContent).join(' ') : '';
  const ids = (e.getAttribute('aria-labelledby') || '').split(' ');
  const by = ids.map(i => document.getElementById(i)?.textContent || '').join(' ');
  const name = (e.getAttribute('aria-label') || labels || by || e.textContent || e.title || '').trim();
  return [Math.round(tall), name, e.tagName + '.' + (e.dataset.testid || e.className || '')];
})"""


def open_at(browser: Any, url: str, size: dict[str, int], **more: Any) -> Any:
    page = browser.new_page(viewport=size, **more)
    page.set_default_timeout(120_000)
    page.faults = []
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    outside = []
    page.on(
        "request",
        lambda r: outside.append(r.url) if not r.url.startswith((url, "data:", "blob:", "ws:")) else None,
    )
    page.outside = outside
    page.goto(url)
    page.get_by_role("heading", name="Is the panel fair?").wait_for()
    return page


def bring(page: Any, job: Path) -> None:
    """The job's files through the page's own file button, as a phone does it."""
    view(page, "All on one page", "All on one page")
    page.get_by_text("Open a job folder, or try the example").click()
    files = [job / name for name in ("panel.toml", "stripes-across.jpg", "stripes-up.jpg")]
    page.locator("[class*='st-key-files-'] input[type=file]").set_input_files([str(path) for path in files])
    page.get_by_text("Good.").nth(1).wait_for()


def check(page: Any) -> str:
    button = page.get_by_role("button", name="Check the panel")
    button.last.click()
    page.locator(".verdict").wait_for()
    return str(page.locator(".verdict").inner_text())


def view(page: Any, name: str, heading: str) -> None:
    link = page.locator(".st-key-bar .stPageLink a", has_text=name)
    if link.count() == 0:
        page.get_by_role("button", name="More").click()
        link = page.locator("[data-testid=stPopoverBody] .stPageLink a", has_text=name)
    link.first.click()
    page.get_by_role("heading", name=heading, exact=True).first.wait_for()
    page.wait_for_function("() => !document.querySelector('[data-testid=stStatusWidget]')")


def see_nothing_sticks_out(page: Any) -> None:
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    assert page.evaluate(STICKS_OUT) == []


def see_targets(page: Any) -> None:
    found = page.evaluate(TAPPED)
    assert len(found) > 5
    small = [row for row in found if row[0] < 44]
    assert small == []
    assert [row for row in found if not row[1]] == []


def test_a_phone_from_photos_to_the_report(browser: Any, server: Any, tmp_path: Path) -> None:
    page = open_at(browser, server.url, PHONE, has_touch=True)
    bring(page, SMALL)
    see_nothing_sticks_out(page)
    see_targets(page)
    said = check(page)
    # known by the renderer: three lows and one high over 0.04 mm, the deepest 0.278 mm
    assert "Rework" in said
    assert "3 lows and 1 high" in said
    see_nothing_sticks_out(page)
    see_targets(page)
    page.locator(".mark[data-spot='1']").tap()
    page.get_by_role("button", name="Look closer at spot 1 now").click()
    page.get_by_text("Gap under a 300 mm straightedge").wait_for()
    page.locator(".js-plotly-plot").first.wait_for()
    see_nothing_sticks_out(page)
    see_targets(page)
    view(page, "Papers", "Papers")
    page.get_by_role("button", name="Job folder: sheet and photos").wait_for()  # the last of the view
    see_nothing_sticks_out(page)
    see_targets(page)
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Report (PDF)").click()
    saved = tmp_path / waiting.value.suggested_filename
    waiting.value.save_as(saved)
    assert saved.read_bytes().startswith(b"%PDF")
    import pypdfium2

    text = pypdfium2.PdfDocument(saved)[0].get_textpage().get_text_bounded()
    assert "REWORK" in text
    assert "3 lows and 1 high" in text.replace("\r\n", " ")
    view(page, "Teach", "Teach")
    see_nothing_sticks_out(page)
    see_targets(page)
    assert page.faults == []
    assert page.outside == []  # no telemetry, no font from elsewhere
    page.close()


def test_a_desk_with_mouse_and_keys(browser: Any, server: Any) -> None:
    page = open_at(browser, server.url, DESK, color_scheme="dark")
    bring(page, SMALL)
    # leave out a triangle, tapped on the photo; its corners are counted in mm from the panel's middle
    page.get_by_text("Judge only a part, or leave parts out").click()
    stage = page.locator("[class*='st-key-region-'] .stage")
    stage.wait_for()
    box = stage.bounding_box()
    for across, down in ((0.45, 0.45), (0.55, 0.45), (0.5, 0.6)):
        stage.click(position={"x": across * box["width"], "y": down * box["height"]})
    page.get_by_text("3 corners set").wait_for()
    # keys move a corner: the last one, ten pixels to the right
    page.locator(".handle").nth(2).focus()
    page.keyboard.press("Shift+ArrowRight")
    page.get_by_role("button", name="Done").click()
    page.get_by_text("Leave nothing out").wait_for()
    page.get_by_text("The sheet itself (panel.toml)").click()
    page.wait_for_function("() => document.querySelector('textarea').value.includes('leave_out_mm = [[[')")
    check(page)
    # the slider between photo and map, by keys
    slider = page.get_by_role("slider", name="Slide from map to photo")
    slider.focus()
    before = page.locator(".edge").first.get_attribute("style")
    for _ in range(5):
        page.keyboard.press("ArrowLeft")
    assert page.locator(".edge").first.get_attribute("style") != before
    # a spot by keys alone
    page.locator(".stage .mark").first.focus()
    page.keyboard.press("Enter")
    page.get_by_role("button", name="now").wait_for()
    view(page, "Look closer", "Look closer")
    page.locator(".js-plotly-plot").first.wait_for()
    page.get_by_text("Draw a line for the ruler").click()
    stage = page.locator("[class*='st-key-closer-'] .stage")
    stage.wait_for()
    box = stage.bounding_box()
    page.get_by_text("Drag a line, or tap both its ends").wait_for()
    for across in (0.3, 0.7):
        stage.click(position={"x": across * box["width"], "y": 0.5 * box["height"]})
    page.get_by_text("Gap under a").or_(page.get_by_text("straightedge touches here")).first.wait_for()
    see_nothing_sticks_out(page)
    assert page.faults == []
    page.close()


@pytest.fixture
def lan_server(tmp_path: Path) -> Any:
    cert, key = certificate(tmp_path)
    running = start_server(tmp_path / "lan", "--lan", "--tls-cert", str(cert), "--tls-key", str(key))
    yield running
    stop_server(running)


def test_the_door_on_the_network(browser: Any, lan_server: Any) -> None:
    """Reached on this machine; nothing but the door without the code, and the code is good once."""
    page = browser.new_context(viewport=PHONE, ignore_https_errors=True).new_page()
    page.set_default_timeout(120_000)
    page.goto(lan_server.url)
    page.get_by_label("Code").fill("000000" if lan_server.codes()[0] != "000000" else "111111")
    page.get_by_role("button", name="Open").click()
    page.get_by_text("That is not the code").wait_for()
    first = lan_server.codes()[0]
    page.get_by_label("Code").fill(first)
    page.get_by_role("button", name="Open").click()
    page.get_by_role("heading", name="Is the panel fair?").wait_for()
    flags = {cookie["name"]: cookie for cookie in page.context.cookies()}
    assert all(flag["secure"] and flag["sameSite"] == "Strict" for flag in flags.values()), flags
    assert flags["surfscan_pass"]["httpOnly"]
    page.reload()  # the pass is this browser's
    page.get_by_role("heading", name="Is the panel fair?").wait_for()
    assert len(lan_server.codes()) == 2
    other = browser.new_context(viewport=PHONE, ignore_https_errors=True).new_page()
    other.goto(lan_server.url)
    other.get_by_label("Code").fill(first)
    other.get_by_role("button", name="Open").click()
    other.get_by_text("That is not the code").wait_for()
    assert other.request.get(f"{lan_server.url}/_stcore/health").status == 403
    # the picture at the terminal: the code behind the address's #
    other.goto("about:blank")
    other.goto(f"{lan_server.url}/#{lan_server.codes()[-1]}")
    other.get_by_role("heading", name="Is the panel fair?").wait_for()
    assert "#" not in other.url
    other.context.close()
    page.context.close()
