"""What each input of the set-up does to the deviation, cell by cell.

Law of propagation (JCGM 100:2008, 5.1.2): every input is moved by its standard uncertainty, the slopes that
would then explain the same photos are solved for, integrated, and rid of the form that would follow; what
remains is that input's effect on the deviation at every cell.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.core.base import Base
from surfscan.core.reading import Reading, View
from surfscan.core.records import Array, Board, Grid, Pose
from surfscan.optics.board_pose import BoardFit, move_board
from surfscan.optics.mirror import Hit
from surfscan.optics.pose import PoseFit
from surfscan.optics.pose_checks import CORNER_NOISE_PX
from surfscan.reading.joint import joint_slopes, projectors, reconcile
from surfscan.reading.surface import Surface, on_board, slide
from surfscan.surface.form import FairForm, take_form_off
from surfscan.surface.integrate import integrate_many
from surfscan.surface.slopes import newton_step

__all__ = [
    "PHOTO_CORNERS",
    "Few",
    "Inputs",
    "JointChange",
    "Move",
    "Stand",
    "curl_of",
    "effects",
    "followed",
    "integrated",
    "modes",
    "moved_pose",
    "raw_effects",
    "raw_slopes",
    "sources",
    "thin",
]

CELLS = 2500
"""About how many cells carry the propagation: set-up errors are smooth over the panel."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """Standard uncertainties of the set-up; the sheet's `[uncertainty]` replaces them.

    Defaults are for a tape measure, a printed board and tags laid to a rule (our own estimates, no source).

    Attributes
    ----------
    board_centre_mm : float
        Of each coordinate of the board's middle.
    board_angle_deg : float
        Of the board's turn about each of its axes.
    period_rel : float
        Of the stripe period, as a share.
    focal_rel : float
        Of the focal length, as a share; by where it comes from.
    tag_centre_mm : float
        Of each coordinate of each tag.
    tag_corner_px : float
        Of a tag corner in a photo; the fit's own residual counts when it is worse.
    lamp_mm : float
        Of each coordinate of a lamp's place.
    tag_side_mm : float
        Of the tags' side, which is the scale where tags are surveyed.
    """

    board_centre_mm: float = 3.0
    board_angle_deg: float = 0.3
    period_rel: float = 0.001
    focal_rel: float = 0.002
    tag_centre_mm: float = 0.3
    tag_corner_px: float = 0.05
    lamp_mm: float = 5.0
    tag_side_mm: float = 0.1


@dataclass(frozen=True, slots=True)
class Few:
    """The thinned reading: places, surface, what each photo shows there, and the cells in use."""

    x: Array
    y: Array
    z: Array
    p: Array
    q: Array
    wanted: tuple[Array, ...]
    varies: tuple[str, ...]
    use: Array
    deviation: Array
    step_mm: float
    poses: tuple[Pose, ...]
    period_mm: float
    seen: tuple[Array, ...] = ()  # where each photo of a sweep sees the board; empty for two directions
    free: Array | None = None  # `projectors` of a sweep's cells
    base: Base | None = None

    @property
    def surface(self) -> Surface:
        """The same as a surface."""
        return Surface(self.x, self.y, self.z, self.p, self.q, self.base)


def thin(reading: Reading, fair: FairForm | None, views: list[View], board: Board) -> Few:
    grid: Grid = reading.grid
    skip = max(1, int(np.sqrt(reading.height_mm.size / CELLS)))
    cut = np.s_[skip // 2 :: skip, skip // 2 :: skip]
    x, y = (a[cut] for a in np.meshgrid(grid.x_mm, grid.y_mm))
    z, p, q = reading.height_mm[cut], reading.p[cut], reading.q[cut]
    wanted, seen, levers = [], [], []
    for view in views:
        hit = Surface(x, y, z, p, q, reading.base).hit(view.pose, board)
        wanted.append(hit.place(view.varies))
        if len(views) > 2:
            seen.append(np.isfinite(z) & on_board(hit, board))
            levers.append(hit.lever(view.varies))
    measured = np.isfinite(z) & np.isfinite(wanted[0]) & np.isfinite(wanted[1])
    free = None
    if seen:
        measured = np.isfinite(z)
        on = np.stack([s.ravel() for s in seen], 1)
        a, b = (np.nan_to_num(np.stack([one[n].ravel() for one in levers], 1)) for n in (0, 1))
        free = projectors(a, b, on.astype(float))
    return Few(
        x=x,
        y=y,
        z=z,
        p=p,
        q=q,
        wanted=tuple(wanted),
        varies=tuple(view.varies for view in views),
        use=measured if fair is None else measured & ~fair.spots[cut],
        deviation=z if fair is None else (reading.height_mm - fair.form_mm)[cut],
        step_mm=grid.step_mm * skip,
        poses=tuple(view.pose for view in views),
        period_mm=board.period_mm,
        seen=tuple(seen),
        free=free,
        base=reading.base,
    )


PHOTO_CORNERS = "tag corners in the photos"
"""Name of the source that each photo has to itself."""

Stand = tuple[Pose, float]
"""A pose, and the focal length's ratio to the one that was used."""

Move = tuple[list[Stand], Board, float]

JointChange = tuple[Sequence[Array], Array | None]
"""Changes (6,) of all views' poses at once, and of the board where the photos tell where it stands."""


def sources(
    views: list[View],
    fits: list[PoseFit],
    board: Board,
    inputs: Inputs,
    board_fit: BoardFit | None = None,
    *,
    tags: list[int] | None = None,
    corners: Sequence[JointChange] | None = None,
) -> Iterator[tuple[str, str, list[Move]]]:
    """Each source with its moves: cameras, board, and how many of the move make a standard uncertainty.

    With a set-up photo, a focal length or a tag that is off moves the cameras and the board together.
    `tags` are those to move, where more than these photos' are wanted; `corners` the changes of all views' poses at
    once that are left of a sweep's, where its photos have been held against each other.
    """
    still: list[Stand] = [(view.pose, 1.0) for view in views]
    pairs = list(zip(fits, views, strict=True))
    told = corners is not None and any(
        shift is not None for _, shift in corners
    )  # the photos tell the board's place
    if board_fit is None and not told:
        yield from _measured_board(still, board, inputs)
    elif board_fit is not None and not told:
        yield (
            *board_fit.source,
            [(still, move_board(board, change), 1.0) for change in modes(board_fit.own)],
        )
    yield (
        "stripe period",
        "measure over twenty stripes and divide",
        [(still, replace(board, period_mm=board.period_mm * (1 + inputs.period_rel)), 1.0)],
    )
    longer = 1 + inputs.focal_rel
    stretched = board
    if board_fit is not None:
        stretched = move_board(board, board_fit.by_focal * inputs.focal_rel * board_fit.focal_px)
    yield (
        "focal length",
        "calibrate the lens, or give focal_px instead of a maker's figure",
        [
            (
                [
                    (moved_pose(v.pose, f.by_focal * inputs.focal_rel * v.camera.focal_px), longer)
                    for f, v in pairs
                ],
                stretched,
                1.0,
            )
        ],
    )
    if any(fit.by_shutter is not None for fit in fits):
        yield (
            "rolling shutter",
            "walk more slowly, or stand still for photos instead of a video",
            [([(_later(v.pose, f), 1.0) for f, v in pairs], board, 1.0)],
        )
    if tags is None:
        tags = sorted(set({} if board_fit is None else board_fit.by_tag).union(*(fit.by_tag for fit in fits)))
    if any(fit.by_survey.size for fit in fits):
        yield from _survey(pairs, board, board_fit)
    else:
        places = _tag_places(pairs, board, inputs.tag_centre_mm, board_fit, tags)
        yield "tag places", "lay the tags to a rule, and measure between their middles", places
    worse = max(inputs.tag_corner_px / CORNER_NOISE_PX, 1.0)
    own = _corner_moves(pairs, board, corners, worse)
    yield PHOTO_CORNERS, "larger tags, or go closer", own


def _corner_moves(
    pairs: list[tuple[PoseFit, View]], board: Board, corners: Sequence[JointChange] | None, worse: float
) -> list[Move]:
    """What tag corners leave open: each photo by itself, or all of a sweep at once."""
    own: list[Move] = []
    if corners is None:
        still: list[Stand] = [(view.pose, 1.0) for _, view in pairs]
        for k, (fit, view) in enumerate(pairs):
            for change in modes(fit.pose.covariance):
                own.append(
                    ([*still[:k], (moved_pose(view.pose, change), 1.0), *still[k + 1 :]], board, worse)
                )
        return own
    for changes, shift in corners:
        moved = [(moved_pose(v.pose, change), 1.0) for (_, v), change in zip(pairs, changes, strict=True)]
        own.append((moved, board if shift is None else move_board(board, shift), worse))
    return own


def _later(pose: Pose, fit: PoseFit) -> Pose:
    """A pose moved by what a longer read-out of a rolling shutter does to its fit."""
    other = fit.by_shutter
    if other is None:
        return pose
    turn = cv2.Rodrigues(np.ascontiguousarray(other.rotation @ fit.pose.rotation.T))[0].ravel()
    moved = moved_pose(pose, np.r_[turn, other.shift_mm - fit.pose.shift_mm])
    return replace(moved, sway=other.sway)


def _tag_places(
    pairs: list[tuple[PoseFit, View]], board: Board, u_mm: float, board_fit: BoardFit | None, tags: list[int]
) -> list[Move]:
    """Each coordinate of each tag by itself: it moves the cameras that saw it, and the board by a set-up photo."""
    on_board = {} if board_fit is None else board_fit.by_tag
    places: list[Move] = []
    for tag in tags:
        for axis in (0, 1):
            stands: list[Stand] = [
                (moved_pose(v.pose, f.by_tag[tag][:, axis] * u_mm) if tag in f.by_tag else v.pose, 1.0)
                for f, v in pairs
            ]
            there = move_board(board, on_board[tag][:, axis] * u_mm) if tag in on_board else board
            places.append((stands, there, 1.0))
    return places


def _survey(
    pairs: list[tuple[PoseFit, View]], board: Board, board_fit: BoardFit | None
) -> Iterator[tuple[str, str, list[Move]]]:
    """Changes of surveyed tags: each moves all cameras and, by a set-up photo, the board together."""
    moves: list[Move] = []
    for k in range(max(fit.by_survey.shape[1] for fit, _ in pairs)):
        stands: list[Stand] = [
            (moved_pose(v.pose, f.by_survey[:, k]) if f.by_survey.size else v.pose, 1.0) for f, v in pairs
        ]
        there = board
        if board_fit is not None and board_fit.by_survey.size:
            there = move_board(board, board_fit.by_survey[:, k])
        moves.append((stands, there, 1.0))
    yield "tag places", "one more photo of all tags from another side, or larger tags", moves[:-1]
    yield "tags' side", "measure the tags' black side, or the kit's check ruler, again", moves[-1:]


def _measured_board(
    still: list[Stand], board: Board, inputs: Inputs
) -> Iterator[tuple[str, str, list[Move]]]:
    """A board measured by hand: each coordinate of its middle and each turn by itself."""
    yield (
        "board place",
        "measure from the panel's middle to the board's with a laser or a stiff rule",
        [
            (still, replace(board, centre_mm=board.centre_mm + inputs.board_centre_mm * axis), 1.0)
            for axis in np.eye(3)
        ],
    )
    turned: list[Move] = []
    for axis in (board.across, board.up, board.normal):
        turn = np.r_[axis * np.radians(inputs.board_angle_deg), 0.0, 0.0, 0.0]
        turned.append((still, move_board(board, turn), 1.0))
    yield "board angle", "measure to both ends of the board, not to its middle only", turned


def modes(covariance: Array) -> list[Array]:
    """Independent changes, one standard deviation each, that make up a covariance."""
    values, vectors = np.linalg.eigh(covariance)
    return [vector * np.sqrt(max(value, 0.0)) for value, vector in zip(values, vectors.T, strict=True)]


def moved_pose(pose: Pose, change: Array) -> Pose:
    """The pose after a small turn from the left and a shift."""
    turn = cv2.Rodrigues(np.asarray(change[:3], float))[0]
    return replace(pose, rotation=turn @ pose.rotation, shift_mm=pose.shift_mm + change[3:6])


def effects(few: Few, moves: Sequence[Move], fair: FairForm) -> Array:
    """Change of the deviation, mm, (h, w, K), by each move while the photos stay the same; 0 where not measured."""
    return followed(few, raw_effects(few, moves)[0], fair)


def followed(few: Few, moved_mm: Array, fair: FairForm) -> Array:
    """What changes of the height (h, w, K) do to the deviation."""
    return np.nan_to_num(take_form_off(moved_mm, fair, x_mm=few.x[0], y_mm=few.y[:, 0], use=few.use))


def raw_effects(few: Few, moves: Sequence[Move]) -> tuple[Array, Array]:
    """Change of the height, mm, and of the slopes' curl, 1/mm, by each move while the photos stay the same.

    Both (h, w, K); NaN where not measured.
    """
    return integrated(few, *raw_slopes(few, moves))


def integrated(few: Few, dp: Array, dq: Array) -> tuple[Array, Array]:
    """Heights, mm, and curl, 1/mm, of changes of the slopes (K, h, w): both (h, w, K)."""
    height = integrate_many(dp, dq, step_mm=few.step_mm)
    curl = [curl_of(p, q, few.step_mm) for p, q in zip(dp, dq, strict=True)]
    return np.moveaxis(height, 0, -1), np.stack(curl, -1)


def raw_slopes(few: Few, moves: Sequence[Move]) -> tuple[Array, Array]:
    """Change of both slopes by each move while the photos stay the same, (K, h, w) each, without unit.

    The stripe count has a free start, so a constant tilt goes with the tags: their mean is taken off.
    """
    scale = np.array([each for _, _, each in moves])[:, None, None]
    slopes = np.array([_slope_change(few, cameras, board) for cameras, board, _ in moves])
    dp, dq = scale * slopes[:, 0], scale * slopes[:, 1]
    each = (1, 2)
    return dp - np.nanmean(dp, axis=each, keepdims=True), dq - np.nanmean(dq, axis=each, keepdims=True)


def _slope_change(few: Few, cameras: list[Stand], board: Board) -> tuple[Array, Array]:
    """Change of both slopes."""
    sides = []
    for (pose, longer), old, wanted, varies in zip(cameras, few.poses, few.wanted, few.varies, strict=True):
        hit = few.surface.hit(pose, board)
        seen = wanted * (board.period_mm / few.period_mm)
        if pose is not old:
            # The same pixel now shows another place of the panel.
            dx, dy = slide(few.surface, old, pose, longer)
            gy, gx = np.gradient(wanted, few.step_mm)
            seen = seen - (np.nan_to_num(gx) * dx + np.nan_to_num(gy) * dy)
        sides.append((hit, seen, varies))
    return newton_step(sides[0], sides[1]) if few.free is None else _joint_step(few, sides)


def curl_of(p: Array, q: Array, step_mm: float) -> Array:
    """dp/dy - dq/dx, 1/mm: zero for the slopes of any surface; NaN beside cells that are NaN."""
    return np.asarray(np.gradient(p, step_mm, axis=0) - np.gradient(q, step_mm, axis=1))


def _joint_step(few: Few, sides: list[tuple[Hit, Array, str]]) -> tuple[Array, Array]:
    """The same step for a sweep: starts brought into agreement, then each cell by all photos that see it."""
    assert few.free is not None
    miss = [
        np.nan_to_num(np.where(s, wanted - hit.place(way), 0.0))
        for s, (hit, wanted, way) in zip(few.seen, sides, strict=True)
    ]
    start = reconcile(few.free, np.stack([m.ravel() for m in miss], 1))
    sums = np.zeros((5, *few.x.shape))
    for s, m, c, (hit, _, way) in zip(few.seen, miss, start, sides, strict=True):
        a, b = hit.lever(way)
        for n, row in enumerate((a * a, a * b, b * b, a * (m + c), b * (m + c))):
            sums[n] += np.where(s, row, 0.0)
    return joint_slopes(sums)
