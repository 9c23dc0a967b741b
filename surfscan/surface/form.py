"""The fair form: the smoothest surface that explains the metal between the spots.

A spot's skirts pull a form of high order towards it, and the spot is then read too small. So the form is second
order with circular sections, free, and higher orders only as far as what panels and set-ups do allows (a prior for
each order). Several such priors are tried, each finds its own spots and gives their skirts little weight, by the
size and depth of each spot; the forms are then averaged by how well each explains the map. What can't be told
apart (a wide low, or a form that sinks) is in the average's spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.records import Array
from surfscan.core.sums import inner, product
from surfscan.surface.form_fit import CORRELATION_MM, Few, Fit, graduated, settle, thin_map
from surfscan.surface.legendre import TERM_ORDER, circular_terms, legendre, legendre_terms
from surfscan.surface.slopes import polynomial_terms

__all__ = ["BEND_SHAPE", "FairForm", "fit_fair_form", "take_form_off"]

PRIORS: tuple[tuple[float, float, float, float], ...] = (
    (0.0015, 0.0020, 0.0005, 0.0005),
    (0.010, 0.012, 0.002, 0.002),
    (0.100, 0.020, 0.003, 0.002),
    (0.500, 0.500, 0.100, 0.050),
)
"""Standard deviations, mm, of the Legendre coefficients of the third to the sixth order: a plain panel in a
well-known set-up; one in a set-up measured by hand; one with a twist in it; one with a soft styling line. (Set-up:
from the propagation of the default uncertainties on flat and crowned panels. The others: a choice.)"""


BEND_SHAPE = 0.1
"""Relative standard uncertainty of what a bend of the set-up is at one place (a choice; the bend is propagated
linearly, on cells of a centimetre)."""

ROUND = len(TERM_ORDER)
"""Place of the circular terms' coefficients, behind those of the orders."""

SPOT_WEIGHT = 0.2
"""Cells of less weight are of a spot, its near skirt included (which is about twice the fair metal's own waves)."""


FAIR_SHARE = 0.5
"""With this share of the panel fair, the forms' spread is right as it stands; with less, what they all leave out (how
far a spot runs) counts more, by the square of the share, and with more it counts less, within `FAIR_RANGE`. By spots of
tests/bench/study_unseen.py: errors of the form over its stated uncertainty fall from 1.6 with a third of the panel fair
to 0.4 with three quarters."""

FAIR_RANGE = 0.6, 4.0

TEMPER = 1.5
"""The priors' odds are softened by this: the cells' independence is known roughly only."""


@dataclass(frozen=True, slots=True)
class FairForm:
    """The fair form and how it was found.

    Attributes
    ----------
    form_mm : ndarray (H, W), float64
        Defined everywhere on the grid.
    sigma_mm : ndarray (H, W), float64
        Standard uncertainty of the form: what it was fitted to, and which prior holds.
    spots : ndarray (H, W), bool
        Cells that the form was not fitted to, or hardly: spots and their skirts.
    order : int
        The highest order that adds more than the fair metal's own waves.
    circular : bool
        Whether sections are circular arcs rather than parabolas.
    name : str
        In words.
    prior_mm : tuple of float
        Standard deviations allowed to the orders from the third on; empty when all orders to `order` were free.
    noise_mm : float
        Standard deviation of the fair metal about the form.
    bends_mm : ndarray (H, W, K), optional
        What the set-up's uncertainty does to the height, where the form holds it too.
    """

    form_mm: Array
    sigma_mm: Array
    spots: Array
    order: int
    circular: bool
    name: str
    prior_mm: tuple[float, ...] = ()
    noise_mm: float = 0.0
    bends_mm: Array | None = None


def fit_fair_form(
    height_mm: Array,
    *,
    x_mm: Array,
    y_mm: Array,
    floor_mm: float,
    grow_px: int,
    bends_mm: Array | None = None,
    bend_shape: float = BEND_SHAPE,
) -> FairForm:
    """Fit the fair form.

    Parameters
    ----------
    height_mm : ndarray (H, W)
        Height above the tags' plane; NaN where not measured.
    x_mm : ndarray (W,)
    y_mm : ndarray (H,)
    floor_mm : float
        Deviation that noise and unevenness of a fair panel may reach: less is never called a spot here.
    grow_px : int
        How far, in cells, the picture of a spot is smeared beyond the spot.
    bends_mm : ndarray (H, W, K), optional
        What a standard uncertainty of the set-up does to the height, one independent part each: taken for form, as
        far as the map bears it out.
    bend_shape : float
        Relative standard uncertainty of what a bend is at one place; 0 for exact shapes.

    Returns
    -------
    FairForm

    Raises
    ------
    ValueError
        With fewer than 30 measured cells.
    """
    valid = np.isfinite(height_mm)
    if valid.sum() < 30:
        raise ValueError("a fair form needs at least 30 measured cells")
    few = thin_map(height_mm, x_mm, y_mm, floor_mm, grow_px * float(x_mm[1] - x_mm[0]), bends_mm)
    start = graduated(few, PRIORS[1])
    found = [settle(few, prior, start) for prior in PRIORS]
    evidence = np.array([fit.evidence for fit in found])
    share = np.exp((evidence - evidence.max()) / TEMPER)
    share /= share.sum()
    variance, weight = _spread_of_forms(few, found, share)
    fair = max(float(np.mean(weight[few.valid] >= SPOT_WEIGHT)), 1e-3)
    variance = variance * np.clip((FAIR_SHARE / fair) ** 2, *FAIR_RANGE) ** 2
    best = int(share.argmax())
    order, circular = _order(few, found[best]), _is_circular(few, found[best])
    size = height_mm.shape[1], height_mm.shape[0]
    # A bend is known by its share of the panel, its shape beside a cut-out only roughly.
    bent = [
        w * np.einsum("hwk,k->hw", few.bends, fit.coefficients[ROUND + 2 :])
        for w, fit in zip(share, found, strict=True)
    ]
    variance = variance + (bend_shape * np.sum(bent, axis=0)) ** 2
    return FairForm(
        _form(found, share, x_mm, y_mm, bends_mm),
        np.asarray(cv2.resize(np.sqrt(variance), size, interpolation=cv2.INTER_LINEAR)),
        cv2.resize((weight < SPOT_WEIGHT).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0,
        order,
        circular,
        _name(order, circular),
        PRIORS[best],
        found[best].noise_mm,
        bends_mm,
    )


def take_form_off(change_mm: Array, fair: FairForm, *, x_mm: Array, y_mm: Array, use: Array) -> Array:
    """What small changes of the height do to the deviation, once the form has followed them.

    Parameters
    ----------
    change_mm : ndarray (H, W) or (H, W, K)
        Change of the height; NaN where not measured; several at once, which are measured on the same cells.
    fair : FairForm
        Whose orders follow as freely as they were free; its circular terms do not follow small changes.
    x_mm : ndarray (W,)
    y_mm : ndarray (H,)
    use : ndarray (H, W), bool
        Cells that the form is fitted to: measured, and not of a spot.

    Returns
    -------
    ndarray, like `change_mm`
    """
    shape = change_mm.shape
    change_mm = change_mm.reshape(*shape[:2], -1)
    use = use & np.isfinite(change_mm).all(-1)
    if fair.prior_mm:
        x, y = np.meshgrid(x_mm / np.abs(x_mm).max(), y_mm / np.abs(y_mm).max())
        terms = legendre_terms(x, y)
        known = min(1.0, (float(x_mm[1] - x_mm[0]) / CORRELATION_MM) ** 2) / fair.noise_mm**2
        held = np.array([0.0 if n < 3 else 1 / (known * fair.prior_mm[n - 3] ** 2) for n in TERM_ORDER])
        if fair.bends_mm is not None and fair.bends_mm.shape[-1]:
            there = cv2.resize(fair.bends_mm, shape[1::-1], interpolation=cv2.INTER_LINEAR)
            bends = there.reshape(*shape[:2], -1)
            terms = np.concatenate([terms, bends], -1)
            held = np.concatenate([held, np.full(bends.shape[-1], 1 / known)])
    else:
        reach = float(max(np.abs(x_mm).max(), np.abs(y_mm).max()))
        x, y = np.meshgrid(x_mm / reach, y_mm / reach)
        terms = polynomial_terms(x, y, fair.order)
        held = np.zeros(terms.shape[-1])
    if use.sum() < terms.shape[-1]:
        return (change_mm - np.nanmean(change_mm, axis=(0, 1))).reshape(shape)
    there = terms[use]
    both = inner(there, np.concatenate([there, change_mm[use]], -1))
    count = len(both)
    normal = both[:, :count] + np.diag(held) + 1e-10 * float(use.sum()) * np.eye(count)
    found = np.linalg.solve(normal, both[:, count:])
    return np.asarray(change_mm - product(terms, found)).reshape(shape)


def _spread_of_forms(few: Few, found: list[Fit], share: Array) -> tuple[Array, Array]:
    """Variance of the average of the forms, and their average weight; on the thinned grid."""
    all_terms = [few.terms(fit.quadratic) for fit in found]
    forms = [product(t, fit.coefficients[:, None])[..., 0] for t, fit in zip(all_terms, found, strict=True)]
    mean = np.sum([w * form for w, form in zip(share, forms, strict=True)], axis=0)
    variance, weight = np.zeros(few.x.shape), np.zeros(few.x.shape)
    for w, form, terms, fit in zip(share, forms, all_terms, found, strict=True):
        spread = np.sum(product(terms, fit.covariance) * terms, -1)
        variance += w * (spread + (form - mean) ** 2)
        weight += w * fit.weight
    return variance, weight


def _form(found: list[Fit], share: Array, x_mm: Array, y_mm: Array, bends_mm: Array | None) -> Array:
    """The average of the forms on the whole grid."""
    u, v = x_mm / np.abs(x_mm).max(), y_mm / np.abs(y_mm).max()
    flat = np.sum([w * fit.coefficients[:ROUND] for w, fit in zip(share, found, strict=True)], axis=0)
    along, up = (np.stack(legendre(t), -1) for t in (u, v))  # products of one axis each: a tenth of the work
    table = np.zeros((along.shape[1], up.shape[1]))
    k = 0
    for n in range(along.shape[1]):
        for j in range(n + 1):
            table[n - j, j] = flat[k]
            k += 1
    form = np.einsum("hj,wj->hw", up, np.einsum("wi,ij->wj", along, table))
    x, y = np.meshgrid(x_mm, y_mm)
    for w, fit in zip(share, found, strict=True):
        if w > 1e-4:
            form = form + w * np.einsum(
                "hwi,i->hw", circular_terms(x, y, fit.quadratic), fit.coefficients[ROUND : ROUND + 2]
            )
    if bends_mm is not None:
        size = np.sum(
            [w * fit.coefficients[ROUND + 2 :] for w, fit in zip(share, found, strict=True)], axis=0
        )
        form = form + np.einsum("hwk,k->hw", bends_mm, size)
    return np.asarray(form)


def _order(few: Few, fit: Fit) -> int:
    """The highest order that moves the form by more than the fair metal's own waves."""
    for order in range(TERM_ORDER.max(), 2, -1):
        own = np.flatnonzero(order == TERM_ORDER)
        part = np.einsum("hwi,i->hw", few.legendre[..., own], fit.coefficients[own])
        if np.sqrt(np.mean(part[few.valid] ** 2)) > 1.5 * fit.noise_mm:
            return order
    return 2


def _is_circular(few: Few, fit: Fit) -> bool:
    terms = circular_terms(few.x, few.y, fit.quadratic)
    part = np.einsum("hwi,i->hw", terms, fit.coefficients[ROUND : ROUND + 2])
    return bool(np.sqrt(np.mean(part[few.valid] ** 2)) > fit.noise_mm)


def _name(order: int, circular: bool) -> str:
    words = {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth"}
    return (
        f"{words[order]}-order surface{' with circular sections' if circular else ''}: the smoothest surface that"
        " explains the metal between the spots, averaged over what the map leaves open"
    )
