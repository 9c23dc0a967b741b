"""Whether surveyed tags lie on a curved panel, and what that panel's heights and distances then stand on.

A panel whose tags turn against each other by more than `FLAT_DEG` is measured on its own surface: places are distances
along it, heights stand on its normals (`surfscan.core.base`). What can't be measured so is refused here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from surfscan.checking.film import Still
from surfscan.checking.stations import panel_corners
from surfscan.checking.survey import Laid, inside_region, lay_out
from surfscan.core.errors import RefusedError
from surfscan.job.sheet import Sheet
from surfscan.optics.base_fit import LEAST_PLACES, LEAST_TAGS, BaseFit, fit_base
from surfscan.optics.survey import TagSurvey

__all__ = ["FLAT_DEG", "MOST_DEG", "curved_details", "explain_plane", "on_its_surface"]

FLAT_DEG = 18.0
"""Bend over the tags up to which a panel is taken over the plane of its tags: a crown of 2 m radius over 600 mm."""

NARROW_MM, NARROW_DEG = 1000.0, 6.0
"""A panel of a smaller radius is taken on its own surface from this bend on, if it has the tags for that."""

ONE_STAND_DEG = 30.0
"""Bend that photos which must each show the whole panel can light at all: the reflected rays spread by twice that."""

MOST_DEG = 60.0
"""Bend that is measured (our choice, studied up to there: tests/bench/FIGURES.md)."""


def on_its_surface(laid: Laid, given: Sheet, *, sweep: bool) -> Laid:
    """The same job on the panel's own surface, where its tags say that it is curved.

    Parameters
    ----------
    laid : Laid
        With a survey, else nothing tells.
    given : Sheet
        As the user wrote it: whether the region is drawn there.
    sweep : bool
        Whether each photo may show a part of the panel.

    Returns
    -------
    Laid
        Unchanged for a panel that is none.

    Raises
    ------
    RefusedError
        A curved panel that is no sweep, bends too far, both ways or inwards, or has too few tags.
    """
    survey, tags = laid.survey, given.tags
    if survey is None or tags is None:
        return laid
    fit, bend = _bent(survey)
    places = fit.clear_places(tags.side_mm)
    enough = len(survey.ids) >= LEAST_TAGS and places >= LEAST_PLACES
    narrow = fit.base.curvature[0] * NARROW_MM > 1 and bend > NARROW_DEG and enough
    if abs(bend) <= (FLAT_DEG if sweep else ONE_STAND_DEG) and not (sweep and narrow):
        return laid
    if not sweep:
        raise RefusedError(
            f"The panel bends by {abs(bend):.0f} degrees, which no board lights from one place",
            found=f"{len(given.photos)} photo{'s' * (len(given.photos) > 1)}, of a panel whose tags turn that far",
            allowed=f"up to {ONE_STAND_DEG:.0f} degrees, or a sweep",
            cure='use a crossed board (pattern = "crossed") and walk along the bend with 8 to 14 photos of its parts',
        )
    if not enough:
        raise RefusedError(
            f"Too few tags for a panel that bends by {abs(bend):.0f} degrees",
            found=f"{len(survey.ids)} tags at {places} place{'s' * (places > 1)} along the bend",
            allowed=f"at least {LEAST_TAGS} tags, at {LEAST_PLACES} places along the bend or more",
            cure="lay two rows of four along the bend, one row near each end of its straight lines, and shoot again",
        )
    _check_bend(fit, bend)
    sheet = _with_region(laid.sheet, given, fit)
    reach = np.array(sheet.panel.region_mm or panel_corners(sheet), float)
    whole = float(np.degrees(fit.bend_rad(reach[:, 0], reach[:, 1])))
    if whole > MOST_DEG:
        raise RefusedError(
            "The region to judge bends too far",
            found=f"{whole:.0f} degrees in all",
            allowed=f"up to {MOST_DEG:.0f} degrees",
            cure="judge it in parts, each with tags of its own: lay them closer, or give panel.size_mm",
        )
    return replace(laid, sheet=sheet, curved=fit)


def explain_plane(sheet: Sheet, error: RefusedError, stills: Mapping[str, Still]) -> RefusedError:
    """Why tags do not fit the places that the sheet gives: those lie in a plane, and the tags on a curved panel.

    Parameters
    ----------
    sheet : Sheet
    error : RefusedError
        What the photos were refused for; it is given back where that is not the reason.
    stills : mapping of str to Still
        Frames of videos among the photos.
    """
    tags = sheet.tags
    if error.about != "tags" or tags is None or tags.surveyed or tags.heights_mm:
        return error
    free = sheet.model_copy(update={"tags": tags.model_copy(update={"centres_mm": {}})})
    try:
        survey = lay_out(free, stills=stills).survey
    except RefusedError:
        return error
    if survey is None:
        return error
    bend = _bent(survey)[1]
    if abs(bend) <= FLAT_DEG:
        return error
    return RefusedError(
        f"The panel bends by {abs(bend):.0f} degrees, and tags.centres_mm are places in one plane",
        found=f"{len(tags.centres_mm)} centres without heights; {error.found}",
        allowed="on a curved panel, tags that are surveyed from the photos",
        cure="leave tags.centres_mm out of the sheet: the photos tell where the tags lie",
        about="tags",
    )


def _bent(survey: TagSurvey) -> tuple[BaseFit, float]:
    """The surface that the tags lie on, and by how many degrees it bends over them."""
    fit = fit_base(survey.centres_mm, survey.turns, survey.u_mm[:, 2], survey.u_tilt_rad)
    return fit, float(np.degrees(fit.bend_rad(fit.places_mm[:, 0], fit.places_mm[:, 1])))


def _check_bend(fit: BaseFit, bend: float) -> None:
    if bend < 0:
        raise RefusedError(
            "The panel is hollow, and mirrors the board the wrong way round",
            found=f"it bends inwards by {-bend:.0f} degrees",
            allowed=f"a panel that bends outwards; inwards up to {FLAT_DEG:.0f} degrees",
            cure="judge the parts beside the hollow, each with tags of its own",
        )
    v = fit.base.along(fit.places_mm[:, 0], fit.places_mm[:, 1])[1]
    a, b, c = fit.crown
    cos, sin = np.cos(fit.base.turn_rad), np.sin(fit.base.turn_rad)
    across = float(np.degrees(abs(sin * sin * a - 2 * sin * cos * b + cos * cos * c) * np.ptp(v)))
    if across > FLAT_DEG:
        raise RefusedError(
            "The panel bends both ways",
            found=f"{bend:.0f} degrees one way and {across:.0f} degrees the other",
            allowed=f"up to {FLAT_DEG:.0f} degrees the other way",
            cure="judge it in strips along the stronger bend, each with tags of its own",
        )


def _with_region(sheet: Sheet, given: Sheet, fit: BaseFit) -> Sheet:
    """The sheet with its region along the surface: as it was drawn, else the hull of the tags' middles."""
    if given.panel.size_mm is not None:
        return sheet
    return inside_region(sheet, given.panel.region_mm, fit.places_mm[:, :2])


def curved_details(laid: Laid) -> dict[str, Any]:
    """How the panel is bent, for `result.json`; empty for one that is not."""
    fit = laid.curved
    if fit is None or laid.survey is None:
        return {}
    x, y = np.array(laid.sheet.panel.region_mm or panel_corners(laid.sheet), float).T
    base = fit.base
    return {
        "curved": {
            "bend_deg": float(np.degrees(fit.bend_rad(x, y))),
            "radius_mm": float(1 / base.curvature[0]),
            "along_deg": float(np.degrees(base.turn_rad)),
            "tags_mm": {
                str(tag): [float(v) for v in place]
                for tag, place in zip(laid.survey.ids, fit.places_mm, strict=True)
            },
            "tags_off_mm": fit.off_mm,
            "base": {
                "origin_mm": base.origin_mm.tolist(),
                "axes": base.axes.tolist(),
                "turn_rad": base.turn_rad,
                "curvature": base.curvature.tolist(),
                "reach_mm": base.reach_mm,
            },
        }
    }
