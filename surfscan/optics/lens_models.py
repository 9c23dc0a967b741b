"""Which distortion a lens needs: fitted by OpenCV, chosen by photos that were left out of the fit.

Brown's k1, k2 (and k3) and the rational k4 to k6, as in OpenCV's ``calibrateCamera``; p1 and p2 always take part.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array

__all__ = ["MODELS", "Choice", "LensModel", "Sighting", "choose_model"]

FOLDS = 4
"""Each photo is left out once, in this many rounds."""

BETTER = 0.97
"""A richer model must predict left-out corners this much better than the next simpler one, as a share."""

RIVAL = 1.1
"""A model whose left-out error is within this factor of the best has a say in the focal length's spread."""

CHANCE = 2.0
"""Standard deviations of the difference of two nested models that chance explains (Hausman 1978, from memory: its
variance is the difference of their variances)."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """The board in one photo: points (N, 3) in mm on it and their places (N, 2) in pixels."""

    file: str
    points_mm: Array
    places_px: Array


@dataclass(frozen=True, slots=True)
class LensModel:
    """A distortion: its words, OpenCV's flags and how many coefficients it writes."""

    words: str
    flags: int
    count: int


MODELS = (
    LensModel("k1 and k2", cv2.CALIB_FIX_K3, 5),
    LensModel("k1 to k3", 0, 5),
    LensModel("the rational model, k1 to k6", cv2.CALIB_RATIONAL_MODEL, 8),
)
"""From the simplest to the richest."""


@dataclass(frozen=True, slots=True)
class _Found:
    """One fit: turns and shifts (N, 3), spread in OpenCV's order, rms of each photo."""

    rms: float
    matrix: Array
    bent: Array
    turns: Array
    shifts: Array
    spread: Array
    each: Array

    @property
    def focal(self) -> float:
        return float(self.matrix[0, 0])

    @property
    def focal_sd(self) -> float:
        # With one ratio held, OpenCV gives the spread of the focal length with the second of the two.
        return float(max(self.spread[0], self.spread[1]))


@dataclass(frozen=True, slots=True)
class Choice:
    """A model, its fit to all photos, and the focal length's standard deviation with what the models differ by."""

    model: LensModel
    found: _Found
    focal_sd_px: float


def choose_model(good: list[Sighting], size: tuple[int, int]) -> Choice:
    """Fit every model, and take the simplest that predicts photos it has not seen about as well as the best.

    Parameters
    ----------
    good : list of Sighting
    size : (width, height)

    Returns
    -------
    Choice

    Raises
    ------
    RefusedError
        When not even the simplest can be fitted.
    """
    fits, misses, moved = [], [], []
    for model in MODELS:
        try:
            fits.append(_solve(good, size, model))
        except RefusedError:
            if not fits:
                raise
            break
        miss, spread = _left_out(good, size, model)
        misses.append(miss)
        moved.append(spread)
    best = 0
    for k in range(1, len(fits)):
        if misses[k] < BETTER * misses[best]:
            best = k
    chosen, least = fits[best], min(misses)
    variance = max(chosen.focal_sd, moved[best]) ** 2
    for k, (other, miss) in enumerate(zip(fits, misses, strict=True)):
        if k != best and miss <= RIVAL * least:
            chance = CHANCE**2 * abs(other.focal_sd**2 - chosen.focal_sd**2)
            gap = (other.focal - chosen.focal) ** 2
            variance = max(variance, max(chosen.focal_sd, moved[best]) ** 2 + max(0.0, gap - chance))
    return Choice(MODELS[best], chosen, float(np.sqrt(variance)))


def _left_out(good: list[Sighting], size: tuple[int, int], model: LensModel) -> tuple[float, float]:
    """Rms error, pixels, in photos that did not take part in the fit, and the focal length's jackknife spread.

    The spread by groups of photos (Quenouille 1956, from memory) holds what corners of one photo are wrong in alike.
    """
    folds = min(FOLDS, len(good))
    total, count, focals = 0.0, 0, []
    for fold in range(folds):
        rest = [one for k, one in enumerate(good) if k % folds != fold]
        try:
            found = _solve(rest, size, model)
        except RefusedError:
            return float("inf"), 0.0
        focals.append(found.focal)
        for one in good[fold::folds]:
            miss = _miss(one, found)
            total, count = total + float(np.sum(miss**2)), count + len(one.points_mm)
    spread = np.sqrt((folds - 1) / folds * np.sum((np.array(focals) - np.mean(focals)) ** 2))
    return float(np.sqrt(total / max(count, 1))), float(spread)


def _miss(one: Sighting, found: _Found) -> Array:
    points, places = one.points_mm.astype(float), one.places_px.astype(float)
    ok, turn, shift = cv2.solvePnP(points, places, found.matrix, found.bent)
    if not ok:
        return np.full(places.shape, float(np.ptp(places)))
    seen = cv2.projectPoints(points, turn, shift, found.matrix, found.bent)[0].reshape(-1, 2)
    return np.asarray(np.nan_to_num(seen - places, nan=1e3, posinf=1e3, neginf=-1e3))


def _solve(good: list[Sighting], size: tuple[int, int], model: LensModel) -> _Found:
    points = [one.points_mm.astype(np.float32) for one in good]
    places = [one.places_px.astype(np.float32) for one in good]
    focal = 0.9 * max(size)
    start = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1]])
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO | model.flags
    try:
        rms, matrix, bent, turns, shifts, spread, _, each = cv2.calibrateCameraExtended(
            points, places, size, start, np.zeros(model.count), flags=flags
        )
    except cv2.error:
        raise RefusedError(
            "the photos do not fit one lens",
            cure="use photos of one camera and setting (no zoom), of one flat board",
            found="corners that no lens model puts together",
            allowed="photos through one lens, of one flat board",
        ) from None
    if not (np.isfinite(matrix).all() and np.isfinite(bent).all()):
        raise RefusedError(
            "the photos do not fit one lens",
            cure="use photos of one camera and setting (no zoom), of one flat board",
            found="corners that no lens model puts together",
            allowed="photos through one lens, of one flat board",
        )
    coefficients = np.zeros(model.count)
    got = np.ravel(bent)[: model.count]
    coefficients[: got.size] = got
    return _Found(
        float(rms),
        np.asarray(matrix),
        coefficients,
        np.array([np.ravel(t) for t in turns]),
        np.array([np.ravel(t) for t in shifts]),
        np.ravel(spread),
        np.ravel(each),
    )
