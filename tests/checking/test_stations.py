"""Stations: which focal length counts, and messages that tell apart what goes wrong with tags."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from surfscan.checking.stations import camera_of, level_places, sharpest, stand
from surfscan.core.errors import RefusedError
from surfscan.core.records import Photo
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.job.tags import find_tags

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"
BAD = JOBS / "bad-photos"


def sheet_with(**camera: object) -> Sheet:
    sheet = load_sheet(BAD)
    return sheet.model_copy(update={"camera": sheet.camera.model_copy(update=camera)})


def blank(shape: tuple[int, int], focal_px: float | None = None) -> Photo:
    image = np.zeros(shape, np.float32)
    return Photo("a.jpg", "", image, image > 0, focal_px, "exif_35mm" if focal_px else "")


def test_the_sheets_focal_length_goes_before_the_photos() -> None:
    photo = blank((600, 800), 900.0)
    for camera, focal, source, share in (
        ({"focal_px": 1000.0}, 1000.0, "focal_px", 0.002),
        # CIPA DC-X001: by the diagonal, 43.27 mm on 36 x 24 mm film; 1000 px here
        (
            {"focal_px": None, "focal_35mm": 26.0},
            26.0 * 1000 / np.hypot(36, 24),
            "focal_35mm",
            0.02,
        ),
        ({"focal_px": None}, 900.0, "exif", 0.03),
    ):
        found, where = camera_of(sheet_with(**camera), photo)
        assert found.focal_px == pytest.approx(focal)
        assert where == source
        assert found.u_focal_rel == share
        assert found.centre_px == (399.5, 299.5)
    with pytest.raises(RefusedError, match=r"a.jpg: the focal length is not known"):
        camera_of(sheet_with(focal_px=None), blank((600, 800)))
    with pytest.raises(RefusedError, match="centre_px lies far outside the photo"):
        camera_of(sheet_with(centre_px=(9000.0, 300.0)), photo)


def test_a_given_uncertainty_replaces_the_default() -> None:
    sheet = load_sheet(BAD)
    sheet = sheet.model_copy(
        update={"uncertainty": sheet.uncertainty.model_copy(update={"focal_rel": 0.011})}
    )
    assert camera_of(sheet, blank((600, 800)))[0].u_focal_rel == 0.011


@pytest.mark.parametrize("name", ["flat", "crown", "clean-crown", "covered-tag"])
def test_poses_of_the_rendered_photos_fit_to_the_noise_of_a_corner(name: str) -> None:
    """The renderer knows nothing of this package; its tags are drawn in texels of 1/6 mm, 0.4 px, whose rounding alone
    is 0.4 / sqrt(12) = 0.12 px on each axis, less by averaging along the sides: 0.15 px, on crowned panels too."""
    sheet = load_sheet(JOBS / name)
    for row in sheet.photos:
        station = stand(sheet, read_photo(sheet.folder / row.file, row.file), row)
        assert station.fit.pose.reprojection_px < 0.15
        assert len(station.tags) == (3 if name == "covered-tag" else 4)
        assert np.linalg.det(station.fit.pose.rotation) == pytest.approx(1.0)
        assert station.fit.pose.centre_mm[2] > 0 > station.fit.pose.centre_mm[1]
        if "crown" in name:  # the tags lean outwards: slope falls with x on a crown
            lean = [station.fit.tag_tilt[t][0] * sheet.tags.centres_mm[t][0] for t in station.fit.tag_tilt]  # type: ignore[union-attr]
            assert np.mean(lean) < 0


@pytest.mark.parametrize(
    ("file", "words"),
    [
        (
            "no-tags.jpg",
            r"no tags found; found none of the sheet's dictionary; allowed: tags 0, 1, 2, 3 of 4x4_50",
        ),
        ("one-tag.jpg", r"too few tags for a camera pose; found 1 of 4 tags"),
        ("mirrored.jpg", r"the photo is mirrored"),
        ("motion.jpg", r"nothing in the photo is sharp"),
        ("out-of-focus.jpg", r"nothing in the photo is sharp"),
    ],
)
def test_each_fault_has_its_message_with_the_files_name(file: str, words: str) -> None:
    sheet = load_sheet(BAD)
    with pytest.raises(RefusedError, match=words) as caught:
        stand(sheet, read_photo(BAD / file, file), sheet.photos[0])
    assert str(caught.value).startswith(f"{file}: ")
    assert caught.value.cure


def test_sharpness_of_known_edges() -> None:
    """A step of full contrast spread evenly over n pixels rises by 1 / n a pixel."""
    for n in (2, 4, 10):
        row = np.clip((np.abs(np.arange(400) % 80 - 40) - 20) / n + 0.5, 0, 1)
        photo = Photo("a.jpg", "", np.tile(row, (300, 1)).astype(np.float32), np.zeros((300, 400), bool))
        assert sharpest(photo) == pytest.approx(1 / n, rel=0.02)


def test_level_is_taken_at_the_tags_else_at_the_corners() -> None:
    sheet = load_sheet(BAD)
    assert level_places(sheet) == pytest.approx(np.array(list(sheet.tags.centres_mm.values())))  # type: ignore[union-attr]
    without = sheet.model_copy(update={"tags": None})
    assert level_places(without) == pytest.approx(
        np.array([[-310, -210], [310, -210], [310, 210], [-310, 210]])
    )


def test_a_pattern_that_reads_as_a_tag_by_chance_is_not_counted() -> None:
    """A tag-like mark much smaller than the panel's tags is scenery; one of their size is a mistake in the sheet."""
    sheet = load_sheet(JOBS / "flat")
    row = sheet.photos[0]
    photo = read_photo(sheet.folder / row.file, row.file)
    for side, counts in ((24, False), (64, True)):
        image = photo.image.copy()
        mark = cv2.aruco.generateImageMarker(
            cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), 9, side
        )
        image[40 : 80 + side, 760 : 800 + side] = 0.9
        image[60 : 60 + side, 780 : 780 + side] = mark / 255 * 0.9
        changed = Photo(photo.file, photo.sha256, image, photo.saturated, photo.focal_px, photo.focal_source)
        if counts:
            with pytest.raises(RefusedError, match="tag 9 is in the photo but not in the sheet"):
                stand(sheet, changed, row)
        else:
            assert 9 in [tag.id for tag in find_tags(changed, dictionary="4x4_50")]
            assert len(stand(sheet, changed, row).tags) == 4
