"""A photo looked at before anything is computed: can it be used, and if not, what cures it.

It reads one photo, says what can be said of it at once, and finds where the panel lies in it, so that a region
can be drawn on the photo.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from surfscan.checking.stations import BLURRED, sharpest, stand
from surfscan.checking.survey import lay_out
from surfscan.core.colour import to_srgb
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.photo_limits import FIGURES, check_figure
from surfscan.core.records import Array, Board, Photo, PhotoCheck
from surfscan.job.photo_quality import check_exposure, edge_blur
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet
from surfscan.job.sheet_tables import PhotoSheet
from surfscan.optics.lens import project, undistort
from surfscan.phase.carrier import Tiles, tile_frequencies
from surfscan.reading.approach import check_stripes, predict_frequency
from surfscan.reading.station import Station

__all__ = ["FirstLook", "look_at", "look_at_photo"]

_SHOWN_PX = 1200  # longest side of the picture shown; drawing on it is good to a photo pixel or two
_CELLS = 360  # of the panel's longer side, when it is looked at from straight above


@dataclass(frozen=True, slots=True)
class FirstLook:
    """What one photo says at first sight.

    Attributes
    ----------
    file, sha256 : str
    size_px : (width, height)
        Upright.
    checks : tuple of PhotoCheck
        The good and the poor.
    picture : ndarray (h, w), uint8
        The photo small, grey, sRGB, upright.
    scale : float
        Pixels of `picture` per pixel of the photo.
    outline_px : ndarray (N, 2) or None
        The panel's rectangle in the photo, column and row; None when it is not known where the panel is.
    station : Station or None
        Camera and place it was taken from.
    """

    file: str
    sha256: str
    size_px: tuple[int, int]
    checks: tuple[PhotoCheck, ...]
    picture: Array
    scale: float
    outline_px: Array | None
    station: Station | None

    @property
    def good(self) -> bool:
        """Whether nothing stands in the way."""
        return all(check.good for check in self.checks)

    @property
    def runs_so(self) -> bool | None:
        """Whether stripes are seen that run the way the sheet says; None where none were looked for.

        A figure is told only of stripes that run this way: good, or too narrow.
        """
        told = [check.value is not None for check in self.checks if check.name == "stripes"]
        return any(told) if told else None

    def to_panel(self, points_px: Array) -> Array:
        """Places (N, 2), mm, on the plane of the tags that photo pixels (N, 2) show; NaN when not known."""
        points = np.asarray(points_px, float).reshape(-1, 2)
        if self.station is None:
            return np.full(points.shape, np.nan)
        pose = self.station.fit.pose
        ideal = undistort(points, camera=self.station.camera)
        ahead = np.column_stack([ideal, np.ones(len(ideal))]) @ pose.rotation
        centre = pose.centre_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            far = np.where(ahead[:, 2] < 0, -centre[2] / ahead[:, 2], np.nan)
        return np.asarray(centre[:2] + far[:, None] * ahead[:, :2])

    def to_photo(self, points_mm: Array) -> Array:
        """Photo pixels (N, 2) of places (N, 2), mm, on the plane of the tags; NaN when not known."""
        points = np.asarray(points_mm, float).reshape(-1, 2)
        if self.station is None:
            return np.full(points.shape, np.nan)
        place = project(
            points[:, 0], points[:, 1], 0.0, camera=self.station.camera, pose=self.station.fit.pose
        )
        return np.stack(place, -1)


def look_at_photo(path: Path | str, file: str, *, sheet: Sheet | None = None, row: int = 0) -> FirstLook:
    """Look at one photo.

    Parameters
    ----------
    path : path
        Where it lies.
    file : str
        Its name for messages.
    sheet : Sheet, optional
        The job's sheet; with it tags, camera place and stripes are looked for.
    row : int
        Which of the sheet's photos it is, from 0.

    Returns
    -------
    FirstLook

    Raises
    ------
    RefusedError
        When it can't be read at all, or shows nothing.
    """
    entry = None if sheet is None else sheet.photos[row]
    photo = read_photo(path, file, encoding="srgb" if entry is None else entry.encoding)
    return look_at(photo, sheet=sheet, row=row)


def look_at(photo: Photo, *, sheet: Sheet | None = None, row: int = 0) -> FirstLook:
    """The same for a photo that was read already."""
    entry = None if sheet is None else sheet.photos[row]
    check_exposure(photo)
    checks: list[PhotoCheck] = []
    station, outline = None, None
    if sheet is not None and entry is not None:
        try:  # one photo is enough to see where its tags lie
            sheet = lay_out(sheet, [photo], setup=False).sheet
        except RefusedError as error:
            checks.append(_failed("tags", error, photo.file))
            sheet = None
        else:
            station = _stand(sheet, photo, entry, checks)
    inside = np.ones(photo.image.shape, bool)
    if station is not None and sheet is not None:
        outline = _outline(sheet, station)
        inside = np.zeros(photo.image.shape, np.uint8)
        cv2.fillPoly(inside, [np.rint(outline).astype(np.int32)], 1)
        inside = inside.astype(bool)
        checks.append(_whole(outline, photo.image.shape))
    if inside.any():
        share = float(photo.saturated[inside].mean())
        checks.append(check_figure("clipping", share, unit="of the panel"))
    checks.append(_sharpness(photo, station))
    if station is not None and sheet is not None and entry is not None:
        checks += _stripes(sheet, photo, entry, station)
    height, width = photo.image.shape
    scale = min(1.0, _SHOWN_PX / max(width, height))
    return FirstLook(
        photo.file,
        photo.sha256,
        (width, height),
        tuple(checks),
        _shown(photo, scale),
        scale,
        outline,
        station,
    )


def _stand(sheet: Sheet, photo: Photo, entry: PhotoSheet, checks: list[PhotoCheck]) -> Station | None:
    if sheet.tags is None and entry.corners_px is None:
        return None
    try:
        station = stand(sheet, photo, entry)
    except RefusedError as error:
        checks.append(_failed("tags" if sheet.tags is not None else "corners", error, photo.file))
        return None
    if sheet.tags is not None:
        found, asked = len(station.tags), len(sheet.tags.centres_mm)
        whole = f"all {asked} tags are found" if found >= asked else f"{found} of {asked} tags are found"
        checks.append(PhotoCheck("tags", float(found), "tags", 3.0, True, whole))
    return station


def _failed(name: str, error: RefusedError | NotMeasuredError, file: str) -> PhotoCheck:
    what = error.what.removeprefix(f"{file}: ").rstrip(".")
    found = f" (found {error.found.rstrip('.')})" if error.found else ""
    return PhotoCheck(name, None, "", 0.0, False, f"{what}{found}", error.cure.rstrip("."))


def _outline(sheet: Sheet, station: Station) -> Array:
    w, h = sheet.panel.extent_mm
    t = np.linspace(-0.5, 0.5, 9)[:-1]
    x = np.concatenate([t * w, np.full(8, w / 2), -t * w, np.full(8, -w / 2)])
    y = np.concatenate([np.full(8, -h / 2), t * h, np.full(8, h / 2), -t * h])
    return np.stack(project(x, y, 0.0, camera=station.camera, pose=station.fit.pose), -1)


def _whole(outline: Array, shape: tuple[int, ...]) -> PhotoCheck:
    inside = (outline >= 0).all(1) & (outline[:, 0] < shape[1]) & (outline[:, 1] < shape[0])
    share, good = float(inside.mean()), bool(inside.all())
    said = "the whole panel is in the photo" if good else "a part of the panel is outside the photo"
    cure = "" if good else "step back, or aim at the panel's middle"
    return PhotoCheck("framing", share, "of the panel's rim", 1.0, good, said, cure)


def _sharpness(photo: Photo, station: Station | None) -> PhotoCheck:
    if station is not None and station.tags:
        blur = edge_blur(photo, list(station.tags))
        worst = float(np.nanmax(blur)) if np.isfinite(blur).any() else np.nan
        return check_figure("sharpness", worst)
    step = sharpest(photo)
    good = step >= BLURRED
    said = "the photo is sharp" if good else "nothing in the photo is sharp"
    cure = "" if good else FIGURES["sharpness"].cure
    return PhotoCheck("sharpness", step, "of the range a px", BLURRED, good, said, cure)


def _stripes(sheet: Sheet, photo: Photo, entry: PhotoSheet, station: Station) -> list[PhotoCheck]:
    """Stripes along the right way and of the right width, by local frequencies on the flat panel."""
    table = sheet.board
    if table is None or table.pattern == "dots" or table.centre_mm is None:
        return []
    crossed = table.pattern == "crossed"
    if entry.varies is None and not crossed:
        return []
    assert table.size_mm is not None  # the sheet's own check, as the next one
    assert table.period_mm is not None
    board = Board(
        np.array(table.centre_mm),
        np.array(table.across),
        np.array(table.up),
        table.size_mm,
        entry.period_mm or table.period_mm,
    )
    w, h = sheet.panel.extent_mm
    step = max(w, h) / _CELLS
    x, y = np.arange(-w / 2 + step / 2, w / 2, step), np.arange(-h / 2 + step / 2, h / 2, step)
    column, row = project(x[None, :], y[:, None], 0.0, camera=station.camera, pose=station.fit.pose)
    shown = np.isfinite(column) & np.isfinite(row)
    shown &= (column >= 0) & (row >= 0) & (column < photo.image.shape[1]) & (row < photo.image.shape[0])
    flat = cv2.remap(
        photo.image, np.nan_to_num(column).astype(np.float32), np.nan_to_num(row).astype(np.float32),
        cv2.INTER_AREA,
    )  # fmt: skip
    eye = station.fit.pose.centre_mm

    def predict(at_x: Array, at_y: Array) -> dict[str, tuple[Array, Array]]:
        flat_panel = np.zeros(3)
        return {
            axis: predict_frequency(at_x, at_y, flat_panel, camera_mm=eye, board=board, varies=axis)
            for axis in ("across", "up")
        }

    periods = []
    for varies in ("across", "up") if crossed else (str(entry.varies),):
        middle = predict(np.zeros(1), np.zeros(1))
        other = "up" if varies == "across" else "across"
        nearer = [(float(fx[0]), float(fy[0])) for fx, fy in (middle[varies], middle[other])]
        tiles = tile_frequencies(
            flat, shown, tile_px=_CELLS // 4, nearer=(nearer[0], nearer[1]) if crossed else None
        )
        if tiles.column.size == 0:
            return []
        tiles = Tiles(tiles.column, tiles.row, tiles.fx / step, tiles.fy / step, tiles.strength)
        predicted = predict(x[0] + tiles.column * step, y[0] + tiles.row * step)
        try:
            check_stripes(tiles, predicted, varies=varies, file=photo.file, crown_known=False)
        except (RefusedError, NotMeasuredError) as error:
            return [_failed("stripes", error, photo.file)]
        clear = tiles.strength > np.median(tiles.strength) / 2
        periods.append(1 / float(np.median(np.hypot(tiles.fx, tiles.fy)[clear])))
    pitch = float(np.median(np.hypot(np.diff(column, axis=1), np.diff(row, axis=1)))) / step
    check = check_figure("stripe width", min(periods) * pitch, name="stripes")
    return [replace(check, sentence="stripes are seen, the right way round") if check.good else check]


def _shown(photo: Photo, scale: float) -> Array:
    size = (max(round(photo.image.shape[1] * scale), 1), max(round(photo.image.shape[0] * scale), 1))
    small = cv2.resize(photo.image, size, interpolation=cv2.INTER_AREA)
    value = to_srgb(small)
    return np.asarray(np.clip(np.rint(255 * value), 0, 255).astype(np.uint8))
