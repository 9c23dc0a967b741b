"""Fifty wrong uses: what a shop types by mistake; the answer says what was found, what is allowed, and the cure."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from surfscan import cli

_JOB = Path(__file__).parents[2] / "fixtures/jobs/flat"
_TEXT = (_JOB / "panel.toml").read_text(encoding="utf-8")

# what is replaced in a good sheet, by what; found, allowed and cure as the answer has them
SHEETS = [
    ("side_mm = 36", "side_mm = 3,6", "side_mm = 3,6", "a decimal point", "Write side_mm = 3.6"),
    ("period_mm = 28", "period_mm = 28,5", "28,5", "a decimal point", "Write period_mm = 28.5"),
    ("low_mm = 0.04", "low_mm = 0,04", "0,04", "a decimal point", "Write low_mm = 0.04"),
    ("side_mm = 36", "side_mm = 1.42", "1.42", "5 mm or more", "1.42 in are 36.1 mm"),
    ("side_mm = 36", 'side_mm = "36"', '"36"', "side of the black square", "Write 36, without quotes"),
    ("side_mm = 36", 'side_mm = "36,0"', '"36,0"', "mm", "36.0, without quotes and with a point"),
    ("side_mm = 36", "side_mm = -36", "-36", "over 0", "Correct tags.side_mm"),
    ("side_mm = 36", "side_mm = nan", "nan", "mm", "Correct tags.side_mm"),
    ("side_mm = 36", "side_mm = 36 mm", "36 mm", "key = value", "Check quotes"),
    ("side_mm = 36", "sidemm = 36", "sidemm", "side_mm", "nearest known key is side_mm"),
    ("size_mm = [620, 420]", "size_mm = [24.4, 16.5]", "[-283, -183]", "within", "in mm"),
    ("size_mm = [620, 420]", "size_mm = [620]", "1 of them", "[width, height]", "Add the one"),
    ("size_mm = [620, 420]", "size_mm = [620; 420]", "620; 420", "commas between", "Check quotes"),
    ('stage = "primer"', 'stage = "primr"', '"primr"', "sealer", "The nearest is primer"),
    ('stage = "primer"', 'stage = "Fillr"', '"Fillr"', "filler", "The nearest is filler"),
    ('stage = "primer"', 'stage = "xyzzy"', '"xyzzy"', "primer", "Correct panel.stage"),
    ('stage = "primer"', "", "panel.stage is missing", "primer", "Add panel.stage"),
    ('stage = "primer"', 'stage = "primer', 'stage = "primer', "text in quotes", "Check quotes"),
    ('stage = "primer"', 'stage = primer', "stage = primer", "text in quotes", "Check quotes"),
    ('stage = "primer"', 'stage = "primer"\nsubstrate = "stel"', '"stel"', "fibreglass", "The nearest is steel"),
    ('stage = "primer"', 'stage = "primer"\nfilm_mm = 120', "120", "at most 3", "Correct panel.film_mm"),
    ('stage = "primer"', 'stage = "primer"\ncolour = "red"', "colour", "stage", "Remove it"),
    ("low_mm = 0.04", "low_mm = 0", "0", "over 0", "Correct limits.low_mm"),
    ("low_mm = 0.04", "low_mm = 400", "400", "at most 100", "Correct limits.low_mm"),
    ("low_mm = 0.04", "low_mmm = 0.04", "low_mmm", "low_mm", "nearest known key is low_mm"),
    ('varies = "across"', 'varies = "acros"', '"acros"', "across, up", "The nearest is across"),
    ('varies = "up"', 'varies = "across"', "photo 1 and photo 2", "one photo for each direction", "Correct photo"),
    ('"4x4_50"', '"4x4-50"', '"4x4-50"', "4x4_50", "The nearest is 4x4_50"),
    ("817.10716", "-817.10716", "z = -817.107", "z over 0", "check its sign"),
    ('"stripes-across.jpg"', '"../stripes-across.jpg"', "../stripes", "a name inside", "Put the file into"),
    ('"stripes-across.jpg"', '"stripes-x.jpg"', "no file stripes-x.jpg", "a photo in", "Copy the photo"),
    ("focal_px = 2655.4", "focal_px = 0", "0", "over 0", "Correct camera.focal_px"),
    ("focal_px = 2655.4", "focal_px = 2655.4\nfocal_35mm = 26", "focal_px and focal_35mm", "one of", "Correct camera"),
    ("focal_px = 2655.4", "", "no focal length", "photo straight from the phone", "Give camera.focal_35mm"),
    ("across = [1", "across = [2", "length 2", "1 within 0.01", "Divide"),
    ("0 = [-283", "0 = [-9283", "-9283", "within", "Count from the middle"),
    ("0 = [-283", "zero = [-283", "'zero'", "ids such as 0, 1, 2, 3", "Correct tags"),
    ("0 = [-283", "99 = [-283", "99", "0 to 49", "Correct tags"),
]  # fmt: skip

COMMANDS = [
    (["chek", "JOB"], "chek", "check", "The nearest is check"),
    (["check", "JOB"], "--out is missing", "surfscan check with --out", "surfscan check --help"),
    (["check", "JOB", "--ouput", "x", "--out", "OUT"], "--ouput", "--help lists", "The nearest is --out"),
    (["check", "JOB", "--ouput", "x"], "--ouput", "surfscan check --help lists", "The nearest is --out; see surfscan check"),
    (["report", "EMPTY", "--recrod=x"], "--recrod", "surfscan report --help lists", "See surfscan report --help."),
    (["report", "EMPTY", "--record", "x"], "--record", "surfscan report --help", "It is an option of surfscan check, "),
    (["station", "new", "x", "--tilted", "x"], "--tilted", "station new --help", "It is an option of surfscan station prove;"),
    (["--ouput", "x", "check"], "--ouput", "surfscan --help lists", "See surfscan --help"),
    (["check", "JOB", "MORE", "--from-map", "x", "--out", "OUT", "--", "MORE"], "more than", "--help", "in quotes"),
    (["check", "--out", "OUT"], "neither", "surfscan check JOB --out DIR", "surfscan check --from-map"),
    (["check", "JOB", "--out", "FILE"], "is a file", "a folder", "Choose another folder"),
    (["check", "--from-map", "x.csv", "--u-mm", "0.0.1", "--out", "OUT"], "0.0.1", "640mm", "--help"),
    (["check", "--from-map", "x.csv", "--u-mm", "good", "--out", "OUT"], "good", "640mm", "--help"),
    (["check", "--from-map", "x.csv", "--low-mm", "1/0in", "--u-mm", "1", "--out", "OUT"], "1/0in", "1/8in", "--help"),
    (["check", "--from-map", "x.csv", "--out", "OUT"], "needs its uncertainty", "--u-mm", "certificate"),
    (["check", "--from-map", "x.csv", "--u-mm", "1", "--stage", "prymer", "--out", "OUT"], "prymer", "sealer", "primer"),
    (["report", "EMPTY", "--paper", "a5"], "a5", "a4, letter", "--help"),
    (["report", "EMPTY"], "result.json cannot be read", "a finished output folder", "Check the job again"),
    (["verify", "EMPTY"], "no seal.json", "written by surfscan report", "Make the report first"),
    (["check", "--from-map", "x.csv", "--u-mm", "1", "--low-mm", "-1", "--out", "OUT"], "-1", "a number above 0", "Correct"),
    (["gloss", "--out", "OUT"], "neither", "RESULT, or --spot", "gloss --help"),
    (["gloss", "--spot=0,0,1,90", "--views", "0", "--out", "OUT"], "0", "1 to 72", "--views"),
    (["forget", "--record", "OUT"], "no number", "--job-number", "Give numbers"),
    (["compare", "--out", "OUT"], "found 0", "two or more", "compare --help"),
    (["report", "EMPTY", "--shop", "x\ny"], "x\\ny", "200 printable letters", "Shorten it"),
    (["teach"], "0 of them", "--worksheet DIR", "teach --help"),
    (["page", "--port", "80"], "80", "1024 to 65535", "another --port"),
    (["check", "EMPTY", "--out", "OUT"], "has no panel.toml", "a folder with panel.toml", "Give the folder"),
    (["show", "one"], "one", "a whole number", "surfscan show --help"),
    (["new", "NEW", "--yes", "--stage", "prymer"], "prymer", "sealer", "The nearest is primer"),
]  # fmt: skip


def _said(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    status = cli.main(arguments)
    said = capsys.readouterr().err
    assert status in (2, 3), said
    assert not re.search(r"Traceback|invalid (float|int)|Errno|pydantic|argparse", said), said
    return said


def _holds(said: str, *parts: str) -> None:
    for part in parts:
        assert part in said, said


def _refusals(room: str) -> list[tuple[str, ast.Call]]:
    """Every place of a room where a use is refused."""
    found = []
    for path in sorted((Path(cli.__file__).parents[1] / room).glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("RefusedError", "UsageError"):
                found.append((f"{path.name}:{node.lineno}", node))
    return found


@pytest.mark.parametrize("room", ["cli", "job"])
def test_every_refusal_has_found_allowed_and_cure(room: str) -> None:
    refusals = _refusals(room)
    assert len(refusals) > 40
    lacking = [
        (place, word)
        for place, call in refusals
        for word in ("found", "allowed", "cure")
        if all(keyword.arg not in (word, None) for keyword in call.keywords)
    ]
    assert lacking == []


def test_there_are_fifty() -> None:
    assert len(SHEETS) + len(COMMANDS) >= 50


@pytest.mark.parametrize(("good", "wrong", "found", "allowed", "cure"), SHEETS)
def test_a_wrong_sheet(
    good: str,
    wrong: str,
    found: str,
    allowed: str,
    cure: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert good in _TEXT
    (tmp_path / "panel.toml").write_text(_TEXT.replace(good, wrong, 1), encoding="utf-8")
    for photo in _JOB.glob("*.jpg"):
        (tmp_path / photo.name).symlink_to(photo)
    said = _said(["check", str(tmp_path), "--out", str(tmp_path / "out"), "--quiet"], capsys)
    _holds(said, found, allowed, cure)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("arguments", "found", "allowed", "cure"), COMMANDS)
def test_a_wrong_command(
    arguments: list[str],
    found: str,
    allowed: str,
    cure: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "empty").mkdir()
    places = {
        "JOB": str(_JOB),
        "OUT": str(tmp_path / "out"),
        "EMPTY": str(tmp_path / "empty"),
        "NEW": str(tmp_path / "new"),
        "FILE": str(_JOB / "panel.toml"),
    }
    _holds(_said([places.get(word, word) for word in arguments], capsys), found, allowed, cure)
