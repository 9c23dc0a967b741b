"""One station per photo: its camera, its tags and where it was taken from.

Messages tell apart what goes wrong with tags: none, too few, doubled, unknown, of another dictionary, in a
mirrored photo, swapped, or out of place.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array, Camera, Photo, TagSeen
from surfscan.job.lens_file import camera_for, read_lens
from surfscan.job.photos import focal_from_35mm
from surfscan.job.sheet import Sheet
from surfscan.job.sheet_board import TagsSheet
from surfscan.job.sheet_tables import PhotoSheet
from surfscan.job.tag_mirror import layout_is_mirrored, mirror_alike, without_reflections
from surfscan.job.tags import explain_missing, find_tags
from surfscan.optics.pose import pose_from_corners, pose_from_tags
from surfscan.reading.station import Station

__all__ = ["camera_of", "explain_tags", "level_places", "panel_corners", "see_once", "sharpest", "stand"]

U_FOCAL = {"focal_px": 0.002, "focal_35mm": 0.02, "exif": 0.03}
"""Relative standard uncertainty of a focal length by where it comes from (our estimates: a calibrated one, a
maker's round figure, and the same after focus and cropping have moved it)."""


BLURRED = 0.32
"""Steepest step, as a share of the photo's range, under which nothing in it is sharp."""


def camera_of(sheet: Sheet, photo: Photo) -> tuple[Camera, str]:
    """Build the camera of one photo from the sheet, else from its EXIF.

    Raises
    ------
    RefusedError
        Without any focal length.
    """
    table = sheet.camera
    height, width = photo.image.shape
    if table.lens_file is not None:
        lens = read_lens(sheet.folder / table.lens_file)
        camera = camera_for(lens, (width, height), file=photo.file)
        own = sheet.uncertainty.focal_rel
        return (camera if own is None else replace(camera, u_focal_rel=own)), "lens_file"
    if table.focal_px is not None:
        focal, source = table.focal_px, "focal_px"
    elif table.focal_35mm is not None:
        focal, source = focal_from_35mm(table.focal_35mm, photo.image.shape), "focal_35mm"
    elif photo.focal_px is not None:
        focal, source = photo.focal_px, "exif"
    else:
        raise RefusedError(
            f"{photo.file}: the focal length is not known",
            found="no focal length in the sheet and none in the photo's EXIF",
            allowed="camera.lens_file, focal_px or focal_35mm, or a photo straight from the phone",
            cure="give camera.focal_35mm, which phone makers publish (about 26), or send the original photo",
        )
    centre = table.centre_px or ((width - 1) / 2, (height - 1) / 2)
    if not (-width < centre[0] < 2 * width and -height < centre[1] < 2 * height):
        raise RefusedError(
            "camera.centre_px lies far outside the photo",
            found=str(list(centre)),
            allowed=f"within {width} x {height}",
            cure="give the axis in this photo's own pixels, or leave centre_px out",
        )
    given = sheet.uncertainty.focal_rel
    return Camera(focal, centre, table.distortion, U_FOCAL[source] if given is None else given), source


def stand(
    sheet: Sheet,
    photo: Photo,
    row: PhotoSheet,
    *,
    tags: list[TagSeen] | None = None,
    camera: tuple[Camera, str] | None = None,
) -> Station:
    """Find where one photo was taken from.

    Parameters
    ----------
    sheet : Sheet
    photo : Photo
    row : PhotoSheet
        Its entry in the sheet.
    tags : list of TagSeen, optional
        The panel's tags in it, where they have been found already.
    camera : (Camera, str), optional
        Its camera and where the focal length comes from, where a survey has told them.

    Returns
    -------
    Station

    Raises
    ------
    RefusedError
        See the module's text.
    """
    lens, source = camera_of(sheet, photo) if camera is None else camera
    width = photo.image.shape[1]
    if row.corners_px is not None:
        fit = pose_from_corners(
            np.array(row.corners_px),
            size_mm=sheet.panel.extent_mm,
            camera=lens,
            file=photo.file,
            width_px=width,
        )
        return Station(photo, lens, fit, (), source)
    assert sheet.tags is not None  # the sheet was asked before
    if tags is None:
        tags = _own_tags(sheet, photo)
    _check_tags(tags, sheet, photo)
    fit = pose_from_tags(
        tags,
        centres_mm=sheet.tags.places_mm,
        side_mm=sheet.tags.side_mm,
        camera=lens,
        file=photo.file,
        width_px=width,
    )
    return Station(photo, lens, fit, tuple(tags), source)


def _own_tags(sheet: Sheet, photo: Photo) -> list[TagSeen]:
    """The panel's tags in a photo."""
    assert sheet.tags is not None
    # A null test lives on its poses, so it takes the trouble.
    careful = any(row.reference is not None for row in sheet.photos)
    tags = find_tags(photo, dictionary=sheet.tags.dictionary, thorough=careful)
    if sheet.board is not None and sheet.board.pattern == "dots":
        # Round lights between dark gaps read as tags now and then: only the sheet's own count.
        tags = [tag for tag in tags if tag.id in sheet.tags.centres_mm]
    tags = _less_chance_tags(_less_board_tags(tags, sheet), sheet)
    return without_reflections(tags, sheet.tags.centres_mm, sheet.tags.dictionary)


def _less_board_tags(tags: list[TagSeen], sheet: Sheet) -> list[TagSeen]:
    """Without the board's own tags, which a photo of the panel may show at its rim."""
    assert sheet.tags is not None
    if sheet.board is None or sheet.board.tags is None:
        return tags
    others = set(sheet.board.tags.centres_mm) - set(sheet.tags.centres_mm)
    return [tag for tag in tags if tag.id not in others]


def _less_chance_tags(tags: list[TagSeen], sheet: Sheet) -> list[TagSeen]:
    """Without patterns of the scene that happen to read as a tag: of a size that no tag of this sheet has here."""
    assert sheet.tags is not None
    known = sheet.tags.centres_mm

    def side(tag: TagSeen) -> float:
        return float(np.median(np.linalg.norm(np.diff(tag.corners_px, axis=0), axis=1)))

    sides = [side(tag) for tag in tags if tag.id in known]
    if len(sides) < 3:
        return tags
    least, most = 0.5 * min(sides), 2.0 * max(sides)
    return [tag for tag in tags if tag.id in known or least <= side(tag) <= most]


def explain_tags(photo: Photo, table: TagsSheet) -> RefusedError:
    """Say why a photo shows none of a sheet's tags."""
    if sharpest(photo) < BLURRED:
        return RefusedError(
            f"{photo.file}: no tags found, and nothing in the photo is sharp",
            found=f"the sharpest edge takes {1 / max(sharpest(photo), 1e-3):.1f} px",
            allowed=f"{1 / BLURRED:.1f} px or less",
            cure="hold still or rest the phone on something, tap the panel to focus, and add light",
        )
    why = explain_missing(photo, dictionary=table.dictionary)
    return RefusedError(
        f"{photo.file}: no tags found",
        found=why.split(";", maxsplit=1)[0] if why else "none of the sheet's dictionary",
        allowed=f"tags {', '.join(map(str, table.centres_mm))} of {table.dictionary}"
        if table.centres_mm
        else f"at least three tags of {table.dictionary}",
        cure=why.split("; ", 1)[1]
        if why
        else "check that the tags are flat, uncovered, sharp and not too small",
    )


def see_once(photo: Photo, tags: list[TagSeen], *, of: str = "") -> None:
    """Refuse a photo with a tag at several places; `of` says whose, where there are two sets."""
    counts = Counter(tag.id for tag in tags)
    for tag, count in counts.items():
        if count > 1:
            whose = f" of {of}" if of else ""
            raise RefusedError(
                f"{photo.file}: tag {tag}{whose} is in the photo {count} times",
                allowed="each tag once",
                cure="take the spare away, or print each number once",
                found=f"tag {tag} at several places",
            )


def _check_tags(tags: list[TagSeen], sheet: Sheet, photo: Photo) -> None:
    assert sheet.tags is not None
    known = sheet.tags.centres_mm
    if not tags:
        raise explain_tags(photo, sheet.tags)
    see_once(photo, tags)
    strange = [tag.id for tag in tags if tag.id not in known]
    if strange:
        raise RefusedError(
            f"{photo.file}: tag {strange[0]} is in the photo but not in the sheet",
            allowed=f"tags {', '.join(map(str, known))}",
            cure=f"add its centre to tags.centres_mm, or take tag {strange[0]} away",
            found=f"tag {strange[0]}",
            about="tags",
        )
    alike = mirror_alike(sheet.tags.dictionary)
    if all(tag.id in alike for tag in tags) and layout_is_mirrored(tags, known):
        raise RefusedError(
            f"{photo.file}: the tags lie mirrored, and their prints can't tell",
            found=f"tags {', '.join(str(tag.id) for tag in tags)}, which read as themselves in a mirror",
            allowed="the layout of tags.centres_mm",
            cure="shoot with the main camera, not a mirror or a selfie; print other tags",
        )


def sharpest(photo: Photo) -> float:
    """Steepest brightness step of a photo per pixel, as a share of its range: 0.3 and more when sharp."""
    image = photo.image[::2]
    low, high = (float(v) for v in np.percentile(image[::4, ::4], (1, 99)))
    along = float(np.percentile(np.abs(np.diff(image, axis=1))[:, ::3], 99.9))
    return along / max(high - low, 1e-6)


def level_places(sheet: Sheet) -> Array:
    """Places whose heights define z = 0: the tag centres, else the panel's corners, (N, 2) mm."""
    if sheet.tags is not None and len(sheet.tags.centres_mm) >= 3:
        return np.array(list(sheet.tags.centres_mm.values()), float)
    return panel_corners(sheet)


def panel_corners(sheet: Sheet) -> Array:
    """Corners of the panel's extent, (4, 2) mm: lower left, lower right, upper right, upper left."""
    w, h = sheet.panel.extent_mm
    return 0.5 * np.array([[-w, -h], [w, -h], [w, h], [-w, h]])
