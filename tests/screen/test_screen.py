"""The screen's pattern against the sheet's definition; its keys; its server's door."""

from __future__ import annotations

import http.client
import json
import math
import threading
import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from surfscan import cli
from surfscan.core.errors import RefusedError
from surfscan.job.sheet import load_sheet
from surfscan.screen.keys import keys_text
from surfscan.screen.page import make_screen_page
from surfscan.screen.pattern import Screen, check_fits, draw_frame, frames_of, screen_of_diagonal
from surfscan.screen.server import ScreenServer, Series
from surfscan.synth import board_light


def linear(value: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1, from 8 bits to light."""
    v = value / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


SCREEN = Screen(300, 200, 0.5)


@pytest.mark.parametrize("varies", ["across", "up"])
def test_a_frame_is_the_sheets_own_definition(varies: str) -> None:
    """Brightness = a + b cos(2 pi s/period + phase), s from the left edge along across, the lower edge along up."""
    for frame in frames_of("stepped", periods_mm=(23.0, 31.0), steps=3, ways=(varies,)):
        light = linear(draw_frame(frame, SCREEN))
        k = np.arange(300 if varies == "across" else 200)
        s = (k + 0.5) * 0.5
        wanted = 0.5 + 0.5 * np.cos(2 * np.pi * s / frame.period_mm + math.radians(frame.phase_deg))
        line = light[0] if varies == "across" else light[::-1, 0]
        # A step of 8 bits is at most 2.4/255 of light, half of it is the rounding.
        assert np.abs(line - wanted).max() < 0.5 * 2.4 / 255 + 1e-3
        assert (light == (light[:1] if varies == "across" else light[:, :1])).all()


def test_black_and_white_edges_fall_between_pixels_where_they_must() -> None:
    """Half of the light over whole periods, and the same stripes as the project's known boards."""
    (frame, _) = frames_of("stripes", periods_mm=(23.7,))
    light = linear(draw_frame(frame, Screen(2000, 4, 0.5)))[0]
    fine = (np.arange(2000 * 50) + 0.5) / 50 * 0.5
    known = board_light.stripes(fine, period_mm=23.7, square=True).reshape(2000, 50).mean(1)
    # 50 samples a pixel know an edge to 0.02 of it, 8 bits to 0.005.
    assert np.abs(light - known).max() < 0.03


def test_dots_are_a_lattice_with_one_at_the_middle() -> None:
    (frame,) = frames_of("dots", periods_mm=(25.0,))
    light = linear(draw_frame(frame, SCREEN))
    a, b = (np.arange(300) + 0.5 - 150) * 0.5, (100 - np.arange(200) - 0.5) * 0.5
    known = board_light.dots(*np.meshgrid(a, b), spacing_mm=25.0, radius_mm=4.0)
    # Only rim pixels differ: theirs are hard, ours shaded.
    assert np.mean(np.abs(light - known) > 0.51) < 1e-3
    assert light.mean() == pytest.approx(math.pi * 4**2 / 25**2, rel=0.02)


def test_keys_make_a_sheet_that_is_read(tmp_path: Path) -> None:
    frames = frames_of("stepped", periods_mm=(48.0, 40.0), steps=4)
    text = keys_text(frames, screen_of_diagonal(55.0, (3840, 2160)))
    keys = tomllib.loads(text)
    # A 55 inch screen of 16 : 9 is 55 x 25.4 x 16/sqrt(337) = 1217.6 mm wide.
    assert keys["board"]["size_mm"] == pytest.approx([1217.6, 684.9], abs=0.05)
    head = '[panel]\nstage = "primer"\nsize_mm = [300, 200]\n[tags]\ndictionary = "4x4_50"\nside_mm = 30\n'
    head += "[tags.centres_mm]\n0 = [-120, -70]\n1 = [120, -70]\n2 = [120, 70]\n"
    measured = text.replace("# centre_mm = [x, y, z]", "centre_mm = [0, 500, 700]")
    measured = measured.replace("# across", "across").replace("# up", "up")
    (tmp_path / "panel.toml").write_text(head + measured)
    sheet = load_sheet(tmp_path, need_photos=False)
    assert len(sheet.photos) == 16
    assert {p.period_mm for p in sheet.photos} == {48, 40}
    assert len({p.file for p in sheet.photos}) == 16


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: frames_of("moon", periods_mm=(20.0,)), "not known"),
        (lambda: frames_of("stepped", periods_mm=(20.0,), steps=2), "steps"),
        (lambda: frames_of("dots", periods_mm=(20.0, 30.0)), "one period"),
        (lambda: frames_of("stepped", periods_mm=()), "period"),
        (lambda: frames_of("stepped", periods_mm=(math.nan,)), "period"),
        (lambda: screen_of_diagonal(1.0, (800, 600)), "diagonal"),
        (lambda: screen_of_diagonal(20.0, (8, 6)), "pixels"),
        (lambda: check_fits(frames_of("stripes", periods_mm=(3.0,)), SCREEN), "too fine"),
        (lambda: check_fits(frames_of("stripes", periods_mm=(60.0,)), SCREEN), "Fewer than three"),
    ],
)
def test_what_cannot_be_shown_is_a_sentence(make: object, said: str) -> None:
    assert callable(make)
    with pytest.raises(RefusedError, match=said):
        make()


def test_the_series_never_steps_faster_than_the_floor() -> None:
    now = [0.0]
    series = Series(frames_of("stepped", periods_mm=(20.0,), steps=3), clock=lambda: now[0])
    assert series.move("next")
    assert not series.move("next")
    now[0] = 0.49
    assert not series.move("previous")
    now[0] = 0.5  # two changes a second; WCAG 2.2, 2.3.1 allows three flashes
    assert series.move("next")
    for k in range(20):
        now[0] += 1
        assert series.move("next") == (k < 3)
    assert not series.move("sideways")
    assert series.state()["index"] == 5


class _Door:
    def __init__(self) -> None:
        self.passes: list[str] = []

    def wait_s(self, who: str = "") -> float:
        return 0.0

    def try_code(self, code: str, who: str = "") -> str | None:
        if code != "123456" or self.passes:
            return None
        self.passes.append("a-pass")
        return "a-pass"

    def knows(self, given: str) -> bool:
        return given in self.passes


@pytest.fixture
def server() -> Iterator[ScreenServer]:
    frames = frames_of("stepped", periods_mm=(20.0,), steps=3)
    made = ScreenServer(
        make_screen_page(frames, served=True), Series(frames), door=_Door(), names=("10.0.0.7",)
    )
    threading.Thread(target=made.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
    yield made
    made.shutdown()
    made.server_close()


def ask(
    server: ScreenServer, method: str, path: str, body: str = "", **headers: str
) -> tuple[int, str, dict[str, str]]:
    link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=5)
    link.request(method, path, body, {k.replace("_", "-"): v for k, v in headers.items()})
    answer = link.getresponse()
    text = answer.read().decode()
    link.close()
    return answer.status, text, {k.lower(): v for k, v in answer.getheaders()}


JSON = {"content_type": "application/json"}


def test_the_server_answers_its_own_pages_only(server: ScreenServer) -> None:
    status, text, headers = ask(server, "GET", "/")
    assert status == 200
    assert "photosensitive" in text
    assert "default-src 'none'" in headers["content-security-policy"]
    assert ask(server, "GET", "/panel.toml")[0] == 404
    assert ask(server, "GET", "/", host="evil.example")[0] == 421  # a name bound to this address elsewhere
    assert ask(server, "POST", "/move", '{"move": "next"}', content_type="text/plain")[0] == 403
    assert ask(server, "POST", "/move", '{"move": "next"}', origin="http://evil.example", **JSON)[0] == 403
    assert ask(server, "POST", "/move", "x" * 3000, **JSON)[0] == 413
    assert ask(server, "POST", "/move", "no json", **JSON)[0] == 400
    assert server.series.index == 0
    status, text, _ = ask(server, "POST", "/move", '{"move": "next"}', **JSON)
    assert (status, json.loads(text)["index"]) == (200, 1)
    for wrong in ({}, {"pixel_mm": "1"}, {"pixel_mm": 0.3, "width_px": 1e9, "height_px": 3}):
        assert ask(server, "POST", "/screen", json.dumps(wrong), **JSON)[0] == 400


def test_another_device_needs_the_code(server: ScreenServer, monkeypatch: pytest.MonkeyPatch) -> None:
    from surfscan.screen import server as module

    original = module._Handler.parse_request
    monkeypatch.setattr(
        module._Handler,
        "parse_request",
        lambda self: (setattr(self, "client_address", ("10.0.0.9", 4)), original(self))[1],
    )
    status, text, _ = ask(server, "GET", "/remote", host="10.0.0.7:1")
    assert status == 200
    assert 'name="code"' in text
    assert ask(server, "GET", "/state")[0] == 403
    assert ask(server, "POST", "/move", '{"move": "next"}', **JSON)[0] == 403
    assert ask(server, "POST", "/door", "code=000000")[0] == 401
    status, _, headers = ask(server, "POST", "/door", "to=/remote&code=123456")
    assert (status, headers["location"]) == (303, "/remote")
    assert "HttpOnly" in headers["set-cookie"]
    cookie = headers["set-cookie"].split(";")[0]
    assert ask(server, "GET", "/state", cookie=cookie)[0] == 200
    assert ask(server, "POST", "/door", "to=/remote&code=123456")[0] == 401  # good once


def test_the_command_writes_page_and_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page, keys = tmp_path / "stripes.html", tmp_path / "keys.toml"
    size = ["--diagonal-in", "27", "--pixels", "2560x1440", "--period-mm", "48", "--period-mm", "40"]
    assert cli.main(["screen", "--out", str(page), "--keys", str(keys), *size]) == 0
    assert "Caution" in capsys.readouterr().out
    text = page.read_text()
    assert "://" not in text  # nothing is fetched
    assert len(tomllib.loads(keys.read_text())["photo"]) == 16
    for wrong, said, status in (
        (["--keys", str(keys)], "write over", 2),
        (["--keys", str(tmp_path / "panel.toml")], "write over", 2),
        (["--every", "0.1"], "--every", 2),
        (["--pixels", "800x600"], "--diagonal-in", 2),
        (["--diagonal-in", "27", "--pixels", "big"], "--pixels", 2),
        (["--diagonal-in", "27", "--pixels", "2560x1440", "--period-mm", "1"], "too fine", 3),
        (["--out", str(tmp_path / "no" / "x.html")], "can't be written", 3),
    ):
        assert cli.main(["screen", "--out", str(tmp_path / "x.html"), *wrong]) == status
        assert said in capsys.readouterr().err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["keys.toml", "stripes.html"]
