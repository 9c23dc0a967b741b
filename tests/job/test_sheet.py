"""The job sheet: what is read, what is refused, and in which words."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from surfscan.core.errors import RefusedError
from surfscan.job.sheet import load_sheet

SHEET = """
[panel]
name = "door, lower half"
stage = "primer"
size_mm = [500, 400]

[tags]
dictionary = "4x4_50"
side_mm = 36
[tags.centres_mm]
0 = [-220.0, -170.0]
1 = [220.0, -170.0]
2 = [220.0, 170.0]
3 = [-220.0, 170.0]

[camera]
focal_px = 2800.0

[board]
pattern = "stripes"
period_mm = 25
centre_mm = [0.0, 500.0, 700.0]
across = [1.0, 0.0, 0.0]
up = [0.0, -0.8, 0.6]
size_mm = [1500, 1200]

[[photo]]
file = "a.jpg"
varies = "across"

[[photo]]
file = "b.jpg"
varies = "up"
"""

TAGS = SHEET[SHEET.index("[tags]") : SHEET.index("[camera]")]
BOARD = SHEET[SHEET.index("[board]") : SHEET.index("[[photo]]")]
CAMERA = "[camera]\nfocal_px = 2800.0\n"
FIRST = 'file = "a.jpg"\nvaries = "across"'
SECOND = 'file = "b.jpg"\nvaries = "up"'
# Counter-clockwise as seen in a photo, whose rows run down.
CORNERS = "corners_px = [[100, 900], [1100, 900], [1100, 100], [100, 100]]"


def job(folder: Path, text: str) -> Path:
    (folder / "panel.toml").write_text(text, encoding="utf-8")
    for name in ("a.jpg", "b.jpg", "setup.jpg"):
        (folder / name).write_bytes(b"not looked at here")
    return folder


def swap(*pairs: tuple[str, str]) -> str:
    text = SHEET
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def test_every_key_arrives(tmp_path: Path) -> None:
    sheet = load_sheet(job(tmp_path, SHEET))
    assert sheet.panel.size_mm == (500.0, 400.0)
    assert sheet.tags is not None
    assert sheet.tags.centres_mm[2] == (220.0, 170.0)
    assert sheet.board is not None
    assert sheet.board.up == (0.0, -0.8, 0.6)
    assert [(p.file, p.varies, p.encoding) for p in sheet.photos] == [
        ("a.jpg", "across", "srgb"),
        ("b.jpg", "up", "srgb"),
    ]
    assert sheet.camera.distortion == (0.0,) * 5
    assert sheet.folder == tmp_path


def test_limits_can_be_set_one_by_one(tmp_path: Path) -> None:
    limits = load_sheet(job(tmp_path, SHEET + "\n[limits]\nlow_mm = 0.123\nconfidence = 0.9\n")).limits
    assert (limits.low_mm, limits.high_mm, limits.filler_depth_mm) == (0.123, None, None)
    assert limits.confidence == 0.9


def test_vectors_are_normalised(tmp_path: Path) -> None:
    sheet = load_sheet(job(tmp_path, swap(("[0.0, -0.8, 0.6]", "[0.0, -0.574, 0.819]"))))
    assert sheet.board is not None
    assert sheet.board.up is not None
    assert math.hypot(*sheet.board.up) == pytest.approx(1.0, abs=4e-16)  # two roundings


def test_optional_uncertainties(tmp_path: Path) -> None:
    sheet = load_sheet(job(tmp_path, SHEET + "\n[uncertainty]\nboard_centre_mm = 2\nfocal_rel = 0.01\n"))
    assert sheet.uncertainty.board_centre_mm == 2.0
    assert sheet.uncertainty.focal_rel == 0.01
    assert sheet.uncertainty.period_rel is None


def test_sheet_is_frozen_and_the_toml_file_itself_will_do(tmp_path: Path) -> None:
    sheet = load_sheet(job(tmp_path, SHEET) / "panel.toml")
    with pytest.raises(ValueError, match="frozen"):
        sheet.panel.size_mm = (1.0, 1.0)  # type: ignore[misc]


def test_a_closed_polygon_loses_its_repeated_corner(tmp_path: Path) -> None:
    text = swap(("size_mm = [500, 400]", "size_mm = [500, 400]\nregion_mm = [[0,0],[90,0],[90,90],[0,0]]"))
    assert load_sheet(job(tmp_path, text)).panel.region_mm == ((0.0, 0.0), (90.0, 0.0), (90.0, 90.0))


def polygon(key: str, value: str) -> str:
    return swap(("size_mm = [500, 400]", f"size_mm = [500, 400]\n{key} = {value}"))


REFUSED = [
    # What is wrong, the text, and the words that must appear.
    ("misspelt key", swap(("size_mm = [500", "sizemm = [500")), ["panel.sizemm", "nearest known key is size_mm"]),
    ("misspelt table", swap(("[camera]", "[kamera]")), ["kamera", "nearest known key is camera"]),
    ("key in the wrong table", swap(("[camera]", "[camera]\nlow_mm = 1")), ["camera.low_mm", "The key low_mm belongs into [limits]"]),
    ("attribute no key", "folder = 'x'\n" + SHEET, ["folder is no known key"]),
    ("missing table", SHEET.replace("[panel]", "[limits]").replace('name = "door, lower half"\nstage = "primer"\nsize_mm = [500, 400]', "low_mm = 1"), ["panel is missing", "Add [panel]"]),
    ("missing key", swap(("side_mm = 36", "")), ["tags.side_mm is missing", "mm"]),
    ("size without tags", swap(("size_mm = [500, 400]", ""), (TAGS, "")), ["panel.size_mm is missing", "[width, height]"]),
    ("height without centre", swap((TAGS, TAGS + "[tags.heights_mm]\n9 = 2.0\n")), ["tags.heights_mm has a height for tag 9"]),
    ("unknown stage", swap(('"primer"', '"prime"')), ["panel.stage", '"prime"', "primer"]),
    ("text for a number", swap(("[500, 400]", '["500", 400]')), ["panel.size_mm[1]", '"500"']),
    ("truth for a number", swap(("side_mm = 36", "side_mm = true")), ["tags.side_mm", "True"]),
    ("zero length", swap(("[500, 400]", "[500, 0]")), ["panel.size_mm[2]", "found 0", "over 0"]),
    ("negative length", swap(("period_mm = 25", "period_mm = -25")), ["board.period_mm", "-25", "over 0"]),
    ("metres for millimetres", swap(("[500, 400]", "[500000, 400]")), ["panel.size_mm[1]", "at most 10000"]),
    ("not a number", swap(("focal_px = 2800.0", "focal_px = nan")), ["camera.focal_px", "nan", "finite"]),
    ("infinite", swap(("500.0, 700.0]", "500.0, inf]")), ["board.centre_mm[3]", "inf"]),
    ("one size", swap(("[500, 400]", "[500]")), ["panel.size_mm has too few entries", "found 1"]),
    ("bow tie", polygon("region_mm", "[[0,0],[90,90],[90,0],[0,90]]"), ["panel.region_mm crosses itself", "side 1 meets side 3"]),
    ("two corners", polygon("region_mm", "[[0,0],[90,90]]"), ["panel.region_mm is no polygon", "2 corners"]),
    ("corner twice", polygon("region_mm", "[[0,0],[90,0],[0,0],[0,90]]"), ["has a corner twice"]),
    ("no area", polygon("region_mm", "[[0,0],[90,0],[40,0]]"), ["doubles back"]),
    ("crossing hole", polygon("leave_out_mm", "[[[0,0],[9,0],[9,9]],[[0,0],[9,9],[9,0],[0,9]]]"), ["leave_out_mm", "polygon 2", "crosses itself"]),
    ("region off the panel", polygon("region_mm", "[[900,0],[990,0],[990,90]]"), ["panel.region_mm", "off the panel"]),
    ("unprintable name", swap(("door, lower half", "a\\u001b[2Jb")), ["panel.name", "unprintable"]),
    ("wrong dictionary", swap(('"4x4_50"', '"4x4"')), ["tags.dictionary", "4x4_50"]),
    ("tag id too large", swap(("3 = [-220.0", "50 = [-220.0")), ["tag 50", "0 to 49"]),
    ("tag id no number", swap(("3 = [-220.0", "ur = [-220.0")), ["tags.centres_mm", "'ur'"]),
    ("tag named twice", swap(("3 = [-220.0", "03 = [1, 1]\n3 = [-220.0")), ["one tag twice", "id 3"]),
    ("tags overlap", swap(("3 = [-220.0, 170.0]", "3 = [200.0, 170.0]")), ["tags 2 and 3 on top", "20 mm"]),
    ("tag out of reach", swap(("3 = [-220.0, 170.0]", "3 = [-2200.0, 170.0]")), ["tag 3 out of reach", "-2200"]),
    ("no tag", swap((TAGS[TAGS.index("0 =") :], "")), ["tags.centres_mm", "names no tag"]),
    ("two focal lengths", swap((CAMERA, CAMERA + "focal_35mm = 26\n")), ["focal_px and focal_35mm"]),
    ("focal length of nothing", swap((CAMERA, "[camera]\nfocal_35mm = 0\n")), ["camera.focal_35mm", "5"]),
    ("three lens terms", swap((CAMERA, CAMERA + "distortion = [1, 2, 3]\n")), ["camera.distortion", "[k1, k2, p1, p2, k3]"]),
    ("half a pose", swap(("up = [0.0, -0.8, 0.6]\n", "")), ["board is only half given", "no up"]),
    ("no unit vector", swap(("[0.0, -0.8, 0.6]", "[0.0, -8, 6]")), ["board.up is no unit vector", "length 10"]),
    ("no direction", swap(("[0.0, -0.8, 0.6]", "[0, 0, 0]")), ["board.up is no unit vector", "length 0"]),
    ("oblique", swap(("across = [1.0, 0.0, 0.0]", "across = [0.0, 0.6, 0.8]"), ("[0.0, -0.8, 0.6]", "[0.6, 0.8, 0.0]")), ["not at right angles", "61.3 degrees"]),
    ("board behind the panel", swap(("500.0, 700.0]", "500.0, -700.0]")), ["behind the panel", "z = -700", "sign"]),
    ("board without size", swap(("size_mm = [1500, 1200]\n", "")), ["board.size_mm is missing"]),
    ("too few stripes", swap(("[1500, 1200]", "[1500, 70]")), ["fewer than three stripes", "70 mm"]),
    ("no photo", SHEET[: SHEET.index("[[photo]]")], ["photo is missing", "[[photo]]"]),
    ("photo as a table", SHEET[: SHEET.index("[[photo]]")] + '[photo]\nfile = "a.jpg"\n', ["photo is not of the right kind"]),
    ("same photo twice", swap(('"b.jpg"', '"./a.jpg"')), ["photo[2].file", "same file twice"]),
    ("photo outside", swap(('"b.jpg"', '"../b.jpg"')), ["photo[2].file leads out of the job folder"]),
    ("photo elsewhere", swap(('"b.jpg"', '"/etc/b.jpg"')), ["photo[2].file leads out of the job folder"]),
    ("photo elsewhere on Windows", swap(('"b.jpg"', "'C:\\b.jpg'")), ["photo[2].file leads out of the job folder"]),
    ("photo missing", swap(('"b.jpg"', '"c.jpg"')), ["photo[2].file", "no file c.jpg"]),
    ("no direction given", swap((FIRST, 'file = "a.jpg"')), ["photo[1].varies is missing", "across, up"]),
    ("wrong direction", swap((FIRST, 'file = "a.jpg"\nvaries = "down"')), ["photo[1].varies", '"down"']),
    ("same direction twice", swap((SECOND, 'file = "b.jpg"\nvaries = "across"')), ["photo[2].varies", "photo 1 and photo 2"]),
    ("phase of a printed board", swap((FIRST, FIRST + "\nphase_deg = 90")), ["photo[1].phase_deg", "stripes"]),
    ("corners beside tags", swap((FIRST, f"{FIRST}\n{CORNERS}")), ["photo[1].corners_px", "tags or corners"]),
    ("mirrored corners", swap((TAGS, ""), (FIRST, FIRST + "\ncorners_px = [[100, 100], [1100, 100], [1100, 900], [100, 900]]")), ["photo[1].corners_px run the wrong way round", "lower-left"]),
    ("crossed corners", swap((TAGS, ""), (FIRST, FIRST + "\ncorners_px = [[100, 900], [1100, 100], [1100, 900], [100, 100]]")), ["photo[1].corners_px crosses itself"]),
    ("inward corner", swap((TAGS, ""), (FIRST, FIRST + "\ncorners_px = [[100, 900], [1100, 900], [300, 700], [100, 100]]")), ["inward corner"]),
    ("three corners", swap((TAGS, ""), (FIRST, FIRST + "\ncorners_px = [[100, 900], [1100, 900], [300, 700]]")), ["wrong number of corners", "found 3"]),
    ("corners of one photo only", swap((TAGS, ""), (FIRST, f"{FIRST}\n{CORNERS}")), ["photo[2].corners_px is missing"]),
    ("lamp behind", swap((BOARD, ""), (FIRST, 'file = "a.jpg"\nlamp_mm = [0, 0, -5]')), ["photo[1].lamp_mm", "behind"]),
    ("lamp with a board", swap((FIRST, FIRST + "\nlamp_mm = [0, 0, 500]")), ["lamp with a board"]),
    ("limit of zero", SHEET + "\n[limits]\nlow_mm = 0\n", ["limits.low_mm", "found 0", "over 0"]),
    ("certainty", SHEET + "\n[limits]\nconfidence = 1\n", ["limits.confidence", "under 1"]),
    ("zero uncertainty", SHEET + "\n[uncertainty]\nperiod_rel = 0.0\n", ["uncertainty.period_rel", "over 0"]),
    ("encoding", swap((FIRST, FIRST + '\nencoding = "log"')), ["photo[1].encoding", "srgb, linear"]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "words"), [case[1:] for case in REFUSED], ids=[case[0] for case in REFUSED])
def test_refused_in_words(tmp_path: Path, text: str, words: list[str]) -> None:
    with pytest.raises(RefusedError, match=re.escape(words[0])) as caught:
        load_sheet(job(tmp_path, text))
    assert not str(caught.value).startswith("panel.toml.")
    for word in words[1:]:
        assert word in str(caught.value)
    assert "\n" not in str(caught.value)
    assert caught.value.status == 3


def test_syntax_error_says_where(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match=r"line 4, can't be read; found \]\]"):
        load_sheet(job(tmp_path, '[panel]\nname = "x"\nsize_mm = [1, \n]]'))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "panel.toml is empty"),
        (b" \n\t\n", "panel.toml is empty"),
        (b"\xff\xfe[panel]", "no UTF-8"),
        (b"#" * 1_000_001, "too long"),
    ],
)
def test_files_that_are_no_sheet(tmp_path: Path, data: bytes, words: str) -> None:
    (tmp_path / "panel.toml").write_bytes(data)
    with pytest.raises(RefusedError, match=words):
        load_sheet(tmp_path)


def test_folders_that_are_no_job(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="does not exist"):
        load_sheet(tmp_path / "nowhere")
    with pytest.raises(RefusedError, match=r"has no panel\.toml"):
        load_sheet(tmp_path)
    (tmp_path / "file").write_text("x")
    with pytest.raises(RefusedError, match="is no folder"):
        load_sheet(tmp_path / "file")


def test_byte_order_mark_is_survived(tmp_path: Path) -> None:
    folder = job(tmp_path, SHEET)
    (folder / "panel.toml").write_bytes(b"\xef\xbb\xbf" + SHEET.encode())
    assert load_sheet(folder).panel.stage == "primer"


def test_photos_need_not_be_there_for_a_planner(tmp_path: Path) -> None:
    (tmp_path / "panel.toml").write_text(SHEET)
    assert len(load_sheet(tmp_path, need_photos=False).photos) == 2


SETUP = """[board]
period_mm = 25
size_mm = [1500, 1200]
setup_photo = "setup.jpg"
[board.tags]
dictionary = "5x5_100"
side_mm = 60
[board.tags.centres_mm]
0 = [-600, -500]
1 = [600, -500]
2 = [600, 500]

"""

OTHER_LIGHTS = [
    ("stepped", swap(('"stripes"', '"stepped"'), (FIRST, FIRST + "\nphase_deg = 0"), (SECOND, SECOND + "\nphase_deg = 90\nperiod_mm = 40")), "stepped"),
    ("dots", swap(('"stripes"', '"dots"'), (FIRST, 'file = "a.jpg"'), (SECOND, 'file = "b.jpg"')), "dots"),
    ("no board pose", swap(("centre_mm = [0.0, 500.0, 700.0]\nacross = [1.0, 0.0, 0.0]\nup = [0.0, -0.8, 0.6]\n", "")), ""),
    ("no board", swap((BOARD, "")), ""),
    ("no tags", swap((TAGS, "")), ""),
    ("lamp", swap((BOARD, ""), (FIRST, 'file = "a.jpg"\nlamp_mm = [900, 300, 350]'), (SECOND, 'file = "b.jpg"\nlamp_mm = [-900, 300, 350]')), "lamp_mm"),
]  # fmt: skip


@pytest.mark.parametrize("text", [case[1] for case in OTHER_LIGHTS], ids=[case[0] for case in OTHER_LIGHTS])
def test_other_lights_are_built(tmp_path: Path, text: str) -> None:
    load_sheet(job(tmp_path, text))


def test_corners_instead_of_tags_are_built(tmp_path: Path) -> None:
    text = swap((TAGS, ""), (FIRST, f"{FIRST}\n{CORNERS}"), (SECOND, f"{SECOND}\n{CORNERS}"))
    sheet = load_sheet(job(tmp_path, text))
    assert sheet.photos[0].corners_px == ((100, 900), (1100, 900), (1100, 100), (100, 100))
