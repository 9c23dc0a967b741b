"""Two photos of reflected stripes to slopes and height.

The surface as known so far predicts, for each photo, where its stripes should lie; the lock-in measures how
far off they are; the two photos' corrections become slopes, the slopes a height, and the height a better
place to rectify the photos on. Three to six rounds settle it, crowned panels included.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial

import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.errors import RefusedError
from surfscan.core.photo_limits import FIGURES, THRESHOLDS
from surfscan.core.reading import Context, Reading, View
from surfscan.optics.field import cut_out
from surfscan.reading.crown import find_crown
from surfscan.reading.finish import Settled, finish
from surfscan.reading.fold import find_folds
from surfscan.reading.follow import FOLD_ROUND, Track, follow
from surfscan.reading.settle import curl_mrad, rebuild
from surfscan.reading.surface import ENOUGH, Surface, check_region, first_surface, on_board, stand_off_mm
from surfscan.surface.slopes import newton_step

__all__ = ["read_stripes"]

TOLD = 0.5
"""Information, against what is usual, from which a slope counts fully: set-up errors make the two photos disagree
a little everywhere, and weights that changed from place to place would turn that into false shape."""

UNTOLD = 0.1
"""Weight under which a slope is taken from the height instead of from its photo."""

SETTLED = 0.006
"""Rms change in radians below which the rounds end: 0.1 um of height on usual boards."""

SETTLED_PEAK = 0.03
"""The same for the largest changes."""

CLEARLY_FEW = 2.7
"""Stripes that the sheet's board would show across the panel, under which no photo of it need be looked at."""


def read_stripes(
    context: Context, *, progress: Callable[[float], None] | None = None, rounds: int = 8
) -> Reading:
    """Read slopes and height from two photos of stripes, or one of crossed stripes.

    Parameters
    ----------
    context : Context
        With a board and two views: one with ``varies`` "across", one with "up"; of one photo when crossed.
    progress : callable, optional
        Told a share from 0 to 1.
    rounds : int
        Most rounds.

    Returns
    -------
    Reading

    Raises
    ------
    RefusedError, NotMeasuredError
        When the stripes can't be read at all.
    """
    check_region(context)
    cutouts = [cut_out(view, context.grid, reach_mm=stand_off_mm(context.grid)) for view in context.views]
    if context.views[0].photo is context.views[1].photo:  # one picture is enough
        cutouts[1] = replace(cutouts[0], view=context.views[1])
    start = first_surface(context).level(context)
    for view in context.views:
        _check_board(start, view, context)
    surface = find_crown(cutouts, context)[1]
    tracks = [Track(cutout) for cutout in cutouts]
    pair_up(tracks)
    settled, closure = _rounds(tracks, surface, context, rounds, progress or (lambda share: None))
    weights = _weights(tracks, settled.measured)
    return finish(tracks, settled, context=context, weights=weights, closure=closure)


def pair_up(tracks: list[Track]) -> None:
    """Let both directions of one crossed photo know each other."""
    for group in by_photo(tracks):
        if len(group) == 2:
            group[0].partner, group[1].partner = group[1], group[0]


def by_photo(tracks: list[Track]) -> list[list[Track]]:
    """The tracks of each photo together, in their order."""
    groups: list[list[Track]] = []
    for track in tracks:
        if groups and groups[-1][0].view.photo is track.view.photo:
            groups[-1].append(track)
        else:
            groups.append([track])
    return groups


def _rounds(
    tracks: list[Track], surface: Surface, context: Context, rounds: int, tell: Callable[[float], None]
) -> tuple[Settled, float]:
    """Follow and settle until nothing moves; the surface, and what both photos disagree by (mrad)."""
    measured, last, closure = context.inside, np.inf, float("nan")
    folded, odd = np.zeros(context.grid.shape, bool), np.zeros(context.grid.shape, bool)
    turn = 0
    with ThreadPoolExecutor(2) as pool:
        while turn < rounds:
            step = partial(
                follow, turn=turn, surface=surface, context=context, inside=context.inside & ~folded & ~odd
            )
            # Each photo on its own thread; nothing is shared but what nobody writes, so the result is the same on one.
            followed = [
                found
                for each in pool.map(lambda group, go=step: [go(track) for track in group], by_photo(tracks))
                for found in each
            ]
            change = max(found.change_rad for found in followed)
            peak = max(found.peak_rad for found in followed)
            measured = tracks[0].found.good & tracks[1].found.good
            if measured.sum() < ENOUGH:
                break
            surface, closure = _settle(surface, tracks, measured, context)
            turn += 1
            tell(turn / rounds)
            if turn == FOLD_ROUND + 1:
                folded, odd = find_folds([track.found for track in tracks], measured, grid=context.grid)
                if folded.any() or odd.any():
                    rounds += 2  # the neighbours were led astray and need time to recover
                    continue
            # A small spot still moving hides in the rms, so the largest changes count too.
            settled = change < SETTLED and peak < SETTLED_PEAK
            if turn > FOLD_ROUND and (settled or change > 0.9 * last):
                break
            last = change
    return Settled(surface, measured, folded, odd, turn), closure


def _check_board(surface: Surface, view: View, context: Context) -> None:
    """Refuse a board that the panel can't reflect into the camera, or of which it would show too few stripes."""
    board, inside = context.mirrored_board, context.inside
    hit = surface.hit(view.camera_mm, board)
    share = float(np.mean(on_board(hit, board)[inside]))
    if share < 0.05:
        raise RefusedError(
            f"{view.photo.file}: the panel does not reflect the board where the sheet puts it",
            found=f"{100 * share:.0f} % of the panel reflects it into the camera",
            cure="check board.centre_mm, board.up and board.size_mm: x to the right, y up along the panel, z out of it",
            allowed="a board that most of the panel mirrors into the camera",
        )
    place = hit.place(view.varies)
    low, high = np.nanpercentile(place[inside], (0.5, 99.5))
    if context.crown is not None and (high - low) / board.period_mm < CLEARLY_FEW:
        raise RefusedError(
            f"{view.photo.file}: too few stripes across the panel",
            found=f"{(high - low) / board.period_mm:.1f} periods",
            allowed=f"at least {THRESHOLDS['stripes_across_least']:g}",
            cure=FIGURES["stripes across"].cure,
        )


def _settle(
    surface: Surface, tracks: list[Track], measured: Array, context: Context
) -> tuple[Surface, float]:
    """Solve for slopes, integrate, level on the tags' plane, and continue the surface where it is not seen."""
    found = [track.found for track in tracks]
    # One Newton step a round, from the hits that the round has traced anyway; the rounds do the rest.
    dp, dq = newton_step(*((r.hit, r.wanted_mm, t.view.varies) for t, r in zip(tracks, found, strict=True)))
    solved = measured & np.isfinite(dp) & np.isfinite(dq)
    p, q = surface.p + np.where(solved, dp, 0), surface.q + np.where(solved, dq, 0)
    weights = _weights(tracks, measured)
    fresh = rebuild(surface, p, q, measured, context=context, weights=weights).level(context)
    step = context.grid.step_mm
    if found[0].telling is not None:  # where a photo tells nothing, the height knows better
        zy, zx = np.gradient(fresh.z, step)
        told_p, told_q = (weight >= UNTOLD for weight in weights)
        fresh = replace(fresh, p=np.where(told_p, fresh.p, zx), q=np.where(told_q, fresh.q, zy))
    return fresh, curl_mrad(fresh.p, fresh.q, measured, step)


def _weights(tracks: list[Track], measured: Array) -> tuple[Array, Array]:
    """Weights of p and q, each by the photo that tells it: the axes of a board turned on its side swap their parts."""
    out = []
    tells_p = max(range(len(tracks)), key=lambda k: _lean(tracks[k], measured))
    for track in (tracks[tells_p], tracks[1 - tells_p]):
        told = (
            np.ones(measured.shape)
            if track.found.telling is None
            else np.minimum(track.found.telling / TOLD, 1.0) ** 3
        )
        out.append(np.where(measured, np.maximum(told, 1e-3), 1e-3))
    return out[0], out[1]


def _lean(track: Track, measured: Array) -> float:
    """How much more of p than of q a photo's stripes tell, -1 to 1."""
    hit = track.found.hit
    slopes = hit.lever(track.view.varies)
    by_p, by_q = (float(np.sum(np.abs(slope[measured][::17]))) for slope in slopes)
    return (by_p - by_q) / max(by_p + by_q, 1e-12)
