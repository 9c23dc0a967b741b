"""A panel larger than its board's reflection: how many photos of a sweep, and from where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from surfscan.core.quarters import part_named
from surfscan.core.records import Array
from surfscan.core.units import MM, Units
from surfscan.optics.standing import Sightline, Standing, choose_places
from surfscan.plan.shot import Shot
from surfscan.plan.sight import build_stage, see

__all__ = ["SweepPlan", "plan_sweep", "sweep_document", "sweep_text"]

ENOUGH = 0.97
"""Share of the panel that a sweep should show."""

CELLS = 500
"""Places over the panel that the choice looks at."""


@dataclass(frozen=True, slots=True)
class SweepPlan:
    """Places for the photos of a sweep.

    Attributes
    ----------
    shot : Shot
        Panel, board, camera and its usual distance.
    x_mm : ndarray (W,)
    y_mm : ndarray (H,)
        Places on the panel that were looked at.
    photos : tuple of Standing
        In the order to take them.
    share : float
        Of the panel that they show together.
    """

    shot: Shot
    x_mm: Array
    y_mm: Array
    photos: tuple[Standing, ...]
    share: float

    @property
    def works(self) -> bool:
        """Whether they show enough of the panel."""
        return self.share >= ENOUGH

    def middles_mm(self) -> list[tuple[float, float]]:
        """The middle of what each photo shows first, (x, y)."""
        done = np.zeros((self.y_mm.size, self.x_mm.size), bool)
        out = []
        for photo in self.photos:
            rows, columns = np.nonzero(photo.shows & ~done)
            out.append((float(self.x_mm[columns].mean()), float(self.y_mm[rows].mean())))
            done |= photo.shows
        return out

    def unseen_mm(self) -> tuple[float, float] | None:
        """The middle of what none shows, (x, y); None where that is next to nothing."""
        none = ~np.any([photo.shows for photo in self.photos], axis=0) if self.photos else np.array(True)
        rows, columns = np.nonzero(np.broadcast_to(none, (self.y_mm.size, self.x_mm.size)))
        if self.works or not rows.size:
            return None
        return float(self.x_mm[columns].mean()), float(self.y_mm[rows].mean())


def plan_sweep(shot: Shot, *, most: int = 60) -> SweepPlan:
    """Choose where to take the photos of a sweep from: board and panel stay where they are.

    Parameters
    ----------
    shot : Shot
        The board stands where `build_stage` puts it; the camera's distance is the usual one of the photos.
    most : int
        Photos at most; a job takes 60.

    Returns
    -------
    SweepPlan
    """
    stage = build_stage(shot)
    sight = see(shot, stage, cells=CELLS, to_rim=True)
    x, y = np.meshgrid(sight.x_mm, sight.y_mm)
    tags = np.array(list(stage.tags.centres_mm.values()))
    line = Sightline(
        np.stack([x, y, sight.z_mm]), sight.p, sight.q, stage.board, tags, stage.camera, shot.image_px
    )
    photos = choose_places(line, distance_mm=shot.camera_distance_mm, most=most)
    return SweepPlan(shot, sight.x_mm, sight.y_mm, photos, sum(photo.fresh_share for photo in photos))


def sweep_text(plan: SweepPlan, units: Units = MM) -> list[str]:
    """The places as lines of text."""
    if not plan.photos:
        return [
            "No place of the camera shows this board in the panel with its tags in the photo.",
            "Use a larger board or a lens that sees more, or move the board.",
        ]
    count = len(plan.photos)
    many = "1 photo" if count == 1 else f"{count} photos"
    shows = "shows" if count == 1 else "show"
    rows = [
        f"{many} of crossed stripes, by hand from these places, {shows} {100 * plan.share:.0f} % of the panel. Board",
        "and panel stay where they are; aim at the panel's middle, all tags in the photo. A hand's breadth does",
        "not matter. With plain stripes: all of them, then the board turned a quarter in its place and all again.",
        "",
        f"No.    x {units.word}    y {units.word}    z {units.word}   shows   new   most of it",
    ]
    for k, (photo, at) in enumerate(zip(plan.photos, plan.middles_mm(), strict=True), 1):
        x, y, z = (units.bare(units.length(float(v))) for v in photo.camera_mm)
        part = part_named(*at, plan.shot.panel_mm)
        rows.append(
            f"{k:>3} {x:>7} {y:>7} {z:>7} {photo.shows.mean():>6.0%} {photo.fresh_share:>5.0%}   {part}"
        )
    rows.append("x to the right, y up along the panel, z out of it, from its middle.")
    unseen = plan.unseen_mm()
    if unseen is not None:
        rows.append(
            f"{100 * (1 - plan.share):.0f} % is shown by none, most of it {part_named(*unseen, plan.shot.panel_mm)}: "
            "use a larger board, or shoot the panel in two parts."
        )
    return rows


def sweep_document(plan: SweepPlan) -> dict[str, Any]:
    """As `plan.json` has it."""
    return {
        "works": plan.works,
        "share": plan.share,
        "photos": [
            {
                "camera_mm": photo.camera_mm.tolist(),
                "shows_share": float(photo.shows.mean()),
                "new_share": photo.fresh_share,
                "part": part_named(*at, plan.shot.panel_mm),
            }
            for photo, at in zip(plan.photos, plan.middles_mm(), strict=True)
        ],
    }
