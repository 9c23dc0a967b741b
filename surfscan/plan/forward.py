"""A shot planned: what will be seen, what is wrong with it, and what would help most."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from surfscan.core.errors import RefusedError, UsageError
from surfscan.core.photo_limits import THRESHOLDS
from surfscan.optics.pose import PoseFit
from surfscan.plan.contrast import Contrast, work_out_contrast
from surfscan.plan.shot import Shot
from surfscan.plan.sight import Sight, Stage, build_stage, see
from surfscan.plan.visible import (
    MARGIN,
    ORDERS,
    Known,
    Visible,
    fit_of_plan,
    noise_height,
    set_up_error,
    smallest_visible,
)
from surfscan.reading.budget import Inputs

__all__ = ["Change", "Figures", "Plan", "Problem", "plan_shot", "work_out"]

CELLS = 400
"""Places over the panel that a plan looks at: set-up effects are smooth."""

TAG_PX = 40.0
"""A tag's side in the photo that is surely read: 6 pixels a cell and a little (our choice)."""


@dataclass(frozen=True, slots=True)
class Problem:
    """Why the shot will not do, or will do badly.

    Attributes
    ----------
    name : str
    sentence : str
    cure : str
        The nearest thing that works.
    stops : bool
        Whether the check would refuse the photo, or most of the panel, for it.
    """

    name: str
    sentence: str
    cure: str
    stops: bool


@dataclass(frozen=True, slots=True)
class Change:
    """One change to the set-up, and what it brings."""

    name: str
    sentence: str
    value: float
    smallest_mm: float
    solves: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of a set-up.

    Attributes
    ----------
    field_mm : (width, height)
        Of the panel's plane that the photo covers at its middle.
    in_photo, on_board, useful : float
        Shares of the panel in the photo, mirroring the board, and both.
    stripe_px : float
        Photo pixels in a stripe, where they are finest (5th percentile).
    stripe_mm : float
        The widest mirrored stripe on the panel, mm: detail is seen down to about that.
    stripes_across : float
        Stripes over the panel in the direction with fewer.
    contrast, contrast_worst : float
        Amplitude over mean: at the panel's middle, and the 5th percentile.
    reflectance, specular : float
        Mirrored share of the light, and what roughness leaves of the picture, at the middle.
    blur_mm, lens_factor : float
        Blur disc on the board with the panel in focus, and the contrast it leaves.
    noise_mm, set_up_mm : float
        Standard uncertainties of a depth.
    tag_px : float
        Smallest side of a tag in the photo.
    fold_per_mm : float
        Hollow curvature that folds the reflection over.
    """

    field_mm: tuple[float, float]
    in_photo: float
    on_board: float
    useful: float
    stripe_px: float
    stripe_mm: float
    stripes_across: float
    contrast: float
    contrast_worst: float
    reflectance: float
    specular: float
    blur_mm: float
    lens_factor: float
    noise_mm: float
    set_up_mm: float
    tag_px: float
    fold_per_mm: float


@dataclass(frozen=True, slots=True)
class Plan:
    """A planned shot.

    Attributes
    ----------
    shot : Shot
    works : bool
        Nothing stops the photo from being read.
    figures : Figures
    curve : Visible
        Smallest and deepest low against width.
    shares : tuple of (name, mm, cure)
        What makes the uncertainty of a depth, largest first.
    problems : tuple of Problem
    changes : tuple of Change
        Best first.
    board : dict
        ``centre_mm``, ``across``, ``up``, ``size_mm``, ``period_mm``, as a job sheet's `[board]` has them.
    camera_mm : (x, y, z)
    tags_mm : dict of id to (x, y)
    crown_rise_mm : float
        How high the panel's middle stands over the plane through its tags.
    """

    shot: Shot
    works: bool
    figures: Figures
    curve: Visible
    shares: tuple[tuple[str, float, str], ...]
    problems: tuple[Problem, ...]
    changes: tuple[Change, ...]
    board: dict[str, Any]
    camera_mm: tuple[float, float, float]
    tags_mm: dict[int, tuple[float, float]]
    crown_rise_mm: float

    def smallest_at(self, width_mm: float) -> float:
        """Depth of the smallest low visible at that width, mm; NaN where none is."""
        return _at(self.curve.width_mm, self.curve.smallest_mm, width_mm)

    def sigma_at(self, width_mm: float) -> float:
        """Standard uncertainty of the depth of a low of that width, mm."""
        return _at(self.curve.width_mm, self.curve.smallest_mm * self.curve.read_share, width_mm) / MARGIN

    def deepest_at(self, width_mm: float) -> float:
        """Depth at which a low of that width folds the reflection over, mm."""
        return self.figures.fold_per_mm * width_mm**2 / 16


@dataclass(frozen=True, slots=True)
class Work:
    """What a plan is made of, before the words."""

    stage: Stage
    sight: Sight
    contrast: Contrast
    figures: Figures
    known: Known
    problems: tuple[Problem, ...]
    fit: PoseFit | None


def plan_shot(shot: Shot, *, inputs: Inputs | None = None, changes: bool = True) -> Plan:
    """Work out what a shot will see.

    Parameters
    ----------
    shot : Shot
    inputs : Inputs, optional
        Standard uncertainties of the set-up; the check's defaults when not given.
    changes : bool
        Whether to look for the best changes as well.

    Returns
    -------
    Plan
        Problems are in it; it does not raise for a poor set-up.

    Raises
    ------
    UsageError
        For a camera or board that can't stand where they are said to.
    """
    work = work_out(shot, inputs=inputs)
    stage = work.stage
    curve = smallest_visible(shot, stage, work.sight, work.known)
    better: tuple[Change, ...] = ()
    if changes:
        from surfscan.plan.changes import best_changes  # it works shots out itself

        better = best_changes(shot, work, inputs=inputs)
    board = stage.board
    return Plan(
        shot=shot,
        works=not any(p.stops for p in work.problems),
        figures=work.figures,
        curve=curve,
        shares=work.known.shares,
        problems=work.problems,
        changes=better,
        board={
            "centre_mm": [round(float(v), 1) + 0.0 for v in board.centre_mm],
            "across": [round(float(v), 5) + 0.0 for v in board.across],
            "up": [round(float(v), 5) + 0.0 for v in board.up],
            "size_mm": [float(v) for v in board.size_mm],
            "period_mm": float(board.period_mm),
        },
        camera_mm=(
            float(stage.pose.centre_mm[0]),
            float(stage.pose.centre_mm[1]),
            float(stage.pose.centre_mm[2]),
        ),
        tags_mm=dict(stage.tags.centres_mm),
        crown_rise_mm=float(stage.form.height(0.0, 0.0)),
    )


def work_out(
    shot: Shot,
    *,
    inputs: Inputs | None = None,
    cells: int = CELLS,
    fit: PoseFit | None = None,
    main_parts: bool = False,
) -> Work:
    """Trace a shot and propagate its uncertainties.

    Parameters
    ----------
    shot : Shot
    inputs : Inputs, optional
    cells : int
        Places over the panel.
    fit : PoseFit, optional
        Of the same camera and tags, when it is known already.
    main_parts : bool
        See `set_up_error`.
    """
    stage = build_stage(shot)
    if stage.pose.centre_mm[2] < 20:
        raise UsageError(
            "The camera would stand in the panel's plane",
            found=f"{stage.pose.centre_mm[2]:.0f} mm above it",
            cure="give a smaller angle_deg, or a greater camera distance",
        )
    sight = see(shot, stage, cells=cells)
    contrast = work_out_contrast(shot, stage, sight)
    noise = noise_height(shot, sight, contrast)
    trouble = ""
    try:
        fit = fit or fit_of_plan(shot, stage)
        known = set_up_error(shot, stage, sight, fit, noise_mm=noise, inputs=inputs, main_parts=main_parts)
    except RefusedError as error:
        trouble = str(error)
        known = Known(noise, dict.fromkeys(ORDERS, math.inf), ((trouble, math.inf, error.cure),))
    figures = _figures(shot, stage, sight, contrast, known)
    problems = _problems(shot, stage, sight, figures, trouble)
    return Work(stage, sight, contrast, figures, known, problems, fit)


def _figures(shot: Shot, stage: Stage, sight: Sight, contrast: Contrast, known: Known) -> Figures:
    from surfscan.plan.visible import fold_depth

    use = sight.useful
    row, column = np.array(use.shape) // 2
    there = use if use.any() else np.ones_like(use)
    lean = math.radians(shot.angle_deg)
    across = shot.image_px[0] * shot.camera_distance_mm / shot.focal
    down = shot.image_px[1] * shot.camera_distance_mm / shot.focal / max(math.cos(lean), 1e-3)
    wide = np.array([_middle(s[there]) for s in sight.stripe_mm])
    count = min(shot.panel_mm[0] / wide[0], shot.panel_mm[1] / wide[1]) if np.isfinite(wide).all() else 0.0
    finest = sight.stripe_px[:, there]
    tag = shot.tag_side_mm * math.sqrt(max(_low(sight.pixels_per_mm2[there], 1) * math.cos(lean), 0.0))
    with np.errstate(invalid="ignore"):
        worst = _low(contrast.contrast[:, there], 5)
    return Figures(
        field_mm=(across, down),
        in_photo=float(np.mean(sight.in_photo)),
        on_board=float(np.mean(sight.on_board & ~sight.blocked)),
        useful=float(np.mean(use)),
        stripe_px=_low(finest, 5),
        stripe_mm=float(np.nanmax(wide)) if np.isfinite(wide).any() else math.nan,
        stripes_across=float(count),
        contrast=float(np.nanmin(contrast.contrast[:, row, column])),
        contrast_worst=worst,
        reflectance=float(contrast.reflectance[row, column]),
        specular=float(contrast.specular[row, column]),
        blur_mm=contrast.blur_mm,
        lens_factor=contrast.lens_factor,
        noise_mm=known.noise_mm,
        set_up_mm=known.set_up_mm(),
        tag_px=tag,
        fold_per_mm=float(fold_depth(shot, stage, sight, 4.0)),
    )


def _problems(shot: Shot, stage: Stage, sight: Sight, f: Figures, trouble: str) -> tuple[Problem, ...]:
    found: list[Problem] = []

    def add(name: str, sentence: str, cure: str, *, stops: bool) -> None:
        found.append(Problem(name, sentence, cure, stops))

    if f.in_photo < 0.995:
        need = _step_back(shot, stage)
        add(
            "field",
            f"Only {100 * f.in_photo:.0f} % of the panel is in the photo.",
            f"move the camera back to about {need:.0f} mm, or plan a smaller part of the panel",
            stops=f.in_photo < 0.9,
        )
    if sight.blocked.mean() > 0.02:
        add(
            "board in the way",
            "The board stands between the camera and the panel.",
            "use a greater angle, or a smaller board further away",
            stops=True,
        )
    if f.on_board < THRESHOLDS["lit_share"]:
        w, h = _board_needed(shot, stage, sight)
        add(
            "board",
            f"The board is mirrored by {100 * f.on_board:.0f} % of the panel only.",
            f"use a board of about {w:.0f} x {h:.0f} mm at this place, or move it closer"
            if w < 20000
            else "plan a smaller part of the panel: no board shows in all of it",
            stops=True,
        )
    lowest = float(stage.board.centre_mm[2]) - shot.board_mm[1] / 2 * float(stage.board.up[2])
    if lowest < -5.0:
        add(
            "board's lower edge",
            f"The board's lower edge would be {-lowest:.0f} mm behind the panel's plane.",
            "no matter if the panel hangs free; on a bench, raise the board with a smaller angle or move it away",
            stops=False,
        )
    if f.stripe_px < THRESHOLDS["stripe_px"]:
        need = math.ceil(shot.period_mm * THRESHOLDS["stripe_px"] / max(f.stripe_px, 0.1))
        add(
            "fine stripes",
            f"A stripe is {f.stripe_px:.1f} photo pixels where it is finest; {THRESHOLDS['stripe_px']:g} are wanted.",
            f"use stripes of {need:.0f} mm, or go closer",
            stops=f.stripe_px < THRESHOLDS["stripe_px_least"],
        )
    if f.stripes_across < THRESHOLDS["stripes_across_least"] + 1:
        need = shot.period_mm * f.stripes_across / (THRESHOLDS["stripes_across_least"] + 1)
        add(
            "few stripes",
            f"Only {f.stripes_across:.1f} stripes lie over the panel.",
            f"use stripes of {max(math.floor(need), 1):.0f} mm, or move the board away",
            stops=f.stripes_across < THRESHOLDS["stripes_across_least"],
        )
    if not f.contrast_worst >= THRESHOLDS["modulation"]:
        add("contrast", *_weak(shot, f), stops=f.contrast_worst < 0.3 * THRESHOLDS["modulation"])
    if f.tag_px < TAG_PX:
        add(
            "small tags",
            f"The tags are {f.tag_px:.0f} photo pixels wide.",
            f"print them {math.ceil(shot.tag_side_mm * TAG_PX / max(f.tag_px, 1)):.0f} mm wide, or go closer",
            stops=f.tag_px < 0.5 * TAG_PX,
        )
    if trouble:
        add("pose", trouble, "go closer, use larger tags, or look more from the side", stops=True)
    return tuple(found)


def _weak(shot: Shot, f: Figures) -> tuple[str, str]:
    wanted = f"{100 * THRESHOLDS['modulation']:.0f} % is wanted"
    sentence = f"The stripes' contrast falls to {100 * max(f.contrast_worst, 0):.1f} %; {wanted}."
    if f.specular < 0.5:
        lean = _smooth_angle(shot)
        more = f", or look from {lean:.0f} degrees off the normal" if lean < 88 else ""
        return sentence, "wet the surface: water fills the scratches" + more
    if f.lens_factor < 0.7 or shot.surface.texture_mrad > 0:
        return sentence, "use wider stripes, or bring the board closer"
    return sentence, "darken the room, or light the board more"


def _smooth_angle(shot: Shot) -> float:
    """Angle at which roughness leaves 10 % of the picture (Bennett and Porteus)."""
    if shot.surface.rough_um <= 0:
        return 0.0
    share = math.sqrt(math.log(10)) * 0.55 / (4 * math.pi * shot.surface.rough_um)
    return math.degrees(math.acos(min(share, 1.0)))


def _step_back(shot: Shot, stage: Stage) -> float:
    """Camera distance at which the panel fills 92 % of the photo."""
    w, h = shot.panel_mm
    lean = math.radians(shot.angle_deg)
    need = []
    for side, pixels, short in ((w, shot.image_px[0], 0.0), (h * math.cos(lean), shot.image_px[1], 0.0)):
        need.append(side * shot.focal / (0.92 * pixels) + short)
    # The near edge looks larger: the camera must stand off by that much more.
    return max(need) + h / 2 * math.sin(lean)


def _board_needed(shot: Shot, stage: Stage, sight: Sight) -> tuple[float, float]:
    """Width and height of a board, about its middle, that the whole panel would mirror."""
    from surfscan.optics.mirror import hit_board

    x, y = np.meshgrid(sight.x_mm, sight.y_mm)
    hit = hit_board(x, y, sight.z_mm, sight.p, sight.q, camera_mm=stage.pose.centre_mm, board=stage.board)
    if not np.isfinite(hit.across_mm).all():
        return math.inf, math.inf
    pad = 1.02
    return (
        max(2 * pad * float(np.abs(hit.across_mm).max()), shot.board_mm[0]),
        max(2 * pad * float(np.abs(hit.up_mm).max()), shot.board_mm[1]),
    )


def _low(values: np.ndarray[Any, Any], percent: float) -> float:
    good = values[np.isfinite(values)]
    return float(np.percentile(good, percent)) if good.size else 0.0


def _middle(values: np.ndarray[Any, Any]) -> float:
    good = values[np.isfinite(values)]
    return float(np.median(good)) if good.size else math.nan


def _at(width: np.ndarray[Any, Any], depth: np.ndarray[Any, Any], at: float) -> float:
    """Interpolated in logarithms; NaN outside, and where either neighbour has no figure."""
    if not width[0] <= at <= width[-1]:
        return math.nan
    return float(np.exp(np.interp(math.log(at), np.log(width), np.log(depth))))
