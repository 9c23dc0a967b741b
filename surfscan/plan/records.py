"""What a planned shot is told in: figures, problems, changes, and the plan that holds them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from surfscan.core.message import Phrase
from surfscan.optics.pose import PoseFit
from surfscan.plan.contrast import Contrast
from surfscan.plan.shot import Shot
from surfscan.plan.sight import Sight, Stage
from surfscan.plan.visible import Known, Visible

__all__ = ["Change", "Figures", "Plan", "Problem", "Work"]


@dataclass(frozen=True, slots=True)
class Problem:
    """Why the shot will not do, or will do badly.

    Attributes
    ----------
    name : str
    told, remedy : Phrase
        What is wrong, and the nearest thing that works; `sentence` and `cure` are those in mm.
    stops : bool
        Whether the check would refuse the photo, or most of the panel, for it.
    """

    name: str
    told: Phrase
    remedy: Phrase
    stops: bool

    @property
    def sentence(self) -> str:
        return self.told.say()

    @property
    def cure(self) -> str:
        return self.remedy.say()

    def row(self) -> dict[str, Any]:
        """As `plan.json` lists it."""
        return {"name": self.name, "sentence": self.sentence, "cure": self.cure, "stops": self.stops}


@dataclass(frozen=True, slots=True)
class Change:
    """One change to the set-up, and what it brings."""

    name: str
    told: Phrase
    value: float
    smallest_mm: float
    solves: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """What to change, mm."""
        return self.told.say()

    def row(self) -> dict[str, Any]:
        """As `plan.json` lists it."""
        return {
            "name": self.name,
            "sentence": self.sentence,
            "value": self.value,
            "smallest_mm": self.smallest_mm,
            "solves": self.solves,
        }


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


def _at(width: np.ndarray[Any, Any], depth: np.ndarray[Any, Any], at: float) -> float:
    """Interpolated in logarithms; NaN outside, and where either neighbour has no figure."""
    if not width[0] <= at <= width[-1]:
        return math.nan
    return float(np.exp(np.interp(math.log(at), np.log(width), np.log(depth))))
