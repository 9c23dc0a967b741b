"""How well the set-up is known, and what that makes of each depth.

Each input's effect on every cell comes from `propagation`. The fair part of the panel then says how far off the
set-up can be at all: a board turned by a degree would bend the whole map, and a map that is not bent rules that
out. So the inputs' covariance is brought up to date with what is seen on the fair cells (Gauss-Markov, as in least
squares with prior knowledge: JCGM 102:2011 and Tarantola 2005, chapter 3, from memory), and the best set-up
correction is taken off the map with it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.reading import Reading
from surfscan.core.records import Array
from surfscan.core.robust import robust_spread
from surfscan.core.sums import inner, product
from surfscan.reading.bends import Moves
from surfscan.reading.consistency import Suspicion, question_setup
from surfscan.reading.detail import unresolved
from surfscan.reading.pair import PairCheck, compare_pair
from surfscan.reading.propagation import PHOTO_CORNERS, Few, Inputs, effects, followed, sources, thin
from surfscan.reading.reference import Null, null_few
from surfscan.reading.setup import SetUp
from surfscan.surface.form import FairForm, take_form_off

__all__ = [
    "MODEL_STEPPED",
    "MODEL_STRIPES",
    "Budget",
    "Inputs",
    "SetUp",
    "Share",
    "budget_scaled",
    "budget_stripes",
]

MODEL_STRIPES = (0.0003, 0.006)
"""Left out of the model for single photos of stripes or dots: mm, and a share of the depth. Set so that the stated
intervals hold in the coverage study (tests/bench/study_coverage.py)."""

MODEL_STEPPED = (0.0001, 0.006)
"""The same for a stepped series."""

STRETCHED = 0.015
"""Relative standard uncertainty of a depth where one stripe is stretched over the whole window (from simulation:
hollows at 60 to 85 % of the fold-over depth)."""

WAVE_MM = 100.0
"""A fair panel's own waves are taken to be this long: cells closer than that do not count twice."""

SIGNIFICANT = 2.0
"""How many times what waves alone would gain a set-up correction must explain to be taken off."""

WAVE_LEAST_MM = 0.0003
"""Least size of those waves."""


@dataclass(frozen=True, slots=True)
class Share:
    """What one source makes of the deviation.

    Attributes
    ----------
    name : str
        The source, in words.
    cure : str
        What would make it smaller.
    sigma_mm : ndarray (H, W)
        Standard uncertainty of the deviation from this source; 0 where it does nothing.
    """

    name: str
    cure: str
    sigma_mm: Array


@dataclass(frozen=True, slots=True)
class Budget:
    """All sources together.

    Attributes
    ----------
    shares : tuple of Share
    sigma_mm : ndarray (H, W)
        Combined standard uncertainty; NaN where not measured.
    correction_mm : ndarray (H, W)
        What the set-up is found to have added to the deviation; to be taken off.
    u_slope_mrad : float
        Standard uncertainty of a slope in mrad: what both photos disagree by, with the noise.
    suspicion : Suspicion, optional
        The input of the set-up that the photos speak against most, where they could be asked.
    pair : PairCheck, optional
        How far both directions disagree, where each has its own photos.
    """

    shares: tuple[Share, ...]
    sigma_mm: Array
    correction_mm: Array
    u_slope_mrad: float
    suspicion: Suspicion | None = None
    pair: PairCheck | None = None

    def at(self, row: int, column: int) -> list[tuple[str, float, str]]:
        """Sources at one cell as (name, standard uncertainty in mm, cure), largest first."""
        rows = [(s.name, float(s.sigma_mm[row, column]), s.cure) for s in self.shares]
        return sorted(rows, key=lambda r: -r[1])


def budget_stripes(
    reading: Reading,
    fair: FairForm,
    setup: SetUp,
    *,
    model: tuple[float, float] = MODEL_STRIPES,
    moves: Moves | None = None,
) -> Budget:
    """Propagate the set-up's uncertainties of a reading from two directions.

    Parameters
    ----------
    reading : Reading
    fair : FairForm
    setup : SetUp
    model : (mm, share)
        What is left out of the model: a part that is the same everywhere, and one that grows with the depth.
    moves : Moves, optional
        Of the same set-up, when they are known already.

    Returns
    -------
    Budget
    """
    few = thin(reading, fair, list(setup.views), setup.board)
    each, moved = _effects(few, fair, setup, moves)
    mean, covariance = _learn(moved[few.use], few.deviation[few.use], few.step_mm)
    total = _power(moved, covariance)
    alone = {}
    for source in dict.fromkeys(each):
        own = [k for k, other in enumerate(each) if other == source]
        alone[source] = _power(moved[..., own], covariance[np.ix_(own, own)])
    # Sources that the fair part can't tell apart stay correlated: each gets its part of the total.
    part = total / np.maximum(np.sum(list(alone.values()), axis=0), 1e-30)
    shares = [
        Share(name, cure, _spread_out(np.sqrt(power * part), reading))
        for (name, cure), power in alone.items()
    ]
    shares += _own_shares(reading, fair, setup.null, model)
    suspicion = None
    if setup.null is None:  # a reference has cross-checked the set-up already
        suspicion = question_setup(few, setup, moves)
    if suspicion is not None:
        bent = take_form_off(suspicion.effect_mm, fair, x_mm=few.x[0], y_mm=few.y[:, 0], use=few.use)
        size = np.sqrt(suspicion.probability) * np.abs(np.nan_to_num(bent))
        shares.append(
            Share("set-up that may be off", "measure the board's place again", _spread_out(size, reading))
        )
    sigma = np.sqrt(np.sum([s.sigma_mm**2 for s in shares], axis=0))
    correction = _spread_out(product(moved, mean[:, None])[..., 0], reading)
    measured = np.where(np.isfinite(reading.height_mm), sigma, np.nan)
    # Slope of a wave a stripe period long, per mm of height.
    lever = 2 * np.pi / float(np.max(reading.period_mm))
    u_slope = float(np.hypot(reading.closure_mrad, 1e3 * reading.noise_mm * lever))
    pair = compare_pair(reading) if setup.views[0].photo is not setup.views[1].photo else None
    return Budget(tuple(shares), measured, correction, u_slope, suspicion, pair)


def _own_shares(
    reading: Reading, fair: FairForm, null: Null | None, model: tuple[float, float]
) -> list[Share]:
    """What is the reading's own rather than the set-up's."""
    shape = reading.height_mm.shape
    depth = np.nan_to_num(reading.height_mm - fair.form_mm)
    shares = _form_and_noise(reading, fair)
    if null is not None:
        noise = np.broadcast_to(null.noise_mm, shape)
        shares.append(Share("noise of the reference photos", "more light for them, or rest the phone", noise))
    shares += [
        Share(
            "stretched stripes",
            "narrower stripes, or the board closer",
            STRETCHED * _stretched(reading) * np.abs(depth),
        ),
        Share(
            "detail finer than the stripes",
            "narrower stripes, or a stepped series",
            unresolved(reading, reading.height_mm - fair.form_mm),
        ),
        Share(
            "what the model leaves out",
            "nothing in the set-up: lens, pixels, and stripes that are not quite as drawn",
            np.hypot(model[0], model[1] * depth),
        ),
        Share(
            "uneven stripes",
            "an evenly printed, flat board, and nothing moved between the photos",
            np.broadcast_to(reading.uneven_mm, shape),
        ),
    ]
    return shares


def _form_and_noise(reading: Reading, fair: FairForm) -> list[Share]:
    """The two sources that every light has."""
    noise = np.broadcast_to(reading.noise_mm, reading.height_mm.shape)
    larger = "judge a larger region, so that more fair surface surrounds the spots"
    return [
        Share("fair form", larger, fair.sigma_mm),
        Share("noise of the photos", "more light, or rest the phone", noise),
    ]


def _power(moved: Array, covariance: Array) -> Array:
    """Variance (h, w) of effects (h, w, K) whose sizes have this covariance."""
    return np.asarray(np.sum(product(moved, covariance) * moved, -1))


def _effects(
    few: Few, fair: FairForm, setup: SetUp, moves: Moves | None
) -> tuple[list[tuple[str, str]], Array]:
    """What each source's moves do to the deviation, (h, w, K), those of the reference taken off; and their sources."""
    if moves is not None:
        return moves.names, followed(few, moves.heights, fair)
    names: list[tuple[str, str]] = []
    found: list[Array] = []
    for name, cure, maps in _of_sources(few, fair, setup):
        names += [(name, cure)] * maps.shape[-1]
        found.append(maps)
    return names, np.concatenate(found, -1)


def _of_sources(few: Few, fair: FairForm, setup: SetUp) -> Iterator[tuple[str, str, Array]]:
    """The same source by source."""
    views, fits, null = list(setup.views), list(setup.fits), setup.null
    board, inputs, board_fit = setup.board, setup.inputs, setup.board_fit
    if null is None:
        for name, cure, each in sources(views, fits, board, inputs, board_fit, corners=setup.corners):
            if each:
                yield name, cure, effects(few, each, fair)
        return
    glass = null_few(few, null, board)
    tags = sorted(set().union(*(fit.by_tag for fit in [*fits, *null.fits])))
    panel = sources(views, fits, board, inputs, board_fit, tags=tags)
    other = sources(list(null.views), list(null.fits), board, inputs, board_fit, tags=tags)
    for (name, cure, own), (_, _, same) in zip(panel, other, strict=True):
        mine, its = effects(few, own, fair), effects(glass, same, fair)
        if name == PHOTO_CORNERS:  # each photo's own: they do not cancel, they add
            yield name, cure, mine
            yield "tag corners in the reference photos", cure, its
        else:
            yield name, cure, mine - its


def _stretched(reading: Reading) -> Array:
    """1 in and around places where one stripe fills the view, 0 elsewhere."""
    if reading.told is None:
        return np.zeros(reading.height_mm.shape)
    reach = max(1, round(0.7 * float(np.max(reading.period_mm)) / reading.grid.step_mm))
    least = cv2.GaussianBlur(
        np.where(np.isfinite(reading.height_mm), 1 - reading.told, 0.0), (0, 0), 0.3 * reach
    )
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return np.asarray(cv2.dilate(np.clip(2 * least - 0.6, 0, 1), kernel))


def _learn(moved: Array, deviation: Array, step_mm: float) -> tuple[Array, Array]:
    """Mean and covariance of the inputs (in standard uncertainties) given the fair cells.

    Parameters
    ----------
    moved : ndarray (N, K)
        Effect of each input's standard uncertainty on each fair cell, mm.
    deviation : ndarray (N,)
        What was measured there, mm.
    step_mm : float
        Spacing of the cells: neighbours within `WAVE_MM` are one observation, not many.
    """
    count = moved.shape[1]
    if len(deviation) < 10:
        return np.zeros(count), np.eye(count)
    wave = max(float(robust_spread(deviation)), WAVE_LEAST_MM)
    weight = min((step_mm / WAVE_MM) ** 2, 1.0) / wave**2
    clipped = np.clip(deviation, -3 * wave, 3 * wave)
    covariance = np.linalg.inv(np.eye(count) + weight * inner(moved, moved))
    mean = weight * covariance @ inner(moved, clipped[:, None])[:, 0]
    # A correction that explains no more than as many free numbers would explain of mere waves is no correction.
    gained = weight * float(np.sum(clipped**2) - np.sum((clipped - product(moved, mean[:, None])[:, 0]) ** 2))
    free = count - float(np.trace(covariance))
    if gained > SIGNIFICANT * free:
        return mean, covariance
    # Not taken off, so what it would have been stays in the map, and in the uncertainty.
    return np.zeros(count), covariance + np.outer(mean, mean)


def budget_scaled(
    reading: Reading,
    fair: FairForm,
    *,
    shares: tuple[tuple[str, str, float], ...],
    maps: tuple[tuple[str, str, Array], ...] = (),
) -> Budget:
    """Budget of a reading whose set-up enters as shares of the depth.

    Parameters
    ----------
    reading : Reading
    fair : FairForm
    shares : tuple of (name, cure, share)
        Relative standard uncertainties of a depth.
    maps : tuple of (name, cure, ndarray (H, W))
        Standard uncertainties of the height, mm, that do not go with the depth.

    Returns
    -------
    Budget
        Without a set-up correction.
    """
    size = np.abs(np.nan_to_num(reading.height_mm - fair.form_mm))
    shape = reading.height_mm.shape
    rows = [Share(name, cure, share * size) for name, cure, share in shares]
    rows += [Share(name, cure, value) for name, cure, value in maps]
    rows += [
        *_form_and_noise(reading, fair),
        Share("unevenness", "add a photo from another place", np.broadcast_to(reading.uneven_mm, shape)),
    ]
    sigma = np.sqrt(np.sum([np.nan_to_num(row.sigma_mm) ** 2 for row in rows], axis=0))
    u_slope = float(np.nan_to_num(reading.closure_mrad)) + 0.05
    return Budget(
        tuple(rows), np.where(np.isfinite(reading.height_mm), sigma, np.nan), np.zeros(shape), u_slope
    )


def _spread_out(few_map: Array, reading: Reading) -> Array:
    """Back to the reading's grid."""
    h, w = reading.height_mm.shape
    return np.asarray(cv2.resize(few_map, (w, h), interpolation=cv2.INTER_LINEAR))
