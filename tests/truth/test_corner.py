"""A corner of 300 mm radius over 50 degrees, swept with a small board: fixtures/jobs/corner."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from finished import finished

JOB = Path(__file__).parents[2] / "fixtures" / "jobs" / "corner"


@cache
def truth() -> dict[str, Any]:
    return dict(json.loads((JOB / "truth.json").read_text()))


def test_peaks_stand_on_the_panels_normals() -> None:
    """Aim of the project: max(5 um, 5 %); places, as distances along the surface, within 1 mm."""
    result = finished("corner")
    assert len(result.spots) == len(truth()["spots"])
    for spot in truth()["spots"]:
        near = min(result.spots, key=lambda s: float(np.hypot(s.x_mm - spot["x_mm"], s.y_mm - spot["y_mm"])))
        off = abs(near.peak_mm - spot["peak_mm"])
        assert off <= max(0.005, 0.05 * abs(spot["peak_mm"]))
        assert off <= 1.5 * near.u95_mm <= 0.01  # one in twenty may lie outside the interval itself
        assert np.hypot(near.x_mm - spot["x_mm"], near.y_mm - spot["y_mm"]) < 1.0


def test_the_whole_bend_is_seen() -> None:
    result = finished("corner")
    assert result.coverage > 0.97
    assert result.details["sweep"]["left_out"] == []
    told = result.details["curved"]
    assert abs(told["radius_mm"] - truth()["radius_mm"]) < 3
    between = max(x for x, _ in truth()["tags"].values()) - min(x for x, _ in truth()["tags"].values())
    assert abs(told["bend_deg"] - np.degrees(between / truth()["radius_mm"])) < 0.5


def test_distances_run_along_the_surface() -> None:
    """Tags where they were glued: 0.4 mm in 130 is what tags of 21 mm tell of the scale (0.1 mm of their side)."""
    found = finished("corner").details["curved"]["tags_mm"]
    for tag, place in truth()["tags"].items():
        assert np.hypot(found[tag][0] - place[0], found[tag][1] - place[1]) < 0.6
        assert abs(found[tag][2]) < 0.15


def test_the_picture_shows_places_where_they_are() -> None:
    """The tags' middles as the overlay draws them, against where OpenCV finds the tags in the photo."""
    result = finished("corner")
    image = cv2.imread(str(JOB / "photo-01.jpg"), cv2.IMREAD_GRAYSCALE)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(image)
    assert ids is not None
    assert len(ids) >= 4
    for tag, found in zip(ids.ravel(), corners, strict=True):
        drawn = result.project(np.array([result.details["curved"]["tags_mm"][str(tag)]]))[0]
        a, b, c, d = found[0].astype(float)
        t = np.linalg.solve(np.column_stack([c - a, b - d]), b - a)[0]
        assert np.linalg.norm(drawn - (a + t * (c - a))) < 2.0
