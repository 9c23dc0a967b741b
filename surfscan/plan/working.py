"""A shot worked out: traced, its contrast and uncertainties, and what is wrong with it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from surfscan.core.errors import RefusedError, UsageError
from surfscan.optics.pose import PoseFit
from surfscan.plan.contrast import Contrast, work_out_contrast
from surfscan.plan.problems import find_problems
from surfscan.plan.records import Figures, Work
from surfscan.plan.shot import Shot
from surfscan.plan.sight import Sight, Stage, build_stage, see
from surfscan.plan.visible import ORDERS, Known, fit_of_plan, fold_depth, noise_height, set_up_error
from surfscan.reading.budget import Inputs

__all__ = ["work_out"]

CELLS = 400
"""Places over the panel that a plan looks at: set-up effects are smooth."""


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
            allowed="a camera in front of the panel",
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
    problems = find_problems(shot, stage, sight, figures, trouble)
    return Work(stage, sight, contrast, figures, known, problems, fit)


def _figures(shot: Shot, stage: Stage, sight: Sight, contrast: Contrast, known: Known) -> Figures:
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


def _low(values: np.ndarray[Any, Any], percent: float) -> float:
    good = values[np.isfinite(values)]
    return float(np.percentile(good, percent)) if good.size else 0.0


def _middle(values: np.ndarray[Any, Any]) -> float:
    good = values[np.isfinite(values)]
    return float(np.median(good)) if good.size else math.nan
