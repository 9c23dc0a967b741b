"""Photos of a matt panel under one lamp at three or more places, to slopes and height.

The photos are turned onto the surface as known; each cell's brightness gives slopes and albedo; what the
cells leave over gives the room's light and the brightness of each photo; the slopes become a height, and the
height a better place for the lamps' distances and for the next turn of the photos. The camera must not move.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.flags import bit
from surfscan.core.poisson import label_islands
from surfscan.core.reading import Context, View
from surfscan.core.robust import robust_spread
from surfscan.optics.field import FINE, Cutout, cut_out, rectify
from surfscan.reading.fixed_camera import common_pose
from surfscan.reading.lamp_maps import LampReading, Turn, finish
from surfscan.reading.lamp_thin import MANY_NUMBERS, thicken, thin
from surfscan.reading.surface import ENOUGH, plane_through, scaled_axes
from surfscan.shading.bend import Bends, bend_by_paint, bend_by_places
from surfscan.shading.doubt import check_prior, scale_doubt
from surfscan.shading.lamp import CellFit, Lamps, LampSetting, fit_cells, lamp_vectors
from surfscan.shading.outliers import calm_noise, cast_shadow, drop_outliers, grazing_light
from surfscan.shading.setting import Ground, SettingFit, fit_setting, plain_setting
from surfscan.surface.integrate import integrate_slopes
from surfscan.surface.slopes import continue_smoothly

__all__ = ["read_lamp"]

RIM_MM = 4.0
"""Kept free along the region's rim: blur mixes in what lies beyond, and paper shades its surroundings."""

SLIVER_MM = 12.0
"""Strips narrower than this between rim and tags are not judged: nothing beside them holds their slopes."""

REACH_MM = 60.0
"""How far the surface may stand off the tags' plane: more than any crown between four tags."""

DARK = 0.02
"""Brightness, linear light, at which the weights stop growing: noise does not fall below the camera's own."""

THREE_SCALE_REL = 0.05
"""Added with three photos and no photo with the lamp out: room light of a few per cent then shows in no
left-over and shrinks every depth by as much."""

OUTLIER_SWEEPS = 2
"""Each narrows what the highlights and shadows still in the fit make of the noise."""

SPREAD_TO_ASK = 0.02
"""Brightnesses that differ by more than this ask what differs."""

WHAT_DIFFERS = ((True, True), (True, False), (False, False))
"""(exposed, veiled): the exposure of everything, of all but the camera's own black level, or the lamp alone."""


def read_lamp(
    context: Context,
    lamps: Lamps,
    *,
    ambient: View | None = None,
    place_sd_mm: float = 0.0,
    bend_sd_mm: float = 0.0,
    progress: Callable[[float], None] | None = None,
    rounds: int = 3,
) -> LampReading:
    """Read slopes, albedo and height from photos under one lamp at known places.

    Parameters
    ----------
    context : Context
        Three or more views from one fixed camera; no board.
    lamps : Lamps
        One place for each view, in the same order.
    ambient : View, optional
        The same shot with the lamp out and the same exposure; taken off before anything else.
    place_sd_mm : float
        Standard uncertainty of the lamp coordinates: with 0 the places are taken as exact, else small moves
        are fitted with that prior.
    bend_sd_mm : float
        The same for places that are taken as exact: how much they bend the map is worked out, not fitted.
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
    _check_places(lamps, len(context.views))
    grid = context.grid
    size = grid.step_mm * grid.x_mm.size, grid.step_mm * grid.y_mm.size
    every = [*context.views, ambient] if ambient is not None else list(context.views)
    pose = common_pose(every, size_mm=size)
    fixed = [cut_out(replace(view, pose=pose), grid, reach_mm=REACH_MM) for view in every]
    judged = _trim(context.inside, grid.step_mm)
    if judged.sum() < ENOUGH:
        raise NotMeasuredError(
            "the judged region is too small to measure",
            found=f"{int(judged.sum())} cells of {grid.step_mm:g} mm",
            cure="judge a larger region or leave less out",
            allowed=f"at least {ENOUGH} cells",
        )
    series = _Series(context, fixed, lamps, judged, ambient is not None, place_sd_mm, bend_sd_mm)
    first = _thinned(series)
    z, setting, state = np.zeros(first.context.grid.shape), plain_setting(len(context.views)), None
    for turn in range(rounds):
        last = turn == rounds - 1
        if last and first is not series:
            first, z = series, thicken(z, grid.shape)
        state = _turn(first, turn, z, setting, sweeps=2 if last else 1)
        setting, z = state.answer.setting, state.z
        if progress is not None:
            progress((turn + 1) / rounds)
    assert state is not None
    return finish(state, _bends(series, state), context, judged, pose, rounds)


def _thinned(series: _Series) -> _Series:
    """What the turns before the last work on: fewer cells where there are very many, else all."""
    if len(series.cutouts) * series.judged.size < MANY_NUMBERS:
        return series
    context = thin(series.context)
    judged = _trim(context.inside, context.grid.step_mm)
    return replace(series, context=context, judged=judged) if judged.sum() >= ENOUGH else series


@dataclass(frozen=True, slots=True)
class _Series:
    """What stays the same from turn to turn."""

    context: Context
    cutouts: list[Cutout]  # the photo with the lamp out last, if there is one
    lamps: Lamps
    judged: Array
    has_ambient: bool
    place_sd_mm: float
    bend_sd_mm: float

    @property
    def xy(self) -> tuple[Array, Array]:
        x, y = np.meshgrid(self.context.grid.x_mm, self.context.grid.y_mm)
        return x, y


def _check_places(lamps: Lamps, photos: int) -> None:
    """Enough photos, and light from directions that do not lie in one plane with the panel's middle."""
    if photos < 3:
        raise RefusedError(
            "too few lamp photos",
            found=str(photos),
            allowed="at least 3, better 6, each with lamp_mm",
            cure="photograph the panel with the lamp at more places around it",
        )
    if lamps.places_mm.shape != (photos, 3):
        raise ValueError("each photo needs its lamp place")
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
    mean = picture.reshape(shape).sum(3, dtype=float).sum(1) / FINE**2
    state = np.bitwise_or.reduce(np.bitwise_or.reduce(state.reshape(shape), 3), 1)
    return mean, (state & bit("saturated")) != 0, (state & ~bit("saturated")) != 0


def _turn(series: _Series, turn: int, z: Array, setting: LampSetting, *, sweeps: int) -> Turn:
    """One turn: photos onto the surface, cells and light fitted, slopes to a height.

    One sweep does while the height still moves: with two in each turn, the result is nanometres elsewhere.
    """
    x, y = series.xy
    seen, blown, unseen, weight = _seen(series, turn, z, setting)
    vectors = lamp_vectors(
        x, y, z, lamps=replace(series.lamps, places_mm=series.lamps.places_mm + setting.moved_mm)
    )
    noise = _grain(seen, weight)
    fit = fit_cells(seen, vectors, setting=setting, weight=weight)
    lit, lost = weight, np.zeros(z.shape, bool)
    for sweep in range(sweeps):
        if len(seen) > 3:  # before anything common is fitted: a highlight would pass for a black level
            fit, weight, lost, noise = _less_outliers((seen, lit, vectors, fit, noise), weight, setting)
        rivals = [setting]
        if sweep == 0 and turn > 0 and _worth_asking(setting) and not series.has_ambient:
            rivals = [replace(setting, exposed=e, veiled=v) for e, v in WHAT_DIFFERS]
        tried = []
        for rival in rivals:
            answer, fit, vectors, noise = _fit_rival(series, z, rival, (seen, weight, vectors, fit, noise))
            tried.append((fit, answer))
        noise = min(_noise(row[0], weight, noise) for row in tried)  # one yardstick for all
        fit, answer = min(tried, key=lambda row: _misfit(row[0], weight, noise))
        setting = answer.setting
    check_prior(setting, vectors)
    every = fit if len(seen) == 3 else fit_cells(seen, vectors, setting=setting, weight=lit, start=fit)
    scale_rel = scale_doubt(answer, fit, vectors, without_loss=every)
    if len(seen) == 3 and not series.has_ambient:
        scale_rel = float(np.hypot(scale_rel, THREE_SCALE_REL))
    whole, height, closure = _height(fit, series.context)
    return Turn(seen, blown, unseen, weight, lost, fit, answer, noise, scale_rel, z, whole, height, closure)


def _less_outliers(
    known: tuple[Array, Array, Array, CellFit, float], weight: Array, setting: LampSetting
) -> tuple[CellFit, Array, Array, float]:
    """Cells fitted without the photos that do not agree, their weights, cells lost, and the noise.

    `known` is (seen, weight of all photos, lamp vectors, cells as fitted with `weight`, noise).
    """
    seen, lit, vectors, fit, noise = known
    calm = calm_noise(seen, vectors, setting=setting, weight=lit)
    every = fit_cells(seen, vectors, setting=setting, weight=lit, start=fit)
    for _ in range(OUTLIER_SWEEPS):
        noise = min(_noise(fit, weight, noise), calm)
        weight, lost = drop_outliers(seen, vectors, fit=every, setting=setting, weight=lit, noise=noise)
        fit = fit_cells(seen, vectors, setting=setting, weight=weight, start=fit)
    return fit, weight, lost, noise


def _bends(series: _Series, state: Turn) -> Bends:
    grid = series.context.grid
    places = bend_by_places(
        state.fit,
        setting=state.answer.setting,
        weight=state.weight,
        xyz_mm=(*series.xy, state.under),
        lamps=series.lamps,
        step_mm=grid.step_mm,
        place_sd_mm=series.bend_sd_mm,
    )
    size = float(np.ptp(grid.x_mm)), float(np.ptp(grid.y_mm))
    paint = bend_by_paint(
        state.fit,
        unexplained=state.answer.unexplained,
        usual=state.answer.usual,
        scale_rel=state.scale_rel,
        size_mm=size,
    )
    return Bends(places, paint)


def _seen(series: _Series, turn: int, z: Array, setting: LampSetting) -> tuple[Array, Array, Array, Array]:
    """Brightness (N, H, W) on the surface less the room's, where it is blown out or not seen, and its weight."""
    x, y = series.xy
    with ThreadPoolExecutor(2) as pool:
        pictures = list(pool.map(lambda cutout: _picture_of(cutout, x, y, z), series.cutouts))
    seen, blown, unseen = (np.stack(v) for v in zip(*pictures, strict=True))
    if series.has_ambient:
        seen, unseen = seen[:-1] - seen[-1], unseen[:-1] | unseen[-1]
        blown = blown[:-1] | blown[-1]
    weight = np.where(series.judged & ~blown & ~unseen, 1 / (np.maximum(seen, 0) + DARK), 0.0)
    if turn > 0:
        places = series.lamps.places_mm + setting.moved_mm
        with ThreadPoolExecutor(2) as pool:
            shadows = pool.map(lambda at: cast_shadow(z, grid=series.context.grid, lamp_mm=at), places)
            for k, shadow in enumerate(shadows):
                weight[k][shadow] = 0.0
        vectors = lamp_vectors(x, y, z, lamps=replace(series.lamps, places_mm=places))
        grazing = grazing_light(z, vectors, step_mm=series.context.grid.step_mm, weight=weight)
        weight[grazing] = 0.0
    return seen, blown, unseen, weight


def _fit_rival(
    series: _Series, z: Array, rival: LampSetting, known: tuple[Array, Array, Array, CellFit, float]
) -> tuple[SettingFit, CellFit, Array, float]:
    """Cells and light fitted in turn for one guess of what differs between the photos.

    `known` is (seen, weight, lamp vectors, cells as fitted, noise).
    """
    seen, weight, vectors, fit, noise = known
    x, y = series.xy
    context = series.context
    ground = Ground(
        xyz_mm=(x, y, z),
        lamps=series.lamps,
        step_mm=context.grid.step_mm,
        level_at_mm=context.level_at_mm,
        place_sd_mm=series.place_sd_mm,
        room_known=series.has_ambient,
    )
    for _ in range(2):
        fit = fit_cells(seen, vectors, setting=rival, weight=weight, start=fit)
        noise = _noise(fit, weight, noise)
        answer = fit_setting(fit, vectors, setting=rival, weight=weight, noise=noise, ground=ground)
        rival = answer.setting
    places = series.lamps.places_mm + rival.moved_mm
    vectors = lamp_vectors(x, y, z, lamps=replace(series.lamps, places_mm=places))
    fit = fit_cells(seen, vectors, setting=rival, weight=weight, start=fit)
    return answer, fit, vectors, noise


def _height(fit: CellFit, context: Context) -> tuple[Array, Array, float]:
    """Height everywhere and where measured, both level on the tags' plane, mm, and the slopes' closure."""
    grid = context.grid
    height, closure = integrate_slopes(
        fit.p, fit.q, step_mm=grid.step_mm, weight=(_share(fit.u_p), _share(fit.u_q)), tolerance=1e-7
    )
    count, labels = label_islands(np.isfinite(height))
    measured = labels == 1 if count > 1 else np.isfinite(height)
    if measured.sum() < ENOUGH:
        raise NotMeasuredError(
            "the lamp photos can't be read on this panel",
            found=f"{int(measured.sum())} cells lit by three lamps",
            cure="use a brighter or higher lamp, keep clear of shadows, and expose so that nothing is blown out",
            allowed=f"at least {ENOUGH} cells",
        )
    across, down, _ = scaled_axes(grid)
    whole = continue_smoothly(height, measured, across, down, reach_px=8.0)
    plane = plane_through(whole, grid, context.level_at_mm)
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    flat = plane[0] + plane[1] * x + plane[2] * y
    return whole - flat, height - flat, closure


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
    return float(robust_spread(values) / np.sqrt(1.5)) + 1e-9 if values.size else 1.0


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


def _worth_asking(setting: LampSetting) -> bool:
    """Whether the left-overs of four or more unequal photos can tell what makes them unequal."""
    return setting.brightness.size > 3 and bool(np.ptp(setting.brightness) > SPREAD_TO_ASK)


def _misfit(fit: CellFit, weight: Array, noise: float) -> float:
    return float(np.nansum(np.minimum(weight * fit.left**2 / noise**2, 9.0)))
