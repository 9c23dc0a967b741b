"""Where the camera stood, from the tags on the panel or from the panel's corners.

Tags lie on the surface, so on a crowned panel each tilts with it and its corners leave the plane of the tag
centres. The model therefore gives each tag its own turn (free) and tilt (held by a wide prior) about its
known centre, and fits those with the camera's pose by least squares.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations

import cv2
import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array, Camera, Pose, TagSeen
from surfscan.optics.lens import undistort
from surfscan.optics.planar_pose import planar_starts
from surfscan.optics.pose_checks import BLAMED, CORNER_NOISE_PX, PANEL, limit_px
from surfscan.optics.pose_fit import TILT_PRIOR_RAD, State, fit_state, pose_model, seen_points
from surfscan.optics.tag_blame import tags_to_blame
from surfscan.optics.tag_shape import tag_corners

__all__ = [
    "TILT_PRIOR_RAD",
    "PoseFit",
    "pose_from_corners",
    "pose_from_tags",
]


@dataclass(frozen=True, slots=True)
class PoseFit:
    """A pose with what the fit learned about the tags.

    Attributes
    ----------
    pose : Pose
    tag_turn_rad : dict of int to float
        How each tag is turned about its own centre, anticlockwise seen from the front.
    tag_tilt : dict of int to ndarray (2,)
        Slopes (dz/dx, dz/dy) of each tag: a first look at the crown.
    residual_px : dict of int to float
        Root mean square corner error of each tag.
    by_focal : ndarray (6,)
        What a focal length longer by 1 px does to the pose (rotation vector, rad; shift, mm).
    by_tag : dict of int to ndarray (6, 2) or (6, 3)
        What a tag laid 1 mm off in x or y (or z, where heights were given) does to it.
    by_survey : ndarray (6, K)
        Where the tags were surveyed: what each independent change of the survey does, one standard uncertainty each,
        the tags' side last (`surfscan.optics.survey`); K is 0 where they were measured by hand.
    misses_px : dict of int to ndarray (4, 2)
        Projected less seen corners of each tag.
    by_shutter : Pose, optional
        Of a frame with a rolling shutter: the pose if its read-out took one standard uncertainty longer.
    """

    pose: Pose
    tag_turn_rad: dict[int, float]
    tag_tilt: dict[int, Array]
    residual_px: dict[int, float]
    by_focal: Array
    by_tag: dict[int, Array]
    by_survey: Array = field(default_factory=lambda: np.zeros((6, 0)))
    misses_px: dict[int, Array] = field(default_factory=dict)
    by_shutter: Pose | None = None


def pose_from_tags(
    tags: list[TagSeen],
    *,
    centres_mm: Mapping[int, tuple[float, ...]],
    side_mm: float,
    camera: Camera,
    file: str = "photo",
    width_px: int = 1600,
    near: PoseFit | None = None,
) -> PoseFit:
    """Fit the camera's pose to the tags seen.

    Parameters
    ----------
    tags : list of TagSeen
        Those found in the photo; ids not in the sheet must have been dealt with before.
    centres_mm : dict of id to (x, y) or (x, y, z)
        Tag centres in the panel frame; all with a height, or all without, which is 0 then.
    side_mm : float
        Side of the black square.
    camera : Camera
    file : str
        Name for messages.
    width_px : int
        Width of the photo, which scales the limit of a poor fit.
    near : PoseFit, optional
        Of a frame of the same video: a fit that starts there is taken when it is good, which spares looking for others.

    Returns
    -------
    PoseFit

    Raises
    ------
    RefusedError
        Too few tags, tags in line, positions that don't fit, or two poses that fit alike.
    """
    known = [tag for tag in tags if tag.id in centres_mm]
    if len(known) < 3:
        raise RefusedError(
            f"{file}: too few tags for a camera pose",
            found=f"{len(known)} of {len(centres_mm)} tags ({_ids(known) or 'none'})",
            allowed="at least 3, better 4",
            cure="uncover the tags, or step back until all are in the photo",
        )
    flat = np.array([centres_mm[tag.id][:2] for tag in known], float)
    if np.linalg.svd(flat - flat.mean(0), compute_uv=False)[1] < 0.5 * side_mm:
        raise RefusedError(
            f"{file}: the tags seen lie in one line, which leaves the camera's tilt open",
            found=_ids(known),
            cure="show a tag off that line",
            allowed="three tags or more that are not in one line",
        )
    limit = limit_px(width_px)
    if near is not None and all(tag.id in near.tag_tilt for tag in known):
        ideal = np.stack([undistort(tag.corners_px, camera=camera) for tag in known])
        start = np.concatenate([cv2.Rodrigues(near.pose.rotation)[0].ravel(), near.pose.shift_mm])
        lie = np.array([[near.tag_turn_rad[tag.id], *near.tag_tilt[tag.id]] for tag in known])
        found = _refine(start, known, ideal, centres_mm, side_mm, camera, lie)
        usual = near.pose.reprojection_px
        if found.pose.centre_mm[2] > 0 and found.pose.reprojection_px <= min(limit, 1.5 * usual + 0.1):
            return found
    best, other = _fit_both(known, centres_mm, side_mm, camera)
    if best.pose.reprojection_px > limit:
        raise _explain_misfit(known, centres_mm, side_mm, camera, best, file, limit)
    PANEL.refuse_ambiguous(file, best.pose.reprojection_px, other)
    return best


def pose_from_corners(
    corners_px: Array,
    *,
    size_mm: tuple[float, float],
    camera: Camera,
    file: str = "photo",
    width_px: int = 1600,
) -> PoseFit:
    """Fit the camera's pose to the panel rectangle's four corners as a user clicked them.

    Parameters
    ----------
    corners_px : ndarray (4, 2)
        Lower-left, lower-right, upper-right, upper-left, column and row.
    size_mm : (width, height)
    camera : Camera
    file, width_px
        As in `pose_from_tags`.

    Returns
    -------
    PoseFit
        With empty tag tables. Its covariance takes a clicked corner as good to 1 px.

    Raises
    ------
    RefusedError
        When no pose in front of the panel fits.
    """
    w, h = size_mm
    corners = 0.5 * np.array([[-w, -h, 0], [w, -h, 0], [w, h, 0], [-w, h, 0]])
    ideal = undistort(np.asarray(corners_px, float), camera=camera)
    fits = []
    for vector, shift in planar_starts(corners, ideal):
        state = (cv2.Rodrigues(vector)[0], shift, np.zeros((0, 3)))

        def linear(rotation: Array, shift: Array, own: Array) -> tuple[Array, Array]:
            seen, jac = seen_points(corners, rotation, shift)
            return ((seen - ideal) * camera.focal_px).ravel(), jac * camera.focal_px

        (rotation, shift, _), miss, jac = fit_state(linear, state)
        seen, _ = seen_points(corners, rotation, shift)
        inverse = np.linalg.pinv(jac.T @ jac)
        rms = float(np.sqrt(np.mean(np.sum(miss.reshape(-1, 2) ** 2, 1))))
        fits.append((rms, rotation, shift, inverse, -inverse @ jac.T @ seen.ravel()))
    fits.sort(key=lambda fit: fit[0])
    limit = 3 * limit_px(width_px)
    if not fits or fits[0][0] > limit:
        raise RefusedError(
            f"{file}: corners_px do not fit a rectangle of panel.size_mm",
            found=f"{fits[0][0]:.1f} px off" if fits else "no pose in front of the panel",
            allowed=f"{limit:.1f} px",
            cure="click lower-left, lower-right, upper-right, upper-left in this order, and check size_mm and the lens",
        )
    rms, rotation, shift, covariance, by_focal = fits[0]
    scale = max(rms, 1.0)
    return PoseFit(Pose(rotation, shift, covariance * scale**2, rms), {}, {}, {}, by_focal, {})


def _ids(tags: list[TagSeen]) -> str:
    return ", ".join(str(tag.id) for tag in tags)


def _fit_both(
    tags: list[TagSeen], centres: Mapping[int, tuple[float, ...]], side: float, camera: Camera
) -> tuple[PoseFit, float | None]:
    """The better of the two planar solutions, refined, and the error of the other (None when it is the same)."""
    ideal = np.stack([undistort(tag.corners_px, camera=camera) for tag in tags])
    middle = np.array([[*centres[tag.id][:2], 0.0] for tag in tags])
    flat = ideal.mean(1)
    if len(tags) >= 4:
        starts = planar_starts(middle, flat)
    else:  # three centres alone leave up to four poses: the corners, taken as flat, choose
        turns = [_first_turn(tag) for tag in tags]
        flat_tags = np.column_stack([turns, np.zeros((len(tags), 2))])
        points = tag_corners(flat_tags, middle[:, :2], side).reshape(-1, 3)
        starts = planar_starts(points, ideal.reshape(-1, 2))
    fits = []
    for rotation, shift in starts:
        fits.append(_refine(np.concatenate([rotation, shift]), tags, ideal, centres, side, camera))
    fits.sort(key=lambda fit: fit.pose.reprojection_px)
    if not fits:
        empty = Pose(np.eye(3), np.array([0.0, 0.0, 1.0]), np.eye(6), float("inf"))
        return PoseFit(empty, {}, {}, {}, np.zeros(6), {}), None
    if len(fits) == 1:
        return fits[0], None
    apart = np.linalg.norm(fits[0].pose.centre_mm - fits[1].pose.centre_mm)
    if apart < 0.01 * np.linalg.norm(fits[0].pose.centre_mm):
        return fits[0], None
    return fits[0], fits[1].pose.reprojection_px


def _first_turn(tag: TagSeen) -> float:
    edge = tag.corners_px[1] - tag.corners_px[0]
    return float(np.arctan2(-edge[1], edge[0]))


def _refine(
    start: Array,
    tags: list[TagSeen],
    ideal: Array,
    centres: Mapping[int, tuple[float, ...]],
    side: float,
    camera: Camera,
    lie: Array | None = None,
) -> PoseFit:
    count = len(tags)
    middle = np.array([centres[tag.id] for tag in tags], float)
    rotation = cv2.Rodrigues(start[:3])[0]
    turn_tilt = np.zeros((count, 3)) if lie is None else lie
    for k in range(count if lie is None else 0):
        # The tag's first turn: its upper edge traced back to the panel plane.
        ends = np.column_stack([ideal[k], np.ones(4)]) @ rotation
        origin = -rotation.T @ start[3:6]
        on_plane = origin[:2] - ends[:, :2] * (origin[2] / ends[:, 2:])
        edge = (on_plane[1] - on_plane[0]) + (on_plane[2] - on_plane[3])
        turn_tilt[k, 0] = np.arctan2(edge[1], edge[0])

    linear = pose_model(ideal, middle, side, camera.focal_px / CORNER_NOISE_PX)
    (rotation, shift, own), miss, jac = fit_state(linear, (rotation, start[3:6], turn_tilt))
    misses = miss[: 8 * count].reshape(count, 4, 2) * CORNER_NOISE_PX
    each = np.sqrt(np.mean(np.sum(misses**2, -1), -1))
    rms = float(np.sqrt(np.mean(each**2)))
    freedom = max(8 * count + 2 * count - (6 + 3 * count), 1)
    inflate = max(1.0, float(np.sum((misses / CORNER_NOISE_PX) ** 2)) / freedom)
    covariance = np.linalg.pinv(jac.T @ jac)[:6, :6] * inflate
    return PoseFit(
        Pose(rotation, shift, covariance, rms),
        {tag.id: float(own[k, 0]) for k, tag in enumerate(tags)},
        {tag.id: own[k, 1:].copy() for k, tag in enumerate(tags)},
        {tag.id: float(each[k]) for k, tag in enumerate(tags)},
        *_sensitivities((rotation, shift, own), jac, middle, side, camera, tags),
        misses_px={tag.id: misses[k] for k, tag in enumerate(tags)},
    )


def _sensitivities(
    state: State, jac: Array, middle: Array, side: float, camera: Camera, tags: list[TagSeen]
) -> tuple[Array, dict[int, Array]]:
    """How the fitted pose answers to the focal length and to the tags' places (implicit differentiation)."""
    gain = np.linalg.pinv(jac.T @ jac) @ jac.T
    count = len(tags)
    rotation, shift, own = state
    scale = camera.focal_px / CORNER_NOISE_PX

    def seen(places: Array) -> Array:
        points = tag_corners(own, places, side) @ rotation.T + shift
        ratio: Array = points[..., :2] / points[..., 2:]
        return ratio

    now = seen(middle)
    prior = np.zeros(2 * count)
    # The residual is focal * seen - pixels: only the first part moves with the focal length.
    by_focal = -gain @ np.concatenate([now.ravel() / CORNER_NOISE_PX, prior])
    by_tag = {}
    for k, tag in enumerate(tags):
        columns = []
        for axis in range(middle.shape[1]):
            moved = middle.copy()
            moved[k, axis] += 1e-3
            change = (seen(moved) - now) * (scale / 1e-3)
            columns.append(-(gain @ np.concatenate([change.ravel(), prior]))[:6])
        by_tag[tag.id] = np.stack(columns, -1)
    return by_focal[:6], by_tag


def _explain_misfit(
    tags: list[TagSeen],
    centres: Mapping[int, tuple[float, ...]],
    side: float,
    camera: Camera,
    best: PoseFit,
    file: str,
    limit: float,
) -> RefusedError:
    """Try what people do: two tags swapped, then one tag out of place."""
    found = f"{best.pose.reprojection_px:.1f} px between seen and expected corners"
    for a, b in combinations([tag.id for tag in tags], 2):
        swapped = {**centres, a: centres[b], b: centres[a]}
        if _fit_both(tags, swapped, side, camera)[0].pose.reprojection_px < limit:
            return RefusedError(
                f"{file}: tags {a} and {b} look swapped",
                found=found,
                allowed=f"{limit:.1f} px",
                cure=f"swap the centres of {a} and {b} in tags.centres_mm, or the tags on the panel",
                about=PANEL.key,
            )

    def without(tag: int, stretch: float) -> float:
        rest = [other for other in tags if other.id != tag]
        lens = replace(camera, focal_px=camera.focal_px * stretch)
        return _fit_both(rest, centres, side, lens)[0].pose.reprojection_px

    ids = [tag.id for tag in tags]
    blamed = tags_to_blame(ids, without, u_focal_rel=camera.u_focal_rel, limit_px=BLAMED * limit)
    return PANEL.explain_misfit(file, blamed, found=found, limit=limit)
