"""The lens file: written, read back, and used for photos of another size."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from surfscan.checking.stations import camera_of
from surfscan.core.errors import RefusedError
from surfscan.core.records import Camera, Photo, Pose
from surfscan.job.lens_file import LensFile, LensFit, LensSpread, camera_for, lens_text, read_lens
from surfscan.job.sheet import load_sheet
from surfscan.optics.lens import project

LENS = LensFile(
    schema=1,
    image_size_px=(4000, 3000),
    focal_px=3012.345678901,
    centre_px=(2010.25, 1490.75),
    distortion=(0.1, -0.2, 0.001, -0.002, 0.0),
    sd=LensSpread(focal_px=3.0, centre_px=(1.0, 1.5), distortion=(0.01, 0.02, 1e-4, 1e-4, 0.0)),
    fit=LensFit(rms_px=0.31, photos=12, corners=400, date="2026-01-02", board='a "board"', versions="x"),
)


def test_what_is_written_reads_back(tmp_path: Path) -> None:
    (tmp_path / "lens.toml").write_text(lens_text(LENS), encoding="utf-8")
    assert read_lens(tmp_path / "lens.toml") == LENS


def test_a_scaled_photo_sees_the_same_rays() -> None:
    """A photo half as large shows each ray at (c + 1/2)/2 - 1/2: pixels of twice the side, edges together."""
    full, half = camera_for(LENS, (4000, 3000)), camera_for(LENS, (2000, 1500))
    pose = Pose(np.eye(3), np.zeros(3), np.zeros((6, 6)), 0.0)
    x, y = np.array([-0.4, 0.1, 0.5]), np.array([0.3, -0.2, 0.1])
    for large, small in zip(
        project(x, y, 1.0, camera=full, pose=pose), project(x, y, 1.0, camera=half, pose=pose), strict=True
    ):
        np.testing.assert_allclose(small, (large + 0.5) / 2 - 0.5, atol=1e-9)
    # sd of 0.1 % and as much for focusing anew
    assert full.u_focal_rel == pytest.approx(np.hypot(3.0 / 3012.345678901, 0.001))


def test_a_turned_photo_keeps_what_does_not_depend_on_the_way() -> None:
    turned = camera_for(LENS, (3000, 4000))
    assert turned.focal_px == LENS.focal_px
    assert turned.centre_px == (1499.5, 1999.5)
    assert turned.distortion == (0.1, -0.2, 0.0, 0.0, 0.0)
    assert turned.u_focal_rel > camera_for(LENS, (4000, 3000)).u_focal_rel


def test_another_shape_is_refused() -> None:
    with pytest.raises(
        RefusedError, match=r"a.jpg is not of the lens file's shape; found 4000 x 2250 pixels"
    ):
        camera_for(LENS, (4000, 2250), file="a.jpg")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("schema = 1", "schema = 2", r"lens.toml: schema is out of range"),
        ("focal_px = 3012.345678901", "", r"lens.toml: focal_px is missing"),
        ("focal_px = 3012.345678901", "focal_px = nan", r"lens.toml: focal_px is no finite number"),
        ("focal_px = 3012.345678901", "focal_pixels = 1", r"focal_pixels is no known key"),
        ("\n[sd]", "\n[sd", r"is no valid TOML"),
        ("centre_px = [2010.25, 1490.75]", "centre_px = [90000.0, 1.0]", r"lies far outside the photo"),
    ],
)
def test_bad_files_are_refused(old: str, new: str, message: str, tmp_path: Path) -> None:
    text = lens_text(LENS)
    assert old in text
    (tmp_path / "lens.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(RefusedError, match=message):
        read_lens(tmp_path / "lens.toml")


def test_a_sheet_takes_its_camera_from_it(tmp_path: Path) -> None:
    sheet = (
        '[panel]\nstage = "primer"\nsize_mm = [500, 400]\n[camera]\nlens_file = "lens.toml"\n{}'
        '[[photo]]\nfile = "a.jpg"\nvaries = "across"\n'
    )
    (tmp_path / "panel.toml").write_text(sheet.format(""), encoding="utf-8")
    (tmp_path / "a.jpg").write_bytes(b"x")
    with pytest.raises(RefusedError, match=r"camera.lens_file names a file that is not there"):
        load_sheet(tmp_path)
    (tmp_path / "lens.toml").write_text(lens_text(LENS), encoding="utf-8")
    image = np.zeros((1500, 2000), np.float32)
    camera, source = camera_of(load_sheet(tmp_path), Photo("a.jpg", "", image, image > 0))
    assert source == "lens_file"
    assert camera == camera_for(LENS, (2000, 1500))
    assert isinstance(camera, Camera)
    (tmp_path / "panel.toml").write_text(sheet.format("centre_px = [1000, 700]\n"), encoding="utf-8")
    with pytest.raises(RefusedError, match=r"camera gives the lens twice; found lens_file and centre_px"):
        load_sheet(tmp_path)
