"""One photo of stripes, round by round: where its stripes are, against where the surface says they should be."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.reading import Context, View
from surfscan.core.records import Board
from surfscan.core.robust import masked_mean, robust_spread
from surfscan.optics.field import FINE, Cutout, to_fine
from surfscan.optics.mirror import Hit
from surfscan.phase.lockin import LockIn, follow_stripes, nudge_phase
from surfscan.phase.misprint import Misprint, displace, find_misprint, repair
from surfscan.phase.order import unwrap
from surfscan.phase.waveform import draw_stripes, fold_waveform, steepness
from surfscan.reading.ahead import WAVEFORM_ROUND, Ahead, fine_mask, look_ahead
from surfscan.reading.surface import Surface, on_board
from surfscan.surface.slopes import evaluate_polynomial, fit_polynomial

__all__ = ["FOLD_ROUND", "Round", "Track", "follow", "strong"]

SMALL_CHANGE = 0.5
"""Below this rms change, radians, whole turns are told by nearness instead of by unwrapping."""

PROBE = 4.0
"""Harmonics of the probe that the picture is held against."""

CROSSED_PROBE = 6.0
"""The same where two waves cross: closer to the edges, since they are half as high against the noise."""

LARGEST_NUDGE = 0.5
"""Largest phase error, radians, that one step against the drawn stripes may claim."""

FOLD_ROUND = 3
"""The round in which what the drawn stripes leave unexplained is looked at."""

MISPRINT_ROUND = 2
"""The round that looks for displaced stripe edges."""


@dataclass(frozen=True, slots=True)
class Round:
    """What a round found in one photo; maps on the coarse grid.

    Attributes
    ----------
    hit : Hit
        What the surface of this round makes each cell show.
    lock : LockIn
    state : ndarray, int32
        Flags of the photo there: out of view, saturated.
    wanted_mm : ndarray
        Board coordinate that each cell shows.
    good : ndarray, bool
        Cells that can be used.
    offset_rad : float
        Phase of the pattern at the board's middle.
    change_rad, peak_rad : float
        What was measured against the prediction: root mean square, and what all but 0.5 % of the cells stay under.
    spacing_mm : float
        Reflected stripe period on the panel, median.
    grain : float
        Noise of the rectified picture's cells, linear light.
    telling, unlike : ndarray or None
        How much the picture tells about the phase, 1 for what is usual; and the share of its variance that the
        drawn stripes do not explain. None before the waveform is known.
    """

    hit: Hit
    lock: LockIn
    state: Array
    wanted_mm: Array
    good: Array
    offset_rad: float
    change_rad: float
    peak_rad: float
    spacing_mm: float
    grain: float
    telling: Array | None = None
    unlike: Array | None = None


@dataclass(slots=True)
class Track:
    """One photo and what is carried from round to round."""

    cutout: Cutout
    last: Round | None = None
    misprint: Misprint | None = None
    waveform: Array | None = None
    partner: Track | None = None  # the other direction of the same photo

    @property
    def view(self) -> View:
        """The photo with its camera and pose."""
        return self.cutout.view

    @property
    def found(self) -> Round:
        """The last round; there is one as soon as `follow` was called."""
        if self.last is None:
            raise RuntimeError("a photo was asked for its stripes before it was followed")
        return self.last


def follow(track: Track, turn: int, surface: Surface, *, context: Context, inside: Array) -> Round:
    """One round for one photo; keeps its result in the track.

    Parameters
    ----------
    track : Track
    turn : int
        Round number from 0.
    surface : Surface
    context : Context
        With a board.
    inside : ndarray (H, W), bool
        Cells to use.

    Returns
    -------
    Round
    """
    before, board = track.last, context.mirrored_board
    ahead = look_ahead(
        track.cutout,
        turn,
        surface,
        context=context,
        inside=inside,
        crossed=track.partner is not None,
    )
    if track.partner is not None and turn >= WAVEFORM_ROUND:
        other = _drawn_other(track.partner, turn, surface, context, inside, ahead)
        ahead = replace(ahead, picture=ahead.picture - other)
    picture = ahead.picture if before is None else _repaired(track, turn, before, ahead, context)
    level = _level(before, picture, ahead.seen, ahead.period_px)
    waves = picture - level
    telling = unlike = None
    if turn <= WAVEFORM_ROUND or before is None:
        firm = 0.0 if turn == 0 else 1.0
        lock = follow_stripes(
            waves, ahead.seen, ahead.phase, every=FINE, sigma_px=ahead.sigma_px, level_known=firm
        )
        residual = lock.residual_rad
        coarse_level = cv2.resize(level, lock.level.shape[::-1], interpolation=cv2.INTER_AREA)
        lock = replace(lock, level=lock.level + coarse_level)
        if turn == WAVEFORM_ROUND and before is not None:
            residual = _less_window(track, before, waves, ahead, residual)
    else:
        lock = before.lock
        residual, telling, unlike = _against_drawn(track, turn, before, waves, ahead, board)
    worst = np.bitwise_or.reduce([ahead.state[a::FINE, b::FINE] for a in range(FINE) for b in range(FINE)])
    good = inside & (worst == 0) & np.isfinite(residual) & on_board(ahead.hit, board)
    good &= strong(lock, good)
    near = before is not None and before.change_rad < SMALL_CHANGE
    residual, offset = _unturn(residual, good, before if near else None)
    good &= np.isfinite(residual)
    change = float(np.sqrt(np.mean(residual[good] ** 2))) if good.any() else 0.0
    track.last = Round(
        ahead.hit,
        lock,
        worst,
        ahead.place + residual / (2 * np.pi / board.period_mm),
        good,
        offset,
        change,
        _peak(residual[good]),
        ahead.spacing_mm,
        _grain(waves, ahead.seen, ahead.axis),
        telling,
        unlike,
    )
    return track.last


def _repaired(track: Track, turn: int, before: Round, ahead: Ahead, context: Context) -> Array:
    """The picture with displaced stripe edges looked for, and put back while the lock-in needs that."""
    if turn == MISPRINT_ROUND or (turn == MISPRINT_ROUND + 1 and track.misprint is not None):
        track.misprint = _look_for_misprint(before, context, ahead.picture, ahead.seen)
    if track.misprint is None or turn > WAVEFORM_ROUND:
        return ahead.picture
    return repair(
        ahead.picture,
        ahead.phase + before.offset_rad,
        to_fine(before.lock.amplitude),
        misprint=track.misprint,
        period_mm=context.mirrored_board.period_mm,
        slope_turns=1 / ahead.period_px,
    )


def _drawing(track: Track, before: Round, waves: Array, ahead: Ahead) -> tuple[Array, Array, Array]:
    """Waveform, phase and strength to draw the same stripes with where they are predicted."""
    phase = ahead.phase + before.offset_rad
    strength = to_fine(np.maximum(_spread(before.lock.amplitude, before.good, 0.25 * ahead.period_px), 1e-6))
    if track.waveform is None:
        calm = ahead.seen & fine_mask(before.good)
        track.waveform = fold_waveform((waves[calm] / strength[calm])[::3], phase[calm][::3])
    return track.waveform, phase, strength


def _drawn_other(
    partner: Track, turn: int, surface: Surface, context: Context, inside: Array, laid: Ahead
) -> Array:
    """The other direction's waves of the same photo, drawn as they were last seen."""
    if partner.last is None:
        return np.zeros_like(laid.picture)
    ahead = look_ahead(partner.cutout, turn, surface, context=context, inside=inside, crossed=True, laid=laid)
    waves = ahead.picture - _level(partner.last, ahead.picture, ahead.seen, ahead.period_px)
    waveform, phase, strength = _drawing(partner, partner.last, waves, ahead)
    if partner.misprint is not None:
        phase = displace(phase, misprint=partner.misprint, period_mm=context.mirrored_board.period_mm)
    return draw_stripes(waveform, phase, strength)


def _less_window(track: Track, before: Round, waves: Array, ahead: Ahead, residual: Array) -> Array:
    """The lock-in's residual less what its window makes of the drawn stripes, which is no phase."""
    drawn = draw_stripes(*_drawing(track, before, waves, ahead))
    twin = follow_stripes(
        drawn, ahead.seen, ahead.phase, every=FINE, sigma_px=ahead.sigma_px, level_known=1.0
    )
    return np.asarray(residual - (twin.residual_rad - before.offset_rad))


def _against_drawn(
    track: Track, turn: int, before: Round, waves: Array, ahead: Ahead, board: Board
) -> tuple[Array, Array, Array | None]:
    """Residual, how much the picture tells, and what the drawn stripes leave of it (in the round that asks)."""
    waveform, phase, strength = _drawing(track, before, waves, ahead)
    if track.misprint is not None:
        phase = displace(phase, misprint=track.misprint, period_mm=board.period_mm)
    drawn = draw_stripes(waveform, phase, strength)
    slope = draw_stripes(steepness(waveform), phase, strength)
    sharp = PROBE if track.partner is None else CROSSED_PROBE
    probe = draw_stripes(steepness(waveform, harmonics=sharp), phase, strength)
    error, telling = nudge_phase(waves - drawn, slope, probe, ahead.seen, sigma_px=ahead.sigma_px, every=FINE)
    residual = before.offset_rad + np.clip(error, -LARGEST_NUDGE, LARGEST_NUDGE)
    usual = float(np.median(telling[before.good])) if before.good.any() else 1.0
    telling = np.minimum(telling / max(usual, 1e-12), 1.0)
    unlike = None
    if turn == FOLD_ROUND:
        unlike = _unlike(waves - drawn, strength, ahead.seen, 0.25 * ahead.period_px)
    return residual, telling, unlike


def _peak(residual: Array) -> float:
    """What all but 0.5 % stay under."""
    if not residual.size:
        return 0.0
    place = int(0.995 * (residual.size - 1))
    return float(np.partition(np.abs(residual), place)[place])


def _unturn(residual: Array, good: Array, before: Round | None) -> tuple[Array, float]:
    """Take whole turns and the common offset out of a residual: by unwrapping first, by nearness later."""
    if before is None:
        residual = unwrap(residual, good)
        offset = float(np.median(residual[good])) if good.any() else 0.0
        return residual - offset, offset
    # The offset moves when the surface is levelled anew: its circular mean first, so that nothing is cut in two.
    near = residual - before.offset_rad
    shift = float(np.angle(np.mean(np.exp(1j * near[good])))) if good.any() else 0.0
    near = _half_turn(near - shift)
    fresh = float(np.median(near[good])) if good.any() else 0.0
    return near - fresh, before.offset_rad + shift + fresh


def _half_turn(phase: Array) -> Array:
    """Bring to -pi .. pi."""
    return np.asarray(phase - 2 * np.pi * np.round(phase / (2 * np.pi)))


def _level(before: Round | None, picture: Array, seen: Array, period_px: float) -> Array:
    """Smooth level to take off first: a level that changes across the stripes pulls on their phase."""
    if before is None or not before.good.any():
        return masked_mean(picture, seen, period_px)[0]
    smooth = _spread(before.lock.level, before.good, 0.7 * period_px / FINE)
    return np.asarray(to_fine(smooth), dtype=np.float32)


def _spread(value: Array, good: Array, sigma_px: float) -> Array:
    """Smooth a map over its good cells and continue it beyond them; far from any, its median."""
    mean, share = masked_mean(value, good, sigma_px)
    return np.where(share > 1e-3, mean, np.median(value[good])).astype(float)


def _unlike(rest: Array, strength: Array, seen: Array, sigma_px: float) -> Array:
    """Share of the stripes' variance that drawing them leaves, around each coarse cell."""
    weight = seen.astype(np.float32)
    shape = rest.shape[1] // FINE, rest.shape[0] // FINE

    def around(a: Array) -> Array:
        coarse = cv2.resize(a * weight, shape, interpolation=cv2.INTER_AREA)
        return cv2.GaussianBlur(coarse, (0, 0), sigma_px, borderType=cv2.BORDER_CONSTANT)

    power = around((strength * strength).astype(np.float32)) / 2
    return np.asarray(around((rest * rest).astype(np.float32)) / np.maximum(power, 1e-12), dtype=float)


def _grain(picture: Array, seen: Array, axis: int) -> float:
    """Noise of a rectified picture's cells: what changes from cell to cell along the stripes."""
    if axis == 1:
        picture, seen = picture.T, seen.T
    both = seen[1:, ::7] & seen[:-1, ::7]
    step = (picture[1:, ::7] - picture[:-1, ::7])[both]
    return float(robust_spread(step) / np.sqrt(2)) if step.size else 0.0


def _look_for_misprint(before: Round, context: Context, picture: Array, seen: Array) -> Misprint | None:
    """Compare the stripe edges with the course that a smooth panel would give them."""
    grid, board = context.grid, context.mirrored_board
    x, y = np.meshgrid(grid.x_mm / np.abs(grid.x_mm).max(), grid.y_mm / np.abs(grid.y_mm).max())
    good = before.good
    pick = np.zeros(good.shape, bool)
    pick[::3, ::3] = True
    pick &= good
    course = evaluate_polynomial(
        fit_polynomial(x[pick], y[pick], before.wanted_mm[pick], 5), x[0], y[:, 0], 5
    )
    away = np.abs(before.wanted_mm - course)
    calm = good & (away < max(0.05 * board.period_mm, 2.5 * float(np.median(away[good]))))
    calm_fine = cv2.resize(calm.astype(np.uint8), seen.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    phase = to_fine(course) * (2 * np.pi / board.period_mm) + before.offset_rad
    # Level and amplitude as smooth courses: one displaced edge must not move its own reference, nor may a mean
    # that is one-sided at the rim, where it lags behind uneven light and moves all edges there.
    level, amplitude = (
        to_fine(evaluate_polynomial(fit_polynomial(x[pick], y[pick], a[pick], 4), x[0], y[:, 0], 4))
        for a in (before.lock.level, before.lock.amplitude)
    )
    return find_misprint(
        picture,
        seen & calm_fine,
        phase,
        level,
        amplitude,
        period_mm=board.period_mm,
        period_px=FINE * before.spacing_mm / grid.step_mm,
    )


def strong(lock: LockIn, good: Array) -> Array:
    """Stripes at least a quarter as strong as is usual on this photo, seen through half a window."""
    usual = np.median(lock.amplitude[good]) if good.any() else 0.0
    return np.asarray((lock.amplitude > 0.25 * usual) & (lock.amplitude > 1e-4) & (lock.support > 0.25))
