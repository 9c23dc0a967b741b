"""A lens from photos of a flat board: least squares over all corners, and whether the photos can fix it at all.

Zhang 2000 (doi 10.1109/34.888718) as in OpenCV's ``calibrateCameraExtended``, with one focal length for both
directions. How many coefficients of distortion the lens needs is told by photos that were left out of the fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array
from surfscan.optics.lens_models import MODELS, Choice, Sighting, choose_model

__all__ = ["FEWEST_PHOTOS", "LensSolution", "Sighting", "coverage_zones", "fit_lens", "next_shot"]

FEWEST_CORNERS = 12
"""Corners that a photo must show to take part."""

FEWEST_PHOTOS = 5
"""Photos that must be left: below that, the parameters' own spread can't be told."""

WORST_RATIO = 3.0
"""A photo whose error is this many times the median's is rejected."""

WORST_LEAST_PX = 0.5
"""... but none better than this, per 1600 pixels of width."""

TILTED_DEG = 12.0
"""A board turned by this much out of the picture's plane shows the focal length."""

FEWEST_TILTED = 2
"""Photos that must do so."""

FOCAL_SD_REL = 0.01
"""Largest relative standard deviation of the focal length that is worth a lens file."""

REACH = 0.6
"""How far out towards a corner of the picture the board must have come, as a share of the way from its middle."""

FEWEST_REACHED = 2
"""Corners of the picture towards which it must have."""

MOST_RMS_PX = 1.0
"""Largest reprojection error, per 1600 pixels of width: sharp corners are good to 0.1 to 0.4 px."""

ZONES = (4, 4)
"""Columns and rows of the coverage picture."""

FEWEST_IN_ZONE = 3
"""Corners that make a zone covered."""

_ZONE_ROWS = ("top", "upper middle", "lower middle", "bottom")
_ZONE_COLUMNS = ("left", "centre left", "centre right", "right")


@dataclass(frozen=True, slots=True)
class LensSolution:
    """A calibration.

    Attributes
    ----------
    size_px : (int, int)
    focal_px, centre_px, distortion
        One focal length; five or eight coefficients in OpenCV's order.
    focal_sd_px, centre_sd_px, distortion_sd
        Standard deviations.
    rms_px : float
        Root mean square reprojection error over all corners used.
    used : tuple of (file, rms_px, tilt_deg)
    rejected : tuple of (file, reason)
    zones : ndarray (rows, columns), int
        Corners seen in each part of the picture.
    places_px : ndarray (N, 2)
        All corners used.
    errors_px : ndarray (N,)
        Their reprojection errors.
    model : str
        Which distortion was chosen, in words.
    """

    size_px: tuple[int, int]
    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, ...]
    focal_sd_px: float
    centre_sd_px: tuple[float, float]
    distortion_sd: tuple[float, ...]
    rms_px: float
    used: tuple[tuple[str, float, float], ...]
    rejected: tuple[tuple[str, str], ...]
    zones: Array
    places_px: Array
    errors_px: Array
    model: str = ""


def coverage_zones(places_px: Array, size_px: tuple[int, int]) -> Array:
    """Count places in each of `ZONES` parts of the picture, (rows, columns) int."""
    columns, rows = ZONES
    width, height = size_px
    counts, _, _ = np.histogram2d(
        places_px[:, 1],
        places_px[:, 0],
        bins=(rows, columns),
        range=((-0.5, height - 0.5), (-0.5, width - 0.5)),
    )
    return counts.astype(int)


def next_shot(zones: Array) -> str:
    """One sentence that says where the board should be next, from the coverage."""
    bare = np.argwhere(zones < FEWEST_IN_ZONE)
    if len(bare) == 0:
        return "The whole picture was covered; nothing more is needed."
    rows, columns = zones.shape
    # The corners of the picture first: distortion is largest there.
    far = np.abs(bare - [(rows - 1) / 2, (columns - 1) / 2]).sum(1)
    row, column = bare[int(np.argmax(far))]
    where = f"{_ZONE_ROWS[row]} {_ZONE_COLUMNS[column]}"
    more = f" ({len(bare)} of {zones.size} parts have too few corners)" if len(bare) > 1 else ""
    return f"Shoot next with the board in the {where} of the picture, tilted{more}."


def fit_lens(
    sightings: list[Sighting], size_px: tuple[int, int], *, rejected: tuple[tuple[str, str], ...] = ()
) -> LensSolution:
    """Calibrate a lens.

    Parameters
    ----------
    sightings : list of Sighting
        Photos of one size.
    size_px : (width, height)
    rejected : tuple of (file, reason)
        Photos that were left out before.

    Returns
    -------
    LensSolution

    Raises
    ------
    RefusedError
        When the photos can't fix the lens: too few, all facing the board, or its corners bare.
    """
    lost = list(rejected)
    good = []
    for one in sightings:
        if len(one.points_mm) < FEWEST_CORNERS:
            what = (
                "no board found"
                if len(one.points_mm) == 0
                else f"only {len(one.points_mm)} corners of the board"
            )
            lost.append((one.file, what))
        elif _in_line(one.points_mm):
            lost.append((one.file, "the corners seen lie in one line"))
        else:
            good.append(one)
    _enough(good, lost)
    limit = WORST_LEAST_PX * max(1.0, size_px[0] / 1600)
    while True:
        choice = choose_model(good, size_px)
        found = choice.found
        each = found.each
        worst = int(np.argmax(each))
        others = np.delete(each, worst)
        if len(good) <= FEWEST_PHOTOS or each[worst] < max(limit, WORST_RATIO * float(np.median(others))):
            break
        lost.append(
            (
                good[worst].file,
                f"its corners are {each[worst]:.2f} px off where the others are {float(np.median(others)):.2f}: "
                "shaken, out of focus, or the board bent",
            )
        )
        good = [one for k, one in enumerate(good) if k != worst]
    most = MOST_RMS_PX * max(1.0, size_px[0] / 1600)
    if found.rms > most:
        raise RefusedError(
            "no model of a lens fits these photos",
            found=f"{found.rms:.2f} px rms by {choice.model.words}, the best of {len(MODELS)}",
            allowed=f"{most:.1f} px",
            cure="glue the board onto something flat, keep the phone still, and not its widest camera",
        )
    return _judge(good, size_px, choice, tuple(lost))


def _in_line(points: Array) -> bool:
    flat = points[:, :2] - points[:, :2].mean(0)
    spread = np.linalg.svd(flat, compute_uv=False)
    return bool(spread[1] < 0.05 * spread[0])


def _enough(good: list[Sighting], lost: list[tuple[str, str]]) -> None:
    if len(good) >= FEWEST_PHOTOS:
        return
    raise RefusedError(
        "too few photos show the board",
        found=f"{len(good)} usable" + "".join(f"; {file}: {why}" for file, why in lost[:6]),
        allowed=f"at least {FEWEST_PHOTOS}, better 10 to 15",
        cure="photograph the flat board from many sides, sharp, filling different parts of the picture",
    )


def _reached(places: Array, size: tuple[int, int]) -> int:
    """Towards how many of the picture's corners the board came at least `REACH` of the way."""
    half = (np.array(size) - 1) / 2
    away = (places - half) / half
    return sum(
        bool(np.any((away[:, 0] * x > 0) & (away[:, 1] * y > 0) & (np.hypot(*away.T) > REACH * np.sqrt(2))))
        for x in (-1, 1)
        for y in (-1, 1)
    )


def _judge(
    good: list[Sighting], size: tuple[int, int], choice: Choice, lost: tuple[tuple[str, str], ...]
) -> LensSolution:
    found = choice.found
    matrix, bent, turns, shifts = found.matrix, found.bent, found.turns, found.shifts
    tilts, errors = [], []
    for one, turn, shift in zip(good, turns, shifts, strict=True):
        rotation = cv2.Rodrigues(turn)[0]
        facing = abs(
            float(rotation[2, 2])
        )  # a board square to the axis tells no focal length, wherever it is
        tilts.append(float(np.degrees(np.arccos(min(facing, 1.0)))))
        seen = cv2.projectPoints(one.points_mm.astype(np.float64), turn, shift, matrix, bent)[0].reshape(
            -1, 2
        )
        errors.append(np.linalg.norm(seen - one.places_px, axis=1))
    places = np.concatenate([one.places_px for one in good])
    zones = coverage_zones(places, size)
    if sum(t > TILTED_DEG for t in tilts) < FEWEST_TILTED:
        raise RefusedError(
            "the photos all face the board, which leaves the focal length open",
            found=f"tilts of {min(tilts):.0f} to {max(tilts):.0f} degrees",
            allowed=f"at least {FEWEST_TILTED} photos over {TILTED_DEG:g} degrees, better most of them 20 to 45",
            cure="photograph the board from the side, from above and from below, and turn the phone too",
        )
    reached = _reached(places, size)
    if reached < FEWEST_REACHED:
        raise RefusedError(
            "the board never came near the corners of the picture, which leaves the distortion open",
            found=f"near {reached} of the picture's 4 corners",
            allowed=f"{100 * REACH:.0f} % of the way out to at least {FEWEST_REACHED} of them, better all four",
            cure=next_shot(zones),
        )
    focal = float(matrix[0, 0])
    focal_sd = choice.focal_sd_px
    if not np.isfinite(focal) or focal_sd > FOCAL_SD_REL * focal:
        raise RefusedError(
            "the photos leave the focal length open",
            found=f"{focal:.0f} px with a standard deviation of {focal_sd:.0f}",
            allowed=f"{100 * FOCAL_SD_REL:g} %",
            cure="add photos closer to the board and more from the side",
        )
    return LensSolution(
        size_px=size,
        focal_px=focal,
        centre_px=(float(matrix[0, 2]), float(matrix[1, 2])),
        distortion=tuple(float(v) for v in bent),
        focal_sd_px=focal_sd,
        centre_sd_px=(float(found.spread[2]), float(found.spread[3])),
        distortion_sd=tuple(float(v) for v in found.spread[4 : 4 + bent.size]),
        rms_px=found.rms,
        used=tuple((one.file, float(e), t) for one, e, t in zip(good, found.each, tilts, strict=True)),
        rejected=lost,
        zones=zones,
        places_px=places,
        errors_px=np.concatenate(errors),
        model=choice.model.words,
    )
