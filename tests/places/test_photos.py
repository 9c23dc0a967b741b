"""Photos without a sheet: kits and stations, on photos of the independent renderer (`tests/renders/kit_photos.py`).

What is true of them is in `fixtures/kit/*/truth.json`, in the frame of the job sheet's contract.
"""

from __future__ import annotations

import datetime
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from surfscan.cli import main
from surfscan.core.errors import RefusedError, UsageError
from surfscan.core.records import CheckResult
from surfscan.job.proof_file import ProofFile
from surfscan.job.sheet import load_sheet
from surfscan.places.arrange import Panel, arrange, write_job
from surfscan.places.check import check_photos, station_job
from surfscan.places.prove import proof_job, prove_station
from surfscan.places.stations import (
    Station,
    export_station,
    forget_station,
    import_station,
    keep_proof,
    load_station,
    new_station,
    stations,
)

KIT = Path(__file__).parents[2] / "fixtures" / "kit"
CROSSED = [KIT / "crossed" / name for name in ("panel.jpg", "setup.jpg")]
STRIPES = [KIT / "stripes" / name for name in ("one.jpg", "two.jpg", "setup.jpg")]
DAY = datetime.date(2026, 5, 4)


def truth(kit: str) -> dict[str, object]:
    found: dict[str, object] = json.loads((KIT / kit / "truth.json").read_text())
    return found


@pytest.fixture(scope="module", autouse=True)
def own_home(tmp_path_factory: pytest.TempPathFactory) -> object:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SURFSCAN_HOME", str(tmp_path_factory.mktemp("home")))
        yield


@pytest.fixture(scope="module")
def crossed(tmp_path_factory: pytest.TempPathFactory) -> tuple[CheckResult, Path]:
    folder = tmp_path_factory.mktemp("crossed") / "job"
    return check_photos(CROSSED, folder, Panel("a door", "primer")), folder


@pytest.fixture(scope="module")
def bay() -> Station:
    return new_station("Bay 2", STRIPES, frame=True, today=DAY)


def test_a_kits_photos_give_the_depths_that_were_rendered(crossed: tuple[CheckResult, Path]) -> None:
    """The issue's demand: peaks within the larger of 3 um and 3 %, and within their own intervals."""
    result, _ = crossed
    assert len(result.spots) == 3
    # Two of the board's tags are mirrored in the panel: no fold, and nobody is told one.
    assert not {"seen-fold", "setup-contradicted"} & {r.code for r in result.findings}
    for x, y, depth in truth("crossed")["dents"]:  # type: ignore[attr-defined]
        spot = min(result.spots, key=lambda s: np.hypot(s.x_mm - x, s.y_mm - y))
        off = abs(spot.peak_mm - depth)
        assert off < max(0.003, 0.03 * abs(depth))
        assert off < spot.u95_mm


def test_three_photos_that_mirror_the_boards_tags_need_no_set_up_photo(tmp_path: Path) -> None:
    """The same demand, and the board's place within half a per cent and its own interval."""
    photos = [KIT / "mirrored" / name for name in ("left.jpg", "low.jpg", "right.jpg")]
    result = check_photos(photos, tmp_path / "job", Panel("a door", "primer"))
    assert "setup_photo" not in (tmp_path / "job" / "panel.toml").read_text()
    assert len(result.spots) == 3
    for x, y, depth in truth("mirrored")["dents"]:  # type: ignore[attr-defined]
        spot = min(result.spots, key=lambda s: np.hypot(s.x_mm - x, s.y_mm - y))
        assert abs(spot.peak_mm - depth) < min(max(0.003, 0.03 * abs(depth)), spot.u95_mm)
    true = np.array(truth("mirrored")["board"]["centre"])  # type: ignore[index]
    setup = result.details["setup"]
    off = np.array(setup["board_centre_mm"]) - true
    assert np.linalg.norm(off) < 0.005 * np.linalg.norm(true)
    assert np.all(np.abs(off) < 2 * np.array(setup["u_centre_mm"]))
    assert setup["mirrored_in"] == [photo.name for photo in photos]
    assert result.details["mirror_check"]["agrees"]
    assert "setup-by-tape" not in {r.code for r in result.findings}


def test_the_board_is_found_within_half_a_per_cent(crossed: tuple[CheckResult, Path]) -> None:
    true = np.array(truth("crossed")["board"]["centre"])  # type: ignore[index]
    setup = crossed[0].details["setup"]
    off = np.array(setup["board_centre_mm"]) - true
    assert np.linalg.norm(off) < 0.005 * np.linalg.norm(true)
    assert (np.abs(off) < 2 * np.array(setup["u_centre_mm"])).all()
    # EXIF says 971 px (28 mm), the renderer had 960: the tags' perspective tells.
    assert crossed[0].details["survey"]["focal_stretch"] == pytest.approx(960 / 970.7, abs=0.006)


def test_the_job_is_kept_as_an_ordinary_one(crossed: tuple[CheckResult, Path]) -> None:
    sheet = load_sheet(crossed[1])
    assert (sheet.panel.name, sheet.panel.stage, sheet.panel.size_mm) == ("a door", "primer", None)
    assert sheet.tags is not None
    assert sheet.tags.surveyed
    assert sheet.board is not None
    assert sheet.board.setup_photo == "setup.jpg"
    assert [row.file for row in sheet.photos] == ["panel.jpg"]
    assert (crossed[1] / "panel.jpg").read_bytes() == CROSSED[0].read_bytes()
    with pytest.raises(UsageError, match="holds a job already"):
        write_job(arrange(CROSSED, Panel()), crossed[1])


def test_order_and_direction_are_seen_at_a_station(bay: Station) -> None:
    for order in (STRIPES[:2], STRIPES[1::-1]):
        job = station_job(bay, order, Panel("x"))
        assert [(row["file"], row["varies"]) for row in job.tables["photo"]] == [
            ("two.jpg", "across"),
            ("one.jpg", "up"),
        ]
        assert job.setup == ""


def test_a_frame_is_surveyed_once(bay: Station) -> None:
    true = truth("stripes")["board"]
    board = bay.tables["board"]
    far = np.linalg.norm(true["centre"])  # type: ignore[index]
    assert np.linalg.norm(np.array(board["centre_mm"]) - true["centre"]) < 0.005 * far  # type: ignore[index]
    assert len(bay.tables["tags"]["centres_mm"]) == 4
    assert bay.focal_px == pytest.approx(960, rel=0.006)
    assert load_station("BAY 2") == bay
    assert [one.name for one in stations()] == ["Bay 2"]
    with pytest.raises(UsageError, match="already"):
        new_station("bay 2", STRIPES)


def test_a_board_that_moved_is_noticed(bay: Station, tmp_path: Path) -> None:
    """The same photos at a station whose survey, we pretend, saw the board 30 mm higher."""
    from surfscan.places import check

    board = {**bay.tables["board"]}
    board["centre_mm"] = [board["centre_mm"][0], board["centre_mm"][1], board["centre_mm"][2] + 30.0]
    for place, moved in (
        (bay, 0),
        (Station(bay.name, bay.folder, bay.made, True, {**bay.tables, "board": board}), 1),
    ):
        job = station_job(place, STRIPES, Panel())
        assert job.setup == "setup.jpg"
        found = check._moved_board(place, job, load_sheet(write_job(job, tmp_path / str(moved))))
        assert [r.code for r in found] == ["setup-moved"] * moved


def test_a_station_says_when_it_was_proved(bay: Station) -> None:
    assert bay.proved(DAY) == "never proved"
    row = {
        "schema": 1, "date": DAY, "ratio": 1.002, "u95": 0.01, "known_mrad": 2.0, "measured_mrad": 2.004,
        "centre_mm": tuple(bay.tables["board"]["centre_mm"]), "across": (1.0, 0.0, 0.0), "up": (0.0, 0.0, 1.0),
        "period_mm": 30.0,
    }  # fmt: skip
    proved = keep_proof("Bay 2", ProofFile.model_validate(row))
    assert proved.proved(DAY + datetime.timedelta(12)) == "proved 12 days ago"
    assert "prove it again" in proved.proved(DAY + datetime.timedelta(40))
    assert station_job(proved, STRIPES[:2], Panel()).tables["board"]["proof"] == "proof.toml"


def test_a_station_travels_as_one_file_and_is_forgotten(bay: Station, tmp_path: Path) -> None:
    file = export_station("Bay 2", tmp_path / "bay.station")
    with pytest.raises(UsageError, match="already"):
        import_station(file)
    other = import_station(file, name="Bay 3")
    assert (other.name, other.tables, other.made) == ("Bay 3", bay.tables, bay.made)
    forget_station("bay 3")
    with pytest.raises(RefusedError, match="no station 'Bay 3'"):
        load_station("Bay 3")
    (tmp_path / "cut.station").write_bytes(file.read_bytes()[:200])
    with pytest.raises(RefusedError, match="can't be read as a station"):
        import_station(tmp_path / "cut.station")


def test_a_station_like_a_job_needs_no_photo_and_its_proof_is_that_jobs(tmp_path: Path) -> None:
    """What a station makes of the photos of a tile is the sheet that `tests/checking/test_proof.py` proves by."""
    flat = KIT.parent / "proof" / "tile-flat"
    place = new_station("Old stand", like=flat, today=DAY)
    assert place.frame
    known = load_sheet(flat)
    assert known.panel.region_mm is not None
    photos = [flat / name for name in ("stripes-up.jpg", "stripes-across.jpg")]
    made = load_sheet(proof_job(place, photos, known.panel.region_mm, tmp_path / "job"))
    assert (made.panel, made.tags, made.camera, made.board, made.photos) == (
        known.panel, known.tags, known.camera, known.board, known.photos,
    )  # fmt: skip
    with pytest.raises(UsageError, match="do not fit"):
        prove_station(
            "Old stand", photos, photos, gauge_mm=50.0, over_mm=100.0, tile_mm=known.panel.region_mm
        )
    forget_station("old stand")
    new_station("Old stand", CROSSED[1:], today=DAY)
    with pytest.raises(RefusedError, match="has no frame"):
        prove_station("Old stand", photos, photos, gauge_mm=0.5, over_mm=180.0, tile_mm=known.panel.region_mm)
    forget_station("old stand")


@pytest.mark.parametrize(
    ("photos", "words"),
    [
        (CROSSED[:1], "no set-up photo among the photos"),
        ([CROSSED[0], KIT / "none.jpg"], "There is no photo"),
        ([KIT.parent / "jobs" / "flat" / "stripes-across.jpg"], "no tags of a kit"),
    ],
)
def test_refused_in_words(photos: list[Path], words: str) -> None:
    with pytest.raises(RefusedError, match=words):
        arrange(photos, Panel())


def test_a_photo_without_exif_needs_a_lens(tmp_path: Path) -> None:
    from PIL import Image

    Image.open(CROSSED[1]).save(tmp_path / "sent.jpg")
    with pytest.raises(RefusedError, match="focal length is not known"):
        arrange([tmp_path / "sent.jpg"], Panel())
    assert arrange([tmp_path / "sent.jpg"], Panel(focal_35mm=28.0)).tables["camera"] == {"focal_35mm": 28.0}


def test_one_direction_twice_is_refused(bay: Station, tmp_path: Path) -> None:
    shutil.copyfile(STRIPES[0], tmp_path / "again.jpg")
    with pytest.raises(RefusedError, match="stripes running one way"):
        station_job(bay, [STRIPES[0], tmp_path / "again.jpg"], Panel())


def test_options_of_photos_are_for_photos(tmp_path: Path) -> None:
    job = str(KIT.parent / "jobs" / "flat")
    assert main(["check", job, "--substrate", "steel", "--out", str(tmp_path)]) == 2
    assert main(["check", str(CROSSED[0]), "--stage", "prime", "--out", str(tmp_path)]) == 2
    assert main(["check", str(CROSSED[0]), str(CROSSED[1]), "--against", job, "--out", str(tmp_path)]) == 2
    assert not (tmp_path / "job").exists()


def test_a_frame_that_moved_is_told_as_one(
    bay: Station, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The same photos at a station whose survey, we pretend, saw one tag 15 mm further up."""
    from surfscan.places import check

    tags = {**bay.tables["tags"], "centres_mm": {**bay.tables["tags"]["centres_mm"]}}
    name, (x, y) = next(iter(tags["centres_mm"].items()))
    tags["centres_mm"][name] = [x, y + 15.0]
    moved = Station(bay.name, bay.folder, bay.made, True, {**bay.tables, "tags": tags})
    monkeypatch.setattr(check, "load_station", lambda _: moved)
    with pytest.raises(RefusedError, match="The frame of station Bay 2 is not as it was surveyed"):
        check_photos(STRIPES[:2], tmp_path / "job", Panel(), station="Bay 2")
