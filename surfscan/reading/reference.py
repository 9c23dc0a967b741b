"""What a flat glass in the panel's place found out about the set-up, and the panel's reading with it.

The glass is fitted in `reference_fit`; here its findings go into cameras and tags, what it leaves over is taken off a
reading as a map, and the budget learns what the set-up's errors do to the glass.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.core.flags import bit
from surfscan.core.reading import Reading, View
from surfscan.core.records import Array, Board, Camera, Grid
from surfscan.core.robust import masked_mean
from surfscan.optics.mirror import hit_board
from surfscan.optics.pose import PoseFit, pose_from_tags
from surfscan.reading.propagation import Few
from surfscan.reading.station import Station
from surfscan.surface.integrate import integrate_slopes

__all__ = ["Null", "changed_camera", "null_few", "restand", "shifted", "take_off"]


@dataclass(frozen=True, slots=True)
class Null:
    """What a reference found.

    Attributes
    ----------
    board : Board
        As fitted, with its bulge.
    lens : tuple of five floats
        Change of (k1, k2), relative change of the focal length, shift of the optical axis in shares of the width.
    tag_shift_mm : dict of int to ndarray (2,)
    thickness_mm : float
        Of the glass: its face over the plane of the tags.
    grid : Grid
        Of the reference.
    rest_p, rest_q : ndarray (H, W)
        Slopes that the fitted set-up leaves on the reference, smoothed; NaN where it was not read.
    noise_mm : float
        What the reference's own noise adds to a height.
    before_mrad, after_mrad : float
        Root mean square slope of the reference's map before and after the fit.
    views, fits
        The reference's photos, one per direction.
    """

    board: Board
    lens: tuple[float, float, float, float, float]
    tag_shift_mm: dict[int, Array]
    thickness_mm: float
    grid: Grid
    rest_p: Array
    rest_q: Array
    noise_mm: float
    before_mrad: float
    after_mrad: float
    views: tuple[View, View]
    fits: tuple[PoseFit, PoseFit]


def shifted(station: Station, up_mm: float) -> Station:
    """The station in a frame whose z = 0 lies `up_mm` over the tags' plane."""
    pose = station.fit.pose
    moved = replace(pose, shift_mm=pose.shift_mm + pose.rotation[:, 2] * up_mm)
    return replace(station, fit=replace(station.fit, pose=moved))


def restand(
    station: Station, null: Null, *, centres_mm: dict[int, tuple[float, float]], side_mm: float
) -> Station:
    """A photo's station again, with the lens and the tag places that the reference found."""
    camera = changed_camera(station.camera, null.lens, station.photo.image.shape[1])
    centres = {
        k: (c[0] + float(null.tag_shift_mm[k][0]), c[1] + float(null.tag_shift_mm[k][1]))
        if k in null.tag_shift_mm
        else c
        for k, c in centres_mm.items()
    }
    fit = pose_from_tags(
        list(station.tags),
        centres_mm=centres,
        side_mm=side_mm,
        camera=camera,
        file=station.photo.file,
        width_px=station.photo.image.shape[1],
    )
    return replace(station, camera=camera, fit=fit)


def changed_camera(camera: Camera, lens: tuple[float, ...], width: int) -> Camera:
    """A camera after the changes of `Null.lens`; `width` is its photos' in pixels."""
    dk1, dk2, longer, right, down = lens
    k1, k2, *rest = camera.distortion
    return replace(
        camera,
        focal_px=camera.focal_px * (1 + longer),
        centre_px=(camera.centre_px[0] + right * width, camera.centre_px[1] + down * width),
        distortion=(k1 + dk1, k2 + dk2, *rest),
    )


def take_off(reading: Reading, null: Null) -> Reading:
    """The reading less what is left on the reference; what that does not cover is not measured.

    Parameters
    ----------
    reading : Reading
        Of the panel, with the set-up that the reference found.
    null : Null

    Returns
    -------
    Reading
    """
    grid, other = reading.grid, null.grid
    column = ((grid.x_mm - other.x_mm[0]) / other.step_mm).astype(np.float32)
    row = ((grid.y_mm - other.y_mm[0]) / other.step_mm).astype(np.float32)
    place = np.meshgrid(column, row)
    known = np.isfinite(null.rest_p)
    # Dust on the glass and rounding at its rim are bridged over half a stripe; a larger gap stays one.
    reach = max(1, round(0.5 * float(np.max(reading.period_mm)) / other.step_mm))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    closed = cv2.morphologyEx(np.pad(known.astype(np.uint8), reach), cv2.MORPH_CLOSE, kernel)
    closed = closed[reach:-reach, reach:-reach]
    covered = cv2.remap(closed, place[0], place[1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE) > 0
    slopes = []
    for rest in (null.rest_p, null.rest_q):
        carried, _ = masked_mean(rest, known, float(reach))
        whole = np.where(known, rest, carried).astype(np.float32)
        slopes.append(
            cv2.remap(whole, place[0], place[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(
                float
            )
        )
    measured = np.isfinite(reading.height_mm)
    kept = measured & covered
    flags = reading.flags | np.where(measured & ~covered, bit("no_reference"), 0).astype(np.int32)
    change, _ = integrate_slopes(slopes[0], slopes[1], step_mm=grid.step_mm, tolerance=1e-5)
    level = float(np.mean(change[kept])) if kept.any() else 0.0
    return replace(
        reading,
        height_mm=np.where(kept, reading.height_mm - (change - level), np.nan),
        p=np.where(kept, reading.p - slopes[0], np.nan),
        q=np.where(kept, reading.q - slopes[1], np.nan),
        flags=flags,
    )


def null_few(few: Few, null: Null, board: Board) -> Few:
    """The reference's glass on the cells of a thinned reading, for what the set-up's errors make of it."""
    zero = np.zeros(few.x.shape)
    height = np.full(few.x.shape, null.thickness_mm)
    wanted = []
    for view in null.views:
        hit = hit_board(few.x, few.y, height, zero, zero, camera_mm=view.camera_mm, board=board)
        wanted.append(hit.place(view.varies))
    return replace(
        few,
        z=height,
        p=zero,
        q=zero,
        wanted=(wanted[0], wanted[1]),
        varies=(null.views[0].varies, null.views[1].varies),
        poses=(null.views[0].pose, null.views[1].pose),
    )
