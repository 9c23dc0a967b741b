"""Backwards: a low that must be seen, and where that puts board and camera."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import differential_evolution, minimize

from surfscan.core.errors import RefusedError, UsageError
from surfscan.core.message import Phrase
from surfscan.core.photo_limits import THRESHOLDS
from surfscan.plan.contrast import work_out_contrast
from surfscan.plan.forward import plan_shot
from surfscan.plan.problems import TAG_PX
from surfscan.plan.records import Plan
from surfscan.plan.shot import Shot
from surfscan.plan.sight import Stage, build_stage, fold_bend, see
from surfscan.plan.visible import MARGIN, NARROW, fit_of_plan, noise_height, set_up_error
from surfscan.reading.budget import Inputs

__all__ = ["REACH", "Placement", "place_shot"]

REACH: dict[str, tuple[float, float]] = {
    "board_distance_mm": (300.0, 2500.0),
    "camera_distance_mm": (300.0, 2500.0),
    "angle_deg": (15.0, 70.0),
    "period_mm": (8.0, 80.0),
}
"""Between what the search may choose: a workshop's room, and stripes that print easily (our choice)."""

CELLS = 80

LACK = 100.0
"""What missing a need by a factor e costs, in logarithms of the visible depth: to work comes before to be fine."""
_WORD = {
    "board_distance_mm": "board",
    "camera_distance_mm": "camera",
    "angle_deg": "angle",
    "period_mm": "stripes",
}


@dataclass(frozen=True, slots=True)
class Placement:
    """Where board and camera go.

    Attributes
    ----------
    plan : Plan
        Of the best set-up found, with round figures.
    depth_mm, width_mm : float
        What was asked for.
    reached : bool
        Whether a low of that depth and width is visible, and does not fold over.
    told : Phrase
        The answer in words; when not reached, the nearest thing that works.
    """

    plan: Plan
    depth_mm: float
    width_mm: float
    reached: bool
    told: Phrase

    @property
    def sentence(self) -> str:
        """The answer in words, mm."""
        return self.told.say()


def place_shot(
    shot: Shot,
    *,
    depth_mm: float,
    width_mm: float,
    reach: Mapping[str, tuple[float, float]] | None = None,
    inputs: Inputs | None = None,
    seed: int = 1,
) -> Placement:
    """Find where board and camera must be for a low to be visible.

    Differential evolution (Storn and Price 1997) over distances, angle and stripe period, on what is cheap to
    work out, finds where everything is seen; Nelder and Mead's simplex then makes the smallest visible depth least,
    with the set-up's uncertainties propagated.

    Parameters
    ----------
    shot : Shot
        Panel, camera, board's size, surface and light; its distances, angle and period are where to start from.
    depth_mm, width_mm : float
        The low that must be seen; width from foot to foot.
    reach : mapping of name to (least, most), optional
        Replaces entries of `REACH`; equal ends fix a value.
    inputs : Inputs, optional
    seed : int
        Of the search, which gives the same answer each time.

    Raises
    ------
    UsageError
        For a low that is none, or an empty reach.
    """
    if not (depth_mm > 0 and width_mm > 0 and math.isfinite(depth_mm * width_mm)):
        raise UsageError(
            "The low to be seen needs a depth and a width",
            found=f"{depth_mm:g} mm over {width_mm:g} mm",
            allowed="both over 0",
            cure="give the low that must not be missed",
        )
    if width_mm > 0.8 * min(shot.panel_mm):
        raise UsageError(
            f"A low {width_mm:g} mm wide can't be told from the form of this panel",
            allowed=f"up to {0.8 * min(shot.panel_mm):.0f} mm",
            cure="plan a larger part of the panel",
            found=f"{width_mm:g} mm on {min(shot.panel_mm):g} mm",
        )
    bounds = dict(REACH)
    for name, ends in (reach or {}).items():
        if name not in REACH or not 0 < ends[0] <= ends[1]:
            raise UsageError(
                f"The reach of {name} is none",
                found=str(ends),
                allowed=", ".join(REACH),
                cure="choose from those",
            )
        bounds[name] = (float(ends[0]), float(ends[1]))
    search = _Search(shot, depth_mm, width_mm, bounds, inputs)
    best = search.run(seed)
    plan = plan_shot(best, inputs=inputs, changes=False)
    smallest = plan.smallest_at(width_mm)
    deepest = plan.deepest_at(width_mm)
    reached = plan.works and smallest <= depth_mm < deepest
    return Placement(
        plan, depth_mm, width_mm, reached, _answer(plan, depth_mm, width_mm, smallest, deepest, reached)
    )


class _Search:
    """The search's variables are the logarithms of lengths, and the angle."""

    def __init__(
        self,
        shot: Shot,
        depth: float,
        width: float,
        bounds: dict[str, tuple[float, float]],
        inputs: Inputs | None,
    ) -> None:
        self._shot, self._depth, self._width, self._inputs = shot, depth, width, inputs
        self._fixed = {n: b[0] for n, b in bounds.items() if b[0] == b[1]}
        self._names = [n for n in bounds if n not in self._fixed]
        self._bounds = [
            bounds[n] if n == "angle_deg" else (math.log(bounds[n][0]), math.log(bounds[n][1]))
            for n in self._names
        ]

    def run(self, seed: int) -> Shot:
        if not self._names:
            return self._shot.with_changes(**self._fixed)
        found = differential_evolution(
            self._cheap,
            self._bounds,
            maxiter=16,
            popsize=7,
            seed=seed,
            tol=1e-3,
            polish=False,
            init="sobol",
            x0=self._start(),
        )
        fine = minimize(
            self._whole,
            found.x,
            method="Nelder-Mead",
            bounds=self._bounds,
            options={"maxfev": 45, "xatol": 0.01, "fatol": 0.01, "initial_simplex": self._simplex(found.x)},
        )
        return self._rounded(fine.x if fine.fun < self._whole(found.x) else found.x)

    def _start(self) -> np.ndarray[Any, Any]:
        """The shot's own values, within reach."""
        own = [
            getattr(self._shot, n) if n == "angle_deg" else math.log(getattr(self._shot, n))
            for n in self._names
        ]
        return np.array([min(max(v, b[0]), b[1]) for v, b in zip(own, self._bounds, strict=True)])

    def _simplex(self, start: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        corners = [start]
        for k, (low, high) in enumerate(self._bounds):
            moved = start.copy()
            step = 0.12 * (high - low)
            moved[k] += step if start[k] + step < high else -step
            corners.append(moved)
        return np.array(corners)

    def _at(self, place: np.ndarray[Any, Any]) -> Shot:
        values = {
            n: float(v if n == "angle_deg" else math.exp(v)) for n, v in zip(self._names, place, strict=True)
        }
        return self._shot.with_changes(**self._fixed, **values)

    def _rounded(self, place: np.ndarray[Any, Any]) -> Shot:
        shot = self._at(place)
        steps = {"board_distance_mm": 10.0, "camera_distance_mm": 10.0, "angle_deg": 1.0, "period_mm": 1.0}
        return shot.with_changes(
            **{n: max(round(getattr(shot, n) / steps[n]) * steps[n], steps[n]) for n in self._names}
        )

    def _cheap(self, place: np.ndarray[Any, Any]) -> float:
        shot = self._at(place)
        stage = build_stage(shot)
        lacking, noise, share = self._lacking(shot, stage)
        # The set-up's part falls with the distance, about; it is worked out only at the end.
        return lacking + math.log(max(math.hypot(noise, 2.0 / shot.board_distance_mm), 1e-9) / share)

    def _whole(self, place: np.ndarray[Any, Any]) -> float:
        shot = self._at(place)
        stage = build_stage(shot)
        lacking, noise, share = self._lacking(shot, stage)
        try:
            fit = fit_of_plan(shot, stage)
        except RefusedError:
            return 1e3 + lacking
        known = set_up_error(
            shot, stage, see(shot, stage, cells=CELLS), fit, noise_mm=noise, inputs=self._inputs
        )
        total = known.total_mm(self._width / min(shot.panel_mm))
        if not math.isfinite(total):
            return 1e3 + lacking
        return lacking + math.log(MARGIN * total / share)

    def _lacking(self, shot: Shot, stage: Stage) -> tuple[float, float, float]:
        """By how much the shot fails what is needed (0: by nothing), its noise, and what a low of the width reads."""
        sight = see(shot, stage, cells=CELLS, to_rim=True)
        contrast = work_out_contrast(shot, stage, sight)
        use = sight.useful
        few = max(float(use.mean()), 1e-3)
        if use.sum() < 8:
            return 400.0 * (2 - float(sight.in_photo.mean()) - float(sight.on_board.mean())), 1.0, 1.0
        finest = float(np.nanpercentile(sight.stripe_px[:, use], 5))
        wide = float(np.nanmax([np.nanmedian(s[use]) for s in sight.stripe_mm]))
        count = min(
            side / np.nanmedian(s[use]) for side, s in zip(shot.panel_mm, sight.stripe_mm, strict=True)
        )
        worst = float(np.nanpercentile(contrast.contrast[:, use], 5))
        tag = shot.tag_side_mm * math.sqrt(
            float(np.nanmin(sight.pixels_per_mm2[use])) * float(np.nanmin(sight.cos_in))
        )
        bend = float(
            np.nanmin(fold_bend(shot, stage, np.array([-0.25, 0, 0.25]) * shot.panel_mm[0], np.zeros(3)))
        )
        lowest = float(stage.board.centre_mm[2]) - shot.board_mm[1] / 2 * float(stage.board.up[2])
        needs = (
            (few, 0.999),
            (1 - float(sight.blocked.mean()), 0.999),
            (finest, 1.15 * THRESHOLDS["stripe_px"]),
            (float(count), THRESHOLDS["stripes_across_least"] + 2),
            (max(worst, 1e-6), 1.2 * THRESHOLDS["modulation"]),
            (tag, 1.05 * TAG_PX),
            (self._width / wide, 1.7 * NARROW),
            (bend * self._width**2 / 16, 1.5 * self._depth),
        )
        lacking = sum(LACK * max(math.log(wanted / max(has, 1e-9)), 0) for has, wanted in needs)
        lacking += LACK * max(-lowest / shot.board_mm[1], 0)
        noise = noise_height(shot, sight, contrast)
        share = 2 ** (-((NARROW * wide / self._width) ** 3))
        return lacking, min(noise, 10.0), max(share, 1e-3)


def _answer(plan: Plan, depth: float, width: float, smallest: float, deepest: float, reached: bool) -> Phrase:
    shot = plan.shot
    where = Phrase.of(
        "Board at {board:length} with stripes of {period:given}, camera at {camera:length},"
        " both {angle:.0f} degrees off the panel's normal",
        board=shot.board_distance_mm,
        period=shot.period_mm,
        camera=shot.camera_distance_mm,
        angle=shot.angle_deg,
    )
    stops = [p for p in plan.problems if p.stops]
    read = plan.curve.width_mm[np.isfinite(plan.curve.smallest_mm)]
    nothing = "Nothing in reach shows {asked}."
    if reached:
        text = (
            "{where}: lows from {smallest:depth_bare} to {deepest:deep} deep over {width:given} are seen;"
            " {asked} is one."
        )
    elif stops:
        text = nothing + " The nearest is: {where}. {stop} Cure: {cure}."
    elif deepest <= depth:
        text = (
            "A low of {asked} folds the reflection over wherever board and camera stand in reach: at most"
            " {deepest:deep} can be followed. {where} comes nearest; bring board and camera closer."
        )
    elif math.isfinite(smallest):
        text = "A low of {asked} is too shallow to tell. {where} comes nearest: {smallest:depth} is seen."
    elif read.size:
        text = (
            "A low {width:given} wide is not read at its depth. {where} comes nearest: lows from {narrowest:length}"
            " wide are; use a camera with more pixels, or a smaller panel."
        )
    else:
        text = nothing + " {where} comes nearest."
    return Phrase.of(
        text,
        where=where,
        asked=Phrase.of("{depth:given} over {width:given}", depth=depth, width=width),
        width=width,
        smallest=smallest,
        deepest=deepest,
        narrowest=float(read[0]) if read.size else math.nan,
        stop=stops[0].told if stops else "",
        cure=stops[0].remedy if stops else "",
    )
