"""Where the board stands, from its own tags seen in the panel's mirror: no photo of the board itself.

Every corner of a mirrored tag is a ray that leaves the camera, meets the panel and ends at a known place of the board.
Board, the panel's smooth form and the cameras within their covariances are fitted to all of them at once. In one photo
a crowned panel looks like a flat one with a smaller board further away; a second view from elsewhere tells them apart
(the mirror as an unknown part of the camera, as in non-central pose estimation; derivation our own).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array, Board
from surfscan.optics.board_pose import BoardFit, TagSet, move_board
from surfscan.optics.lens import undistort
from surfscan.optics.mirrored_rays import POWERS, MirroredRays, MirroredTags, rays_of
from surfscan.optics.planar_pose import board_starts

__all__ = ["LEAST_SHOTS", "board_from_mirror"]

CURVED_RADII_MM = (np.inf, 6000.0, 2500.0)
"""Crowns that a fit starts from."""

TAG_HEIGHT_MM = 0.3
"""How far the panel's smooth form may pass by a tag: its paper, and metal that is not fair under it."""

LEAST_SHOTS = 2
"""A single view can't tell a crown from a board further away."""

WORST_SHARE = 0.005
"""Standard uncertainty of the board's middle as a share of its distance past which its place counts as not told."""

TRIED = 4
"""Starts that are followed, nearest first."""

MOVED = {1: 20.0, 2: 8.0}
MOVED_MANY = 1.5
"""A photo whose mirrored tags are all this many times further off than stated, by how many they are, does not agree
with the others. Of three or more some lie on fair metal; one alone may lie on a dent."""

AGREE = 0.75
"""Least share of the photos that must agree."""

CURE = "take one photo more, half a metre to the side, in which the panel mirrors the board's tags; or a set-up photo"


def board_from_mirror(
    shots: Sequence[MirroredTags], board: TagSet, places_mm: Array, *, u_tag_mm: float, u_focal_rel: float
) -> BoardFit:
    """Fit the board's pose in the panel frame to its mirrored tags.

    Parameters
    ----------
    shots : sequence of MirroredTags
    board : TagSet
        The board's tags as the sheet has them; which of them are seen stands in `shots`.
    places_mm : ndarray (N, 3)
        Places that the panel's form passes: its tags' middles.
    u_tag_mm : float
        Standard uncertainty of each coordinate of a tag's place on the board.
    u_focal_rel : float
        Relative standard uncertainty of the focal length.

    Returns
    -------
    BoardFit
        ``camera_fit`` is that of the shot with the most tags.

    Raises
    ------
    RefusedError
        Fewer than two photos with mirrored tags, photos that contradict each other, or a place left too open.
    """
    shots = [shot for shot in shots if shot.tags]
    if len(shots) < LEAST_SHOTS:
        raise RefusedError(
            "nothing tells where the board stands",
            found=f"its mirrored tags in {len(shots)} photo{'s' * (len(shots) != 1)}, and no set-up photo",
            allowed="a set-up photo of panel and board, or the board's tags mirrored in two photos or more",
            cure=CURE,
        )
    rays = rays_of(shots, board, places_mm, u_tag_mm)
    starts = [_start(rays, at, radius) for at in _starts(shots, board) for radius in CURVED_RADII_MM]
    starts.sort(key=lambda one: float(np.median(rays.misses_px(one[1], one[0]))))
    every = np.ones(len(rays.tag))
    coarse = [_fit(rays, at, state, every, few=True) for at, state in starts[:TRIED]]
    fit = _settle(min(coarse, key=lambda one: float(np.median(rays.misses_px(one.state, one.board)))))
    found = _board_fit(fit, shots, u_focal_rel)
    _refuse_poor(fit, found, shots)
    return found


@dataclass(frozen=True, slots=True)
class _Fitted:
    """A fit, with what it was weighed by."""

    rays: MirroredRays
    board: Board  # about which the state's first six are small
    state: Array
    white: Array  # (N, 8, 8)
    form_spread: Array
    weights: Array  # (N,)
    miss: Array = field(default_factory=lambda: np.zeros(0))  # whitened and weighted, with what is held
    jac: Array = field(default_factory=lambda: np.zeros((0, 0)))

    @property
    def cost(self) -> float:
        return float(self.miss @ self.miss)

    @property
    def off(self) -> Array:
        """How many times further off than stated each tag is, (N,)."""
        mine = self.miss[: 8 * len(self.weights)].reshape(-1, 8)
        return np.asarray(np.sqrt(np.mean(mine**2, 1) / self.weights))

    @property
    def spread(self) -> float:
        """Mean square of the whitened misses over their degrees of freedom: 1 where all is as stated."""
        return self.cost / max(8 * len(self.rays.tag) - 6 - 3 * self.rays.tags - 6, 1)


def _start(rays: MirroredRays, board: Board, radius_mm: float) -> tuple[Board, Array]:
    """A first board, with the state of a round crown of this radius."""
    state = np.zeros(rays.size)
    if np.isfinite(radius_mm):
        for power in ((2, 0), (0, 2)):
            state[6 + POWERS.index(power)] = -(rays.reach_mm**2) / (2 * radius_mm)
    found = rays.land(state, board)[0]
    for n in range(rays.tags):  # prints lie in quarter turns
        edge = np.nan_to_num(found[rays.tag == n][0])
        right = (edge[1] - edge[0]) + (edge[2] - edge[3])
        quarter = np.round(np.arctan2(right[1], right[0]) / (np.pi / 2))
        state[6 + len(POWERS) + 3 * n] = quarter * np.pi / 2
    return board, state


def _starts(shots: Sequence[MirroredTags], board: TagSet) -> list[Board]:
    """Boards that a flat mirror at z = 0 would show as the photo with the most tags does."""
    shot = max(shots, key=lambda s: len(s.tags))
    ideal = [undistort(tag.corners_px, camera=shot.camera) * (-1.0, 1.0) for tag in shot.tags]
    middles = np.array([board.centres_mm[tag.id][:2] for tag in shot.tags], float)
    flip, mirror = np.diag([-1.0, 1.0, 1.0]), np.diag([1.0, 1.0, -1.0])
    pose = shot.fit.pose
    found = []
    for vector, shift in board_starts(middles, ideal, board.side_mm):
        # A mirrored photo of the board seen in a mirror is a photo of the board's own front.
        axes = mirror @ pose.rotation.T @ flip @ cv2.Rodrigues(vector)[0]
        centre = mirror @ pose.rotation.T @ (flip @ shift - pose.shift_mm)
        if centre[2] > 0:
            found.append(Board(centre, axes[:, 0], axes[:, 1], (1.0, 1.0), 1.0))
    if not found:
        raise RefusedError(
            f"{shot.photo.file}: no place of the board fits its mirrored tags",
            found=f"tags {', '.join(str(tag.id) for tag in shot.tags)}",
            allowed="tags where the sheet puts them on the board, mirrored by a panel that is fair under them",
            cure="check [board.tags]: centres_mm are [across, up] from the board's middle, as seen from its front",
        )
    return found


def _form_spread(form: Array) -> Array:
    """Standard deviations of the form's numbers, mm: a crown is free, what is finer is small beside it."""
    crown = float(np.abs(form[3:6]).max())
    by_order = (50.0, 50.0, 60.0, 0.3 + 0.1 * crown, 0.2 + 0.05 * crown)
    return np.array([by_order[i + j] for i, j in POWERS])


class _Problem:
    """The misses that a fit makes small, whitened about a state, and their slopes."""

    def __init__(self, rays: MirroredRays, like: _Fitted) -> None:
        self.rays, self.board, self.white, self.spread = rays, like.board, like.white, like.form_spread

    def residual(self, full: Array) -> Array:
        """Whitened misses of the corners; then what is held: level at the tags, form, the tags' own, cameras."""
        rays, k = self.rays, 6 + len(POWERS)
        miss, _ = rays.misses(full, self.board)
        level = rays.form(full[6:k], *rays.places_mm[:, :2].T)[0] - rays.places_mm[:, 2]
        own, changes = full[k : k + 3 * rays.tags].reshape(-1, 3), full[k + 3 * rays.tags :].reshape(-1, 6)
        parts = (
            np.einsum("nij,nj->ni", self.white, miss),
            level / TAG_HEIGHT_MM,
            full[6:k] / self.spread,
            own[:, 1:] / rays.u_tag_mm,
            np.einsum("sij,sj->si", rays.stiff, changes),
        )
        return np.concatenate([part.ravel() for part in parts])

    def slope(self, full: Array, free: Array | None = None) -> Array:
        """Derivatives by differences, all or those by `free`.

        A change of one camera is seen in its own photo only, so all cameras change at once.
        """
        rays, cameras = self.rays, len(self.rays.shift)
        k = 6 + len(POWERS) + 3 * rays.tags
        steps = np.r_[[1e-6] * 3, [1e-3] * (3 + len(POWERS)), np.tile([1e-6, 1e-3, 1e-3], rays.tags)]
        now = self.residual(full)
        jac = np.zeros((now.size, rays.size))
        for n in range(k) if free is None else free:
            moved = full.copy()
            moved[n] += steps[n]
            jac[:, n] = (self.residual(moved) - now) / steps[n]
        if free is not None:
            return jac[:, free]
        last = now.size - 6 * cameras
        photo = np.full(now.size, -1)
        photo[: 8 * len(rays.shot)] = np.repeat(rays.shot, 8)
        photo[last:] = np.repeat(np.arange(cameras), 6)
        for n, step in enumerate([1e-7] * 3 + [1e-4] * 3):
            moved = full.copy()
            moved[k + n :: 6] += step
            change = (self.residual(moved) - now) / step
            for s in range(cameras):
                jac[photo == s, k + 6 * s + n] = change[photo == s]
        return jac


def _fit(rays: MirroredRays, board: Board, state: Array, weights: Array, *, few: bool = False) -> _Fitted:
    """Least squares about a start; `few` frees the board and a round crown only."""
    from scipy.optimize import least_squares

    white = rays.whitening(state, board) * np.sqrt(weights)[:, None, None]
    at = _Fitted(rays, board, state, white, _form_spread(state[6 : 6 + len(POWERS)]), weights)
    problem = _Problem(rays, at)
    round_ = [6 + POWERS.index(power) for power in ((0, 0), (2, 0), (0, 2))]
    some = np.array([*range(6), *round_]) if few else None
    free = np.arange(rays.size) if some is None else some

    def whole(part: Array) -> Array:
        full = state.copy()
        full[free] = part
        return full

    found = least_squares(
        lambda part: problem.residual(whole(part)),
        state[free],
        jac=lambda part: problem.slope(whole(part), some),
        method="lm",
        x_scale="jac",
        xtol=1e-5,
        ftol=1e-3 if few else 1e-5,
        max_nfev=20,
    )
    full = whole(found.x)
    return replace(at, state=full, miss=problem.residual(full), jac=problem.slope(full, some))


def _settle(fit: _Fitted) -> _Fitted:
    """Fit everything; tags that lie on a dent lose weight (a Student weight of four degrees, Lange et al. 1989)."""
    for _ in range(4):
        # About the place found so far, so that the slopes by its turn are those of a small turn.
        state = np.concatenate([np.zeros(6), fit.state[6:]])
        fit = _fit(fit.rays, move_board(fit.board, fit.state[:6]), state, fit.weights)
        fit = replace(fit, weights=(4 + 8) / (4 + 8 * fit.off**2))
    return fit


def _board_fit(fit: _Fitted, shots: Sequence[MirroredTags], u_focal_rel: float) -> BoardFit:
    """The board's pose with its covariance, by implicit differentiation of the least-squares solution."""
    inverse = np.linalg.pinv(fit.jac.T @ fit.jac)
    gain = -(inverse @ fit.jac.T)[:6]
    rays, board = fit.rays, move_board(fit.board, fit.state[:6])

    def answer(moved: MirroredRays) -> Array:
        return np.asarray(gain @ (_Problem(moved, fit).residual(fit.state) - fit.miss))

    def posed(changes: list[Array]) -> MirroredRays:
        turns = np.stack([cv2.Rodrigues(np.ascontiguousarray(c[:3]))[0] for c in changes])
        shift = rays.shift + np.stack([c[3:6] for c in changes])
        return replace(rays, rotation=turns @ rays.rotation, shift=shift)

    focal = max(shots, key=lambda s: len(s.tags)).camera.focal_px
    longer = posed([shot.fit.by_focal for shot in shots])  # by 1 px
    by_focal = answer(replace(longer, ideal=rays.ideal * (1 - rays.per_px[:, None, None])))
    by_tag = {}
    for tag in sorted({tag for shot in shots for tag in shot.fit.by_tag}):
        size = max(shot.fit.by_tag[tag].shape[1] for shot in shots if tag in shot.fit.by_tag)
        columns = []
        for axis in range(size):
            step = 0.01
            changes = [
                shot.fit.by_tag[tag][:, axis] * step if tag in shot.fit.by_tag else np.zeros(6)
                for shot in shots
            ]
            columns.append(answer(posed(changes)) / step)
        by_tag[tag] = np.stack(columns, -1)
    own = inverse[:6, :6] * max(1.0, fit.spread)
    lens = (u_focal_rel * focal) ** 2 * np.outer(by_focal, by_focal)
    shared = rays.u_tag_mm**2 * sum((g @ g.T for g in by_tag.values()), np.zeros((6, 6)))
    misses = rays.misses_px(fit.state, fit.board)
    k = 6 + len(POWERS)
    each = {tag: float(np.sqrt(np.mean(misses[rays.tag == n] ** 2))) for n, tag in enumerate(rays.ids)}
    return BoardFit(
        centre_mm=board.centre_mm,
        across=board.across,
        up=board.up,
        covariance=own + shared + lens,
        own=own,
        by_focal=by_focal,
        by_tag=by_tag,
        camera_fit=max(shots, key=lambda s: len(s.tags)).fit,
        focal_px=focal,
        turn_rad={tag: float(fit.state[k + 3 * n]) for n, tag in enumerate(rays.ids)},
        residual_px=each,
        reprojection_px=float(np.sqrt(np.mean(misses**2))),
        mirrored=tuple(shot.photo.file for shot in shots),
    )


def _refuse_poor(fit: _Fitted, found: BoardFit, shots: Sequence[MirroredTags]) -> None:
    """Refuse photos that contradict each other, and a board that they leave open.

    Raises
    ------
    RefusedError
    """
    share = []
    for k in range(len(shots)):
        off = fit.off[fit.rays.shot == k]
        share.append(float(off.min()) / MOVED.get(len(off), MOVED_MANY))
    if np.mean(np.array(share) <= 1) < AGREE:
        raise RefusedError(
            "the photos contradict each other about where the board stands",
            found=f"{shots[int(np.argmax(share))].photo.file} with all its mirrored tags"
            f" {max(share):.1f} times as far off as dents explain",
            allowed=f"at least {AGREE:.0%} of the photos in agreement",
            cure="leave the board where it is from the first photo to the last, or take a set-up photo",
        )
    far = float(np.linalg.norm(found.centre_mm))
    open_mm = float(np.sqrt(np.linalg.eigvalsh(found.own[3:, 3:]).max()))
    if found.centre_mm[2] <= 0 or open_mm > WORST_SHARE * far:
        raise RefusedError(
            "the mirrored tags leave open where the board stands",
            found=f"its middle to {open_mm:.1f} mm, from {len(shots)} photos",
            allowed=f"to {WORST_SHARE * far:.1f} mm, half a hundredth of its distance",
            cure=CURE,
        )
