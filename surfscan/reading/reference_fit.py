"""The null test: what a flat glass in the panel's place shows says what is wrong with board, lens and poses.

A flat mirror has no shape of its own. Whatever its photos show besides is the set-up's: a board that is bent or not
where it was measured, a lens that distorts, tags a little off. These are fitted to the reference (board bulge of fourth
order, radial distortion, optical axis, focal length, period, places), each held by what was known of it before, and
the panel is then read with the set-up as fitted. So the reference helps hand-held photos and crowned panels too, where
pixels, panel places and board places do not keep together. What the fit leaves over is taken off as a map.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError
from surfscan.core.reading import Reading, View
from surfscan.core.records import Board, Camera, Pose
from surfscan.core.robust import masked_mean
from surfscan.optics.board_pose import BoardFit, move_board
from surfscan.optics.lens import project, undistort
from surfscan.optics.mirror import BEND_POWERS, hit_board
from surfscan.optics.pose import PoseFit, pose_from_tags
from surfscan.reading.propagation import Inputs, modes
from surfscan.reading.reference import Null, changed_camera
from surfscan.reading.station import Station
from surfscan.reading.surface import ENOUGH
from surfscan.surface.slopes import newton_step

__all__ = ["Known", "calibrate"]

BEND_PRIOR_MM = {2: 10.0, 3: 3.0, 4: 1.0}
"""Standard deviation of the coefficients of the board's bulge, by their order, before the reference is seen: sheets sag
and curl as a whole, and higher orders left loose would trade places with the lens."""

LENS_PRIOR = (0.2, 0.2)
"""The same of k1 and k2: phones stay well within."""

AXIS_PRIOR = 0.002
"""The same of the optical axis, as a share of the photo's width."""

NOISE = 0.01
"""Standard uncertainty of a board place read off the reference, in stripe periods (0.06 rad)."""

SAMPLES = 450
"""About how many cells of each photo carry the fit."""

SMOOTH = 1.5
"""Smoothing of what the fit leaves over, in reflected periods: it is slow, while stripes read off pixels ripple
within one."""


@dataclass(frozen=True, slots=True)
class _Side:
    """One photo of the reference: where its pixels look on the board."""

    station: Station
    varies: str
    pixels: Array  # (N, 2)
    wanted_mm: Array  # (N,)
    width: int


class _Model:
    """The set-up as numbers in units of their own prior standard deviations."""

    def __init__(
        self,
        sides: list[_Side],
        board: Board,
        known: Known,
    ) -> None:
        inputs, board_fit = known.inputs, known.board_fit
        self.sides, self.board, self.inputs, self.board_fit = sides, board, inputs, board_fit
        self.centres, self.side_mm, self.thickness = known.centres_mm, known.side_mm, known.thickness_mm
        self.tags = sorted(set().union(*(s.station.fit.by_tag for s in sides)))
        self.lens_sd = np.array([*LENS_PRIOR, inputs.focal_rel, AXIS_PRIOR, AXIS_PRIOR])
        if board_fit is None:
            turn, shift = np.radians(inputs.board_angle_deg), inputs.board_centre_mm
            axes = (board.across, board.up, board.normal)
            self.board_modes = [np.r_[turn * a, 0, 0, 0] for a in axes]
            self.board_modes += [np.r_[0, 0, 0, shift * e] for e in np.eye(3)]
        else:
            # The set-up photo was read with the lens as it was thought to be: leave room for what that did.
            loose = Inputs()
            room = [np.radians(loose.board_angle_deg) ** 2] * 3 + [loose.board_centre_mm**2] * 3
            self.board_modes = modes(board_fit.own + np.diag(room))
        self.pose_modes = [modes(s.station.fit.pose.covariance) for s in sides]
        self.sizes = [5, 1, 2 * len(self.tags), 6, len(BEND_POWERS), 6 * len(sides), len(sides)]
        self.lens_at = np.zeros(5)
        self.relinearise(np.zeros(sum(self.sizes)))

    def parts(self, state: Array) -> list[Array]:
        """Lens, period, tags, board, bend, poses, offsets."""
        return np.split(state, np.cumsum(self.sizes)[:-1])

    def relinearise(self, state: Array) -> None:
        """Refit the poses by the tags with the lens as now known, and see how they answer to it."""
        self.lens_at = self.parts(state)[0] * self.lens_sd
        self.fits: list[PoseFit] = []
        self.by_lens: list[Array] = []
        for side in self.sides:
            now = self._pose(side, self.lens_at)
            self.fits.append(now)
            columns = []
            for k, step in enumerate((1e-3, 1e-3, 1e-4, 1e-4, 1e-4)):
                moved = self.lens_at.copy()
                moved[k] += step
                columns.append(_between(now.pose, self._pose(side, moved).pose) / step)
            self.by_lens.append(np.stack(columns, -1))

    def _pose(self, side: _Side, lens: Array) -> PoseFit:
        station = side.station
        return pose_from_tags(
            list(station.tags),
            centres_mm=self.centres,
            side_mm=self.side_mm,
            camera=changed_camera(station.camera, tuple(lens), side.width),
            file=station.photo.file,
            width_px=side.width,
        )

    def set_up(self, state: Array) -> tuple[Board, Array, dict[int, Array], list[tuple[Camera, Pose]]]:
        """Board, lens change, tag shifts and cameras (in the glass's frame) of a state."""
        lens, period, tags, board, bend, poses, _ = self.parts(state)
        lens = lens * self.lens_sd
        shift = {k: tags[2 * i : 2 * i + 2] * self.inputs.tag_centre_mm for i, k in enumerate(self.tags)}
        change = sum(x * mode for x, mode in zip(board, self.board_modes, strict=True))
        if self.board_fit is not None:
            change = change + self.board_fit.by_focal * lens[2] * self.board_fit.focal_px
            for k, d in shift.items():
                if k in self.board_fit.by_tag:
                    change = change + self.board_fit.by_tag[k] @ d
        there = replace(
            move_board(self.board, np.asarray(change, float)),
            period_mm=self.board.period_mm * (1 + float(period[0]) * self.inputs.period_rel),
            bend_mm=tuple(
                float(b) * BEND_PRIOR_MM[i + j] for b, (i, j) in zip(bend, BEND_POWERS, strict=True)
            ),
        )
        stands = []
        for k, side in enumerate(self.sides):
            fit = self.fits[k]
            move = self.by_lens[k] @ (lens - self.lens_at)
            for tag, d in shift.items():
                if tag in fit.by_tag:
                    move = move + fit.by_tag[tag] @ d
            own = poses[6 * k : 6 * k + 6]
            move = move + sum(x * mode for x, mode in zip(own, self.pose_modes[k], strict=True))
            turn = cv2.Rodrigues(np.asarray(move[:3], float))[0]
            rotation = turn @ fit.pose.rotation
            place = fit.pose.shift_mm + move[3:6] + rotation[:, 2] * self.thickness
            pose = Pose(rotation, place, fit.pose.covariance, fit.pose.reprojection_px)
            stands.append((changed_camera(side.station.camera, tuple(lens), side.width), pose))
        return there, lens, shift, stands

    def miss(self, state: Array) -> Array:
        """Board places seen less predicted, over their noise; then the state itself, held by its priors."""
        board, _, _, stands = self.set_up(state)
        offsets = self.parts(state)[-1]
        out = []
        for k, (side, (camera, pose)) in enumerate(zip(self.sides, stands, strict=True)):
            out.append(
                (_look(side.pixels, camera, pose, board, side.varies) + offsets[k] - self._seen(side, board))
                / (NOISE * self.board.period_mm)
            )
        held = state[: -len(self.sides)]
        return np.concatenate([*(np.nan_to_num(o, nan=100.0) for o in out), held])

    def _seen(self, side: _Side, board: Board) -> Array:
        seen: Array = side.wanted_mm * (board.period_mm / self.board.period_mm)
        return seen


@dataclass(frozen=True, slots=True)
class Known:
    """How well the set-up was known before the reference.

    Attributes
    ----------
    board : Board
        In the tags' frame, as the sheet has it.
    thickness_mm : float
        Of the glass.
    inputs : Inputs
    centres_mm, side_mm
        The panel's tags.
    board_fit : BoardFit, optional
        The board's pose as a set-up photo gave it.
    """

    board: Board
    thickness_mm: float
    inputs: Inputs
    centres_mm: dict[int, tuple[float, float]]
    side_mm: float
    board_fit: BoardFit | None = None


def calibrate(reading: Reading, stations: list[Station], views: list[View], *, known: Known) -> Null:
    """Fit the set-up to a reading of the reference.

    Parameters
    ----------
    reading : Reading
        Of the glass, in the frame whose z = 0 is its face.
    stations : list of two Station
        One per direction, in the tags' frame.
    views : list of two View
        The same photos as they were read, in the glass's frame.
    known : Known

    Returns
    -------
    Null

    Raises
    ------
    NotMeasuredError
        When too little of the glass could be read.
    """
    from scipy.optimize import least_squares

    measured = np.isfinite(reading.height_mm)
    if measured.sum() < ENOUGH:
        raise NotMeasuredError(
            "the reference can't be read",
            found=f"{int(measured.sum())} cells of it",
            cure="lay a flat mirror or dark glass on the panel, clean, and check reference.region_mm",
            allowed=f"at least {ENOUGH} cells",
        )
    thickness_mm = known.thickness_mm
    up = np.array([0.0, 0.0, thickness_mm])
    low = replace(known.board, centre_mm=known.board.centre_mm - up)
    grid = reading.grid
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    full: list[tuple[Array, Array]] = []
    for view in views:
        hit = hit_board(x, y, reading.height_mm, reading.p, reading.q, camera_mm=view.camera_mm, board=low)
        wanted = hit.place(view.varies)
        column, row = project(x, y, reading.height_mm, camera=view.camera, pose=view.pose)
        full.append((np.stack([column, row], -1), wanted))
    use = measured & np.isfinite(full[0][1]) & np.isfinite(full[1][1])
    pick = np.zeros_like(use)
    skip = max(1, int(np.sqrt(use.sum() / SAMPLES)))
    pick[skip // 2 :: skip, skip // 2 :: skip] = True
    pick &= use
    sides = [
        _Side(s, v.varies, pixels[pick], wanted[pick], s.photo.image.shape[1])
        for s, v, (pixels, wanted) in zip(stations, views, full, strict=True)
    ]
    model = _Model(sides, low, known)
    state = np.zeros(sum(model.sizes))
    for turn in range(2):
        if turn:
            model.relinearise(state)
        state = least_squares(model.miss, state, method="lm", max_nfev=1200, xtol=1e-6, ftol=1e-6).x
    there, lens, shift, stands = model.set_up(state)
    rest, before, after = _rest(full, (there, stands), model, state, use, reading)
    return Null(
        board=replace(there, centre_mm=there.centre_mm + up),
        lens=(float(lens[0]), float(lens[1]), float(lens[2]), float(lens[3]), float(lens[4])),
        tag_shift_mm=shift,
        thickness_mm=thickness_mm,
        grid=grid,
        rest_p=rest[0],
        rest_q=rest[1],
        noise_mm=reading.noise_mm,
        before_mrad=before,
        after_mrad=after,
        views=(_unshifted(views[0], thickness_mm), _unshifted(views[1], thickness_mm)),
        fits=(stations[0].fit, stations[1].fit),
    )


def _unshifted(view: View, thickness_mm: float) -> View:
    pose = view.pose
    return replace(view, pose=replace(pose, shift_mm=pose.shift_mm - pose.rotation[:, 2] * thickness_mm))


def _between(old: Pose, new: Pose) -> Array:
    turn = cv2.Rodrigues(new.rotation @ old.rotation.T)[0].ravel()
    return np.r_[turn, new.shift_mm - old.shift_mm]


def _look(pixels: Array, camera: Camera, pose: Pose, board: Board, varies: str) -> Array:
    """Board place that pixels show in a flat mirror at z = 0."""
    ideal = undistort(pixels, camera=camera)
    ray = np.column_stack([ideal, np.ones(len(ideal))]) @ pose.rotation
    eye = pose.centre_mm
    t = -eye[2] / ray[:, 2]
    zero = np.zeros(len(ideal))
    hit = hit_board(
        eye[0] + t * ray[:, 0], eye[1] + t * ray[:, 1], zero, zero, zero, camera_mm=eye, board=board
    )
    return hit.place(varies)


def _rest(
    full: list[tuple[Array, Array]],
    found: tuple[Board, list[tuple[Camera, Pose]]],
    model: _Model,
    state: Array,
    use: Array,
    reading: Reading,
) -> tuple[tuple[Array, Array], float, float]:
    """Slopes left on the glass, smoothed; and their size before and after."""
    (board, stands), sides = found, model.sides
    offsets = model.parts(state)[-1]
    grid = reading.grid
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    zero = np.zeros(x.shape)
    rows = []
    for k, (side, (pixels, wanted), (camera, pose)) in enumerate(zip(sides, full, stands, strict=True)):
        place = np.full(x.shape, np.nan)
        place[use] = _look(pixels[use], camera, pose, board, side.varies)
        hit = hit_board(x, y, zero, zero, zero, camera_mm=pose.centre_mm, board=board)
        flat = hit.place(side.varies)
        seen = wanted * (board.period_mm / model.board.period_mm) - offsets[k]
        rows.append((hit, flat + seen - place, side.varies))
    p, q = newton_step(rows[0], rows[1])
    sigma = max(SMOOTH * float(np.max(reading.period_mm)) / grid.step_mm, 1.0)
    good = use & np.isfinite(p) & np.isfinite(q)
    soft = []
    for slope in (p, q):
        level = float(np.mean(slope[good]))
        soft.append(np.where(good, masked_mean(slope - level, good, sigma)[0], np.nan).astype(float))

    def size(a: Array, b: Array) -> float:
        return 1e3 * float(np.hypot(np.nanstd(a[good]), np.nanstd(b[good])))

    return (soft[0], soft[1]), size(reading.p, reading.q), size(soft[0], soft[1])
