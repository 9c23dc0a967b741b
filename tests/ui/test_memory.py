"""What the page remembers of a browser: a reload, another tab, a dead phone; and what it may not mix or pile up."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import pytest
from page_runs import APP, JOBS, bring_job, button, check, go, open_page, told, uploader
from streamlit.testing.v1 import AppTest

from surfscan.ui import job_files, limits, session, store  # isort: skip  (found by page_runs)
from surfscan.ui.desk import PhotoFile
from surfscan.ui.guard import GuardMiddleware

SMALL = JOBS / "bad-photos"
assert APP.is_file()


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


def photo(number: int, size: int = 10) -> PhotoFile:
    return PhotoFile(f"photo-{number}.jpg", "x.jpg", f"{number:064d}", bytes(size))


def a_job(name: str, *photos: PhotoFile) -> store.KeptJob:
    return store.KeptJob(name, {"panel": {"name": name}, "photo": []}, list(photos))


@pytest.fixture
def as_browser(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Be a browser with this cookie from now on, in a store of the test's own."""
    monkeypatch.setattr(session, "STORE", store.Store())

    def become(token: str) -> None:
        monkeypatch.setattr(session, "_token", lambda: token)

    return become


def name_of(page: AppTest) -> Any:
    return next(one for one in page.text_input if one.label == "Name of the panel")


def test_a_reload_another_tab_and_a_dead_phone_lose_nothing(as_browser: Any) -> None:
    as_browser("kim")
    page = bring_job(open_page(), SMALL)
    name_of(page).set_value("left front door").run()
    page.segmented_control(key="units").set_value("inch").run()
    check(page)
    result = page.session_state["work"].result
    page.session_state["spot"] = result.spots[0].id
    go(page, "look-closer")
    page.segmented_control(key="closer-kind").set_value("Slope").run()
    again = open_page("look-closer")  # a new connection: a reload, another tab, the phone that came back
    assert again.session_state["work"].result is result
    assert [p.sha256 for p in again.session_state["photos"]] == [
        p.sha256 for p in page.session_state["photos"]
    ]
    assert again.session_state["job"] == page.session_state["job"]
    assert again.session_state["spot"] == result.spots[0].id
    assert again.segmented_control(key="closer-kind").value == "Slope"
    assert again.segmented_control(key="units").value == "inch"
    assert name_of(go(again, "check")).value == "left front door"
    labels = [one.label.replace("\\", "") for one in go(again, "").button]
    assert "left front door: primer, 2 photos, Rework" in labels


def test_leaving_a_view_keeps_what_was_in_it() -> None:
    page = open_page("plan-a-shot")
    board = next(one for one in page.text_input if one.label.startswith("Board, width"))
    board.set_value("30 cm").run()
    next(one for one in page.slider if one.label.startswith("Degrees")).set_value(50).run()
    go(page, "papers")
    go(page, "plan-a-shot")
    board = next(one for one in page.text_input if one.label.startswith("Board, width"))
    assert (board.value, next(one for one in page.slider if one.label.startswith("Degrees")).value) == (
        "30 cm",
        50,
    )
    assert "will not work" in " ".join(one.value for one in page.subheader)


def test_two_tabs_of_one_browser_agree_and_two_jobs_stay_apart(as_browser: Any) -> None:
    as_browser("kim")
    one = bring_job(open_page(), SMALL)
    other = open_page()
    name_of(other).set_value("hood").run()
    assert name_of(one.run()).value == "hood"  # and not the other way round
    first = one.session_state["job-id"]
    button(other, "Start a new job").click().run()
    name_of(other).set_value("roof").run()
    assert name_of(one.run()).value == "hood"
    assert open_page(job=first).session_state["job"]["panel"]["name"] == "hood"  # its own address
    assert open_page().session_state["job"]["panel"]["name"] == "roof"  # else the one that was changed last


def test_one_browsers_job_is_not_another_ones(as_browser: Any) -> None:
    as_browser("kim")
    page = bring_job(open_page(), SMALL)
    mine = page.session_state["job-id"]
    as_browser("lee")
    other = open_page(job=mine)
    assert other.session_state["photos"] == []
    assert session.STORE.job("lee", mine) is None
    as_browser("")  # no cookie of ours: nothing is kept, and nothing found
    nobody = bring_job(open_page(job=mine), SMALL)
    assert nobody.session_state["job-id"] != mine
    assert open_page().session_state["photos"] == []


def test_forget_forgets_in_every_tab(as_browser: Any) -> None:
    as_browser("kim")
    page = bring_job(open_page(), SMALL)
    other = open_page("")
    other.button(key="forget-all").click().run()
    assert session.STORE.notes("kim") == []
    page.run()
    assert page.session_state["photos"] == []
    assert open_page().session_state["photos"] == []


def test_photos_go_after_a_shift_and_the_rest_after_a_week() -> None:
    clock = Clock()
    kept = store.Store(clock=clock)
    kept.keep("a", a_job("door", photo(1)), {"units": "inch"})
    clock.now += store.PHOTO_AGE_S + 1
    found = kept.job("a", "door")
    assert found is not None
    assert (found.photos, found.photos_gone, found.tables["panel"]["name"]) == ([], True, "door")
    assert kept.size() == 0
    clock.now += store.AGE_S
    assert kept.job("a", "door") is None
    assert kept.values("a") == {}


def test_the_store_is_bounded_in_number_and_size(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock()
    kept = store.Store(clock=clock)
    for k in range(store.MOST_JOBS + 3):
        clock.now += 1
        kept.keep("a", a_job(f"j{k}"), {})
    assert [note.name for note in kept.notes("a")][::-1] == [f"j{k}" for k in range(3, store.MOST_JOBS + 3)]
    monkeypatch.setattr(store, "MOST_BENCH_BYTES", 25)
    monkeypatch.setattr(store, "MOST_BYTES", 45)
    for token in "bcd":
        for k in range(3):
            clock.now += 1
            kept.keep(token, a_job(f"{token}{k}", photo(k)), {})
    assert kept.size() <= 45
    newest = kept.job("d", "d2")
    assert newest is not None
    assert len(newest.photos) == 1  # the oldest went first
    for k in range(store.MOST_BENCHES + 5):
        kept.keep(f"t{k}", a_job("x"), {})
    assert kept.notes("a") == []
    assert len(kept._benches) == store.MOST_BENCHES
    kept.keep("v", None, {f"k{k}": k for k in range(5000)})
    assert len(kept.values("v")) == 400


def test_nothing_kept_can_be_changed_from_outside() -> None:
    kept, job = store.Store(), a_job("door")
    kept.keep("a", job, {})
    job.tables["panel"]["name"] = "changed"
    found = kept.job("a", "door")
    assert found is not None
    found.tables["panel"]["name"] = "changed"
    assert kept.notes("a")[0].name == "door"


def test_a_token_is_the_servers_own_and_cannot_be_made() -> None:
    tokens = {store.new_token() for _ in range(50)}
    assert len(tokens) == 50
    for token in tokens:
        assert store.token_in(f"other=1; {store.COOKIE}={token}") == token
        name, _, sign = token.partition(".")
        assert len(name) >= 32  # 192 bits
        for forged in (name, f"{name}.", f"{name}x.{sign}", f"{name}.{sign[:-1]}0x", "", "a.b"):
            assert store.token_in(f"{store.COOKIE}={forged}") == ""


async def _page(scope: Any, receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b""})


def cookie_given(accept: str, cookie: str = "", host: str = "127.0.0.1:8471") -> list[bytes]:
    import asyncio

    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    head = [(b"host", host.encode()), (b"accept", accept.encode()), (b"cookie", cookie.encode())]
    scope = {"type": "http", "method": "GET", "path": "/papers", "headers": head}
    asyncio.run(GuardMiddleware(_page, lan=False, secure=True)(scope, None, send))  # type: ignore[arg-type]
    return [value for name, value in sent[0]["headers"] if name == b"set-cookie"]


def test_the_cookie_is_handed_out_once_and_guarded() -> None:
    (given,) = cookie_given("text/html,*/*")
    assert all(flag in given for flag in (b"HttpOnly", b"SameSite=Strict", b"; Secure", b"Max-Age=604800"))
    assert cookie_given("text/html", given.split(b";")[0].decode()) == []
    assert cookie_given("text/html", f"{store.COOKIE}=planted.by-somebody") != []
    assert cookie_given("*/*") == []  # a script, a picture
    assert cookie_given("text/html", host="evil.example") == []


def test_the_page_takes_back_the_job_it_handed_out(as_browser: Any) -> None:
    as_browser("kim")
    page = bring_job(open_page(), SMALL)
    packed = job_files.pack_job(page.session_state["job"], page.session_state["photos"])
    as_browser("lee")
    other = open_page()
    uploader(other, "files-").set_value([("door-job.zip", packed, "application/zip")])
    other.run()
    assert not other.error
    assert other.session_state["job"]["tags"] == page.session_state["job"]["tags"]
    assert [p.sha256 for p in other.session_state["photos"]] == [
        p.sha256 for p in page.session_state["photos"]
    ]


def test_the_page_takes_back_the_result_it_handed_out() -> None:
    from surfscan.ui.views.papers import _packed

    page = check(bring_job(open_page(), SMALL))
    go(page, "papers")
    result = page.session_state["work"].result
    import tempfile

    import surfscan

    with tempfile.TemporaryDirectory() as folder:
        files = {path.name: path.read_bytes() for path in surfscan.write_result(Path(folder), result)}
    other = open_page()
    uploader(other, "files-").set_value([("door-result.zip", _packed(files, "result"), "application/zip")])
    other.run()
    go(other, "result")
    said = told(other)
    assert not other.error, said
    assert "<h2>Rework</h2>" in said
    assert f"{-result.spots[0].peak_mm:.3f} mm" in said
    assert not go(other, "papers").error
    assert not go(other, "look-closer").error
    assert "Gap under a 300 mm straightedge" in told(other)


@pytest.mark.parametrize("bad", ["no-zip", "bomb"])
def test_a_zip_that_is_none_or_too_much_is_refused(bad: str, monkeypatch: pytest.MonkeyPatch) -> None:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as parts:
        for k in range(3):
            parts.writestr(f"job/{k}.jpg", bytes(200_000))
    data = made.getvalue()
    if bad == "bomb":
        monkeypatch.setattr(limits, "MOST_TOTAL_MB", 0.5)
    else:
        data = data[: len(data) // 2]
    page = open_page()
    uploader(page, "files-").set_value([("x.zip", data, "application/zip")])
    said = told(page.run())
    assert ("holds too much" if bad == "bomb" else "can't be unpacked") in said
