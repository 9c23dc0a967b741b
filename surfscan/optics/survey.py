"""Where tags lie that nobody measured: one bundle of all photos, each tag a square of known side, free in space.

The photos' cameras, every tag's place, turn and tilt, and the focal length within its uncertainty are fitted to all
corners together (bundle adjustment). The scale is the tags' side. The frame is the job sheet's: origin in the middle of
the tags' centres, z = 0 the best plane through them, x the mean of the tags' own rightward sides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array, Camera, TagSeen
from surfscan.optics.board_pose import BoardFit
from surfscan.optics.lens import undistort
from surfscan.optics.pose import TILT_PRIOR_RAD, PoseFit
from surfscan.optics.pose_checks import CORNER_NOISE_PX, limit_px
from surfscan.optics.survey_start import Seen, Starts, first_places

__all__ = ["Shot", "TagSurvey", "survey_tags"]

HEIGHT_PRIOR = 0.03
"""Standard deviation of a tag's height over the plane of all, as a share of their span: 1 m of a roof stands off more
than 20 mm only where it is crowned to a radius under 4 m."""

Fit = TypeVar("Fit", PoseFit, BoardFit)

LEAST_TURN = 0.3
"""Length of the mean of the tags' rightward unit vectors under which they point nowhere in common."""

SUSPECT = 0.08
"""A survey that fits worse than this share of the limit of a poor fit is asked for a tag that has
moved; good ones fit to a twentieth of a pixel or so."""

SINGLED_OUT = 0.3
"""A tag has moved when the rest fits this many times as well without it."""

LEAST_MODE_MM = 2e-4
"""Changes of the survey smaller than this everywhere are left out."""


@dataclass(frozen=True, slots=True)
class Shot:
    """What one photo says of the tags.

    Attributes
    ----------
    file : str
        For messages.
    width_px : int
    camera : Camera
    tags : tuple of TagSeen
        Of the panel, each once.
    """

    file: str
    width_px: int
    camera: Camera
    tags: tuple[TagSeen, ...]


@dataclass(frozen=True, slots=True)
class TagSurvey:
    """Tags as surveyed.

    Attributes
    ----------
    ids : tuple of int
        Sorted.
    centres_mm : ndarray (N, 3)
        In the frame of the module's text; heights average to 0.
    stretch, u_stretch : float
        The focal length is this many times as long as it was given, and the standard uncertainty of that.
    modes_mm : ndarray (K, N, 3)
        Independent changes of the centres, one standard uncertainty each, at a given focal length; the last is the
        tags' side.
    by_stretch_mm : ndarray (N, 3)
        Change of the centres for a focal length twice as long, to first order.
    residual_px : dict of str to float
        Root mean square corner error of each photo.
    reprojection_px : float
        The same of all.
    turns : ndarray (N, 3, 3)
        Each tag's axes in columns: rightward, upward, outward.
    u_tilt_rad : ndarray (N,)
        Standard uncertainty of each tag's tilt.
    """

    ids: tuple[int, ...]
    centres_mm: Array
    stretch: float
    u_stretch: float
    modes_mm: Array
    by_stretch_mm: Array
    residual_px: dict[str, float]
    reprojection_px: float
    turns: Array
    u_tilt_rad: Array

    @property
    def u_mm(self) -> Array:
        """Standard uncertainty of each coordinate, mm, (N, 3), the focal length's share included."""
        total = np.sum(self.modes_mm**2, 0) + (self.u_stretch * self.by_stretch_mm) ** 2
        return np.asarray(np.sqrt(total))

    def on_pose(self, fit: Fit, focal_px: float) -> Fit:
        """A pose that was fitted to the surveyed places, with what the survey leaves open in it.

        Given the tags, photos are independent of each other; given the focal length and the changes of the survey, so
        are the tags. So the pose's answer to each of these is its answer to the tags' places times theirs.
        """
        row = {tag: k for k, tag in enumerate(self.ids)}
        known = [(gain, row[tag]) for tag, gain in fit.by_tag.items() if tag in row]
        more = np.zeros((6, len(self.modes_mm)))
        lens = np.zeros(6)
        for gain, k in known:
            more += gain @ self.modes_mm[:, k, : gain.shape[1]].T
            lens += gain @ self.by_stretch_mm[k, : gain.shape[1]] / focal_px
        return replace(fit, by_survey=more, by_focal=fit.by_focal + lens)


def survey_tags(
    shots: Sequence[Shot], *, side_mm: float, u_side_mm: float = 0.1, u_focal_rel: float = 0.002
) -> TagSurvey:
    """Find where the tags lie.

    Parameters
    ----------
    shots : sequence of Shot
        One is enough, two or more from different sides are far better.
    side_mm, u_side_mm : float
        The tags' side, and its standard uncertainty: that of the scale.
    u_focal_rel : float
        Relative standard uncertainty of the focal length, which all photos share.

    Returns
    -------
    TagSurvey

    Raises
    ------
    RefusedError
        Too few tags, tags in one line, tags that point nowhere in common, photos that share too few tags, a tag that
        has moved.
    """
    starts = first_places(_seen(shots), side_mm=side_mm)
    bundle = _Bundle.of(shots, starts, side_mm, u_focal_rel)
    state, jac = _solve(bundle)
    each = bundle.misses_px(state)
    rms = float(np.sqrt(np.mean(np.sum(each**2, -1))))
    limit = limit_px(max(s.width_px for s in shots))
    if rms > SUSPECT * limit:
        moved = _moved_tag(shots, bundle, each, side_mm, u_focal_rel)
        if moved is not None:
            raise RefusedError(
                f"Tag {moved} does not lie in all photos where it lies in the others, or is not flat",
                found=f"{rms:.1f} px between seen and expected corners; without tag {moved} the rest fits",
                allowed="tags that stay where they are",
                cure="tape the tags down flat, move nothing between the photos, and shoot all of them again",
            )
    if rms > limit:
        worst = max(range(len(shots)), key=lambda k: float(np.mean(each[bundle.shot == k] ** 2)))
        raise RefusedError(
            "The photos' tags do not fit together as one panel",
            found=f"{rms:.1f} px between seen and expected corners, most in {shots[worst].file}",
            allowed=f"{limit:.1f} px",
            cure="check that nothing moved between the photos, that all are of one camera without zoom, and the lens",
        )
    return _told(bundle, state, jac, shots, side_mm, u_side_mm, u_focal_rel)


def _ideal(shot: Shot) -> Array:
    if not shot.tags:
        return np.zeros((0, 4, 2))
    return np.stack([undistort(tag.corners_px, camera=shot.camera) for tag in shot.tags])


@dataclass(frozen=True, slots=True)
class _Bundle:
    """All corners with the model of them; the state is a flat vector of changes about the starts."""

    starts: Starts
    shot: Array  # (O,) number of the photo of each sighting
    tag: Array  # (O,) number of its tag
    ideal: Array  # (O, 4, 2)
    focal: Array  # (O,)
    square: Array  # (4, 3)
    height_mm: float
    u_stretch: float

    @classmethod
    def of(cls, shots: Sequence[Shot], starts: Starts, side: float, u_focal_rel: float) -> _Bundle:
        row = {tag: k for k, tag in enumerate(starts.ids)}
        shot, tag, ideal, focal = [], [], [], []
        for k, one in enumerate(shots):
            for seen, corners in zip(one.tags, _ideal(one), strict=True):
                shot.append(k)
                tag.append(row[seen.id])
                ideal.append(corners)
                focal.append(one.camera.focal_px)
        half = side / 2
        square = np.array([[-half, half, 0], [half, half, 0], [half, -half, 0], [-half, -half, 0]])
        span = float(np.ptp(starts.centres_mm, axis=0).max())
        return cls(
            starts,
            np.array(shot),
            np.array(tag),
            np.stack(ideal),
            np.array(focal),
            square,
            HEIGHT_PRIOR * span,
            u_focal_rel,
        )

    def split(self, state: Array) -> tuple[Array, Array, Array, Array, float]:
        """Camera turns and shifts, tag turns and centres, and the focal length's stretch."""
        m, n = len(self.starts.turns), len(self.starts.ids)
        cameras, tags = state[: 6 * m].reshape(m, 6), state[6 * m : 6 * (m + n)].reshape(n, 6)
        return (
            _turned(cameras[:, :3], self.starts.turns),
            self.starts.shifts_mm + cameras[:, 3:],
            _turned(tags[:, :3], self.starts.tag_turns),
            self.starts.centres_mm + tags[:, 3:],
            float(np.exp(state[-1])),
        )

    def misses_px(self, state: Array) -> Array:
        """Corner errors (O, 4, 2)."""
        turns, shifts, tag_turns, centres, stretch = self.split(state)
        points = centres[self.tag][:, None] + self.square @ np.swapaxes(tag_turns[self.tag], 1, 2)
        seen = points @ np.swapaxes(turns[self.shot], 1, 2) + shifts[self.shot][:, None]
        flat = stretch * seen[..., :2] / np.where(seen[..., 2:] > 1e-6, seen[..., 2:], np.nan)
        return np.asarray((flat - self.ideal) * self.focal[:, None, None])

    def residual(self, state: Array) -> Array:
        """All that is fitted over its standard deviation, and three rows that fix the frame."""
        _, _, tag_turns, centres, _ = self.split(state)
        # A point behind a camera is no fit at all; a large finite number keeps the solver going.
        corners = np.nan_to_num(self.misses_px(state).ravel() / CORNER_NOISE_PX, nan=1e6)
        n = len(centres)
        spin = state[-1 - 6 * n : -1].reshape(n, 6)[:, 2]
        frame = [*(centres - self.starts.centres_mm)[:, :2].mean(0), 1e3 * spin.mean()]
        return np.concatenate(
            [
                corners,
                tag_turns[:, :2, 2].ravel() / TILT_PRIOR_RAD,
                centres[:, 2] / self.height_mm,
                [state[-1] / self.u_stretch],
                frame,
            ]
        )


def _turned(vectors: Array, base: Array) -> Array:
    from scipy.spatial.transform import Rotation

    return np.asarray(Rotation.from_rotvec(vectors).as_matrix() @ base)


def _solve(bundle: _Bundle) -> tuple[Array, Array]:
    from scipy.optimize import least_squares

    m, n = len(bundle.starts.turns), len(bundle.starts.ids)
    reach = float(np.linalg.norm(bundle.starts.shifts_mm, axis=1).max())
    scale = np.concatenate([np.tile([1.0, 1.0, 1.0, reach, reach, reach], m + n), [1.0]])
    found = least_squares(bundle.residual, np.zeros(scale.size), x_scale=scale, max_nfev=100)
    return found.x, found.jac


def _frame(turns: Array, centres: Array) -> tuple[Array, Array]:
    """The sheet's frame: axes in columns, and the origin. `turns` (N, 3, 3) and `centres` (N, 3) are the tags'."""
    origin = centres.mean(0)
    normal = np.linalg.svd(centres - origin)[2][2]
    normal = normal * np.sign(normal @ turns[:, :, 2].mean(0))
    along = turns[:, :, 0].mean(0)
    along = along - normal * (along @ normal)
    along = along / np.linalg.norm(along)
    return np.column_stack([along, np.cross(normal, along), normal]), origin


def _told(
    bundle: _Bundle,
    state: Array,
    jac: Array,
    shots: Sequence[Shot],
    side_mm: float,
    u_side_mm: float,
    u_focal_rel: float,
) -> TagSurvey:
    _, _, turns, _, stretch = bundle.split(state)
    mean = float(np.linalg.norm(turns[:, :, 0].mean(0)))
    if mean < LEAST_TURN:
        raise RefusedError(
            "The tags are turned against each other, so that nothing says which way is right",
            found=f"their rightward sides cancel to {mean:.1f} of one",
            allowed="tags that all face about the same way",
            cure="lay all tags upright, the number below, as they are printed",
        )

    def framed(changed: Array) -> Array:
        _, _, its, places, _ = bundle.split(changed)
        axes, origin = _frame(its, places)
        return np.asarray((places - origin) @ axes)

    now = framed(state)
    n, last = len(now), state.size - 1
    slope = np.zeros((3 * n, state.size))
    first = last - 6 * n
    for k in range(first, last):
        step = np.zeros(state.size)
        step[k] = 1e-3 if (k - first) % 6 > 2 else 1e-6
        slope[:, k] = ((framed(state + step) - framed(state - step)) / (2 * step[k])).ravel()
    each = bundle.misses_px(state)
    corners = each.size
    freedom = max(corners - (state.size - 7), 1)
    inflate = max(1.0, float(np.sum((each / CORNER_NOISE_PX) ** 2)) / freedom)
    weight = np.ones(len(jac))
    weight[:corners] = 1 / np.sqrt(inflate)
    covariance = np.linalg.inv((jac * weight[:, None] ** 2).T @ jac)
    u_stretch = float(np.sqrt(covariance[last, last]))
    by_stretch = (slope @ covariance[:, last]) / covariance[last, last]
    left = slope @ covariance @ slope.T - u_stretch**2 * np.outer(by_stretch, by_stretch)
    values, vectors = np.linalg.eigh(left)
    keep = values > LEAST_MODE_MM**2
    modes = (vectors[:, keep] * np.sqrt(values[keep])).T.reshape(-1, n, 3)
    files = {
        shot.file: float(np.sqrt(np.mean(np.sum(each[bundle.shot == k] ** 2, -1))))
        for k, shot in enumerate(shots)
    }
    return TagSurvey(
        ids=bundle.starts.ids,
        centres_mm=now,
        stretch=stretch,
        u_stretch=u_stretch,
        modes_mm=np.concatenate([modes, (u_side_mm / side_mm) * now[None]]),
        by_stretch_mm=by_stretch.reshape(n, 3),
        residual_px=files,
        reprojection_px=float(np.sqrt(np.mean(np.sum(each**2, -1)))),
        turns=np.swapaxes(_frame(*bundle.split(state)[2:4])[0], 0, 1) @ turns,
        u_tilt_rad=_tilt_spread(covariance[first:last, first:last], turns),
    )


def _tilt_spread(covariance: Array, turns: Array) -> Array:
    """Standard uncertainty of each tag's tilt, in the mean of both ways."""
    found = []
    for k, turn in enumerate(turns):
        own = turn.T @ covariance[6 * k : 6 * k + 3, 6 * k : 6 * k + 3] @ turn
        found.append(np.sqrt(0.5 * (own[0, 0] + own[1, 1])))
    return np.array(found)


def _moved_tag(
    shots: Sequence[Shot], bundle: _Bundle, each: Array, side_mm: float, u_focal_rel: float
) -> int | None:
    """The tag without which the rest fits; None when no single one explains it, or too few would be left."""
    worst = [float(np.mean(each[bundle.tag == k] ** 2)) for k in range(len(bundle.starts.ids))]
    if len(worst) < 4:
        return None
    now = float(np.sqrt(np.mean(each**2)))
    for k in np.argsort(worst)[::-1][:3]:
        tag = bundle.starts.ids[int(k)]
        rest = [replace(s, tags=tuple(t for t in s.tags if t.id != tag)) for s in shots]
        try:
            starts = first_places(_seen(rest), side_mm=side_mm)
        except RefusedError:
            continue
        less = _Bundle.of(rest, starts, side_mm, u_focal_rel)
        left = less.misses_px(_solve(less)[0])
        if np.sqrt(np.mean(left**2)) < SINGLED_OUT * now:
            return tag
    return None


def _seen(shots: Sequence[Shot]) -> list[Seen]:
    return [Seen(s.file, tuple(t.id for t in s.tags), _ideal(s)) for s in shots]
