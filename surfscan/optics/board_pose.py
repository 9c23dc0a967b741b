"""Where the board stands, from one photo that shows the panel's tags and the board's.

One bundle: the camera's pose, the board's pose in the panel frame, and each tag's own turn and tilt are fitted
to all corners together, so that the covariance of the board's pose holds what both tag sets leave open.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array, Board, Camera, Pose, TagSeen
from surfscan.optics.lens import project, undistort
from surfscan.optics.planar_pose import board_starts
from surfscan.optics.pose import TILT_PRIOR_RAD, PoseFit, pose_from_tags
from surfscan.optics.pose_checks import BLAMED, BOARD, CORNER_NOISE_PX, limit_px
from surfscan.optics.tag_blame import tags_to_blame
from surfscan.optics.tag_shape import tag_corners

__all__ = ["BoardFit", "TagSet", "board_from_tags", "move_board"]

BOARD_TILT_PRIOR_RAD = 0.02
"""Standard deviation of a tag's tilt on the board: paper on a sheet that sags by 8 mm over 1.5 m leans this much."""

HOPELESS = 30.0
"""A start this many times worse than the best one leads nowhere: a tag turned by a quarter."""

LEAST_TAGS = 2
"""Fewest tags of the board: one alone leaves its own turn and the board's apart by nothing."""


@dataclass(frozen=True, slots=True)
class TagSet:
    """The tags seen of one plane, with what the sheet says of them.

    Attributes
    ----------
    tags : tuple of TagSeen
        Only tags whose centres are known.
    centres_mm : dict of id to (x, y) or (x, y, z)
        Centres in the plane's own frame: the panel's, or (across, up) from the board's middle.
    side_mm : float
    """

    tags: tuple[TagSeen, ...]
    centres_mm: Mapping[int, tuple[float, ...]]
    side_mm: float

    def without(self, tag: int) -> TagSet:
        """The same less one tag."""
        return replace(self, tags=tuple(t for t in self.tags if t.id != tag))


@dataclass(frozen=True, slots=True)
class BoardFit:
    """The board's pose in the panel frame.

    Small changes of it are six numbers: a turn (rad, a vector in the panel frame, applied from the left to
    ``across`` and ``up``) and a shift of the middle (mm).

    Attributes
    ----------
    centre_mm, across, up : ndarray (3,)
    covariance : ndarray (6, 6)
        Of such a change, from corners, focal length and all tag places.
    own : ndarray (6, 6)
        The part of it that nothing else shares: corners of this photo, and the places of the board's tags.
    by_focal : ndarray (6,)
        Change for a focal length longer by 1 px.
    by_tag : dict of int to ndarray (6, 2) or (6, 3)
        Change for a tag of the panel laid 1 mm off in x or y (or z, where heights were given).
    camera_fit : PoseFit
        Where the set-up photo was taken from, by the panel's tags alone.
    focal_px : float
        Focal length that the set-up photo was read with.
    turn_rad : dict of int to float
        How each board tag is turned, anticlockwise seen from the board's front.
    residual_px : dict of int to float
        Root mean square corner error of each board tag.
    reprojection_px : float
        The same of all corners.
    by_survey : ndarray (6, K)
        As in `PoseFit`.
    mirrored : tuple of str
        The photos whose mirrored tags gave it, where no set-up photo did; `camera_fit` is one of theirs then.
    """

    centre_mm: Array
    across: Array
    up: Array
    covariance: Array
    own: Array
    by_focal: Array
    by_tag: dict[int, Array]
    camera_fit: PoseFit
    focal_px: float
    turn_rad: dict[int, float]
    residual_px: dict[int, float]
    reprojection_px: float
    by_survey: Array = field(default_factory=lambda: np.zeros((6, 0)))
    mirrored: tuple[str, ...] = ()

    @property
    def source(self) -> tuple[str, str]:
        """What its uncertainty is called in a budget, and what would make it smaller."""
        if self.mirrored:
            cure = "one photo more from another side that mirrors the board's tags, or a set-up photo"
            return "board pose from its mirrored tags", cure
        cure = "take the set-up photo from closer, or with larger tags further apart on the board"
        return "board pose from the set-up photo", cure


def move_board(board: Board, change: Array) -> Board:
    """The board after a small turn (rad, panel frame) and a shift of its middle (mm), both in `change` (6,)."""
    turn = cv2.Rodrigues(np.asarray(change[:3], float))[0]
    return replace(
        board, centre_mm=board.centre_mm + change[3:6], across=turn @ board.across, up=turn @ board.up
    )


def board_from_tags(  # house: all but three have a default, and stand in the sheet one by one
    panel: TagSet,
    board: TagSet,
    *,
    camera: Camera,
    u_tag_mm: float = 0.3,
    u_focal_rel: float = 0.002,
    u_corner_px: float = CORNER_NOISE_PX,
    file: str = "set-up photo",
    width_px: int = 1600,
) -> BoardFit:
    """Fit the board's pose in the panel frame to one photo of both tag sets.

    Parameters
    ----------
    panel, board : TagSet
        At least three tags of the panel, not in line, and two of the board.
    camera : Camera
    u_tag_mm : float
        Standard uncertainty of each coordinate of a tag's place, on the panel and on the board.
    u_focal_rel : float
        Relative standard uncertainty of the focal length.
    u_corner_px : float
        Standard uncertainty of a corner; the fit's own residual counts when it is worse.
    file, width_px
        Name for messages; the photo's width, which scales the limit of a poor fit.

    Returns
    -------
    BoardFit

    Raises
    ------
    RefusedError
        Too few tags, tags that don't fit, or two board poses that fit alike.
    """
    if len(board.tags) < LEAST_TAGS:
        raise RefusedError(
            f"{file}: too few of the board's tags for its pose",
            found=f"{len(board.tags)} of {len(board.centres_mm)}"
            + "".join(f" (tag {tag.id})" for tag in board.tags),
            allowed=f"at least {LEAST_TAGS}, better 4",
            cure="step back until the panel's and the board's tags are all in the photo, seen from their fronts",
        )
    start = pose_from_tags(
        list(panel.tags),
        centres_mm=panel.centres_mm,
        side_mm=panel.side_mm,
        camera=camera,
        file=file,
        width_px=width_px,
    )
    limit = limit_px(width_px)
    fits = _fit_all(start.pose, panel, board, camera)
    if not fits or fits[0].rms_px > limit:
        raise _explain(start.pose, panel, board, camera, fits, file, limit)
    best = fits[0]
    BOARD.refuse_ambiguous(file, best.rms_px, fits[1].rms_px if len(fits) > 1 else None)
    return _with_uncertainty(best, start, u_tag_mm=u_tag_mm, u_focal_rel=u_focal_rel, u_corner_px=u_corner_px)


@dataclass(frozen=True, slots=True)
class _Bundle:
    """All corners of a photo with the model of them; the state is a flat vector about two start poses."""

    panel: TagSet
    board: TagSet
    camera: Camera
    pose: Pose
    centre_mm: Array
    axes: Array  # (3, 3), columns across, up, normal in the panel frame

    def split(self, state: Array) -> tuple[Pose, Array, Array, Array, Array]:
        """Camera pose, the panel tags' own turns and tilts, board middle, axes, the board tags' own."""
        n = 3 * len(self.panel.tags)
        turn = cv2.Rodrigues(np.ascontiguousarray(state[:3]))[0]
        pose = Pose(turn @ self.pose.rotation, self.pose.shift_mm + state[3:6], self.pose.covariance, 0.0)
        own = state[6 : 6 + n].reshape(-1, 3)
        rest = state[6 + n :]
        turned = cv2.Rodrigues(np.ascontiguousarray(rest[:3]))[0] @ self.axes
        return pose, own, self.centre_mm + rest[3:6], turned, rest[6:].reshape(-1, 3)

    def residual(
        self, state: Array, camera: Camera | None = None, moved: dict[tuple[str, int], Array] | None = None
    ) -> Array:
        """Corner errors over their noise, then the tilts over theirs."""
        lens = camera or self.camera
        pose, own, centre, axes, board_own = self.split(state)
        parts = []
        for name, plane, turns in (("panel", self.panel, own), ("board", self.board, board_own)):
            middles = np.array([plane.centres_mm[tag.id] for tag in plane.tags], float)
            if moved:
                for k, tag in enumerate(plane.tags):
                    middles[k] += moved.get((name, tag.id), 0.0)
            points = tag_corners(turns, middles, plane.side_mm).reshape(-1, 3)
            if name == "board":
                points = centre + points @ axes.T
            column, row = project(points[:, 0], points[:, 1], points[:, 2], camera=lens, pose=pose)
            seen = np.concatenate([tag.corners_px for tag in plane.tags])
            parts.append(((np.stack([column, row], -1) - seen) / CORNER_NOISE_PX).ravel())
        # A point behind the camera is no fit at all; a large finite number keeps the solver going.
        corners = np.nan_to_num(np.concatenate(parts), nan=1e6)
        return np.concatenate(
            [
                corners,
                (own[:, 1:] / TILT_PRIOR_RAD).ravel(),
                (board_own[:, 1:] / BOARD_TILT_PRIOR_RAD).ravel(),
            ]
        )

    @property
    def corners(self) -> int:
        return 4 * (len(self.panel.tags) + len(self.board.tags))


@dataclass(frozen=True, slots=True)
class _Fit:
    bundle: _Bundle
    state: Array
    jac: Array
    rms_px: float


def _fit_all(pose: Pose, panel: TagSet, board: TagSet, camera: Camera) -> list[_Fit]:
    """Every distinct board pose that the corners allow, refined, best first."""
    ideal = [undistort(tag.corners_px, camera=camera) for tag in board.tags]
    middles = np.array([board.centres_mm[tag.id] for tag in board.tags], float)
    starts = board_starts(middles, ideal, board.side_mm)
    bundles = [
        _start(pose, panel, board, camera, cv2.Rodrigues(vector)[0], shift, ideal) for vector, shift in starts
    ]
    miss = [float(np.sum(bundle.residual(state)[: 2 * bundle.corners] ** 2)) for bundle, state in bundles]
    near = [pair for pair, size in zip(bundles, miss, strict=True) if size <= HOPELESS**2 * min(miss)]
    fits = [fit for fit in (_refine(bundle, state) for bundle, state in near) if fit is not None]
    fits.sort(key=lambda fit: fit.rms_px)
    distinct: list[_Fit] = []
    for fit in fits:
        _, _, centre, _axes, _ = fit.bundle.split(fit.state)
        far = float(np.linalg.norm(centre - fit.bundle.pose.centre_mm))
        if all(_differ(fit, other, 0.01 * far) for other in distinct):
            distinct.append(fit)
    return distinct


def _differ(one: _Fit, other: _Fit, apart_mm: float) -> bool:
    _, _, c1, a1, _ = one.bundle.split(one.state)
    _, _, c2, a2, _ = other.bundle.split(other.state)
    return bool(np.linalg.norm(c1 - c2) > apart_mm or np.abs(a1 - a2).max() > 0.01)


def _start(
    pose: Pose,
    panel: TagSet,
    board: TagSet,
    camera: Camera,
    rotation: Array,
    shift: Array,
    ideal: list[Array],
) -> tuple[_Bundle, Array]:
    """The bundle about one start, and its state there."""
    axes = pose.rotation.T @ rotation
    centre = pose.rotation.T @ (shift - pose.shift_mm)
    bundle = _Bundle(panel, board, camera, pose, centre, axes)
    first = []
    for tag in panel.tags:
        first.append(_first_turn(undistort(tag.corners_px, camera=camera), pose.rotation, pose.shift_mm))
    for corners in ideal:
        first.append(_first_turn(corners, rotation, shift))
    n = len(panel.tags)
    state = np.zeros(12 + 3 * len(first))
    state[6 : 6 + 3 * n : 3] = first[:n]
    state[12 + 3 * n :: 3] = first[n:]
    return bundle, state


def _refine(bundle: _Bundle, state: Array) -> _Fit | None:
    from scipy.optimize import least_squares

    n = len(bundle.panel.tags)
    # One number for the scale of a turn and of a length, so that their steps are alike.
    reach = float(np.linalg.norm(bundle.centre_mm)) + 1.0
    scale = np.ones(state.size)
    scale[3:6] = scale[9 + 3 * n : 12 + 3 * n] = reach
    try:
        found = least_squares(bundle.residual, state, x_scale=scale, method="trf", max_nfev=60)
    except (ValueError, np.linalg.LinAlgError):
        return None
    miss = found.fun[: 2 * bundle.corners].reshape(-1, 2) * CORNER_NOISE_PX
    return _Fit(bundle, found.x, found.jac, float(np.sqrt(np.mean(np.sum(miss**2, 1)))))


def _first_turn(ideal: Array, rotation: Array, shift: Array) -> float:
    """A tag's turn, its upper edge traced back to its plane."""
    ends = np.column_stack([ideal, np.ones(4)]) @ rotation
    origin = -rotation.T @ shift
    flat = origin[:2] - ends[:, :2] * (origin[2] / ends[:, 2:])
    edge = (flat[1] - flat[0]) + (flat[2] - flat[3])
    return float(np.arctan2(edge[1], edge[0]))


def _with_uncertainty(
    fit: _Fit, start: PoseFit, *, u_tag_mm: float, u_focal_rel: float, u_corner_px: float
) -> BoardFit:
    """Covariance and sensitivities by implicit differentiation of the least-squares solution."""
    bundle, state = fit.bundle, fit.state
    n = 3 * len(bundle.panel.tags)
    pick = np.arange(6 + n, 12 + n)
    inverse = np.linalg.pinv(fit.jac.T @ fit.jac)
    gain = (inverse @ fit.jac.T)[pick]
    now = bundle.residual(state)
    freedom = max(now.size - state.size, 1)
    inflate = max(
        float(np.sum(now[: 2 * bundle.corners] ** 2)) / freedom, (u_corner_px / CORNER_NOISE_PX) ** 2, 1.0
    )
    corners = inverse[np.ix_(pick, pick)] * inflate

    def answer(changed: Array) -> Array:
        moved: Array = -gain @ (changed - now)
        return moved

    focal = bundle.camera.focal_px
    by_focal = answer(bundle.residual(state, replace(bundle.camera, focal_px=focal + 0.1))) / 0.1
    places: dict[str, dict[int, Array]] = {"panel": {}, "board": {}}
    for name, plane in (("panel", bundle.panel), ("board", bundle.board)):
        for tag in plane.tags:
            columns = []
            for step in 1e-2 * np.eye(len(plane.centres_mm[tag.id])):
                columns.append(answer(bundle.residual(state, moved={(name, tag.id): step})) / 1e-2)
            places[name][tag.id] = np.stack(columns, -1)
    own = corners + u_tag_mm**2 * sum(g @ g.T for g in places["board"].values())
    shared = u_tag_mm**2 * sum(g @ g.T for g in places["panel"].values())
    stretch = (u_focal_rel * focal) ** 2 * np.outer(by_focal, by_focal)
    _, _, centre, axes, board_own = bundle.split(state)
    miss = now[: 2 * bundle.corners].reshape(-1, 4, 2)[len(bundle.panel.tags) :] * CORNER_NOISE_PX
    each = np.sqrt(np.mean(np.sum(miss**2, -1), -1))
    return BoardFit(
        centre_mm=centre,
        across=axes[:, 0].copy(),
        up=axes[:, 1].copy(),
        covariance=own + shared + stretch,
        own=own,
        by_focal=by_focal,
        by_tag=places["panel"],
        camera_fit=start,
        focal_px=focal,
        turn_rad={tag.id: float(t) for tag, t in zip(bundle.board.tags, board_own[:, 0], strict=True)},
        residual_px={tag.id: float(e) for tag, e in zip(bundle.board.tags, each, strict=True)},
        reprojection_px=fit.rms_px,
    )


def _explain(
    pose: Pose, panel: TagSet, board: TagSet, camera: Camera, fits: list[_Fit], file: str, limit: float
) -> RefusedError:
    """Name the board tag that is out of place, when leaving it out makes the rest fit."""
    if not fits:
        return RefusedError(
            f"{file}: no board pose fits its tags",
            found=f"tags {', '.join(str(tag.id) for tag in board.tags)} of the board",
            cure="check [board.tags]: centres_mm are [across, up] from the board's middle, as seen from its front",
            allowed="tags where the sheet puts them",
        )
    found = f"an error of {fits[0].rms_px:.1f} px"

    def without(tag: int, _stretch: float) -> float:  # the bundle finds the focal length itself
        rest = _fit_all(pose, panel, board.without(tag), camera)
        return rest[0].rms_px if rest else float("inf")

    ids = [tag.id for tag in board.tags]
    blamed = tags_to_blame(ids, without, u_focal_rel=0.0, limit_px=BLAMED * limit)
    return BOARD.explain_misfit(file, blamed, found=found, limit=limit)
