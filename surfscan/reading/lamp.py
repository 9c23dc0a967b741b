"""Photos of a matt panel under one lamp at three or more places, to slopes and height.

The photos are turned onto the surface as known; each cell's brightness gives slopes and albedo; what the
cells leave over gives the room's light and the brightness of each photo; the slopes become a height, and the
height a better place for the lamps' distances and for the next turn of the photos. The camera must not move.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.errors import NotMeasuredError, RefusedError
from surfscan.flags import bit
from surfscan.optics.field import FINE, Cutout, cut_out, rectify
from surfscan.optics.lens import project
from surfscan.poisson import label_islands
from surfscan.records import Array, Grid, Picture, Pose, Reading, View
from surfscan.shading.lamp import CellFit, Lamps, LampSetting, fit_cells, lamp_vectors
from surfscan.shading.outliers import cast_shadow, drop_outliers
from surfscan.shading.setting import fit_setting, plain_setting
from surfscan.surface.integrate import integrate_slopes
from surfscan.surface.slopes import continue_smoothly

__all__ = ["LampReading", "common_pose", "read_lamp"]

MOVED_PX = 1.5
"""Most that the panel may have shifted between two photos, at 1600 pixels of photo width: tags are found to a
few tenths of a pixel, and a shift of a cell would turn an albedo's edge into a ridge."""

RIM_MM = 4.0
"""Kept free along the region's rim: blur mixes in what lies beyond, and paper shades its surroundings."""

SLIVER_MM = 12.0
"""Strips narrower than this between rim and tags are not judged: nothing beside them holds their slopes."""

REACH_MM = 60.0
"""How far the surface may stand off the tags' plane: more than any crown between four tags."""

DARK = 0.02
"""Brightness, linear light, at which the weights stop growing: noise does not fall below the camera's own."""

SPREAD_TO_ASK = 0.02
"""Brightnesses that differ by more than this ask whether exposure or lamp differs."""


@dataclass(frozen=True, slots=True)
class LampReading:
    """A reading with what it learned about the light.

    Attributes
    ----------
    reading : Reading
        ``gain_mm`` and ``period_mm`` are empty: no board takes part. ``modulation`` of its pictures is the
        share of the brightness that the fit explains, NaN where a photo was not used.
    setting : LampSetting
    albedo : ndarray (H, W)
        Linear light of the cell under a lamp 1 m away, square on; NaN where not measured.
    pose : Pose
        The common pose of all photos.
    scale_rel : float
        Standard uncertainty of depths as a share of them, from the room's light as fitted.
    """

    reading: Reading
    setting: LampSetting
    albedo: Array
    pose: Pose
    scale_rel: float


def common_pose(views: list[View], *, size_mm: tuple[float, float]) -> Pose:
    """Average the poses of photos taken with a fixed camera.

    Parameters
    ----------
    views : list of View
    size_mm : (width, height)
        Of the panel, whose corners must stay put.

    Returns
    -------
    Pose

    Raises
    ------
    RefusedError
        When a photo's own pose shifts the panel against the others.
    """
    rotations = np.stack([view.pose.rotation for view in views])
    u, _, vt = np.linalg.svd(np.median(rotations, axis=0))
    shift = np.median([view.pose.shift_mm for view in views], axis=0)
    first = views[0].pose
    middle = Pose(u @ vt, shift, first.covariance / len(views), first.reprojection_px)
    w, h = size_mm[0] / 2, size_mm[1] / 2
    x, y = np.array([-w, w, w, -w]), np.array([-h, -h, h, h])
    fixed = np.stack(project(x, y, 0.0, camera=views[0].camera, pose=middle))
    for view in views:
        width = view.photo.image.shape[1]
        if view.photo.image.shape != views[0].photo.image.shape:
            raise RefusedError(
                f"{view.photo.file}: not of the same size as {views[0].photo.file}",
                found="{1} x {0}".format(*view.photo.image.shape),
                allowed="{1} x {0}".format(*views[0].photo.image.shape),
                cure="take all lamp photos with the same camera, on a stand",
            )
        own = np.stack(project(x, y, 0.0, camera=view.camera, pose=view.pose))
        moved = float(np.sqrt(np.mean(np.sum((own - fixed) ** 2, 0))))
        limit = MOVED_PX * max(1.0, width / 1600)
        if not moved <= limit:
            raise RefusedError(
                f"{view.photo.file}: the camera or the panel moved between the lamp photos",
                found=f"the panel shifted by {moved:.1f} px",
                allowed=f"{limit:.1f} px",
                cure="put the camera on a stand, move only the lamp, and shoot the series again",
            )
    w_mean = [view.pose for view in views]
    u, _, vt = np.linalg.svd(np.mean([p.rotation for p in w_mean], axis=0))
    return Pose(
        u @ vt,
        np.mean([p.shift_mm for p in w_mean], axis=0),
        first.covariance / len(views),
        float(np.mean([p.reprojection_px for p in w_mean])),
    )


def read_lamp(
    views: list[View],
    *,
    lamps: Lamps,
    grid: Grid,
    region: Array,
    level_at_mm: Array,
    ambient: View | None = None,
    place_sd_mm: float = 0.0,
    progress: Callable[[float], None] | None = None,
    rounds: int = 3,
) -> LampReading:
    """Read slopes, albedo and height from photos under one lamp at known places.

    Parameters
    ----------
    views : list of View
        Three or more photos from one fixed camera; ``varies`` is not used.
    lamps : Lamps
        One place for each photo, in the same order.
    grid : Grid
        The coarse grid.
    region : ndarray (H, W), int32
        Flags of the judged region, 0 inside.
    level_at_mm : ndarray (N, 2)
        Places, at least three and not in line, whose heights define z = 0 (the tags).
    ambient : View, optional
        The same shot with the lamp out and the same exposure; taken off before anything else.
    place_sd_mm : float
        Standard uncertainty of the lamp coordinates: with 0 the places are taken as exact, else small moves
        are fitted with that prior.
    progress : callable, optional
        Told a share from 0 to 1.
    rounds : int

    Returns
    -------
    LampReading

    Raises
    ------
    RefusedError
        Fewer than three photos, lamps that are too much alike, or a camera that moved.
    NotMeasuredError
        When hardly any cell can be read.
    """
    if len(views) < 3:
        raise RefusedError(
            "too few lamp photos",
            found=str(len(views)),
            allowed="at least 3, better 6, each with lamp_mm",
            cure="photograph the panel with the lamp at more places around it",
        )
    if lamps.places_mm.shape != (len(views), 3):
        raise ValueError("each photo needs its lamp place")
    _check_places(lamps)
    inside = region == 0
    size = grid.step_mm * grid.x_mm.size, grid.step_mm * grid.y_mm.size
    every = [*views, ambient] if ambient is not None else views
    pose = common_pose(every, size_mm=size)
    fixed = [cut_out(replace(view, pose=pose), grid, reach_mm=REACH_MM) for view in every]
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    judged = _trim(inside, grid.step_mm)
    if judged.sum() < 400:
        raise NotMeasuredError(
            "the judged region is too small to measure",
            found=f"{int(judged.sum())} cells of {grid.step_mm:g} mm",
            cure="judge a larger region or leave less out",
        )
    z, setting, state = np.zeros(x.shape), plain_setting(len(views)), None
    for turn in range(rounds):
        state = _turn(
            fixed, turn, x, y, z, setting, lamps, grid, judged, level_at_mm, ambient is not None, place_sd_mm
        )
        setting, z = state.setting, state.z
        if progress is not None:
            progress((turn + 1) / rounds)
    assert state is not None
    return _finish(state, grid, region, judged, pose, rounds)


@dataclass(frozen=True, slots=True)
class _Turn:
    """What one round leaves."""

    seen: Array
    blown: Array
    unseen: Array
    weight: Array
    lost: Array
    fit: CellFit
    setting: LampSetting
    noise: float
    scale_rel: float
    z: Array
    height: Array
    closure: float


def _check_places(lamps: Lamps) -> None:
    """The light must come from directions that do not lie in one plane with the panel's middle."""
    vectors = lamps.places_mm / np.linalg.norm(lamps.places_mm, axis=1, keepdims=True)
    if np.linalg.svd(vectors, compute_uv=False)[-1] < 0.05:
        raise RefusedError(
            "the lamp places lie in one plane with the panel's middle",
            found="light from one direction and its opposite at most",
            allowed="lamps all around the panel",
            cure="move the lamp to places all around the panel, about 60 or 90 degrees apart",
        )


def _trim(inside: Array, step_mm: float) -> Array:
    """The region less its rim and less slivers between rim and tags."""
    rim, sliver = max(1, round(RIM_MM / step_mm)), max(1, round(SLIVER_MM / step_mm / 2))
    pad = rim + sliver + 1
    padded = cv2.copyMakeBorder(inside.astype(np.uint8), pad, pad, pad, pad, cv2.BORDER_CONSTANT, value=0)
    padded = cv2.erode(padded, np.ones((2 * rim + 1, 2 * rim + 1), np.uint8))
    padded = cv2.morphologyEx(padded, cv2.MORPH_OPEN, np.ones((2 * sliver + 1, 2 * sliver + 1), np.uint8))
    return np.asarray(padded[pad:-pad, pad:-pad] > 0)


def _picture_of(cutout: Cutout, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
    """Mean brightness of each coarse cell, and where it is blown out or not seen."""
    picture, state = rectify(cutout, x, y, z)
    shape = (x.shape[0], FINE, x.shape[1], FINE)
    mean = picture.astype(float).reshape(shape).mean((1, 3))
    blown = ((state & bit("saturated")) != 0).reshape(shape).any((1, 3))
    unseen = ((state & ~bit("saturated")) != 0).reshape(shape).any((1, 3))
    return mean, blown, unseen


def _turn(  # type: ignore[no-untyped-def]
    views, turn, x, y, z, setting, lamps, grid, judged, level_at_mm, has_ambient, place_sd_mm
) -> _Turn:
    seen, blown, unseen = (np.stack(v) for v in zip(*(_picture_of(v, x, y, z) for v in views), strict=True))
    if has_ambient:
        seen, unseen = seen[:-1] - seen[-1], unseen[:-1] | unseen[-1]
        blown = blown[:-1] | blown[-1]
    count = len(seen)
    weight = np.where(judged & ~blown & ~unseen, 1 / (np.maximum(seen, 0) + DARK), 0.0)
    places = lamps.places_mm + setting.moved_mm
    if turn > 0:
        for k in range(count):
            weight[k][cast_shadow(z, grid=grid, lamp_mm=places[k])] = 0.0
    lost = np.zeros(judged.shape, bool)
    fit, scale_rel = None, 0.0
    step = {
        "xyz_mm": (x, y, z),
        "lamps": lamps,
        "step_mm": grid.step_mm,
        "level_at_mm": level_at_mm,
        "place_sd_mm": place_sd_mm,
        "room_known": has_ambient,
    }
    vectors = lamp_vectors(x, y, z, lamps=replace(lamps, places_mm=places))
    noise = _grain(seen, weight)
    for sweep in range(2):
        rivals = [setting]
        if turn > 0 and sweep == 0 and np.ptp(setting.brightness) > SPREAD_TO_ASK and not has_ambient:
            rivals.append(replace(setting, exposed=not setting.exposed))
        tried = []
        for rival in rivals:
            for _ in range(2):
                fit = fit_cells(seen, vectors, setting=rival, weight=weight, start=fit)
                noise = _noise(fit, weight, noise)
                answer = fit_setting(fit, vectors, setting=rival, weight=weight, noise=noise, **step)
                rival = answer.setting
            vectors = lamp_vectors(x, y, z, lamps=replace(lamps, places_mm=lamps.places_mm + rival.moved_mm))
            fit = fit_cells(seen, vectors, setting=rival, weight=weight, start=fit)
            tried.append((_misfit(fit, weight, noise), rival, fit, answer))
        _, setting, fit, answer = min(tried, key=lambda row: row[0])
        if sweep == 0 and count > 3:
            weight, lost = drop_outliers(
                seen, vectors, fit=fit, setting=setting, weight=weight, noise=_noise(fit, weight, noise)
            )
            fit = fit_cells(seen, vectors, setting=setting, weight=weight, start=fit)
    scale_rel = _scale_rel(answer.covariance, answer.names, fit, vectors)
    height, closure = integrate_slopes(
        fit.p, fit.q, step_mm=grid.step_mm, weight=(_share(fit.u_p), _share(fit.u_q)), tolerance=1e-7
    )
    count_islands, labels = label_islands(np.isfinite(height))
    measured = labels == 1 if count_islands > 1 else np.isfinite(height)
    reach = float(max(np.abs(grid.x_mm).max(), np.abs(grid.y_mm).max()))
    if measured.sum() < 400:
        raise NotMeasuredError(
            "the lamp photos can't be read on this panel",
            found=f"{int(measured.sum())} cells lit by three lamps",
            cure="use a brighter or higher lamp, keep clear of shadows, and expose so that nothing is blown out",
        )
    whole = continue_smoothly(height, measured, grid.x_mm / reach, grid.y_mm / reach, reach_px=8.0)
    plane = _level(whole, grid, level_at_mm)
    flat = plane[0] + plane[1] * x + plane[2] * y
    return _Turn(
        seen,
        blown,
        unseen,
        weight,
        lost,
        fit,
        setting,
        noise,
        scale_rel,
        whole - flat,
        height - flat,
        closure,
    )


def _share(spread: Array) -> Array:
    """Weights of slopes: inverse variance, unitless."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.nan_to_num(1 / spread**2, nan=0.0, posinf=0.0)


def _grain(seen: Array, weight: Array) -> float:
    """Noise at weight 1 from the differences of neighbours: second differences take slopes and edges off."""
    bend = seen[:, :, 1:-1] - 0.5 * (seen[:, :, 2:] + seen[:, :, :-2])
    root = np.sqrt(weight[:, :, 1:-1])
    used = (weight[:, :, 1:-1] > 0) & (weight[:, :, 2:] > 0) & (weight[:, :, :-2] > 0)
    values = (root * bend)[used]
    return float(1.4826 * np.median(np.abs(values)) / np.sqrt(1.5)) + 1e-9 if values.size else 1.0


def _noise(fit: CellFit, weight: Array, grain: float) -> float:
    """Noise at weight 1 from what the fits leave over; three photos leave nothing, then the grain stands."""
    used = np.isfinite(fit.left)
    free = np.count_nonzero(used, axis=0) - 3
    if not (free > 0).any():
        return grain
    over = np.nansum(weight * fit.left**2, 0)
    some = free > 0
    # The median of chi-square with n degrees is about n (1 - 2/(9n))^3 (Wilson and Hilferty 1931; from memory).
    n = float(np.median(free[some]))
    return float(np.sqrt(np.median(over[some]) / (n * (1 - 2 / (9 * n)) ** 3))) + 1e-9


def _misfit(fit: CellFit, weight: Array, noise: float) -> float:
    return float(np.nansum(np.minimum(weight * fit.left**2 / noise**2, 9.0)))


def _scale_rel(covariance: Array, names: tuple[str, ...], fit: CellFit, vectors: Array) -> float:
    """Room light that is out by da, or black level by dc, scales slopes by da / l_z and dc / (rho l_z)."""
    if "room" not in names:
        return 0.0
    lift = float(np.median(vectors[:, 2]))
    albedo = float(np.nanmedian(fit.albedo))
    row = np.zeros(len(names))
    row[names.index("room")], row[names.index("black")] = 1 / lift, 1 / (albedo * lift)
    return float(np.sqrt(row @ covariance @ row))


def _level(z: Array, grid: Grid, level_at_mm: Array) -> Array:
    """Plane (constant, x, y) through the surface, continued under the paper, at the level places."""
    column = np.clip((level_at_mm[:, 0] - grid.x_mm[0]) / grid.step_mm, 0, grid.x_mm.size - 1)
    row = np.clip((level_at_mm[:, 1] - grid.y_mm[0]) / grid.step_mm, 0, grid.y_mm.size - 1)
    at = z[np.rint(row).astype(int), np.rint(column).astype(int)]
    design = np.column_stack([np.ones(len(at)), level_at_mm])
    return np.asarray(np.linalg.lstsq(design, at, rcond=None)[0])


def _finish(state, grid, region, judged, pose, rounds):  # type: ignore[no-untyped-def]
    """Flags, noise and the height of each island by itself."""
    fit, inside = state.fit, region == 0
    flags = region.copy()
    flags[inside & ~judged] |= bit("edge")
    measured = np.isfinite(state.height)
    left_out = judged & ~measured
    flags[judged & (np.count_nonzero(state.unseen, axis=0) > 0) & left_out] |= bit("out_of_view")
    flags[left_out & state.blown.any(0)] |= bit("saturated")
    flags[left_out & state.lost] |= bit("inconsistent")
    flags[left_out & (flags == 0)] |= bit("shadow")
    height = state.height.copy()
    count, labels = label_islands(measured)
    for k in range(2, count + 1):
        part = labels == k
        height[part] += np.mean(state.z[part] - height[part])
        flags[part] |= bit("island")
    p, q = (np.where(measured, np.gradient(state.z, grid.step_mm, axis=a), np.nan) for a in (1, 0))
    u = float(np.sqrt(np.nanmedian(fit.u_p**2 + fit.u_q**2) / 2)) * state.noise
    cells = max(np.sqrt(measured.sum()), 4.0)
    # Southwell's noise coefficient grows as ln(N)/(2 pi) (check: 0.8856 at N = 100, 1.2545 at N = 1000).
    noise_mm = u * grid.step_mm * float(np.sqrt(np.log(cells) / (2 * np.pi) + 0.15))
    uneven = _uneven(state, grid)
    pictures = tuple(_picture(state, k, inside) for k in range(len(state.seen)))
    reading = Reading(
        grid, height, p, q, noise_mm, uneven, flags, 1e3 * state.closure, np.empty(0), np.empty(0), rounds,
        pictures,
    )  # fmt: skip
    return LampReading(reading, state.setting, np.where(measured, fit.albedo, np.nan), pose, state.scale_rel)


def _uneven(state: _Turn, grid: Grid) -> float:
    """Height error from what no noise explains: the brightness left over on blocks of `BLOCK_MM`.

    A left-over that is smooth over a block length bends slopes by its share of the brightness times the
    slopes' own answer to it, and the height by that times the block length over pi.
    """
    factor = max(1, round(BLOCK_MM / grid.step_mm))
    h, w = (n // factor * factor for n in state.z.shape)
    good = np.isfinite(state.fit.left) & (state.weight > 0)
    shape = (-1, h // factor, factor, w // factor, factor)
    root = np.where(good, np.sqrt(state.weight) * np.nan_to_num(state.fit.left), 0.0)[:, :h, :w]
    share = good[:, :h, :w].reshape(shape).mean((2, 4))
    mean = root.reshape(shape).mean((2, 4))[share > 0.8]
    if mean.size < 8:
        return 0.0
    excess = max(float(np.median(mean**2)) / 0.455 - state.noise**2 / factor**2, 0.0)
    u = float(np.sqrt(np.nanmedian(state.fit.u_p**2 + state.fit.u_q**2) / 2))
    return float(np.sqrt(excess) * u * BLOCK_MM / np.pi)


BLOCK_MM = 60.0
"""Length over which left-over brightness is averaged: about half a wide low."""


def _picture(state: _Turn, k: int, inside: Array) -> Picture:
    lit = inside & (state.weight[k] > 0) & np.isfinite(state.fit.p)
    level = state.seen[k]
    with np.errstate(divide="ignore", invalid="ignore"):
        explained = 1 - np.abs(state.fit.left[k]) / np.maximum(level, 1e-6)
    return Picture(
        lit=lit,
        clipped=inside & state.blown[k],
        modulation=np.where(lit, np.clip(explained, 0, 1), np.nan),
        level=level,
        stripe_px=float("nan"),
        stripes_across=float("nan"),
        misprints=0,
    )
