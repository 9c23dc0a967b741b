"""A stepped series of stripes to slopes and height, at the photo's own resolution.

Every cell is decoded by itself, so nothing is averaged over a stripe and small faults keep their depth. The
camera stands still during a series: the frames' own poses, found from their tags, are averaged when they agree, since
what they differ by is then noise. When they all differ the camera was hand-held, and each frame keeps its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.flags import bit
from surfscan.core.poisson import label_islands
from surfscan.core.reading import QualityMaps, Reading, View
from surfscan.core.records import Array, Board, Grid, Pose
from surfscan.optics.field import FINE, Cutout, cut_out, pixel_pitch, rectify
from surfscan.optics.lens import project
from surfscan.optics.mirror import hit_board
from surfscan.phase.order import unwrap
from surfscan.phase.stepped import (
    Wave,
    bend_of_screen,
    find_place,
    fit_steps,
    odd_frames,
    straighten,
    tell_steps,
)
from surfscan.reading.follow import Surface, on_board
from surfscan.reading.settle import close_islands, curl_mrad, integrated_noise, settle

__all__ = ["Frame", "read_stepped", "stepped_grid_mm"]

ENOUGH = 400
"""Fewest measured cells that make a reading."""

MOVED_PX = 0.5
"""A frame whose tags lie this far off those of the still frames has moved; poses of sound frames agree to 0.03 px."""

RESOLUTION_CELLS = 4.0
"""Cells across the narrowest spot that keeps its depth: a (1 - rho^2)^2 spot loses 3 % at 4 cells of averaging 2."""

DISAGREE = 0.01
"""Median disagreement of two periods, as a share of the shorter, above which the series is out of order."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One photo of a stepped series: its view, stripe period (mm) and phase step (rad)."""

    view: View
    period_mm: float
    step_rad: float


@dataclass(slots=True)
class _Series:
    """The frames of one direction and period, with what was decoded last."""

    varies: str
    period_mm: float
    frames: list[Frame]
    poses: list[Pose]
    cutouts: list[Cutout]
    still: bool
    bend: Array | None = None
    wave: Wave | None = None

    @property
    def name(self) -> str:
        return f"the series of period {self.period_mm:g} mm along {self.varies!r}"

    @property
    def steps(self) -> Array:
        return np.array([frame.step_rad for frame in self.frames])

    @property
    def orders(self) -> tuple[int, ...]:
        """Pulls to fit: for even steps only multiples of their number survive of a screen's harmonics; frames of
        unequal brightness pull once and twice a stripe."""
        n = len(self.frames)
        even = np.sort(np.mod(self.steps - self.steps[0], 2 * np.pi))
        if np.allclose(even, 2 * np.pi * np.arange(n) / n, atol=1e-3):
            return tuple(sorted({1, 2, *(n * k for k in range(1, max(2, 27 // n)))}))
        return (1, 2, 3, 4, 5, 6)


def stepped_grid_mm(size_mm: tuple[float, float], views: list[View]) -> float:
    """Coarse grid step at which the fine grid has the photo's own resolution, mm; at most a million cells."""
    pitch = min(pixel_pitch(size_mm, camera=v.camera, pose=v.pose) for v in views)
    return float(np.clip(FINE * pitch, np.sqrt(size_mm[0] * size_mm[1] / 1e6), min(size_mm) / 60))


def read_stepped(
    frames: list[Frame],
    *,
    board: Board,
    grid: Grid,
    region: Array,
    level_at_mm: Array,
    start_curvature: Array | None = None,
    progress: Callable[[float], None] | None = None,
    rounds: int = 4,
) -> Reading:
    """Read slopes and height from a phase-stepped series.

    Parameters
    ----------
    frames : list of Frame
        Three or more steps for each direction and period, in any order; both directions.
    board : Board
        Its size says where the board's edges are, from which the stripes are counted.
    grid : Grid
        The coarse grid, best of the step `stepped_grid_mm`.
    region : ndarray (H, W), int32
        Flags of the judged region, 0 inside.
    level_at_mm : ndarray (N, 2)
        Places whose heights define z = 0.
    start_curvature : ndarray (3,), optional
        First guess of (z_xx, z_xy, z_yy), 1/mm.
    progress : callable, optional
    rounds : int
        Most rounds.

    Returns
    -------
    Reading
        ``period_mm`` is the narrowest width that is read without loss, which here is a matter of the grid.

    Raises
    ------
    RefusedError
        Naming the frame that moved, shows something else or is out of order, or the series that lacks one.
    NotMeasuredError
    """
    inside = region == 0
    if inside.sum() < ENOUGH:
        raise NotMeasuredError(
            "the judged region is too small to measure",
            found=f"{int(inside.sum())} cells of {grid.step_mm:.2g} mm",
            cure="judge a larger region or leave less out",
        )
    series = _sort(frames, grid)
    camera_mm = {axis: _camera(series, axis) for axis in ("across", "up")}
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    a, b, c = np.zeros(3) if start_curvature is None else np.asarray(start_curvature, float)
    surface = Surface(x, y, 0.5 * (a * x * x + 2 * b * x * y + c * y * y), a * x + b * y, b * x + c * y)
    found: dict[str, _Seen] = {}
    measured, last = inside, np.inf
    turn = 0
    while turn < rounds:
        for axis in ("across", "up"):
            own = [s for s in series if s.varies == axis]
            found[axis] = _decode(own, axis, surface, camera_mm[axis], board, grid, inside, first=turn == 0)
        measured = _sound(found["across"].good & found["up"].good)
        if measured.sum() < ENOUGH:
            break
        weights = _weights(found, measured)
        sides = tuple((camera_mm[axis], found[axis].wanted_mm, axis) for axis in ("across", "up"))
        reach_px = 6.0 / grid.step_mm
        fresh = settle(
            surface,
            (sides[0], sides[1]),
            measured,
            board=board,
            grid=grid,
            level_at_mm=level_at_mm,
            weights=weights,
            reach_px=reach_px,
        )
        change = float(np.abs(fresh.z - surface.z)[measured].max())
        surface = fresh
        turn += 1
        if progress is not None:
            progress(turn / rounds)
        # A height off by dz shifts the picture and the lever by dz / distance: 0.02 mm is 20 ppm of both.
        if turn > 1 and (change < 0.02 or change > 0.9 * last):
            break
        last = change
    return _finish(series, frames, found, surface, measured, turn, camera_mm, board, grid, region)


@dataclass(frozen=True, slots=True)
class _Seen:
    """What one direction's series found; maps on the coarse grid, board coordinates from the middle, mm."""

    wanted_mm: Array
    good: Array
    state: Array
    odd: Array
    clear: Array
    weight: Array
    sigma_mm: float
    spacing_mm: float


def _sort(frames: list[Frame], grid: Grid) -> list[_Series]:
    groups: dict[tuple[str, float], list[Frame]] = {}
    for frame in frames:
        groups.setdefault((frame.view.varies, round(frame.period_mm, 6)), []).append(frame)
    for axis in ("across", "up"):
        if not any(varies == axis for varies, _ in groups):
            raise RefusedError(
                f"the stepped series has no photo that varies {axis!r}",
                allowed="three or more steps for each direction",
                cure=f"add the series along {axis!r}",
            )
    for (varies, period), own in groups.items():
        steps = np.array([f.step_rad for f in own])
        design = np.stack([np.ones_like(steps), np.cos(steps), np.sin(steps)], 1)
        if len(own) < 3 or np.linalg.svd(design, compute_uv=False)[-1] < 0.15 * np.sqrt(len(own)):
            raise RefusedError(
                f"the series of period {period:g} mm along {varies!r} lacks a step",
                found=", ".join(f"{f.view.photo.file} at {np.degrees(f.step_rad):g} degrees" for f in own),
                allowed="at least three steps spread over 360 degrees",
                cure="add the missing photo, or check its phase_deg",
            )
    poses, still = _stand_still([frame.view for frame in frames])
    reach = 0.1 * float(
        np.hypot(np.ptp(grid.x_mm), np.ptp(grid.y_mm))
    )  # a crown of 1 m radius stands off less
    by_frame = {id(frame): pose for frame, pose in zip(frames, poses, strict=True)}
    out = []
    for (varies, period), own in groups.items():
        own_poses = [by_frame[id(f)] for f in own]
        cutouts = [
            cut_out(replace(f.view, pose=pose), grid, reach_mm=reach)
            for f, pose in zip(own, own_poses, strict=True)
        ]
        out.append(_Series(varies, period, own, own_poses, cutouts, still))
    return out


def _stand_still(views: list[View]) -> tuple[list[Pose], bool]:
    """One averaged pose for all frames when they agree; each its own when all differ; else name who moved."""
    shape = views[0].photo.image.shape
    for view in views:
        if view.photo.image.shape != shape:
            raise RefusedError(
                f"{view.photo.file} is not as large as the other photos of the series",
                found=f"{view.photo.image.shape[1]} x {view.photo.image.shape[0]} px",
                allowed=f"{shape[1]} x {shape[0]} px",
                cure="take the whole series with one camera, turned the same way",
            )
    reach = 0.25 * float(np.linalg.norm(views[0].pose.centre_mm))
    px, py = reach * np.array([-1.0, 1, 1, -1, 0]), reach * np.array([-1.0, -1, 1, 1, 0])
    places = np.stack([np.stack(project(px, py, 0.0, camera=v.camera, pose=v.pose)) for v in views])
    off = np.sqrt(np.mean(np.sum((places - np.median(places, 0)) ** 2, 1), -1))
    limit = max(MOVED_PX * shape[1] / 1600, 8 * float(np.median(off)))
    if np.median(off) > MOVED_PX:
        return [view.pose for view in views], False
    moved = [k for k in range(len(views)) if off[k] > limit]
    if moved:
        names = ", ".join(views[k].photo.file for k in moved)
        raise RefusedError(
            f"{names}: the camera or the panel moved here",
            found=f"{max(off[k] for k in moved):.1f} px away from the other photos of the series",
            allowed=f"{limit:.1f} px",
            cure="fix the camera, and shoot the series again without touching it",
        )
    # The mean of nearly equal rotations, put back on the rotations (the nearest one).
    u, _, vt = np.linalg.svd(np.mean([view.pose.rotation for view in views], 0))
    mean = replace(
        views[0].pose, rotation=u @ vt, shift_mm=np.mean([view.pose.shift_mm for view in views], axis=0)
    )
    return [mean] * len(views), True


def _camera(series: list[_Series], axis: str) -> Array:
    return np.asarray(np.mean([p.centre_mm for s in series if s.varies == axis for p in s.poses], axis=0))


def _pictures(series: _Series, surface: Surface) -> tuple[Array, Array]:
    """Frames on the coarse grid (N, H, W), and their common state."""
    frames, state = [], np.zeros(surface.x.shape, np.int32)
    for cutout in series.cutouts:
        picture, fine = rectify(cutout, surface.x, surface.y, surface.z)
        frames.append(cv2.resize(picture, surface.x.shape[::-1], interpolation=cv2.INTER_AREA))
        state |= np.bitwise_or.reduce([fine[i::FINE, j::FINE] for i in range(FINE) for j in range(FINE)])
    return np.stack(frames), state


def _decode(
    series: list[_Series],
    axis: str,
    surface: Surface,
    camera_mm: Array,
    board: Board,
    grid: Grid,
    inside: Array,
    *,
    first: bool,
) -> _Seen:
    """Decode all series of one direction on the surface as known so far."""
    hit = hit_board(surface.x, surface.y, surface.z, surface.p, surface.q, camera_mm=camera_mm, board=board)
    middle = (board.size_mm[0] if axis == "across" else board.size_mm[1]) / 2
    place = (hit.across_mm if axis == "across" else hit.up_mm) + middle
    aim = np.where(np.isfinite(place), place, middle)
    gy, gx = np.gradient(aim, grid.step_mm)
    stretch = float(np.nanmedian(np.hypot(gx, gy)[inside]))  # board mm per panel mm
    state = np.zeros(grid.shape, np.int32)
    waves: list[Wave | None] = []
    for one in series:
        frames, own_state = _pictures(one, surface)
        state |= own_state
        seen = inside & (own_state == 0)
        if seen.sum() < ENOUGH:
            waves.append(None)
            continue
        spacing_px = one.period_mm / max(stretch, 1e-6) / grid.step_mm
        steps = one.steps
        if not one.still:
            steps = _own_steps(one, surface, place, middle, axis, board)
        if first:
            _check_order(one, frames, seen, spacing_px)
        one.wave = fit_steps(frames, steps)
        if first:
            _check_sense(one, one.wave, aim, seen, spacing_px)
        waves.append(one.wave)
    clear = inside & (state == 0)
    if any(wave is None for wave in waves) or not clear.any():
        nothing = np.zeros(grid.shape, bool)
        return _Seen(place - middle, nothing, state, nothing, nothing, np.zeros(grid.shape), np.nan, np.nan)
    good = clear & on_board(hit, board)
    bright = clear.copy()
    for wave in waves:
        assert wave is not None
        usual = float(np.median(wave.amplitude[good])) if good.any() else 0.0
        bright &= (wave.amplitude > 0.25 * usual) & (wave.amplitude > 1e-4)
        rest = np.sqrt(np.mean(wave.residual**2, 0)) / np.maximum(wave.amplitude, 1e-6)
        calm = float(np.median(rest[good])) if good.any() else 0.0
        bright &= rest <= max(8 * calm, 0.05)
    good &= bright & np.isfinite(place)
    if good.sum() < ENOUGH:
        return _Seen(
            place - middle, good, state, ~bright & False, bright, np.zeros(grid.shape), np.nan, np.nan
        )
    return _join(series, aim, good, state, bright, stretch, middle, grid, first=first)


def _own_steps(one: _Series, surface: Surface, place: Array, middle: float, axis: str, board: Board) -> Array:
    """Steps (N, H, W) of a hand-held series: each frame looks elsewhere on the board by what the poses say."""
    maps = []
    for frame, pose in zip(one.frames, one.poses, strict=True):
        own = hit_board(
            surface.x, surface.y, surface.z, surface.p, surface.q, camera_mm=pose.centre_mm, board=board
        )
        there = (own.across_mm if axis == "across" else own.up_mm) + middle
        shift = np.nan_to_num(there - place)
        maps.append(frame.step_rad + 2 * np.pi * shift / one.period_mm)
    return np.stack(maps)


def _check_order(one: _Series, frames: Array, seen: Array, spacing_px: float) -> None:
    """Name frames that are out of order or don't belong, from the frames alone."""
    if not one.still:
        return
    told, belongs = tell_steps(frames, seen, smooth_px=max(spacing_px, 2.0))
    strange, displaced = odd_frames(told, belongs, one.steps)
    names = [frame.view.photo.file for frame in one.frames]
    if strange:
        raise RefusedError(
            f"{', '.join(names[k] for k in strange)}: not a frame of {one.name}",
            found="other stripes, or none",
            cure="check its file, varies and period_mm",
        )
    if len(displaced) == 1:
        raise RefusedError(
            f"{names[displaced[0]]}: not at the phase the sheet says, in {one.name}",
            found=f"phase_deg = {np.degrees(one.steps[displaced[0]]):g}",
            cure="correct its phase_deg, or put the right photo in its place",
        )
    if displaced:
        raise RefusedError(
            f"{', '.join(names[k] for k in displaced)}: out of order in {one.name}",
            found="steps that don't follow the sheet's phase_deg",
            cure="put the photos in the order in which they were shown, or correct phase_deg",
        )


def _check_sense(one: _Series, wave: Wave, aim: Array, seen: Array, spacing_px: float) -> None:
    """Refuse a series that runs backwards or along the other axis: its phase then follows no board."""
    turn = 2 * np.pi * aim / one.period_mm
    reach = max(0.1 * spacing_px, 1.0)

    def follows(sense: float) -> float:
        rest = np.where(seen, sense * np.nan_to_num(wave.phase_rad) - turn, 0.0)
        around = [cv2.GaussianBlur(f(rest), (0, 0), reach) for f in (np.cos, np.sin)]
        return float(np.median(np.hypot(*around)[seen]))

    forward, backward = follows(1.0), follows(-1.0)
    if backward > forward:
        raise RefusedError(
            f"{', '.join(f.view.photo.file for f in one.frames)}: the steps of {one.name} run backwards",
            cure="check the order of the photos and the sense of phase_deg, or that none is missing or swapped",
        )


def _join(
    series: list[_Series],
    aim: Array,
    good: Array,
    state: Array,
    bright: Array,
    stretch: float,
    middle: float,
    grid: Grid,
    *,
    first: bool,
) -> _Seen:
    """Join the periods of one direction: screen's bend off, the stripe each cell lies in, weighted mean."""
    phases, offsets, weights = [], [], []
    for one in series:
        assert one.wave is not None
        per_mm = 2 * np.pi / one.period_mm
        phase = np.nan_to_num(one.wave.phase_rad)
        rest = unwrap(np.angle(np.exp(1j * (phase - per_mm * aim))), good)
        spacing_px = one.period_mm / max(stretch, 1e-6) / grid.step_mm
        one.bend = bend_of_screen(
            phase, np.nan_to_num(rest), good, orders=one.orders, smooth_px=max(0.7 * spacing_px, 2.0)
        )
        fix = straighten(phase, one.bend, orders=one.orders)
        phases.append(phase + fix)
        offsets.append((rest + fix) / per_mm)
        weights.append(len(one.frames) * one.wave.amplitude**2 * per_mm**2)
    periods = [one.period_mm for one in series]
    lead = int(np.argmin(periods))
    span = 2 * middle
    place, misfit = find_place(phases, periods, near_mm=aim, reach_mm=span)
    if first and len(series) > 1:
        usual = float(np.median(misfit[good]))
        if usual > DISAGREE * min(periods):
            raise RefusedError(
                f"the periods along {series[0].varies!r} disagree",
                found=f"{usual:.1f} mm between {' and '.join(one.name for one in series)}",
                allowed=f"{DISAGREE * min(periods):.1f} mm",
                cure="check the order of their photos, their phase_deg and period_mm",
            )
    order = np.round((place - aim - offsets[lead]) / periods[lead])
    joined, odd = np.full(aim.shape, np.nan), np.zeros(aim.shape, bool)
    count, labels = label_islands(good)
    for k in range(1, count + 1):
        part = labels == k
        # One whole number for a connected part: most of its cells agree on it.
        values, votes = np.unique(order[part], return_counts=True)
        whole = values[votes.argmax()]
        whole_mm = offsets[lead] + whole * periods[lead]
        total, share = np.zeros(aim.shape), np.zeros(aim.shape)
        for one, offset, weight in zip(series, offsets, weights, strict=True):
            n = np.round(np.median((whole_mm - offset)[part]) / one.period_mm)
            total += weight * (offset + n * one.period_mm)
            share += weight
        joined[part] = (aim + total / np.maximum(share, 1e-30))[part]
        odd |= part & (order != whole) & (misfit < 2 * np.median(misfit[part]) + 1e-6)
    # A lone cell is noise; a patch that insists on another stripe is a step in the surface.
    patch = cv2.blur(odd.astype(np.float32), (7, 7)) > 0.6
    noise = _cell_noise(joined - aim, good)
    spacing = min(periods) / max(stretch, 1e-6)
    weight = np.where(good, sum(weights), 0.0)
    return _Seen(
        joined - middle, good & ~(patch & (not first)), state, patch & good, bright, weight, noise, spacing
    )


def _cell_noise(rest: Array, good: Array) -> float:
    """Noise of a smooth map's cells from its Laplacian, whose white-noise gain is sqrt(20)."""
    inner = cv2.erode(good.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0) > 0
    flat = np.where(good, rest, 0.0)
    bend = cv2.Laplacian(flat, cv2.CV_64F)
    return float(1.4826 * np.median(np.abs(bend[inner])) / np.sqrt(20)) if inner.any() else float("nan")


def _sound(good: Array) -> Array:
    """Without the rim of the grid, where the panel's edge mixes in, and without slivers that nothing holds."""
    inner = good.copy()
    inner[[0, 1, -2, -1]] = inner[:, [0, 1, -2, -1]] = False
    size = int(RESOLUTION_CELLS) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return np.asarray(cv2.morphologyEx(inner.astype(np.uint8), cv2.MORPH_OPEN, kernel) > 0)


def _weights(found: dict[str, _Seen], measured: Array) -> tuple[Array, Array]:
    out = []
    for axis in ("across", "up"):
        usual = float(np.median(found[axis].weight[measured])) or 1.0
        out.append(np.where(measured, np.clip(found[axis].weight / usual, 0.05, 4.0), 1e-3))
    return out[0], out[1]


def _finish(
    series: list[_Series],
    frames: list[Frame],
    found: dict[str, _Seen],
    surface: Surface,
    measured: Array,
    rounds: int,
    camera_mm: dict[str, Array],
    board: Board,
    grid: Grid,
    region: Array,
) -> Reading:
    flags, inside = region.copy(), region == 0
    gains, white, pictures = [], 0.0, {}
    for axis in ("across", "up"):
        seen = found[axis]
        hit = hit_board(
            surface.x, surface.y, surface.z, surface.p, surface.q, camera_mm=camera_mm[axis], board=board
        )
        slope = hit.d_across if axis == "across" else hit.d_up
        gains.append(float(np.nanmedian(np.hypot(slope[0], slope[1])[inside])))
        white += (np.nan_to_num(seen.sigma_mm) / gains[-1]) ** 2 / 2
        flags |= np.where(inside, seen.state, 0)
        clear = inside & (seen.state == 0)
        flags[clear & ~on_board(hit, board)] |= bit("off_board")
        flags[clear & ~seen.clear] |= bit("weak_stripes")
        flags[inside & seen.odd] |= bit("inconsistent")
        for one in series:
            if one.varies == axis:
                for frame, pose in zip(one.frames, one.poses, strict=True):
                    pictures[id(frame)] = _picture(one, frame, pose, seen, grid, inside)
    flags[inside & ~measured & (flags == 0) & found["across"].good & found["up"].good] |= bit("edge")
    flags[inside & ~measured & (flags == 0)] |= bit("weak_stripes")
    if measured.sum() < ENOUGH:
        raise NotMeasuredError(
            "the stripes can't be read on this panel",
            found=f"{int(measured.sum())} cells measured",
            cure="check the board's pose and that the whole panel reflects it; wet the panel or shade it",
        )
    height, flags = close_islands(surface, measured, _weights(found, measured), flags, grid)
    p, q = np.where(measured, surface.p, np.nan), np.where(measured, surface.q, np.nan)
    resolution = RESOLUTION_CELLS * grid.step_mm
    closure = curl_mrad(p, q, measured, grid.step_mm, smooth_px=RESOLUTION_CELLS)
    noise = integrated_noise(white, measured, grid.step_mm)
    uneven = 1e-3 * np.nan_to_num(closure) * resolution / (2 * np.pi)
    return Reading(
        grid,
        height,
        p,
        q,
        noise,
        float(uneven),
        flags,
        closure,
        np.array(gains),
        np.full(2, resolution),
        rounds,
        tuple(pictures[id(frame)] for frame in frames),
    )


def _picture(one: _Series, frame: Frame, pose: Pose, seen: _Seen, grid: Grid, inside: Array) -> QualityMaps:
    lit = seen.good
    place = np.where(lit, seen.wanted_mm, np.nan)
    gy, gx = np.gradient(place, grid.step_mm)
    stretch = np.hypot(gx, gy) / one.period_mm
    worst = float(np.nanpercentile(stretch, 95)) if np.isfinite(stretch).any() else np.nan
    pitch = pixel_pitch((0.0, 0.0), camera=frame.view.camera, pose=pose)
    across = float(np.nanpercentile(place, 99.5) - np.nanpercentile(place, 0.5)) if lit.any() else 0.0
    zero = np.zeros(grid.shape)
    wave = one.wave
    return QualityMaps(
        lit=lit,
        clipped=inside & ((seen.state & bit("saturated")) != 0),
        modulation=zero if wave is None else wave.amplitude / np.maximum(wave.level, 1e-6),
        level=zero if wave is None else wave.level,
        stripe_px=1 / (worst * pitch) if worst > 0 else 0.0,
        stripes_across=across / one.period_mm,
        misprints=0,
    )
