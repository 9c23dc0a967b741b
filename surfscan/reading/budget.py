"""How well the set-up is known, and what that makes of each depth.

Law of propagation (JCGM 100:2008, 5.1.2): every input is moved by its standard uncertainty, the slopes that
would then explain the same photos are solved for, integrated, and rid of the form that would follow; what
remains is that input's effect on the deviation at every cell.

The fair part of the panel then says how far off the set-up can be at all: a board turned by a degree would
bend the whole map, and a map that is not bent rules that out. So the inputs' covariance is brought up to date
with what is seen on the fair cells (Gauss-Markov, as in least squares with prior knowledge: JCGM 102:2011 and
Tarantola 2005, chapter 3, from memory), and the best set-up correction is taken off the map with it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.optics.mirror import hit_board
from surfscan.optics.pose import CORNER_NOISE_PX, PoseFit
from surfscan.records import Array, Board, Grid, Pose, Reading, View
from surfscan.surface.form import FairForm, take_form_off
from surfscan.surface.integrate import integrate_slopes
from surfscan.surface.slopes import newton_step

__all__ = ["MODEL_STEPPED", "MODEL_STRIPES", "Budget", "Inputs", "Share", "budget_scaled", "budget_stripes"]

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

CELLS = 2500
"""About how many cells carry the propagation: set-up errors are smooth over the panel."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """Standard uncertainties of the set-up; the sheet's `[uncertainty]` replaces them.

    Defaults are for a tape measure, a printed board and tags laid to a rule (our own estimates, no source).

    Attributes
    ----------
    board_centre_mm : float
        Of each coordinate of the board's middle.
    board_angle_deg : float
        Of the board's turn about each of its axes.
    period_rel : float
        Of the stripe period, as a share.
    focal_rel : float
        Of the focal length, as a share; by where it comes from.
    tag_centre_mm : float
        Of each coordinate of each tag.
    tag_corner_px : float
        Of a tag corner in a photo; the fit's own residual counts when it is worse.
    lamp_mm : float
        Of each coordinate of a lamp's place.
    """

    board_centre_mm: float = 3.0
    board_angle_deg: float = 0.3
    period_rel: float = 0.001
    focal_rel: float = 0.002
    tag_centre_mm: float = 0.3
    tag_corner_px: float = 0.05
    lamp_mm: float = 5.0


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
    """

    shares: tuple[Share, ...]
    sigma_mm: Array
    correction_mm: Array
    u_slope_mrad: float

    def at(self, row: int, column: int) -> list[tuple[str, float, str]]:
        """Sources at one cell as (name, standard uncertainty in mm, cure), largest first."""
        rows = [(s.name, float(s.sigma_mm[row, column]), s.cure) for s in self.shares]
        return sorted(rows, key=lambda r: -r[1])


def budget_stripes(
    reading: Reading,
    fair: FairForm,
    views: list[View],
    fits: list[PoseFit],
    *,
    board: Board,
    inputs: Inputs,
    model: tuple[float, float] = MODEL_STRIPES,
) -> Budget:
    """Propagate the set-up's uncertainties of a reading from two directions.

    Parameters
    ----------
    reading : Reading
    fair : FairForm
    views : list of View
        One per direction.
    fits : list of PoseFit
        Of the same photos.
    board : Board
    inputs : Inputs
    model : (mm, share)
        What is left out of the model: a part that is the same everywhere, and one that grows with the depth.

    Returns
    -------
    Budget
    """
    few = _thin(reading, fair, views, board)
    names: list[str] = []
    cures: list[str] = []
    effects: list[Array] = []
    owner: list[int] = []
    for name, cure, moves in _sources(views, fits, board, inputs):
        for cameras, moved_board, scale in moves:
            effects.append(scale * _effect(few, cameras, moved_board, fair))
            owner.append(len(names))
        names.append(name)
        cures.append(cure)
    moved = np.stack(effects, -1)
    mean, covariance = _learn(moved[few.use], few.deviation[few.use], few.step_mm)
    total = np.einsum("hwj,jk,hwk->hw", moved, covariance, moved)
    alone = [
        np.einsum("hwj,jk,hwk->hw", moved[..., own], covariance[np.ix_(own, own)], moved[..., own])
        for own in (np.flatnonzero(np.array(owner) == k) for k in range(len(names)))
    ]
    # Sources that the fair part can't tell apart stay correlated: each gets its part of the total.
    part = total / np.maximum(np.sum(alone, axis=0), 1e-30)
    shares = [
        Share(name, cure, _spread_out(np.sqrt(power * part), reading))
        for name, cure, power in zip(names, cures, alone, strict=True)
    ]
    shape = reading.height_mm.shape
    shares += [
        Share(
            "fair form", "judge a larger region, so that more fair surface surrounds the spots", fair.sigma_mm
        ),
        Share(
            "noise of the photos", "more light, or rest the phone", np.broadcast_to(reading.noise_mm, shape)
        ),
        Share(
            "stretched stripes",
            "narrower stripes, or the board closer",
            STRETCHED * _stretched(reading) * np.abs(np.nan_to_num(reading.height_mm - fair.form_mm)),
        ),
        Share(
            "what the model leaves out",
            "nothing in the set-up: lens, pixels, and stripes that are not quite as drawn",
            np.hypot(model[0], model[1] * np.nan_to_num(reading.height_mm - fair.form_mm)),
        ),
        Share(
            "uneven stripes",
            "an evenly printed, flat board, and nothing moved between the photos",
            np.broadcast_to(reading.uneven_mm, shape),
        ),
    ]
    sigma = np.sqrt(np.sum([s.sigma_mm**2 for s in shares], axis=0))
    correction = _spread_out(np.einsum("hwj,j->hw", moved, mean), reading)
    measured = np.where(np.isfinite(reading.height_mm), sigma, np.nan)
    lever = (
        2 * np.pi / float(np.max(reading.period_mm))
    )  # slope of a wave a stripe period long, per mm of height
    u_slope = float(np.hypot(reading.closure_mrad, 1e3 * reading.noise_mm * lever))
    return Budget(tuple(shares), measured, correction, u_slope)


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
    wave = max(1.4826 * float(np.median(np.abs(deviation))), WAVE_LEAST_MM)
    weight = min((step_mm / WAVE_MM) ** 2, 1.0) / wave**2
    clipped = np.clip(deviation, -3 * wave, 3 * wave)
    covariance = np.linalg.inv(np.eye(count) + weight * np.einsum("nj,nk->jk", moved, moved))
    mean = weight * covariance @ np.einsum("nj,n->j", moved, clipped)
    # A correction that explains no more than as many free numbers would explain of mere waves is no correction.
    gained = weight * float(np.sum(clipped**2) - np.sum((clipped - moved @ mean) ** 2))
    free = count - float(np.trace(covariance))
    if gained > SIGNIFICANT * free:
        return mean, covariance
    # Not taken off, so what it would have been stays in the map, and in the uncertainty.
    return np.zeros(count), covariance + np.outer(mean, mean)


def budget_scaled(reading: Reading, fair: FairForm, *, shares: tuple[tuple[str, str, float], ...]) -> Budget:
    """Budget of a reading whose set-up enters as shares of the depth.

    Parameters
    ----------
    reading : Reading
    fair : FairForm
    shares : tuple of (name, cure, share)
        Relative standard uncertainties of a depth.

    Returns
    -------
    Budget
        Without a set-up correction.
    """
    size = np.abs(np.nan_to_num(reading.height_mm - fair.form_mm))
    shape = reading.height_mm.shape
    rows = [Share(name, cure, share * size) for name, cure, share in shares]
    rows += [
        Share(
            "fair form", "judge a larger region, so that more fair surface surrounds the spots", fair.sigma_mm
        ),
        Share(
            "noise of the photos", "more light, or rest the phone", np.broadcast_to(reading.noise_mm, shape)
        ),
        Share("unevenness", "add a photo from another place", np.broadcast_to(reading.uneven_mm, shape)),
    ]
    sigma = np.sqrt(np.sum([np.nan_to_num(row.sigma_mm) ** 2 for row in rows], axis=0))
    u_slope = float(np.nan_to_num(reading.closure_mrad)) + 0.05
    return Budget(
        tuple(rows), np.where(np.isfinite(reading.height_mm), sigma, np.nan), np.zeros(shape), u_slope
    )


@dataclass(frozen=True, slots=True)
class _Few:
    """The thinned reading: places, surface, what each photo shows there, and the cells in use."""

    x: Array
    y: Array
    z: Array
    p: Array
    q: Array
    wanted: tuple[Array, Array]
    varies: tuple[str, str]
    use: Array
    deviation: Array
    step_mm: float
    poses: tuple[Pose, Pose]
    period_mm: float


def _thin(reading: Reading, fair: FairForm, views: list[View], board: Board) -> _Few:
    grid: Grid = reading.grid
    skip = max(1, int(np.sqrt(reading.height_mm.size / CELLS)))
    cut = np.s_[skip // 2 :: skip, skip // 2 :: skip]
    x, y = (a[cut] for a in np.meshgrid(grid.x_mm, grid.y_mm))
    z, p, q = reading.height_mm[cut], reading.p[cut], reading.q[cut]
    wanted = []
    for view in views:
        hit = hit_board(x, y, z, p, q, camera_mm=view.pose.centre_mm, board=board)
        wanted.append(hit.across_mm if view.varies == "across" else hit.up_mm)
    measured = np.isfinite(z) & np.isfinite(wanted[0]) & np.isfinite(wanted[1])
    return _Few(
        x=x,
        y=y,
        z=z,
        p=p,
        q=q,
        wanted=(wanted[0], wanted[1]),
        varies=(views[0].varies, views[1].varies),
        use=measured & ~fair.spots[cut],
        deviation=(reading.height_mm - fair.form_mm)[cut],
        step_mm=grid.step_mm * skip,
        poses=(views[0].pose, views[1].pose),
        period_mm=board.period_mm,
    )


_Camera = tuple[Pose, float]
"""A pose, and the focal length's ratio to the one that was used."""

_Move = tuple[list[_Camera], Board, float]


def _sources(
    views: list[View], fits: list[PoseFit], board: Board, inputs: Inputs
) -> Iterator[tuple[str, str, list[_Move]]]:
    """Each source with its moves: cameras, board, and how many of the move make a standard uncertainty."""
    still: list[_Camera] = [(view.pose, 1.0) for view in views]
    pairs = list(zip(fits, views, strict=True))
    yield (
        "board place",
        "measure from the panel's middle to the board's with a laser or a stiff rule",
        [
            (still, replace(board, centre_mm=board.centre_mm + inputs.board_centre_mm * axis), 1.0)
            for axis in np.eye(3)
        ],
    )
    turned: list[_Move] = []
    for axis in (board.across, board.up, board.normal):
        turn = cv2.Rodrigues(axis * np.radians(inputs.board_angle_deg))[0]
        turned.append((still, replace(board, across=turn @ board.across, up=turn @ board.up), 1.0))
    yield "board angle", "measure to both ends of the board, not to its middle only", turned
    yield (
        "stripe period",
        "measure over twenty stripes and divide",
        [(still, replace(board, period_mm=board.period_mm * (1 + inputs.period_rel)), 1.0)],
    )
    longer = 1 + inputs.focal_rel
    yield (
        "focal length",
        "calibrate the lens, or give focal_px instead of a maker's figure",
        [
            (
                [
                    (_moved(v.pose, f.by_focal * inputs.focal_rel * v.camera.focal_px), longer)
                    for f, v in pairs
                ],
                board,
                1.0,
            )
        ],
    )
    tags = sorted(set().union(*(fit.by_tag for fit in fits)))
    yield (
        "tag places",
        "lay the tags to a rule, and measure between their middles",
        [
            (
                [
                    (
                        _moved(v.pose, f.by_tag[tag][:, axis] * inputs.tag_centre_mm)
                        if tag in f.by_tag
                        else v.pose,
                        1.0,
                    )
                    for f, v in pairs
                ],
                board,
                1.0,
            )
            for tag in tags
            for axis in (0, 1)
        ],
    )
    corners: list[_Move] = []
    for k, (fit, view) in enumerate(pairs):
        values, vectors = np.linalg.eigh(fit.pose.covariance)
        for value, vector in zip(values, vectors.T, strict=True):
            cameras = list(still)
            cameras[k] = (_moved(view.pose, vector * np.sqrt(max(value, 0.0))), 1.0)
            corners.append((cameras, board, max(inputs.tag_corner_px / CORNER_NOISE_PX, 1.0)))
    yield "tag corners in the photos", "larger tags, or go closer", corners


def _moved(pose: Pose, change: Array) -> Pose:
    """The pose after a small turn from the left and a shift."""
    turn = cv2.Rodrigues(np.asarray(change[:3], float))[0]
    return replace(pose, rotation=turn @ pose.rotation, shift_mm=pose.shift_mm + change[3:6])


def _effect(few: _Few, cameras: list[_Camera], board: Board, fair: FairForm) -> Array:
    """Change of the deviation, mm, if the set-up were this one and the photos the same."""
    sides = []
    for (pose, longer), old, wanted, varies in zip(cameras, few.poses, few.wanted, few.varies, strict=True):
        hit = hit_board(few.x, few.y, few.z, few.p, few.q, camera_mm=pose.centre_mm, board=board)
        seen = wanted * (board.period_mm / few.period_mm)
        if pose is not old:
            # The same pixel now shows another place of the panel.
            dx, dy = _slide(few, old, pose, longer)
            gy, gx = np.gradient(wanted, few.step_mm)
            seen = seen - (np.nan_to_num(gx) * dx + np.nan_to_num(gy) * dy)
        sides.append((hit, seen, varies))
    dp, dq = newton_step(sides[0], sides[1])
    # The stripe count has a free start, so a constant tilt goes with the tags; the form takes the rest.
    change, _ = integrate_slopes(
        dp - np.nanmean(dp), dq - np.nanmean(dq), step_mm=few.step_mm, tolerance=1e-4
    )
    return np.nan_to_num(take_form_off(change, fair, x_mm=few.x[0], y_mm=few.y[:, 0], use=few.use))


def _slide(few: _Few, old: Pose, new: Pose, longer: float) -> tuple[Array, Array]:
    """How far a pixel's place on the panel moves from the old pose to the new, at its height, mm."""
    points = np.stack([few.x, few.y, few.z], -1)
    seen = points @ old.rotation.T + old.shift_mm
    ray = np.stack([seen[..., 0] / longer, seen[..., 1] / longer, seen[..., 2]], -1) @ new.rotation
    centre = new.centre_mm
    along = (few.z - centre[2]) / ray[..., 2]
    return centre[0] + along * ray[..., 0] - few.x, centre[1] + along * ray[..., 1] - few.y


def _spread_out(few_map: Array, reading: Reading) -> Array:
    """Back to the reading's grid."""
    h, w = reading.height_mm.shape
    return np.asarray(cv2.resize(few_map, (w, h), interpolation=cv2.INTER_LINEAR))
