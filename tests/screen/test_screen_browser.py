"""The page in a real browser (Chromium): the pixels on its canvas, read back and fitted."""

from __future__ import annotations

import base64
import io
import json
import math
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from surfscan.screen.page import make_screen_page
from surfscan.screen.pattern import Screen, draw_frame, frames_of
from surfscan.screen.server import ScreenServer, Series

CHROMIUM = "/usr/bin/chromium"
VIEW = {"width": 320, "height": 200}
READ = """() => {
  const c = document.getElementById('canvas'), d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
  const red = Array.from({length: d.length / 4}, (_, k) => String.fromCharCode(d[4 * k]));
  return [c.width, c.height, btoa(red.join(''))];
}"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        path = CHROMIUM if Path(CHROMIUM).exists() else None
        started = play.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield started
        started.close()


def open_page(browser: Browser, html: str, folder: Path, *, ratio: float = 1.0) -> Page:
    (folder / "stripes.html").write_text(html, encoding="utf-8")
    context = browser.new_context(viewport=VIEW, screen=VIEW, device_scale_factor=ratio)
    page = context.new_page()
    page.goto((folder / "stripes.html").as_uri())
    return page


def until(page: Page, true: str) -> None:
    """Wait; by asking, because the page's own policy forbids what Playwright's waiting does."""
    for _ in range(100):
        if page.evaluate(true):
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"never: {true}")


def start(page: Page) -> None:
    page.check("#understood")
    page.click("#start")
    until(page, "canvas.width >= innerWidth")


def canvas(page: Page) -> np.ndarray:
    width, height, code = page.evaluate(READ)
    return np.frombuffer(base64.b64decode(code), np.uint8).reshape(height, width)


def linear(value: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1, the other way."""
    v = value / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def fit_cosine(light: np.ndarray, pixel_mm: float, guess_mm: float) -> tuple[float, float, float]:
    """Period in mm, phase in degrees (s from the line's start) and contrast of a + b cos(2 pi s/p + phase)."""
    s = (np.arange(light.size) + 0.5) * pixel_mm
    period = guess_mm
    for _ in range(6):  # Gauss-Newton in the period, linear in the rest
        w = 2 * np.pi * s / period
        design = np.stack([np.ones_like(s), np.cos(w), -np.sin(w)], -1)
        a, c, d = np.linalg.lstsq(design, light, rcond=None)[0]
        slope = (c * np.sin(w) + d * np.cos(w)) * w / period
        step = np.linalg.lstsq(np.column_stack([design, slope]), light, rcond=None)[0][3]
        period += step
    return period, math.degrees(math.atan2(d, c)) % 360, math.hypot(c, d) / a


@pytest.mark.parametrize("ratio", [1.0, 1.5])
def test_every_frame_has_its_period_and_phase_to_the_pixel(
    browser: Browser, tmp_path: Path, ratio: float
) -> None:
    frames = frames_of("stepped", periods_mm=(31.7,), steps=3)
    page = open_page(browser, make_screen_page(frames, diagonal_in=12.0), tmp_path, ratio=ratio)
    assert page.is_disabled("#start")  # nothing is shown before the caution was read
    start(page)
    device = (round(VIEW["width"] * ratio), round(VIEW["height"] * ratio))
    screen = Screen(*device, 12.0 * 25.4 / math.hypot(*device))
    for k, frame in enumerate(frames):
        shown = canvas(page)
        assert shown.shape == device[::-1]  # one canvas pixel per device pixel
        wanted = draw_frame(frame, screen)
        # The last digit of a cosine may round the other way in another library.
        assert np.abs(shown.astype(int) - wanted).max() <= 1
        # By the sheet's own words: s from the left edge along across, from the lower edge along up.
        line = linear(shown[0] if frame.varies == "across" else shown[::-1, 0])
        period, phase, contrast = fit_cosine(line, screen.pixel_mm, 31.0)
        # 8 bits: each pixel's light is off by up to 1/255 x 2.4 at the bright end, 0.003 rms; over 300 pixels and
        # 6 periods that is 0.0003 of a turn, and as much of the period.
        assert period == pytest.approx(31.7, rel=3e-4)
        assert (phase - frame.phase_deg + 180) % 360 - 180 == pytest.approx(0, abs=0.2)
        assert contrast == pytest.approx(1, abs=0.01)
        if k == 0:  # what is on the screen is the canvas, unscaled
            photo = np.asarray(Image.open(io.BytesIO(page.screenshot())).convert("L"))
            assert np.abs(photo[: wanted.shape[0], : wanted.shape[1]].astype(int) - wanted).max() <= 1
        page.wait_for_timeout(520)
        page.keyboard.press("ArrowRight")
    page.context.close()


def test_steps_are_slow_and_the_keys_say_what_is_shown(browser: Browser, tmp_path: Path) -> None:
    import tomllib

    frames = frames_of("stepped", periods_mm=(24.0,), steps=4)
    page = open_page(browser, make_screen_page(frames, diagonal_in=12.0), tmp_path)
    start(page)
    first = canvas(page)
    page.wait_for_timeout(520)
    for _ in range(5):  # a held or hammered key
        page.keyboard.press("ArrowRight")
    assert page.evaluate("index") == 1
    page.keyboard.press("Escape")
    assert not page.is_visible("#show")
    keys = tomllib.loads(page.input_value("#keys"))
    assert keys["board"]["pattern"] == "stepped"
    mm = 12.0 * 25.4 / math.hypot(*VIEW.values())
    assert keys["board"]["size_mm"] == pytest.approx([VIEW["width"] * mm, VIEW["height"] * mm], abs=0.01)
    assert [row["phase_deg"] for row in keys["photo"]] == [0, 90, 180, 270] * 2
    assert first.std() > 50
    page.context.close()


def test_a_card_gives_the_size_as_well(browser: Browser, tmp_path: Path) -> None:
    """85.60 mm (ISO/IEC 7810) on a box of 214 CSS pixels is 0.4 mm a pixel at ratio 1, 0.2 at ratio 2."""
    for ratio, mm in ((1.0, 0.4), (2.0, 0.2)):
        page = open_page(
            browser, make_screen_page(frames_of("dots", periods_mm=(24.0,))), tmp_path, ratio=ratio
        )
        page.evaluate("() => { const w = el('width'); w.value = 214; w.dispatchEvent(new Event('input')); }")
        assert page.evaluate("pixelMm()") == pytest.approx(mm)
        start(page)
        shown = canvas(page)
        wanted = draw_frame(frames_of("dots", periods_mm=(24.0,))[0], Screen(*shown.shape[::-1], mm))
        assert np.abs(shown.astype(int) - wanted).max() <= 1
        page.context.close()
    page = open_page(
        browser, make_screen_page(frames_of("stripes", periods_mm=(2.0,)), diagonal_in=12.0), tmp_path
    )
    page.check("#understood")
    assert page.is_disabled("#start")
    assert "too fine" in page.inner_text("#said")
    page.context.close()


def test_a_phone_steps_the_screen(browser: Browser, tmp_path: Path) -> None:
    frames = frames_of("stepped", periods_mm=(24.0,), steps=3)
    told: list[Screen] = []
    series = Series(frames)
    html = make_screen_page(frames, diagonal_in=12.0, served=True)
    with ScreenServer(html, series, told=told.append) as server:
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()
        address = f"http://127.0.0.1:{server.port}"
        context: Any = browser.new_context(viewport=VIEW, screen=VIEW)
        page, phone = context.new_page(), context.new_page()
        page.goto(address)
        start(page)
        until(page, "el('keys').value.includes('[board]')")
        phone.goto(f"{address}/remote")
        until(phone, "el('where').textContent.startsWith('1 of 6')")
        phone.click("#next")
        until(phone, "el('where').textContent.startsWith('2 of 6: across, 24 mm, 120°')")
        assert phone.inner_text("#file") == "across-24-120.jpg"
        until(page, "index === 1")
        screen = told[-1]
        assert (screen.width_px, screen.height_px) == (VIEW["width"], VIEW["height"])
        assert np.abs(canvas(page).astype(int) - draw_frame(frames[1], screen)).max() <= 1
        page.wait_for_timeout(520)
        page.keyboard.press(" ")  # the screen's own keys step the same series
        until(phone, "el('where').textContent.startsWith('3 of 6')")
        assert json.dumps(series.state())
        context.close()
        server.shutdown()
