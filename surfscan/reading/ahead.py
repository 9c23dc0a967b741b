"""What the surface as known so far lets expect of one photo, and the photo laid on it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.reading import Context
from surfscan.optics.field import FINE, Cutout, rectify, to_fine
from surfscan.optics.mirror import Hit
from surfscan.reading.surface import Surface, on_patch

__all__ = ["WAVEFORM_ROUND", "Ahead", "fine_mask", "look_ahead"]

WINDOW = (0.45, 0.3)
"""Window across the stripes, in periods: the first, before the stripes' waveform is known, passes 2 % of a
period-long ripple and nothing of the third harmonic; later the waveform takes the harmonics off, and a
shorter window follows small spots sooner."""

WINDOW_ALONG = 0.2
"""Window along the stripes, in periods: enough to quieten noise, short enough to keep small spots."""

CROSSED_WINDOW = (0.45, 0.32)
"""Window both ways, in periods, where a second wave runs across the first: before that one can be drawn and taken off
it passes 0.03 % of it; later it quietens the noise of waves half as strong."""

WAVEFORM_ROUND = 2
"""The round from which the stripes' own waveform is used: by then the surface is known to micrometres."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """What the surface of a round lets expect of one photo, and the photo laid on it."""

    hit: Hit
    place: Array  # board coordinate, coarse
    phase: Array  # of the pattern, fine grid, but for its offset
    picture: Array
    state: Array  # fine
    seen: Array  # fine
    spacing_mm: float
    period_px: float  # on the fine grid
    axis: int  # 0 when the stripes repeat along rows faster
    sigma_px: tuple[float, float]


def look_ahead(
    cutout: Cutout,
    turn: int,
    surface: Surface,
    *,
    context: Context,
    inside: Array,
    crossed: bool,
    laid: Ahead | None = None,
) -> Ahead:
    """What to expect of a photo in a round; `laid` is the same photo laid on the surface before."""
    board, step = context.mirrored_board, context.grid.step_mm
    hit = surface.hit(cutout.view.pose, board) if laid is None else laid.hit
    place = hit.place(cutout.view.varies)
    if laid is None:
        picture, state = rectify(cutout, *surface.points)
    else:
        picture, state = laid.picture, laid.state
    gy, gx = np.gradient(place, step)
    fx, fy = float(np.nanmedian(np.abs(gx[inside]))), float(np.nanmedian(np.abs(gy[inside])))
    spacing = board.period_mm / max(float(np.hypot(fx, fy)), 1e-9)
    period_px = FINE * spacing / step
    across, along = WINDOW[turn >= WAVEFORM_ROUND] * period_px, max(WINDOW_ALONG * period_px, 1.0)
    if crossed:
        across = along = CROSSED_WINDOW[turn >= WAVEFORM_ROUND] * period_px
    # A finite prediction everywhere: rays that miss the board are masked later by the board's size.
    phase = to_fine(np.where(np.isfinite(place), place, 0.0)) * (2 * np.pi / board.period_mm)
    return Ahead(
        hit,
        place,
        phase,
        picture,
        state,
        fine_mask(inside & ~on_patch(hit, board)) & (state == 0),
        spacing,
        period_px,
        0 if fx >= fy else 1,
        (across, along) if fx >= fy else (along, across),
    )


def fine_mask(coarse: Array) -> Array:
    fine = cv2.resize(coarse.astype(np.uint8), None, fx=FINE, fy=FINE, interpolation=cv2.INTER_NEAREST) > 0
    # Beyond the outermost coarse centres everything is extrapolated.
    fine[[0, -1]] = fine[:, [0, -1]] = False
    return np.asarray(fine)
