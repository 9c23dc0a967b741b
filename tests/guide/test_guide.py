"""The guide is what the program makes, shows what it says, and is drawn to scale."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from surfscan import cli
from surfscan.core.errors import RefusedError
from surfscan.guide.drawings import DRAWINGS, draw
from surfscan.guide.faults import FAULTS, Fault, good_scene, photograph_fault
from surfscan.guide.pages import CHAPTERS, guide_files
from surfscan.job.sheet import load_sheet
from surfscan.look.first_look import look_at_photo
from surfscan.synth.camera_noise import sheet_text

COMMITTED = Path(__file__).parents[2] / "fixtures" / "guide"


@pytest.fixture(scope="module")
def made() -> dict[str, bytes]:
    return guide_files()


def test_what_is_committed_is_what_the_program_makes(made: dict[str, bytes]) -> None:
    there = {path.name: path.read_bytes() for path in COMMITTED.iterdir()}
    assert sorted(there) == sorted(made)
    assert sum(len(data) for data in there.values()) < 1_500_000
    for name, data in made.items():
        if name.endswith(".png"):
            ours, kept = (np.asarray(Image.open(io.BytesIO(d))).astype(int) for d in (data, there[name]))
            # Another machine may round a pixel to the next of its levels, 8 apart: not many.
            assert ours.shape == kept.shape
            assert np.abs(ours - kept).mean() < 0.5, name
        else:
            numbers = [np.array(re.findall(r"-?\d+\.\d+", d.decode()), float) for d in (data, there[name])]
            words = [re.sub(r"-?\d+\.\d+", "#", d.decode()) for d in (data, there[name])]
            assert words[0] == words[1], name
            assert np.abs(numbers[0] - numbers[1]).max(initial=0) <= 0.11, name  # the last digit written


def test_every_picture_is_shown_and_told(made: dict[str, bytes]) -> None:
    for text in (made["guide.md"].decode(), made["guide.html"].decode()):
        for name in made:
            assert name in text or name.startswith(("guide.", "sheet-keys.")), name
        assert text.count("http") == 0
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    for name in re.findall(r"fixtures/guide/([\w.-]+)", readme):
        assert name in made


WIDE = 800


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("guide")
    (folder / "panel.toml").write_text(sheet_text(good_scene(WIDE)))
    return folder


def look(fault: Fault, job: Path) -> dict[str, bool]:
    """What the program's own first look says of the picture, at a phone's sort of size."""
    Image.fromarray(photograph_fault(fault, width_px=WIDE)).save(job / "p.png")
    sheet = load_sheet(job, need_photos=False)
    row = 0 if fault.varies == "across" else 1
    found = look_at_photo(job / "p.png", "p.png", sheet=sheet, row=row)
    return {check.name: check.good for check in found.checks}


@pytest.mark.parametrize(
    ("name", "poor"),
    [
        ("good", None),
        ("up", None),
        ("out-of-focus", "tags"),
        ("blown-out", "clipping"),
        ("too-fine", "stripes"),
        ("tag-covered", None),  # three tags do
        ("cut-off", "tags"),
    ],
)
def test_the_program_sees_the_fault_that_the_picture_shows(name: str, poor: str | None, job: Path) -> None:
    (fault,) = [f for f in FAULTS if f.name == name]
    said = look(fault, job)
    if poor is None:
        assert all(said.values()), said
    else:
        assert said[poor] is False, said


def test_a_dark_one_is_refused_and_each_fault_is_another_picture() -> None:
    good = photograph_fault(FAULTS[0], width_px=160).astype(float)
    assert photograph_fault(next(f for f in FAULTS if f.name == "too-dark"), width_px=160).max() < 60
    for fault in FAULTS[1:]:
        other = photograph_fault(fault, width_px=160).astype(float)
        # Noise is the same in both: 40 levels over more than a few pixels is a change one sees.
        assert (np.abs(other - good) > 40).sum() > 10 or np.abs(other - good).mean() > 3, fault.name
    assert len({f.name for f in FAULTS}) == len(FAULTS)
    assert all(f.cure for f in FAULTS[2:])
    with pytest.raises(ValueError, match="not enough values"):
        draw("9-nothing")


def test_the_mirror_drawing_keeps_the_law_of_reflection() -> None:
    """In drawing 4 the middle ray comes and goes at one angle: read back from the SVG."""
    text = draw("4-aim")
    lines = [
        np.array([p.split(",") for p in m.split()], float)
        for m in re.findall(r'polyline points="([^"]+)"', text)
    ]
    solid = [
        line
        for line, dash in zip(lines, re.findall(r"<polyline[^>]*>", text), strict=True)
        if "dash" not in dash
    ]
    middle = min(solid, key=lambda line: np.hypot(*(line[-1] - line[0] - [100, 150])))
    rays = [line for line in solid if line.shape == (2, 2) and abs(line[1, 0] - line[0, 0]) > 60]
    into = next(line for line in rays if line[1, 1] > line[0, 1] + 80)
    out = next(line for line in rays if np.allclose(line[0], into[1]))
    slope_in, slope_out = (abs((r[1, 1] - r[0, 1]) / (r[1, 0] - r[0, 0])) for r in (into, out))
    assert slope_in == pytest.approx(slope_out, rel=0.01)  # a tenth of a pixel of 140
    assert middle.size
    assert [name[0] for name, *_ in DRAWINGS] == list("123456")


def test_the_command_writes_the_guide(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from surfscan.guide import pages

    monkeypatch.setattr(pages, "photograph_fault", lambda fault: np.zeros((4, 4), np.uint8))
    assert cli.main(["guide", "--out", str(tmp_path / "g"), "--quiet"]) == 0
    assert "guide.html" in capsys.readouterr().out
    assert len(list((tmp_path / "g").iterdir())) == 3 + len(CHAPTERS) + len(DRAWINGS) + len(FAULTS)
    (tmp_path / "file").write_text("")
    assert cli.main(["guide", "--out", str(tmp_path / "file")]) == RefusedError.status
    assert replace(FAULTS[0], name="x").title == "Good"
