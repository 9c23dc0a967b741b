"""A car: places from a shop's words, the worst panel's verdict, the order of what is left, one sealed paper."""

from __future__ import annotations

import json
import re
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from result_folders import bump, grid, make_folder, spot

from surfscan.car.places import place_named, places
from surfscan.car.sheet import load_car_sheet
from surfscan.car.summary import CarPanel, make_car, slug_of
from surfscan.cli import main
from surfscan.core.errors import RefusedError
from surfscan.papers.car import verify_car
from surfscan.papers.car_outline import draw_car
from surfscan.papers.signing import load_public_key
from surfscan.results.record import open_record
from surfscan.results.stored import load_result


def panel_folder(
    folder: Path, name: str, stage: str = "primer", peak: float = 0.0, verdict: str = ""
) -> Path:
    """A result of one panel; fair without a peak, another verdict by name."""
    x, y = grid(20.0)
    low = [spot(1, "low", 0, 0, peak, 0.01)] if peak else None
    made = make_folder(folder, x, y, bump(*np.meshgrid(x, y), peak=peak), spots=low, stage=stage, name=name)
    if verdict:
        document = json.loads((made / "result.json").read_text())
        (made / "result.json").write_text(json.dumps(document | {"verdict": verdict}))
    return made


@pytest.mark.parametrize(
    ("words", "name"),
    [
        ("left rear quarter, upper", "left quarter"),
        ("LH front door", "left front door"),
        ("bonnet", "hood"),
        ("Rear wing, right", "right quarter"),
        ("right front wing", "right fender"),
        ("boot lid", "trunk lid"),
        ("bumper, front", "front bumper"),
        ("left door", None),  # front or rear?
        ("front door", None),  # which side?
        ("left and right sill", None),
        ("test panel 3", None),
    ],
)
def test_places_from_a_shops_words(words: str, name: str | None) -> None:
    assert place_named(words) == name


def test_the_outline_is_a_car_seen_from_above() -> None:
    assert len(places()) == 15
    middles = {name: place.middle for name, place in places().items()}
    lengthwise = ["front bumper", "hood", "roof", "trunk lid", "rear bumper"]
    assert sorted(lengthwise, key=lambda n: -middles[n][1]) == lengthwise
    for name, (x, y) in middles.items():
        if name.startswith("left"):  # the driver's left, front up
            assert x < -60
            assert middles[name.replace("left", "right")] == pytest.approx((-x, y))
    # the middle of a triangle is the mean of its corners (Archimedes)
    triangle = type(next(iter(places().values())))("t", ((0.0, 0.0), (3.0, 0.0), (0.0, 6.0)))
    assert triangle.middle == pytest.approx((1.0, 2.0))


def test_worst_verdict_gaps_and_the_order_of_what_is_left(tmp_path: Path) -> None:
    def panel(place: str, *made: object, **more: object) -> CarPanel:
        folder = panel_folder(tmp_path / slug_of(place), place, *made, **more)  # type: ignore[arg-type]
        return CarPanel(place, place, slug_of(place), load_result(folder))

    fair = panel("roof")
    assert str(make_car([fair]).verdict) == "ready"
    assert make_car([fair]).steps() == ()
    gap = CarPanel("hood", "", "hood", None, "not checked yet")
    assert str(make_car([fair, gap]).verdict) == "not_measured"  # never ready with a panel not seen
    primer = panel("left front door", "primer", -0.3)
    metal = panel("right quarter", "bare-metal", -0.3)
    close = panel("left fender", verdict="close")
    car = make_car([primer, metal, fair, close, gap])
    assert str(car.verdict) == "rework"
    assert [p.place for p in car.panels] == [
        "hood",
        "roof",
        "left fender",
        "left front door",
        "right quarter",
    ]
    # see what was not seen, settle what is close, then work: bare metal before primer
    assert [(s.kind, s.panel.place) for s in car.steps()] == [
        ("shoot", "hood"), ("settle", "left fender"), ("work", "right quarter"), ("work", "left front door"),
    ]  # fmt: skip
    words = [shape.label for shape in draw_car(car).views[0][1] if shape.label]
    assert sorted(w for w in words if w.isalpha()) == ["CHECKED", "FAIR", "NOT", "REWORK", "REWORK"]
    assert "TOO CLOSE" in words


def test_a_car_from_its_sheet_and_its_paper_verified(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    car, out = tmp_path / "car", tmp_path / "out"
    panel_folder(car / "door", "door of bay 3", peak=-0.3)
    panel_folder(car / "roof", "roof")
    (car / "job").mkdir()
    (car / "job" / "panel.toml").write_text(
        "[panel]\n"
    )  # will be refused: it is on the paper with its reason
    (car / "car.toml").write_text(
        '[car]\nname = "grey van"\njob_number = "1042"\n[[panel]]\nplace = "LH front door"\nresult = "door"\n'
        '[[panel]]\nplace = "roof"\nresult = "roof"\n[[panel]]\nplace = "bonnet"\njob = "job"\n'
    )
    assert main(["car", str(car), "--out", str(out), "--quiet"]) == 10
    said = capsys.readouterr().out
    assert "grey van: REWORK. Of 3 panels: 1 to rework, 1 not checked yet, 1 fair." in said
    assert "Hood (no. 1): check it; " in said
    assert main(["verify", str(out)]) == 0
    assert verify_car(out).differences == ()
    # the paper stands on every panel's result
    result = out / "panels" / "roof" / "result.json"
    document = json.loads(result.read_text())
    result.write_text(json.dumps(document | {"coverage": 0.5}))
    assert verify_car(out).differences[0] == "roof, result.json: coverage was changed"
    result.write_text(json.dumps(document))
    sheet = json.loads((out / "car.json").read_text())
    sheet["panels"][1]["place"] = "hood"
    (out / "car.json").write_text(json.dumps(sheet))
    assert "car.json was changed" in verify_car(out).differences


def test_a_cars_seal_signed_or_plainly_not(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    car, out, key = tmp_path / "car", tmp_path / "out", tmp_path / "shop.key"
    panel_folder(car / "roof", "roof")
    assert main(["key", "--out", str(key)]) == 0
    given = ["car", str(car), "--out", str(out), "--quiet"]
    checked = ["verify", str(out), "--key", f"{key}.pub"]
    assert main([*given, "--sign", str(key), "--stamp"]) == 0
    assert main(checked) == 0
    name = load_public_key(f"{key}.pub").public_bytes_raw().hex()
    assert f"Signed with the key {name}." in capsys.readouterr().out
    assert name in (out / "car.html").read_text()
    assert (out / "seal.tsq").is_file()
    # made again without the key: the signature goes, and the paper names nobody
    assert main(given) == 0
    assert not [name for name in ("seal.sig", "seal.tsq") if (out / name).exists()]
    assert "does not show a seal made anew" in (out / "car.html").read_text()
    assert main(["verify", str(out)]) == 0
    assert main(checked) == 3
    assert "the seal is not signed" in capsys.readouterr().out


def test_a_car_from_a_record_by_its_job_number(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    database, out = tmp_path / "shop.db", tmp_path / "out"
    with open_record(database) as record:
        for k, (name, peak) in enumerate([("roof", -0.3), ("left rear door", -0.2), ("roof", 0.0)]):
            record.add(panel_folder(tmp_path / str(k), name, peak=peak), job="77")
        record.add(panel_folder(tmp_path / "other", "bonnet"), job="78")
    given = ["car", "--record", str(database), "--job-number", "77", "--out", str(out), "--json"]
    assert main(given) == 10
    told = json.loads(capsys.readouterr().out)
    # the latest pass of each panel counts, and no other car's
    assert [(p["place"], p["verdict"]) for p in told["panels"]] == [
        ("roof", "ready"),
        ("left rear door", "rework"),
    ]
    assert verify_car(out).differences == ()
    assert main([*given[:3], "--job-number", "9", "--out", str(out)]) == 3
    assert "no pass of job 9" in capsys.readouterr().err


def test_the_guides_sheet_is_a_good_one(tmp_path: Path) -> None:
    chapter = resources.files("surfscan") / "data" / "guide" / "the-shop.md"
    (text,) = re.findall(
        r"^```toml\n(.*?)^```", chapter.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL
    )
    (tmp_path / "car.toml").write_text(text)
    assert [panel.place for panel in load_car_sheet(tmp_path).panels] == ["left front door", "roof", "hood"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[panel]]\nplace = "left door"\n', "panel[1].place is no one place on a car"),
        ('[[panel]]\nplace = "roof"\njob = "../x"\n', "leads out of the job folder"),
        ('[[panel]]\nplace = "roof"\njob = "a"\nresult = "b"\n', "has a job and a result"),
        ('[car]\njob_number = "AB 12"\n[[panel]]\nplace = "roof"\n', "car.job_number is no job number"),
        ('[car]\n', "panel is missing"),
        ("panel = 1,5\n", "car.toml, line 1"),
    ],
)  # fmt: skip
def test_sheets_that_are_refused(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "car.toml").write_text(text)
    with pytest.raises(RefusedError) as refused:
        load_car_sheet(tmp_path)
    assert said in str(refused.value)
    assert "panel.toml" not in str(refused.value)
