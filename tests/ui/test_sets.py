"""Screens that follow a phone: one code, what each is told, and what nobody gets from their page."""

from __future__ import annotations

import asyncio
import io
import json
from typing import Any

import pytest
from page_runs import button, go, open_page, told, uploader
from PIL import Image

from surfscan.cli.page import find_page

find_page()
from surfscan.screen.set_board import Scale  # noqa: E402
from surfscan.ui import sets as ui_sets  # noqa: E402
from surfscan.ui.door import TRIES, Door, DoorMiddleware  # noqa: E402
from surfscan.ui.guard import GuardMiddleware  # noqa: E402
from surfscan.ui.sets import MOST_OF_ONE, MOST_WAITING, SetMiddleware, Sets  # noqa: E402

REPORT = {"size": [1920, 1036], "glass": [1920, 1080], "shown": -1}
FRAME = {"pattern": "plain", "level": 100, "tags": []}


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


def wrong(sets: Sets) -> str:
    codes = {one.code for one in sets._sets.values()}
    return next(f"{k:06d}" for k in range(100) if f"{k:06d}" not in codes)


def join(sets: Sets, who: str = "10.0.0.7") -> tuple[str, int]:
    name, answer = sets.hello("", who, REPORT)
    number = sets.join(answer["code"], "a phone")
    assert number is not None
    return name, number


def test_a_screen_sees_nothing_before_its_code_is_typed() -> None:
    sets = Sets()
    name, answer = sets.hello("", "10.0.0.7", REPORT)
    assert set(answer) == {"code"}
    assert sets.hello(name, "10.0.0.7", REPORT) == (name, answer)  # the same until it is typed
    assert sets.joined() == []
    assert sets.join(wrong(sets), "a phone") is None
    assert sets.join(f" {answer['code'][:3]} {answer['code'][3:]}", "a phone") == 1
    assert sets.join(answer["code"], "a phone") is None  # good once
    _, then = sets.hello(name, "10.0.0.7", REPORT)
    assert set(then) == {"words", "serial", "size", "frame"}
    assert then["frame"] is None


def test_who_types_wrong_codes_waits() -> None:
    clock = Clock()
    sets = Sets(clock=clock)
    _, answer = sets.hello("", "10.0.0.7", REPORT)
    for _ in range(TRIES):
        assert sets.join(wrong(sets), "a phone") is None
    assert sets.join(answer["code"], "a phone") is None
    assert sets.wait_s("a phone") == pytest.approx(60)
    assert sets.join(answer["code"], "another") == 1


def test_a_screen_is_told_what_to_show_and_says_when_it_does() -> None:
    clock = Clock()
    sets = Sets(clock=clock)
    name, number = join(sets)
    sets.take(number, "job-a")
    assert sets.show(number, "job-a", FRAME, (1920, 1036), "Photo 1 of 2")
    _, answer = sets.hello(name, "10.0.0.7", REPORT)
    seen = sets.seen(number)
    assert answer["frame"] == FRAME
    assert seen is not None
    assert (seen.awake, seen.shows) == (True, False)
    sets.hello(name, "10.0.0.7", {**REPORT, "shown": answer["serial"]})
    assert sets.seen(number).shows  # type: ignore[union-attr]
    assert sets.show(number, "job-a", FRAME, (1920, 1036), "other words")  # words alone are no other picture
    assert sets.seen(number).shows  # type: ignore[union-attr]
    sets.show(number, "job-a", {**FRAME, "level": 9}, (1920, 1036), "")
    assert not sets.seen(number).shows  # type: ignore[union-attr]
    clock.now += 10
    assert not sets.seen(number).awake  # type: ignore[union-attr]
    clock.now += 50_000
    assert sets.seen(number) is None


def test_one_screen_serves_one_job_and_another_can_take_it() -> None:
    sets = Sets()
    _, number = join(sets)
    sets.take(number, "job-a")
    assert sets.show(number, "job-a", FRAME, (1920, 1036), "")
    assert not sets.show(number, "job-b", FRAME, (1920, 1036), "")
    assert sets.seen(number).taken("job-b")  # type: ignore[union-attr]
    assert not sets.seen(number).taken("job-a")  # type: ignore[union-attr]
    sets.take(number, "job-b")
    assert not sets.seen(number).taken("job-a")  # type: ignore[union-attr] # nothing is shown yet
    assert not sets.show(number, "job-a", FRAME, (1920, 1036), "")
    sets.leave(number, "job-a")  # not its own any more
    assert sets.seen(number).owner == "job-b"  # type: ignore[union-attr]
    other, second = join(sets, "10.0.0.8")
    assert second == 2
    assert sets.hello(other, "10.0.0.8", REPORT)[1]["frame"] is None
    assert [one.number for one in sets.joined()] == [1, 2]


def test_screens_that_wait_are_bounded_and_push_out_no_other() -> None:
    sets = Sets()
    name, number = join(sets)
    first, _ = sets.hello("", "10.0.0.9", REPORT)
    for _ in range(50):
        sets.hello("", "10.0.0.66", REPORT)
    waiting = [one for one in sets._sets.values() if not one.number]
    assert len(waiting) == MOST_OF_ONE + 1
    assert first in sets._sets
    for k in range(60):
        sets.hello("", f"10.0.1.{k}", REPORT)
    assert len([one for one in sets._sets.values() if not one.number]) == MOST_WAITING
    assert sets.seen(number) is not None
    assert name in sets._sets


@pytest.mark.parametrize(
    "size", [None, [1, 2], ["a", "b"], [1920], [True, 900], [10**9, 10**9], [1920, 1036.5]]
)
def test_a_report_that_is_none_is_no_size(size: Any) -> None:
    sets = Sets()
    name, number = join(sets)
    sets.hello(name, "10.0.0.7", {"size": size, "glass": size, "shown": "x"})
    assert sets.seen(number).size == (0, 0)  # type: ignore[union-attr]


# --- over HTTP, as the command puts it together ---


async def _page(scope: Any, receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"the page"})


def ask(
    sets: Sets, method: str, path: str, body: bytes = b"", **headers: str
) -> tuple[int, dict[str, str], str]:
    door = Door(lambda code: None)
    app = GuardMiddleware(SetMiddleware(DoorMiddleware(_page, door), sets), lan=True)
    given = {"host": "192.168.0.5:8471", **headers}
    scope = {
        "type": "http", "method": method, "path": path, "client": ("192.168.0.9", 5), "query_string": b"",
        "headers": [(k.replace("_", "-").encode(), v.encode()) for k, v in given.items()],
    }  # fmt: skip
    sent: list[Any] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(app(scope, receive, send))
    head = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
    return sent[0]["status"], head, sent[1]["body"].decode()


def test_the_sets_page_is_outside_the_door_and_nothing_else_is() -> None:
    sets = Sets()
    status, head, body = ask(sets, "GET", "/set", accept="text/html")
    assert status == 200
    assert "photosensitive" in body
    assert head["x-frame-options"] == "DENY"
    assert "default-src 'none'" in head["content-security-policy"]
    report = json.dumps(REPORT).encode()
    status, head, body = ask(sets, "POST", "/set/state", report, content_type="application/json")
    assert status == 200
    assert list(json.loads(body)) == ["code"]
    cookie = head["set-cookie"]
    for part in ("surfscan_set=", "Path=/set", "HttpOnly", "SameSite=Strict"):
        assert part in cookie
    mine = cookie.split(";")[0]
    # what a set has opens nothing else, whether it has joined or not
    assert sets.join(json.loads(body)["code"], "a phone") == 1
    for path in ("/", "/result", "/_stcore/health", "/settings", "/set/../result", "/set/other"):
        status, _, body = ask(sets, "GET", path, cookie=mine)
        assert body != "the page"
        assert status in (200, 403, 404)  # 200: the door itself, at /
    status, _, body = ask(sets, "POST", "/set/state", report, content_type="application/json", cookie=mine)
    assert set(json.loads(body)) == {"words", "serial", "size", "frame"}


@pytest.mark.parametrize(
    ("wanted", "body", "headers"),
    [
        (403, b"{}", {"content_type": "text/plain"}),
        (403, b"{}", {"content_type": "application/json", "origin": "http://elsewhere.example"}),
        (421, b"{}", {"content_type": "application/json", "host": "elsewhere.example"}),
        (413, b"x" * 600, {"content_type": "application/json"}),
        (400, b"[1]", {"content_type": "application/json"}),
        (400, b"{", {"content_type": "application/json"}),
    ],
)
def test_what_is_no_question_of_a_set_is_refused(wanted: int, body: bytes, headers: dict[str, str]) -> None:
    sets = Sets()
    assert ask(sets, "POST", "/set/state", body, **headers)[0] == wanted
    assert not sets._sets


# --- the phone's side, without a browser ---


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> Any:
    """A set that has joined and was measured, of this server."""
    monkeypatch.setenv("SURFSCAN_HOME", str(tmp_path))
    sets = ui_sets.SETS
    name, number = join(sets)
    from surfscan.screen.remembered import keep_scale

    keep_scale(name, (1920, 1080), Scale(0.63, 0.0005))

    def hears(**report: Any) -> Any:
        """It asks, and says that it shows what it was told."""
        _, answer = sets.hello(name, "10.0.0.7", {**REPORT, **report})
        return sets.hello(name, "10.0.0.7", {**REPORT, "shown": answer["serial"], **report})[1]

    hears()
    yield number, hears
    sets._sets.pop(name, None)


def start(number: int) -> Any:
    page = open_page("where")
    page.button(key=f"where-set-{number}").click().run()
    return go(page, "photos")


def test_photos_come_only_when_the_screen_shows_what_they_are_for(screen: Any) -> None:
    number, hears = screen
    page = start(number)
    assert not page.exception
    assert "Photo 1 of 2" in page.subheader[0].value
    photo = (b"\xff\xd8\xff no photo at all", "a.jpg")
    uploader(page, "screen-photo").set_value((photo[1], photo[0], "image/jpeg")).run()
    assert "did not show the picture for this photo yet" in told(page)
    answer = hears()
    assert answer["frame"]["pattern"] == "plain"
    assert "Once more, photo 1 of 2" in answer["words"]
    page.run()
    assert "The screen shows photo 1. Take it now." in told(page)
    uploader(page, "screen-photo").set_value((photo[1], photo[0], "image/jpeg")).run()
    assert "Photo 1 of 2" in page.subheader[0].value  # the screen stays
    assert page.error
    assert "Once more" in hears()["words"]


def test_a_photo_without_its_lens_is_asked_for_in_words(screen: Any) -> None:
    number, hears = screen
    page = start(number)
    hears()
    bare = io.BytesIO()
    Image.new("L", (640, 480), 90).save(bare, "JPEG")
    uploader(page, "screen-photo").set_value(("a.jpg", bare.getvalue(), "image/jpeg")).run()
    assert "does not say the focal length" in told(page)
    assert "camera." not in told(page).split("<style>")[0]  # a key's name is for who writes a sheet
    (field,) = [one for one in page.text_input if one.label.startswith("Focal length")]
    field.set_value("wide").run()
    assert "is no number" in told(page)
    field = next(one for one in page.text_input if one.label.startswith("Focal length"))
    field.set_value("26").run()
    assert page.session_state["job"]["camera"] == {"focal_35mm": 26.0}
    uploader(page, "screen-photo").set_value(("a.jpg", bare.getvalue(), "image/jpeg")).run()
    assert "No tags are seen on the panel" in told(page)


def test_another_phone_takes_the_screen_and_gives_it_back(screen: Any) -> None:
    number, hears = screen
    page, other = start(number), open_page("a-television")
    assert any("another phone or job uses it" in one.label for one in other.button)
    other.button(key=f"set-{number}").click().run()
    other.button(key="set-next").click().run()
    page.run()
    assert "Another phone, or another job, uses this screen now." in told(page)
    button(page, "Take it back").click().run()
    assert "Photo 1 of 2" in page.subheader[0].value
    hears()


def test_a_screen_of_another_size_begins_anew_and_one_that_is_gone_is_told(screen: Any) -> None:
    number, hears = screen
    page = start(number)
    hears(size=[1280, 676])
    page.run()
    assert "its picture has another size" in told(page).lower()
    assert page.session_state["job"]["board"]["size_mm"][0] == pytest.approx(1280 * 0.63)
    ui_sets.SETS._sets.clear()
    page.run()
    assert "The screen has gone" in told(page)
    button(page, "Choose the screen").click().run()
    assert "The screen's code" in [one.label for one in page.text_input]
    for _ in range(TRIES):
        page.text_input[0].set_value("000000")
        page.button(key="set-join").click().run()
    page.button(key="set-join").click().run()
    assert "Too many wrong codes" in told(page)


def test_the_length_is_asked_for_and_never_made_up(screen: Any) -> None:
    number, _ = screen
    page = open_page("a-television")
    page.button(key=f"set-{number}").click().run()
    page.button(key="set-anew").click().run()
    assert page.text_input(key="set-bar").value == ""
    for typed, said in (("", "no length"), ("wide", "no length"), ("12", "can't be the bar")):
        page.text_input(key="set-bar").set_value(typed)
        page.button(key="set-keep").click().run()
        assert said in told(page)
    page.text_input(key="set-bar").set_value("967,68")
    page.button(key="set-keep").click().run()
    assert "1210 mm x 653 mm" in page.success[0].value
    page.button(key="set-anew").click().run()
    page.text_input(key="set-diagonal").set_value("55")
    page.button(key="set-keep-diagonal").click().run()
    assert "1218 mm" in page.success[0].value
