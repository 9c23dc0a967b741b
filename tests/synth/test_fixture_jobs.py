"""The rendered fixture jobs show what their sheets say: tags, camera, board and stripes.

The photos come from an independent renderer (fixtures/SOURCES.md); what is held against them here is OpenCV's
pose of the tags and the package's mirror geometry of a flat panel.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from surfscan.core.records import Board, Camera, Pose
from surfscan.synth import board_light
from surfscan.synth.panels import Panel
from surfscan.synth.rays import mirror_hits, project

ROOT = Path(__file__).parents[2]
JOBS = {path.parent.name: path.parent for path in sorted((ROOT / "fixtures/jobs").glob("*/truth.json"))}
JOBS.pop("corner")  # a curved panel: tests/truth/test_corner.py holds it
JOBS["demo"] = ROOT / "surfscan/data/demo"
ROUND = ("crown", "clean-crown", "demo", "crossed", "sweep")
FLAT = [name for name in JOBS if name not in (*ROUND, "dots", "lamp", "satin")]


def sheet_of(name: str) -> dict[str, Any]:
    return tomllib.loads((JOBS[name] / "panel.toml").read_text(encoding="utf-8"))


def tags_in(picture: np.ndarray) -> dict[int, np.ndarray]:
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    corners, ids, _ = detector.detectMarkers(picture)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 1e-3)
    found = {}
    for tag, square in zip([] if ids is None else ids.ravel().tolist(), corners, strict=True):
        if tag in range(4):  # a lattice of dots may look like some other tag
            fine = cv2.cornerSubPix(picture, square.reshape(-1, 1, 2).copy(), (4, 4), (-1, -1), stop)
            found[tag] = fine.reshape(4, 2).astype(float)
    return found


def tag_corners(sheet: dict[str, Any], tag: int) -> np.ndarray:
    (x, y), half = sheet["tags"]["centres_mm"][str(tag)], sheet["tags"]["side_mm"] / 2
    turn = [(-half, half), (half, half), (half, -half), (-half, -half)]
    return np.array([[x + dx, y + dy, 0.0] for dx, dy in turn])


@pytest.mark.parametrize("name", JOBS)
def test_tags_lie_where_the_sheet_says(name: str) -> None:
    sheet = sheet_of(name)
    focal = sheet["camera"]["focal_px"]
    for photo in sheet["photo"]:
        picture = cv2.imread(str(JOBS[name] / photo["file"]), cv2.IMREAD_GRAYSCALE)
        found = tags_in(picture)
        assert sorted(found) == ([0, 1, 3] if name == "covered-tag" else [0, 1, 2, 3]), photo["file"]
        if name in ROUND:
            continue  # tags on a crown lean; a planar pose would be the wrong model
        camera = Camera(focal, ((picture.shape[1] - 1) / 2, (picture.shape[0] - 1) / 2))
        known = np.concatenate([tag_corners(sheet, tag) for tag in found])
        seen = np.concatenate(list(found.values()))
        _, turn, shift = cv2.solvePnP(known, seen, camera.matrix, None, flags=cv2.SOLVEPNP_IPPE)
        pose = Pose(cv2.Rodrigues(turn)[0], shift.ravel(), np.zeros((6, 6)), 0.0)
        # corners of a noisy 1600 x 1200 photo are good to some tenths of a pixel; a wrong focal length by 3 %
        # or a swapped pair of tags gives several
        assert np.sqrt(np.mean((project(known, camera, pose) - seen) ** 2)) < 0.5


@pytest.mark.parametrize("name", FLAT)
def test_stripes_lie_where_a_plane_mirror_puts_them(name: str) -> None:
    sheet, truth = sheet_of(name), np.load(JOBS[name] / "truth.npz")
    b = sheet["board"]
    for photo in sheet["photo"]:
        picture = cv2.imread(str(JOBS[name] / photo["file"]), cv2.IMREAD_GRAYSCALE)
        found = tags_in(picture)
        camera = Camera(sheet["camera"]["focal_px"], ((picture.shape[1] - 1) / 2, (picture.shape[0] - 1) / 2))
        known = np.concatenate([tag_corners(sheet, tag) for tag in found])
        seen = np.concatenate(list(found.values()))
        _, turn, shift = cv2.solvePnP(known, seen, camera.matrix, None, flags=cv2.SOLVEPNP_IPPE)
        pose = Pose(cv2.Rodrigues(turn)[0], shift.ravel(), np.zeros((6, 6)), 0.0)
        period = photo.get("period_mm", b["period_mm"])
        board = Board(
            np.array(b["centre_mm"]), np.array(b["across"]), np.array(b["up"]), tuple(b["size_mm"]), period
        )
        x, y = np.meshgrid(truth["x_mm"], truth["y_mm"])
        p = np.gradient(truth["deviation_mm"], 2.0, axis=1)
        q = np.gradient(truth["deviation_mm"], 2.0, axis=0)
        (w, h), margin = sheet["panel"]["size_mm"], 55
        calm = (np.hypot(p, q) < 4e-4) & (np.abs(x) < w / 2 - margin) & (np.abs(y) < h / 2 - margin)
        assert calm.mean() > 0.2
        places = np.stack([x[calm], y[calm], 0 * x[calm]], -1)
        pixels = project(places, camera, pose)
        hits = mirror_hits(Panel((w, h)), camera, pose, board, pixels[:, 0], pixels[:, 1])
        s = (
            hits.a_mm + b["size_mm"][0] / 2
            if photo["varies"] == "across"
            else hits.b_mm + b["size_mm"][1] / 2
        )
        want = board_light.stripes(s, period_mm=period, phase_deg=photo.get("phase_deg", 0.0))
        have = map_coordinates(picture.astype(float), pixels[:, ::-1].T, order=1)
        # A square wave and its cosine correlate to 2 sqrt(2)/pi = 0.90. Slopes up to 0.4 mrad move a stripe
        # by up to 0.8 mm of 24, and the pose's tenths of a pixel do likewise; noise takes the rest.
        # Stripes off by an eighth of a period would leave 0.90 cos(45 deg) = 0.64.
        assert np.corrcoef(want, have)[0, 1] > 0.75, photo["file"]


@pytest.mark.parametrize("name", JOBS)
def test_made_spots_are_in_the_known_surface(name: str) -> None:
    truth = np.load(JOBS[name] / "truth.npz")
    x, y = np.meshgrid(truth["x_mm"], truth["y_mm"])
    spots = json.loads((JOBS[name] / "truth.json").read_text())["spots"]
    assert bool(spots) != name.startswith("clean")
    for spot in spots:
        near = np.hypot(x - spot["x_mm"], y - spot["y_mm"]) < (0.6 if spot.get("ring") else 0.2) * spot["w"]
        sign = -1 if spot["kind"] == "low" else 1
        # the faint waves under each spot are up to three times their amplitude
        slack = {"deep": 0.009, "lamp": 0.009, "demo": 0.0045, "stepped": 0.0012}.get(name, 0.0036)
        assert (sign * truth["deviation_mm"][near]).max() == pytest.approx(
            spot["depth_mm"], abs=slack + 0.001
        )
