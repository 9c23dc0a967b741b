"""The smallest low a planned shot can tell, and the deepest one it can follow.

Widths are from foot to foot: four standard deviations of a Gaussian low, or the whole width of one that ends
(z = -d (1 - (2r/w)^2)^2); for both the middle is curved by 16 d/w^2.

*Visible* means told apart: with the limit set to that depth, a low half again as deep is reported, and one of half
the depth is not, each 95 times in 100. What is reported starts at 0.7 of the limit (`judgement`), so the error of a
depth must stay within 0.2 of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from surfscan.core.constants import GUARD_FACTOR_95
from surfscan.core.reading import View
from surfscan.core.records import Array, Photo, TagSeen
from surfscan.optics.lens import project
from surfscan.optics.mirror import hit_board
from surfscan.optics.pose import PoseFit, pose_from_tags
from surfscan.optics.tag_shape import tag_corners
from surfscan.plan.contrast import Contrast
from surfscan.plan.shot import Shot
from surfscan.plan.sight import Sight, Stage, fold_bend
from surfscan.reading.budget import MODEL_STRIPES
from surfscan.reading.propagation import Few, Inputs, Move, effects, sources
from surfscan.reading.settle import southwell
from surfscan.surface.form import FairForm, fit_fair_form
from surfscan.surface.slopes import polynomial_terms
from surfscan.synth.panels import Dish

__all__ = ["MARGIN", "Known", "Visible", "fold_depth", "noise_height", "set_up_error", "smallest_visible"]

MARGIN = GUARD_FACTOR_95.value / 0.2
"""Standard uncertainties in the smallest visible depth: see the module's text."""

READS_AT_LEAST = 0.75
"""A low must read at this share of its depth: else one half again as deep as the limit reads under it."""

OVER_BOUND = 1.25
"""Measured height noise over its Cramer-Rao bound (tests/bench/study_noise.py: 1.2 to 1.3)."""

UNEVEN_MM = 0.0001
"""What both photos usually disagree by (the worked example of the contributors' guide)."""

PER_MM = 2.2
"""Cells of the map in a reflected stripe, about: only their logarithm counts."""

ORDERS = (2, 3, 4)
"""Orders of the form that are looked at."""

USUAL_ORDER = 3.85
"""The form the check chooses when a set-up is off by its uncertainty: mostly the fourth order, now and then the
third, which leaves ten times as much (tests/bench/study_plan.py)."""

WIDE_SHARE, WIDER = 0.45, 6.0
"""Lows wider than this share of the panel's lesser side leave a form of a lower order only: one order less for
each sixth of that side more."""

MAIN_PARTS = ("board place", "board angle", "tag places")

NARROW = 1.0
"""Width, in periods on the panel, at which half of a low is lost (tests/bench/study_plan.py --narrow)."""


@dataclass(frozen=True, slots=True)
class Known:
    """How well a depth is known, apart from the low's own width.

    Attributes
    ----------
    noise_mm : float
        Of the photos, one standard uncertainty.
    by_order_mm : dict of int to float
        Of the set-up and the model, when a form of that order is taken off.
    shares : tuple of (name, mm, cure)
        Largest first, at the panel's middle.
    """

    noise_mm: float
    by_order_mm: dict[int, float]
    shares: tuple[tuple[str, float, str], ...]

    def set_up_mm(self, share: float = 0.25) -> float:
        """Of the set-up, for a low that wide (its width as a share of the panel's lesser side)."""
        order = min(max(USUAL_ORDER - WIDER * (share - WIDE_SHARE), ORDERS[0]), USUAL_ORDER)
        sizes = np.log([self.by_order_mm[n] for n in ORDERS])
        return float(np.exp(np.interp(order, ORDERS, sizes)))

    def total_mm(self, share: float = 0.25) -> float:
        """Both together."""
        return float(np.hypot(self.noise_mm, self.set_up_mm(share)))


@dataclass(frozen=True, slots=True)
class Visible:
    """The curve.

    Attributes
    ----------
    width_mm : ndarray (N,)
    smallest_mm : ndarray (N,)
        Depth of the smallest low visible; NaN where no depth of that width is read as it is.
    deepest_mm : ndarray (N,)
        Depth at which the reflection folds over.
    read_share : ndarray (N,)
        Share of its depth that a low reads.
    why : tuple of str
        For each width without a figure, why.
    """

    width_mm: Array
    smallest_mm: Array
    deepest_mm: Array
    read_share: Array
    why: tuple[str, ...]


def noise_height(shot: Shot, sight: Sight, contrast: Contrast) -> float:
    """Height noise, mm, from the pixels' noise by the Cramer-Rao bound of a known frequency.

    var(phase) = 2 noise^2/(N amplitude^2) for N pixels (Kay 1993, chapter 3, from memory), as a slope times
    period/(2 pi gain), and integrated over the panel as Southwell's coefficient says.
    """
    use = sight.useful
    if not use.any():
        return float("inf")
    white = 0.0
    for k in (0, 1):
        with np.errstate(divide="ignore", invalid="ignore"):
            phase = 2 * contrast.noise**2 / (sight.pixels_per_mm2 * contrast.amplitude[k] ** 2)
            slope = phase * (shot.period_mm / (2 * np.pi * sight.gain_mm[k])) ** 2
        white += float(np.nanmedian(np.where(np.isfinite(slope[use]), slope[use], np.inf))) / 2
    cell = float(np.nanmedian(sight.stripe_mm[:, use])) / (2 * np.pi * PER_MM)
    many = float(np.sqrt(shot.panel_mm[0] * shot.panel_mm[1])) / max(cell, 0.1)
    return float(OVER_BOUND * np.sqrt(southwell(many**2) * white))


def fit_of_plan(shot: Shot, stage: Stage) -> PoseFit:
    """The pose fit that the planned photo's tags would give, with its covariance.

    Raises
    ------
    RefusedError
        When the tags would leave the pose open.
    """
    ids = sorted(stage.tags.centres_mm)
    centres = np.array([stage.tags.centres_mm[i] for i in ids])
    tilts = np.array([[float(s) for s in stage.form.slopes(x, y)] for x, y in centres])
    corners = tag_corners(np.column_stack([np.zeros(len(ids)), tilts]), centres, shot.tag_side_mm)
    seen = np.stack(project(*np.moveaxis(corners, -1, 0), camera=stage.camera, pose=stage.pose), -1)
    tags = [TagSeen(i, c) for i, c in zip(ids, seen, strict=True)]
    return pose_from_tags(
        tags,
        centres_mm=stage.tags.centres_mm,
        side_mm=shot.tag_side_mm,
        camera=stage.camera,
        file="the planned photo",
        width_px=shot.image_px[0],
    )


def set_up_error(
    shot: Shot,
    stage: Stage,
    sight: Sight,
    fit: PoseFit,
    *,
    noise_mm: float,
    inputs: Inputs | None = None,
    main_parts: bool = False,
) -> Known:
    """What the set-up's uncertainties make of a depth, by the check's own propagation.

    Each input is moved by its standard uncertainty (`reading.propagation`), and from its effect on the map a form
    of each order is taken off: a form of a high order takes more of the set-up's bending with it, but also takes
    wide lows for form, so the order that counts depends on the low's width. What the check may learn from the fair
    part of the panel is not counted on.
    """
    use = sight.useful
    if use.sum() < 40:
        nothing = dict.fromkeys(ORDERS, math.inf)
        return Known(noise_mm, nothing, (("too little of the panel is seen", math.inf, ""),))
    views, few = _as_checked(shot, stage, sight)
    x, y = few.x, few.y
    plane = np.zeros(x.shape)
    fair = FairForm(plane, plane, ~use, 2, False, "")
    asked: list[Move] = []
    names: list[tuple[str, str]] = []
    for name, cure, moves in sources(views, [fit, fit], stage.board, inputs or Inputs()):
        if main_parts and name not in MAIN_PARTS:
            continue
        asked += moves
        names += [(name, cure)] * len(moves)
    stack = effects(few, asked, fair)[use]
    reach = float(max(np.abs(sight.x_mm).max(), np.abs(sight.y_mm).max()))
    inner = ((np.abs(x) < 0.42 * shot.panel_mm[0]) & (np.abs(y) < 0.42 * shot.panel_mm[1]))[use]
    inner = inner if inner.any() else np.ones_like(inner)
    plain = math.hypot(MODEL_STRIPES[0], UNEVEN_MM)
    by_order = {}
    rows: list[tuple[str, float, str]] = []
    for order in ORDERS:
        terms = polynomial_terms(x[use] / reach, y[use] / reach, order)
        left = stack - terms @ np.linalg.lstsq(terms, stack, rcond=None)[0]
        total = np.sqrt(np.sum(left**2, -1))
        # A low may be anywhere, but hardly ever at the very worst place.
        by_order[order] = math.hypot(float(np.quantile(total[inner], 0.9)), plain)
        if order == 4:
            for name, cure in dict.fromkeys(names):
                own = [k for k, n in enumerate(names) if n[0] == name]
                power = np.sum(left[:, own] ** 2, -1)
                rows.append((name, float(np.sqrt(np.quantile(power[inner], 0.9))), cure))
    rows += [
        (
            "what the model leaves out",
            plain,
            "nothing in the set-up: lens, pixels, and stripes not quite as drawn",
        ),
        ("noise of the photos", noise_mm, "more light, or rest the phone"),
    ]
    return Known(noise_mm, by_order, tuple(sorted(rows, key=lambda r: -r[1])))


def _as_checked(shot: Shot, stage: Stage, sight: Sight) -> tuple[list[View], Few]:
    """The planned pair of photos as the check's propagation takes them."""
    empty = np.zeros((2, 2), np.float32)
    photo = Photo("planned", "", empty, empty > 1)
    views = [View(photo, stage.camera, stage.pose, axis) for axis in ("across", "up")]
    x, y = np.meshgrid(sight.x_mm, sight.y_mm)
    hit = hit_board(x, y, sight.z_mm, sight.p, sight.q, camera_mm=stage.pose.centre_mm, board=stage.board)
    few = Few(
        x=x,
        y=y,
        z=np.where(sight.useful, sight.z_mm, np.nan),
        p=sight.p,
        q=sight.q,
        wanted=(hit.across_mm, hit.up_mm),
        varies=("across", "up"),
        use=sight.useful,
        deviation=np.zeros(x.shape),
        step_mm=float(sight.x_mm[1] - sight.x_mm[0]),
        poses=(stage.pose, stage.pose),
        period_mm=shot.period_mm,
    )
    return views, few


def smallest_visible(
    shot: Shot, stage: Stage, sight: Sight, known: Known, *, width_mm: Array | None = None
) -> Visible:
    """The curve of smallest and deepest lows against width.

    Parameters
    ----------
    width_mm : ndarray (N,), optional
        Widths from foot to foot; by default from one stripe on the panel to the panel's lesser side.
    """
    use = sight.useful
    period = float(np.nanmedian(sight.stripe_mm[:, use].max(0))) if use.any() else float("nan")
    lesser = min(shot.panel_mm)
    if width_mm is None:
        least = max(min(period, 0.4 * lesser), 0.02 * lesser) if np.isfinite(period) else 0.1 * lesser
        width_mm = np.geomspace(0.8 * least, lesser, 14)
    narrow = np.exp2(-((NARROW * period / width_mm) ** 3)) if np.isfinite(period) else np.zeros(width_mm.size)
    base = MARGIN * np.array([known.total_mm(float(w) / lesser) for w in width_mm])
    wide = np.array(
        [_left_by_form(shot, sight, float(w), float(d)) for w, d in zip(width_mm, base, strict=True)]
    )
    share = narrow * wide
    # The model's own part grows with the depth, and counts once more at the depth itself.
    grown = 1 - (MARGIN * MODEL_STRIPES[1]) ** 2
    depth = base / np.sqrt(grown) / np.maximum(share, 1e-9)
    deepest = fold_depth(shot, stage, sight, width_mm)
    why = []
    for k in range(width_mm.size):
        if not np.isfinite(base[k]):
            why.append("too little of the panel is seen")
        elif share[k] < READS_AT_LEAST:
            why.append(
                "too narrow for these stripes"
                if narrow[k] < wide[k]
                else "so wide that it is taken for the panel's form"
            )
        elif depth[k] > deepest[k]:
            why.append("the reflection folds over first")
        else:
            why.append("")
    good = np.array([not text for text in why])
    return Visible(np.asarray(width_mm), np.where(good, depth, np.nan), deepest, share, tuple(why))


def _left_by_form(shot: Shot, sight: Sight, width: float, depth: float) -> float:
    """Share of a low's depth that is left when the fair form is off, the least of two places."""
    if not np.isfinite(depth):
        return float("nan")
    x, y = np.meshgrid(sight.x_mm, sight.y_mm)
    step = float(sight.x_mm[1] - sight.x_mm[0])
    if width < 0.3 * min(shot.panel_mm):
        return 1.0  # such a small part of the panel does not move the form
    shares = []
    for at in ((0.0, 0.0), (0.17 * shot.panel_mm[0], 0.12 * shot.panel_mm[1])):
        low = Dish(*at, -1.5 * depth, width).height(x, y)
        fair = fit_fair_form(
            sight.z_mm + low,
            x_mm=sight.x_mm,
            y_mm=sight.y_mm,
            floor_mm=min(0.004, 0.25 * depth),
            grow_px=max(2, round(0.6 * float(np.nanmedian(sight.stripe_mm)) / step)),
        )
        left = sight.z_mm + low - fair.form_mm
        shares.append(float(left.min() / low.min()))
    return min(shares)


def fold_depth(shot: Shot, stage: Stage, sight: Sight, width_mm: Array | float) -> Array:
    """Depth at which a round low of that width folds the reflection over, at the worst of the panel's middle part.

    A low of depth d and width w from foot to foot bends by 16 d/w^2 at its middle.
    """
    x, y = shot.panel_mm[0] / 4 * np.array([-1, 0, 1]), shot.panel_mm[1] / 4 * np.array([-1, 0, 1])[:, None]
    bend = float(np.nanmin(fold_bend(shot, stage, x, y)))
    return np.asarray(bend * np.asarray(width_mm, float) ** 2 / 16)
