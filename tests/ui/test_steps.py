"""The steps in a real browser at a phone's width: taps and bytes counted, nothing lost. One browser, one server."""

from __future__ import annotations

from typing import Any

from page_runs import JOBS

SMALL = JOBS / "bad-photos"  # photos of 800 x 600: what is looked at here is the page
FIRST_LOAD_MOST, TAP_MOST = (
    1_500_000,
    100_000,
)  # bytes; what issue 14 asks, and a quarter of what a tap once sent

# Colours of an element's text and ground, as the browser drew them.
COLOURS = "e => { const s = getComputedStyle(e); return [s.color, s.backgroundColor]; }"


def settle(page: Any) -> None:
    page.wait_for_timeout(300)
    page.wait_for_function("() => !document.querySelector('[data-testid=stStatusWidget]')")


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = [float(v) / 255 for v in colour[colour.index("(") + 1 : -1].split(",")[:3]]
    red, green, blue = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_from_the_first_screen_to_the_verdict(browser: Any, server: Any) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    page = context.new_page()
    page.set_default_timeout(120_000)
    wire = context.new_cdp_session(page)
    wire.send("Network.enable")
    sent = {"http": 0.0, "live": 0}
    wire.on("Network.loadingFinished", lambda e: sent.update(http=sent["http"] + e["encodedDataLength"]))
    wire.on(
        "Network.webSocketFrameReceived",
        lambda e: sent.update(live=sent["live"] + len(e["response"]["payloadData"]) * 3 // 4),
    )
    page.goto(server.url)
    page.get_by_role("button", name="Check a panel").wait_for()
    settle(page)
    assert sent["http"] + sent["live"] < FIRST_LOAD_MOST
    (cookie,) = [c for c in context.cookies() if c["name"] == "surfscan_bench"]
    assert cookie["httpOnly"]
    assert cookie["sameSite"] == "Strict"
    # the bar lies below nothing: its first link is what a finger meets there
    link = page.locator(".st-key-bar a").first
    assert link.evaluate(
        "e => { const r = e.getBoundingClientRect(); return [[.5, .1], [.5, .9]].every(([x, y]) => "
        "e.contains(document.elementFromPoint(r.x + x * r.width, r.y + y * r.height))); }"
    )
    taps = 0

    def tap(name: str) -> None:
        nonlocal taps
        page.get_by_role("button", name=name).first.tap()
        taps += 1

    tap("Check a panel")
    page.get_by_role("heading", name="Where do you check?").wait_for()
    tap("No scale")
    page.get_by_label("Name of the panel").fill("left front door")
    tap("Next: the photos")
    chooser = page.locator("[class*='st-key-photos-more'] input[type=file]").first
    chooser.wait_for(state="attached")
    button = page.get_by_role("button", name="Check the panel")
    button.wait_for()
    assert button.is_disabled()
    ink, ground = (luminance(c) for c in button.evaluate(COLOURS))
    assert (max(ink, ground) + 0.05) / (min(ink, ground) + 0.05) >= 4.5  # WCAG 2.2, 1.4.3
    chooser.set_input_files([str(SMALL / "stripes-across.jpg"), str(SMALL / "stripes-up.jpg")])
    taps += 1
    page.get_by_text("Good.").nth(1).wait_for()
    settle(page)
    tap("Check the panel")
    page.locator(".verdict").wait_for()
    assert taps <= 6
    assert "No scale" in page.locator(".verdict").inner_text()
    assert page.locator(".verdict").bounding_box()["y"] < 300  # without a scroll
    settle(page)
    page.go_back()
    page.get_by_role("heading", name="The photos").wait_for()
    page.go_back()
    page.get_by_role("heading", name="What do you check?").wait_for()
    assert page.get_by_label("Name of the panel").input_value() == "left front door"
    page.goto(f"{server.url}/result")  # a phone that died and came back, at another address
    page.locator(".verdict").wait_for()
    other = browser.new_context().new_page()  # somebody else's browser
    other.goto(page.url)
    other.get_by_text("There is no result yet").wait_for()
    other.context.close()
    page.context.close()


def test_a_result_on_a_phone(browser: Any, server: Any) -> None:
    """The example with its scale: a tap is small, the map comes first, marks let a drawn line through."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    page = context.new_page()
    page.set_default_timeout(120_000)
    wire = context.new_cdp_session(page)
    wire.send("Network.enable")
    live: list[int] = []
    wire.on(
        "Network.webSocketFrameReceived", lambda e: live.append(len(e["response"]["payloadData"]) * 3 // 4)
    )
    page.goto(server.url)
    page.get_by_role("button", name="Open a job").click()
    files = [str(SMALL / name) for name in ("panel.toml", "stripes-across.jpg", "stripes-up.jpg")]
    page.locator("[class*='st-key-files-'] input[type=file]").set_input_files(files)
    page.get_by_text("Good.").nth(1).wait_for()
    settle(page)
    page.get_by_role("button", name="Check the panel").click()
    page.locator(".verdict").wait_for()
    settle(page)
    words = page.locator(".bar span").all_inner_texts()
    assert [w for w in words if w in ("map", "photo")] == ["map", "photo"]
    assert page.locator(".edge").first.evaluate("e => parseFloat(e.style.left)") == 100  # the map first
    assert page.locator(".length").first.inner_text() == "200 mm"
    live.clear()
    page.locator(".mark[data-spot='2']").tap()
    page.get_by_role("button", name="Look closer at spot 2 now").wait_for()
    settle(page)
    assert sum(live) < TAP_MOST
    page.get_by_role("button", name="Look closer at spot 2 now").click()
    page.get_by_text("Gap under a 300 mm straightedge").wait_for()
    page.locator("[class*='st-key-closer-'] svg.over polyline").first.wait_for()  # the ruler on the map
    page.get_by_text("Draw a line for the ruler").click()
    page.get_by_text("Drag a line").wait_for()
    settle(page)
    mark, stage = (
        page.locator(f"[class*='st-key-closer-'] {what}").first.bounding_box() for what in (".mark", ".stage")
    )
    x, y = mark["x"] + mark["width"] / 2, mark["y"] + mark["height"] / 2
    page.mouse.move(x, y)  # from the middle of a mark, which once swallowed it
    page.mouse.down()
    page.mouse.move(stage["x"] + 0.8 * stage["width"], y + 10, steps=4)
    page.mouse.up()
    page.get_by_text("Gap under").or_(page.get_by_text("straightedge touches here")).first.wait_for()
    page.locator(".st-key-spot-choice-None-mm").wait_for(state="attached")  # a place of one's own
    page.context.close()


def test_teach_shows_its_pictures_beside_its_controls(browser: Any, server: Any) -> None:
    page = browser.new_page(viewport={"width": 1024, "height": 768})
    page.set_default_timeout(120_000)
    page.goto(f"{server.url}/teach")
    picture = page.get_by_alt_text("Height map of the made fault")
    picture.wait_for()
    settle(page)
    box, slider = picture.bounding_box(), page.locator("[data-testid=stSlider]").first.bounding_box()
    assert box["y"] + box["height"] <= 768
    assert slider["y"] + slider["height"] <= 768
    page.close()
