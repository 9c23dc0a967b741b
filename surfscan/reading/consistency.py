"""Whether the photos contradict the set-up that the sheet states.

A board that does not stand where the sheet says leaves two traces. The slopes that the two directions give are then no
slopes of one surface: their curl, zero for every surface whatever its form, is not zero. And the fair surface comes out
bent in a way that no smooth panel needs, but that one wrong number explains. Both are weighed by the evidence of a
linear Gaussian model (MacKay 1992, Bayesian interpolation; from memory): the stated set-up against one in which one
input is off by as much as people are. The panel's own form enters with a roughness that is integrated over, so that a
panel with a twist of its own is no accusation.

Blunders are taken to be of this size (our choice, no source): a place read off a tape wrongly by 40 mm, a lean guessed
by 3 degrees, a period or a focal length off by 5 and 4 %; one set-up in fifty has one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.reading import View
from surfscan.core.records import Board
from surfscan.optics.board_pose import move_board
from surfscan.optics.pose import PoseFit
from surfscan.reading.bends import Moves
from surfscan.reading.propagation import Few, Move, Stand, curl_of, moved_pose, raw_effects
from surfscan.reading.setup import SetUp

__all__ = ["ENOUGH_NATS", "Suspicion", "question_setup"]

ENOUGH_NATS = 4.0
"""Logarithm of the Bayes factor from which a set-up is doubted (our choice: blunders are rare, but a doubt costs a tape
measure and a wrong "ready" costs a coat; how often each comes is in tests/bench/FIGURES.md, study of blunders)."""

BLUNDER_SHARE = 0.02
"""Share of set-ups with a blunder, for the weight that a suspicion has in the interval."""

RIVAL_NATS = 3.0
"""Inputs whose evidence is within this of the best can't be told from it and are named with it."""

LEAST_CELLS = 150
LEAST_MM = 0.0005
LEAST_CURL = 2e-6
"""Fewest fair cells that say anything; the least noise of a form's coefficient (mm) and of a curl's (1/mm)."""

CURL_WAVE_MM = 30.0
"""The curl's noise is alike over this length."""

TOP = 6
CURL_TOP = 3
"""Degrees of the polynomials that heights and curl are told by."""

_STEP = {"x": 5.0, "y": 5.0, "z": 5.0, "lean": 0.5, "turn": 0.5, "roll": 0.5, "period": 0.5, "focal": 0.5}
_BLUNDER = {
    "x": 40.0,
    "y": 40.0,
    "z": 40.0,
    "lean": 3.0,
    "turn": 3.0,
    "roll": 3.0,
    "period": 5.0,
    "focal": 4.0,
}
_BY_TAPE = ("board place", "board angle", "stripe period", "focal length")
"""Sources whose moves, in this order, are those of all inputs here, where the board is measured by hand."""

_ROUGH_MM = np.geomspace(0.0005, 0.5, 13)
_FALL = {3: 1.0, 4: 0.5, 5: 0.25, 6: 0.12}


@dataclass(frozen=True, slots=True)
class Suspicion:
    """An input that the photos contradict.

    Attributes
    ----------
    source : {"x", "y", "z", "lean", "turn", "roll", "period", "focal"}
        The board's place (mm), its turn about its `across`, its `up` and its normal (degrees), the stripe period and
        the focal length (per cent).
    by : float
        How much too large the stated value looks, in that unit.
    nats : float
        Logarithm of the Bayes factor of this one being off against the stated set-up.
    rivals : tuple of str
        Inputs that explain the photos nearly as well.
    effect_mm : ndarray (h, w)
        What that makes of the height, on the thinned grid, mm.
    """

    source: str
    by: float
    nats: float
    rivals: tuple[str, ...]
    effect_mm: Array

    @property
    def doubted(self) -> bool:
        """Whether the evidence is enough to say so."""
        return self.nats > ENOUGH_NATS

    @property
    def probability(self) -> float:
        """Of the blunder, when `BLUNDER_SHARE` of set-ups have one among these inputs."""
        odds = np.exp(min(self.nats, 50.0)) * BLUNDER_SHARE / len(_STEP)
        return float(odds / (1 + odds))


@dataclass(frozen=True, slots=True)
class _Told:
    """What the photos tell, as numbers with noise 1: form coefficients of degree 3 and more, then the curl's.

    `moves` are the columns that a unit of each input adds; `rings` those of circular sections; `degrees` is 0 for the
    curl's rows; `noise` divides a millimetre's coefficient.
    """

    seen: Array
    moves: Array
    rings: Array
    degrees: Array
    noise: float


def question_setup(few: Few, setup: SetUp, known: Moves | None = None) -> Suspicion | None:
    """Find the input of the set-up, if any, that the photos contradict.

    Parameters
    ----------
    few : Few
        The thinned reading from two directions.
    setup : SetUp
        With two photos.
    known : Moves, optional
        What its inputs do, when that is known already.

    Returns
    -------
    Suspicion or None
        The likeliest one, doubted or not; None where too little fair surface was seen to ask.
    """
    if few.use.sum() < LEAST_CELLS:
        return None
    inputs = setup.inputs
    stated = np.array([*[inputs.board_centre_mm] * 3, *[inputs.board_angle_deg] * 3])
    stated = np.r_[stated, 100 * inputs.period_rel, 100 * inputs.focal_rel]
    change, curl = _of_each(few, setup, known, stated)
    heights = list(np.moveaxis(np.nan_to_num(change), -1, 0))
    told = _tell(few, heights, list(np.moveaxis(curl, -1, 0)))
    if told is None:
        return None
    names = list(_STEP)
    usual, _ = _evidence(told, stated)
    nats, means = [], []
    for k, name in enumerate(names):
        wide = stated.copy()
        wide[k] = max(wide[k], _BLUNDER[name])
        found, mean = _evidence(told, wide)
        nats.append(found - usual)
        means.append(float(mean[k]))
    best = int(np.argmax(nats))
    rivals = tuple(
        names[k] for k in np.argsort(nats)[::-1] if k != best and nats[k] > nats[best] - RIVAL_NATS
    )
    return Suspicion(names[best], means[best], float(nats[best]), rivals, means[best] * heights[best])


def _of_each(few: Few, setup: SetUp, known: Moves | None, stated: Array) -> tuple[Array, Array]:
    """Height and curl (h, w, 8) by a unit of each input."""
    by_tape = [k for k, (name, _) in enumerate(known.names) if name in _BY_TAPE] if known is not None else []
    if known is not None and len(by_tape) == len(_STEP) and (stated > 0).all():
        return known.heights[..., by_tape] / stated, known.curls[..., by_tape] / stated
    step = np.array(list(_STEP.values()))
    height, curl = raw_effects(few, _moves(setup.views, setup.fits, setup.board))
    return height / step, curl / step


def _moves(views: tuple[View, ...], fits: tuple[PoseFit, ...], board: Board) -> list[Move]:
    """Cameras and board with each input moved by its step."""
    still: list[Stand] = [(view.pose, 1.0) for view in views]
    out: list[Move] = [
        (still, replace(board, centre_mm=board.centre_mm + _STEP[axis] * row), 1.0)
        for axis, row in zip("xyz", np.eye(3), strict=True)
    ]
    for name, axis in (("lean", board.across), ("turn", board.up), ("roll", board.normal)):
        out.append((still, move_board(board, np.r_[axis * np.radians(_STEP[name]), 0.0, 0.0, 0.0]), 1.0))
    out.append((still, replace(board, period_mm=board.period_mm * (1 + 0.01 * _STEP["period"])), 1.0))
    longer = 0.01 * _STEP["focal"]
    cameras: list[Stand] = [
        (moved_pose(view.pose, fit.by_focal * longer * view.camera.focal_px), 1 + longer)
        for view, fit in zip(views, fits, strict=True)
    ]
    out.append((cameras, board, 1.0))
    return out


def _tell(few: Few, heights: list[Array], curls: list[Array]) -> _Told | None:
    use = few.use & np.isfinite(few.z)
    reach = float(max(np.abs(few.x).max(), np.abs(few.y).max()))
    x, y = few.x / reach, few.y / reach
    basis, degrees = _polynomials(x[use], y[use], TOP)
    coefficients = basis.T @ few.z[use] / len(basis)
    noise = max(float(np.sqrt(np.mean((few.z[use] - basis @ coefficients) ** 2))), LEAST_MM)
    above = degrees >= 3
    tall = basis[:, above].T / len(basis) / noise
    curl = curl_of(few.p, few.q, few.step_mm)
    ok = use & np.isfinite(curl) & np.all(np.isfinite(curls), axis=0)
    if ok.sum() < LEAST_CELLS:
        return None
    flat, curl_degrees = _polynomials(x[ok], y[ok], CURL_TOP)
    bent = flat.T @ curl[ok] / len(flat)
    left = float(np.sqrt(np.mean((curl[ok] - flat @ bent) ** 2)))
    rough = left * CURL_WAVE_MM / np.sqrt(len(flat)) / few.step_mm + LEAST_CURL
    rings = tall @ _rings(few, use)
    zero = np.zeros(len(curl_degrees))
    return _Told(
        seen=np.r_[tall @ few.z[use], bent / rough],
        moves=np.stack(
            [
                np.r_[tall @ h[use], flat.T @ c[ok] / len(flat) / rough]
                for h, c in zip(heights, curls, strict=True)
            ],
            axis=1,
        ),
        rings=np.vstack([rings, np.zeros((len(zero), rings.shape[1]))]),
        degrees=np.r_[degrees[above], zero].astype(int),
        noise=noise,
    )


def _polynomials(x: Array, y: Array, top: int) -> tuple[Array, Array]:
    """Polynomials (N, K) made orthogonal on the cells, each of root mean square 1, and their degrees (K,)."""
    terms = [(d, x ** (d - j) * y**j) for d in range(top + 1) for j in range(d + 1)]
    basis, _ = np.linalg.qr(np.stack([term for _, term in terms], axis=1))
    return basis * np.sqrt(len(x)), np.array([d for d, _ in terms])


def _rings(few: Few, use: Array) -> Array:
    """Fourth-order parts (N, 2) of a ball and of a barrel with the panel's own curvature, as a crown has them."""
    x, y = few.x[use], few.y[use]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    fit = np.linalg.lstsq(terms, few.z[use], rcond=None)[0]
    a, b, c = 2 * fit[3], fit[4], 2 * fit[5]
    kx, ky = a * x + b * y, b * x + c * y
    return np.stack([(x * kx + y * ky) * (kx**2 + ky**2) / 8, (a**3 * x**4 + c**3 * y**4) / 8], axis=1)


def _evidence(told: _Told, sd: Array) -> tuple[float, Array]:
    """Log evidence of inputs with these standard deviations, the form's roughness integrated over; their means."""
    own = told.moves * sd
    fixed = np.eye(len(told.seen)) + own @ own.T + told.rings @ told.rings.T
    logs, means = [], []
    fall = np.array([_FALL.get(int(d), 0.0) for d in told.degrees])
    for rough in _ROUGH_MM:
        total = fixed + np.diag((rough * fall / told.noise) ** 2)
        factor = np.linalg.cholesky(total)
        half = np.linalg.solve(factor, told.seen)
        logs.append(-0.5 * float(half @ half) - float(np.log(np.diag(factor)).sum()))
        means.append(sd * (own.T @ np.linalg.solve(factor.T, half)))
    weight = np.exp(np.array(logs) - max(logs))
    mean = np.sum(weight[:, None] * np.array(means), axis=0) / weight.sum()
    return max(logs) + float(np.log(weight.mean())), mean
