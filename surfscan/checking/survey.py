"""Tags that nobody measured, and a region that nobody drew: both from the job's own photos.

Without ``tags.centres_mm`` the tags are surveyed (`surfscan.optics.survey`) from all photos and the set-up photo
together; without ``panel.size_mm`` the region is the hull of the tags' middles.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from surfscan.checking.film import Still, photo_of
from surfscan.checking.stations import camera_of, explain_tags, see_once
from surfscan.core.errors import RefusedError
from surfscan.core.records import Array, Camera, Photo, TagSeen
from surfscan.job.photo_quality import check_exposure
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet
from surfscan.job.tags import find_tags
from surfscan.optics.base_fit import BaseFit
from surfscan.optics.board_pose import BoardFit
from surfscan.optics.survey import Shot, TagSurvey, survey_tags
from surfscan.reading.propagation import Inputs
from surfscan.reading.station import Station

__all__ = ["Laid", "inside_region", "lay_out", "needs_layout"]

Region = tuple[tuple[float, float], ...]
"""Corners of a region, mm."""

MOST_SHOTS = 40
"""Photos that a survey takes: the rest of a long sweep add nothing."""

LEAST_FOCAL_REL = 0.002
"""A focal length that photos of a panel tell is not trusted more than a calibrated one: the lens may not be as told."""


@dataclass(frozen=True, slots=True)
class Laid:
    """A job with everything in it that its photos had to tell.

    Attributes
    ----------
    sheet : Sheet
        With the tags' centres and heights, and with a region.
    survey : TagSurvey or None
        None where the tags were measured by hand.
    tags : dict of str to list of TagSeen
        The panel's tags in each photo that was surveyed.
    cameras : dict of str to (Camera, str)
        The photos' cameras with the focal length as surveyed, and where it comes from.
    setup : Photo or None
        The set-up photo, where it has been read.
    curved : BaseFit, optional
        What the panel is measured on, where it is curved (`surfscan.checking.curved`).
    """

    sheet: Sheet
    survey: TagSurvey | None = None
    tags: dict[str, list[TagSeen]] = field(default_factory=dict)
    cameras: dict[str, tuple[Camera, str]] = field(default_factory=dict)
    setup: Photo | None = None
    curved: BaseFit | None = None

    def stations(self, stations: list[Station]) -> list[Station]:
        """Stations with what the survey leaves open in their poses."""
        if self.survey is None:
            return stations
        return [replace(s, fit=self.survey.on_pose(s.fit, s.camera.focal_px)) for s in stations]

    def board(self, fit: BoardFit, inputs: Inputs) -> BoardFit:
        """A board's pose with the same."""
        if self.survey is None:
            return fit
        fit = self.survey.on_pose(fit, fit.focal_px)
        lens = inputs.focal_rel * fit.focal_px * fit.by_focal
        return replace(fit, covariance=fit.own + fit.by_survey @ fit.by_survey.T + np.outer(lens, lens))

    def inputs(self, inputs: Inputs) -> Inputs:
        """How well the set-up is known, the focal length as surveyed."""
        return inputs if self.survey is None else replace(inputs, focal_rel=self.survey.u_stretch)

    def details(self) -> dict[str, Any]:
        """The survey for `result.json`; empty without one."""
        if self.survey is None:
            return {}
        found = self.survey
        return {
            "survey": {
                "tags_mm": {
                    str(t): [float(v) for v in c] for t, c in zip(found.ids, found.centres_mm, strict=True)
                },
                "u_mm": {str(t): [float(v) for v in u] for t, u in zip(found.ids, found.u_mm, strict=True)},
                "focal_stretch": found.stretch,
                "u_focal_rel": found.u_stretch,
                "reprojection_px": found.reprojection_px,
                "photos_px": found.residual_px,
            }
        }


def needs_layout(sheet: Sheet) -> bool:
    """Whether photos or tags have to tell where the tags lie, or what is judged."""
    return sheet.tags is not None and (sheet.tags.surveyed or sheet.panel.size_mm is None)


def lay_out(
    sheet: Sheet,
    photos: list[Photo] | None = None,
    *,
    setup: bool = True,
    stills: Mapping[str, Still] | None = None,
) -> Laid:
    """Fill in what the sheet leaves to the photos.

    Parameters
    ----------
    sheet : Sheet
    photos : list of Photo, optional
        The job's photos, the set-up photo too if it has been read; without them each is read and dropped again, as a
        sweep wants it.
    setup : bool
        Whether the set-up photo is read too.
    stills : mapping of str to Still, optional
        Frames of videos among the photos.

    Returns
    -------
    Laid
        The sheet as it is, when it leaves nothing open.

    Raises
    ------
    RefusedError
        As `surfscan.optics.survey.survey_tags` does, and for a tag that is in a photo twice.
    """
    if not needs_layout(sheet):
        return Laid(sheet)
    assert sheet.tags is not None
    if not sheet.tags.surveyed:
        return Laid(_with_region(sheet))
    sweep = photos is None
    shots: list[Shot] = []
    sources: dict[str, str] = {}
    read_setup: Photo | None = None
    last: RefusedError | None = None
    frames = stills or {}
    for photo in _each(sheet, photos, setup=setup, stills=frames):
        is_setup = sheet.board is not None and photo.file == sheet.board.setup_photo
        try:
            check_exposure(photo)
            camera, sources[photo.file] = camera_of(sheet, photo)
            still = frames.get(photo.file)
            tags = _panel_tags(sheet, photo) if still is None else still.tags(camera)
            shots.append(Shot(photo.file, photo.image.shape[1], camera, tuple(tags)))
        except RefusedError as error:
            if is_setup or not sweep:
                raise
            last = error
        if is_setup:
            read_setup = photo
    if not shots:
        raise last or RefusedError(
            "There is no photo to survey the tags from",
            found="none",
            allowed="one photo and more",
            cure="name the photos in the sheet",
        )
    shots = _less_chance(shots)
    used = [shot for shot in shots if not sweep or len(shot.tags) >= 3] or shots
    if len(used) > MOST_SHOTS:
        pick = {round(k) for k in np.linspace(0, len(used) - 1, MOST_SHOTS)}
        used = [
            shot for k, shot in enumerate(used) if k in pick or shot.file == (read_setup and read_setup.file)
        ]
    rel = max(shot.camera.u_focal_rel for shot in used)
    found = survey_tags(
        used,
        side_mm=sheet.tags.side_mm,
        u_side_mm=sheet.uncertainty.tag_side_mm or Inputs().tag_side_mm,
        u_focal_rel=rel,
    )
    found = replace(found, u_stretch=max(found.u_stretch, min(rel, LEAST_FOCAL_REL)))
    cameras = {
        shot.file: (
            replace(shot.camera, focal_px=shot.camera.focal_px * found.stretch, u_focal_rel=found.u_stretch),
            sources[shot.file],
        )
        for shot in shots
    }
    known = {shot.file: [tag for tag in shot.tags if tag.id in found.ids] for shot in shots}
    return Laid(_with_region(_with_tags(sheet, found)), found, known, cameras, read_setup)


def _each(
    sheet: Sheet, photos: list[Photo] | None, *, setup: bool, stills: Mapping[str, Still]
) -> Iterator[Photo]:
    """The job's photos and the set-up photo, each once."""
    name = sheet.board.setup_photo if setup and sheet.board is not None else None
    if photos is not None:
        yield from photos
    else:
        for row in sheet.photos:
            yield photo_of(sheet, row, stills)
    given = {photo.file for photo in photos or ()} | {row.file for row in sheet.photos}
    if name is not None and name not in given:
        yield read_photo(sheet.folder / name, name)


def _panel_tags(sheet: Sheet, photo: Photo) -> list[TagSeen]:
    """All tags of a photo but the board's.

    Raises
    ------
    RefusedError
        None, or one twice.
    """
    assert sheet.tags is not None
    board = None if sheet.board is None else sheet.board.tags
    others = set() if board is None or board.dictionary != sheet.tags.dictionary else set(board.centres_mm)
    found = find_tags(photo, dictionary=sheet.tags.dictionary, thorough=True)
    found = [tag for tag in found if tag.id not in others]
    if not found:
        raise explain_tags(photo, sheet.tags)
    see_once(photo, found)
    return found


def _less_chance(shots: list[Shot]) -> list[Shot]:
    """Without patterns that happen to read as a tag: in one photo of several, and of a size of their own."""
    seen = Counter(tag.id for shot in shots for tag in shot.tags)

    def side(tag: TagSeen) -> float:
        return float(np.median(np.linalg.norm(np.diff(tag.corners_px, axis=0), axis=1)))

    kept = []
    for shot in shots:
        sides = [side(tag) for tag in shot.tags if seen[tag.id] > 1 or len(shots) == 1]
        usual = float(np.median(sides)) if len(sides) >= 3 else 0.0
        good = [
            tag
            for tag in shot.tags
            if (seen[tag.id] > 1 and len(shots) > 1) or not usual or 0.5 * usual <= side(tag) <= 2 * usual
        ]
        kept.append(replace(shot, tags=tuple(good)))
    return kept


def _with_tags(sheet: Sheet, found: TagSurvey) -> Sheet:
    assert sheet.tags is not None
    centres = {tag: (float(c[0]), float(c[1])) for tag, c in zip(found.ids, found.centres_mm, strict=True)}
    heights = {tag: float(c[2]) for tag, c in zip(found.ids, found.centres_mm, strict=True)}
    tags = sheet.tags.model_copy(update={"centres_mm": centres, "heights_mm": heights})
    return sheet.model_copy(update={"tags": tags})


def _with_region(sheet: Sheet) -> Sheet:
    """The sheet with a size; without one the region is the hull of the tags' middles."""
    if sheet.panel.size_mm is not None:
        return sheet
    assert sheet.tags is not None
    return inside_region(sheet, sheet.panel.region_mm, np.array(list(sheet.tags.centres_mm.values()), float))


def inside_region(sheet: Sheet, drawn: Region | None, centres: Array) -> Sheet:
    """The sheet judged inside a region, as drawn or else the hull of places (N, 2), and of the size that holds it.

    Raises
    ------
    RefusedError
        Nothing drawn, and places in one line.
    """
    region = drawn or _hull(centres)
    reach = np.abs(np.array(region)).max(0)
    size = float(2 * reach[0]), float(2 * reach[1])
    panel = sheet.panel.model_copy(update={"size_mm": size, "region_mm": region})
    return sheet.model_copy(update={"panel": panel})


def _hull(centres: Array) -> Region:
    from scipy.spatial import ConvexHull, QhullError

    try:
        corners = centres[ConvexHull(centres).vertices]
    except QhullError:
        raise RefusedError(
            "panel.size_mm is missing, and the tags span no region",
            found=f"{len(centres)} tags" + (" in one line" if len(centres) > 2 else ""),
            allowed="three tags or more round what is to be judged, or panel.size_mm",
            cure="lay a tag near each corner, or give panel.size_mm",
        ) from None
    return tuple((float(x), float(y)) for x, y in corners)
