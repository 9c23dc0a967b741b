"""Where the pictures of a job without a scale lie: on the panel, or on the photo's own pixels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.checking.stations import stand
from surfscan.core.reading import View
from surfscan.core.records import Array, Photo
from surfscan.job.sheet import Sheet
from surfscan.job.tags import QUIET_CELLS, cells_across, paper_outline
from surfscan.optics.field import FINE, cut_out, make_grid, mask_region, mask_squares, pixel_pitch, rectify
from surfscan.optics.lens import project
from surfscan.reading.station import Station

__all__ = [
    "LONG_PX",
    "FramedPhoto",
    "PhotoFrame",
    "cell_px",
    "frame_on_panel",
    "frame_on_photo",
    "stand_if_placed",
]

LONG_PX = 640
"""Photos are averaged down to about this before stripes are followed in them: highs and lows are far wider."""

CELLS = 420
"""Cells along the longer side of the picture of highs and lows."""

ALIGNED = 0.03
"""Gain in correlation for which two photos are moved over each other; less means that the camera stood still."""

ALIKE = 0.9
"""Correlation, once stripes are smoothed away, under which two photos do not show the same view."""


@dataclass(frozen=True, slots=True)
class FramedPhoto:
    """One photo as it is read: on the photo's own pixels, or on the panel."""

    image: Array
    usable: Array
    name: str


@dataclass(frozen=True, slots=True)
class PhotoFrame:
    """Where the cells of the picture lie.

    `column_px`, `row_px` (H, W) are their places in the first photo; `lean` is what the slanted view does to slopes.
    """

    column_px: Array
    row_px: Array
    outside: Array
    lean: Array | None
    words: str


def stand_if_placed(sheet: Sheet, photos: list[Photo]) -> list[Station]:
    """Where the photos were taken from, when tags or corners and a focal length tell."""
    table = sheet.camera
    focal = table.focal_px is not None or table.focal_35mm is not None or table.lens_file is not None
    placed = sheet.tags is not None or all(row.corners_px is not None for row in sheet.photos)
    if not placed or not (focal or all(photo.focal_px is not None for photo in photos)):
        return []
    return [stand(sheet, photo, row) for photo, row in zip(photos, sheet.photos, strict=True)]


def frame_on_photo(photos: list[Photo]) -> tuple[PhotoFrame, list[FramedPhoto]]:
    """The photos as they are, moved over the first one where the camera was in the hand."""
    first = photos[0]
    pictures = [FramedPhoto(first.image, ~first.saturated, first.file)]
    for photo in photos[1:]:
        image, usable = photo.image, ~photo.saturated
        if image.shape != first.image.shape:
            pictures.append(FramedPhoto(image, usable & False, photo.file))
            continue
        move, alike = _move_between(first.image, image)
        if move is not None:
            size = first.image.shape[1], first.image.shape[0]
            how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            image = cv2.warpPerspective(image, move, size, flags=how)
            usable = cv2.warpPerspective(usable.astype(np.uint8), move, size, flags=how) > 0
        pictures.append(FramedPhoto(image, usable if alike else usable & False, photo.file))
    step = _step_px(first.image.shape)
    column, row = (np.arange(step // 2, n, step, dtype=float) for n in first.image.shape[::-1])
    at = np.meshgrid(column, row)
    return PhotoFrame(at[0], at[1], np.zeros(at[0].shape, bool), None, "the photo's own pixels"), pictures


def _step_px(shape: tuple[int, ...]) -> int:
    return max(1, round(max(shape) / CELLS))


def _move_between(first: Array, other: Array) -> tuple[Array | None, bool]:
    """Homography from places of the first photo to the other's, None when the camera stood still; and whether
    both show one view. Stripes are smoothed away first: what stays is the panel's outline and its surroundings."""
    factor = max(1, round(max(first.shape) / 400))
    small = [
        cv2.GaussianBlur(
            cv2.resize(v, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA), (0, 0), 10
        )
        for v in (first, other)
    ]
    still = float(np.corrcoef(small[0].ravel(), small[1].ravel())[0, 1])
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 300, 1e-7)
    everywhere = np.full(small[0].shape, 255, np.uint8)
    try:
        moved, warp = cv2.findTransformECC(
            small[0], small[1], np.eye(3, dtype=np.float32), cv2.MOTION_HOMOGRAPHY, criteria, everywhere, 5
        )
    except cv2.error:  # it did not settle
        return None, still > ALIKE
    if moved < still + ALIGNED:
        return None, still > ALIKE
    to_small = np.array([[1 / factor, 0, 0.5 / factor - 0.5], [0, 1 / factor, 0.5 / factor - 0.5], [0, 0, 1]])
    return np.linalg.inv(to_small) @ warp.astype(float) @ to_small, moved > ALIKE


def frame_on_panel(sheet: Sheet, stations: list[Station]) -> tuple[PhotoFrame, list[FramedPhoto]]:
    """The photos laid onto the panel's plane, upper edge on top, each through its own pose."""
    size = sheet.panel.extent_mm
    pitch = min(pixel_pitch(size, camera=s.camera, pose=s.fit.pose) for s in stations)
    step = max(FINE * pitch, max(size) / (LONG_PX / FINE))
    grid = make_grid(size, step)
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    half, turns = 0.0, {}
    if sheet.tags is not None:
        half = sheet.tags.side_mm * (0.5 + QUIET_CELLS / cells_across(sheet.tags.dictionary)) + 1.5
        for station in stations:
            turns.update(station.fit.tag_turn_rad)
    under = mask_squares(grid, sheet.tags.centres_mm, turns, half) if sheet.tags else np.zeros(x.shape, bool)
    region = mask_region(
        grid,
        region_mm=None if sheet.panel.region_mm is None else list(sheet.panel.region_mm),
        leave_out_mm=[list(polygon) for polygon in sheet.panel.leave_out_mm],
        tags=under,
    )
    inside = np.kron(region == 0, np.ones((FINE, FINE), bool))
    pictures = []
    for station in stations:
        grow = 2 * half / sheet.tags.side_mm if sheet.tags is not None else 1.0
        hidden = tuple(paper_outline(tag, grow=grow) for tag in station.tags)
        view = View(station.photo, station.camera, station.fit.pose, "", hidden)
        picture, state = rectify(cut_out(view, grid, reach_mm=0.0), x, y, np.zeros(x.shape))
        good = inside & (state == 0)
        pictures.append(FramedPhoto(picture[::-1], good[::-1], station.photo.file))
    pose = stations[0].fit.pose
    column, row = project(x, y, 0.0, camera=stations[0].camera, pose=pose)
    frame = PhotoFrame(
        column[::-1], row[::-1], (region != 0)[::-1], _lean(x, y, pose.centre_mm)[:, ::-1], "the panel"
    )
    return frame, pictures


def _lean(x: Array, y: Array, camera_mm: Array) -> Array:
    """L of `reading.relative`, in picture axes (rows count down): (columns, mixed, rows)."""
    away = np.stack([camera_mm[0] - x, camera_mm[1] - y, np.broadcast_to(camera_mm[2], x.shape)])
    away /= np.linalg.norm(away, axis=0)
    flat = np.hypot(away[0], away[1])
    hx, hy = away[0] / np.maximum(flat, 1e-9), -away[1] / np.maximum(flat, 1e-9)
    cosine = away[2]
    within = 1 / cosine - cosine
    return np.stack([cosine + within * hx * hx, within * hx * hy, cosine + within * hy * hy])


def cell_px(frame: PhotoFrame) -> float:
    """Photo pixels along a cell, about the middle of the picture."""
    r, c = (n // 2 for n in frame.column_px.shape)
    across = np.hypot(
        frame.column_px[r, c + 1] - frame.column_px[r, c], frame.row_px[r, c + 1] - frame.row_px[r, c]
    )
    return float(across)
