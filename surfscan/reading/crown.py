"""The crown found before the rounds: stripe frequencies of the photos, checked against what the board would show."""

from __future__ import annotations

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.reading import Context
from surfscan.optics.field import FINE, Cutout, rectify
from surfscan.phase.carrier import Tiles, tile_frequencies
from surfscan.reading.approach import check_stripes, fit_crown, predict_frequency
from surfscan.reading.surface import Surface, first_surface

__all__ = ["check_on", "find_crown", "look_for_stripes"]

THIN = 40
"""Cells along the shorter side by which directions are told."""


def find_crown(
    cutouts: list[Cutout],
    context: Context,
    *,
    lit: list[Array] | None = None,
    first: list[Tiles] | None = None,
) -> tuple[Array, Surface]:
    """Fit the crown to the photos' stripes.

    Parameters
    ----------
    cutouts : list of Cutout
    context : Context
    lit : list of ndarray (H, W), bool, optional
        Where each photo is looked at; everywhere inside by default.
    first : list of Tiles, optional
        What `look_for_stripes` found of the same photos.

    Returns
    -------
    crown : ndarray (3,)
        z_xx, z_xy, z_yy, 1/mm.
    surface : Surface
        Its quadric, level on the tags' plane.

    Raises
    ------
    RefusedError, NotMeasuredError
        No stripes, or others than the sheet's board would show.
    """
    crown = _first_guess(context)
    where = _where(cutouts, context, lit)
    tiles = first or look_for_stripes(cutouts, context, lit=lit)
    crown = _fit(cutouts, tiles, context, crown)
    surface = first_surface(context, crown).level(context)  # once more, laid on what was found
    tiles = [
        _tiles(cutout, surface, context, lit_there, crossed=_is_crossed(cutout, cutouts))
        for cutout, lit_there in zip(cutouts, where, strict=True)
    ]
    crown = _fit(cutouts, tiles, context, crown)
    return crown, first_surface(context, crown).level(context)


def _first_guess(context: Context) -> Array:
    return np.zeros(3) if context.crown is None else np.asarray(context.crown, float)


def _fit(cutouts: list[Cutout], tiles: list[Tiles], context: Context, start: Array) -> Array:
    sets = [
        (each.column, each.row, each, cutout.view.camera_mm, cutout.view.varies)
        for each, cutout in zip(tiles, cutouts, strict=True)
    ]
    return fit_crown(sets, board=context.mirrored_board, start=start)


def look_for_stripes(
    cutouts: list[Cutout], context: Context, *, lit: list[Array] | None = None
) -> list[Tiles]:
    """Tile frequencies of the photos on the panel as known before they are read: what the crown is fitted to first.

    Parameters
    ----------
    cutouts, context, lit
        As in `find_crown`.

    Raises
    ------
    RefusedError, NotMeasuredError
        As `find_crown` does.
    """
    board = context.mirrored_board
    crown = _first_guess(context)
    surface = first_surface(context, crown).level(context)
    found = []
    for cutout, where in zip(cutouts, _where(cutouts, context, lit), strict=True):
        view = cutout.view
        tiles = _tiles(cutout, surface, context, where, crossed=_is_crossed(cutout, cutouts))
        axes = {
            axis: predict_frequency(
                tiles.column, tiles.row, crown, camera_mm=view.camera_mm, board=board, varies=axis
            )
            for axis in ("across", "up")
        }
        known = context.crown is not None
        check_stripes(tiles, axes, varies=view.varies, file=view.photo.file, crown_known=known)
        found.append(tiles)
    return found


def _where(cutouts: list[Cutout], context: Context, lit: list[Array] | None) -> list[Array]:
    return [context.inside] * len(cutouts) if lit is None else lit


def _is_crossed(cutout: Cutout, cutouts: list[Cutout]) -> bool:
    return sum(other.view.photo is cutout.view.photo for other in cutouts) > 1


def check_on(cutouts: list[Cutout], surface: Surface, context: Context, lit: Array) -> None:
    """Hold the stripes of one crossed photo against what a surface that is known already would show.

    Parameters
    ----------
    cutouts : list of Cutout
        One for each direction.
    surface : Surface
    context : Context
    lit : ndarray (H, W), bool
        Where the photo is looked at.

    Raises
    ------
    RefusedError, NotMeasuredError
        As `find_crown` does.
    """
    board, grid = context.mirrored_board, context.grid
    hit = surface.hit(cutouts[0].view.pose, board)
    shown = {way: np.gradient(hit.place(way), grid.step_mm) for way in ("across", "up")}
    for cutout in cutouts:
        tiles = _tiles(cutout, surface, context, lit, crossed=len(cutouts) > 1)
        column = np.rint((tiles.column - grid.x_mm[0]) / grid.step_mm).astype(int)
        row = np.rint((tiles.row - grid.y_mm[0]) / grid.step_mm).astype(int)
        axes = {
            way: (gx[row, column] / board.period_mm, gy[row, column] / board.period_mm)
            for way, (gy, gx) in shown.items()
        }
        check_stripes(tiles, axes, varies=cutout.view.varies, file=cutout.view.photo.file, crown_known=True)


def _tiles(cutout: Cutout, surface: Surface, context: Context, where: Array, *, crossed: bool) -> Tiles:
    """Tile frequencies of a photo laid on the surface; places in mm, cycles per mm."""
    grid = context.grid
    picture, state = rectify(cutout, *surface.points)
    shrunk = cv2.resize(picture, grid.shape[::-1], interpolation=cv2.INTER_AREA)
    good = where & (state[::FINE, ::FINE] == 0)
    nearer = _directions(cutout, surface, context) if crossed else None
    tiles = tile_frequencies(shrunk, good, tile_px=48, nearer=nearer)
    x, y = grid.x_mm[0] + tiles.column * grid.step_mm, grid.y_mm[0] + tiles.row * grid.step_mm
    return Tiles(x, y, tiles.fx / grid.step_mm, tiles.fy / grid.step_mm, tiles.strength)


def _directions(
    cutout: Cutout, surface: Surface, context: Context
) -> tuple[tuple[float, float], tuple[float, float]]:
    """In which directions of the panel the photo's own board axis, and the other, go by."""
    thin = np.s_[:: max(1, min(surface.z.shape) // THIN), :: max(1, min(surface.z.shape) // THIN)]
    few = surface.at(thin)
    hit, inside = few.hit(cutout.view.pose, context.mirrored_board), context.inside[thin]
    own = cutout.view.varies
    found = []
    for axis in (own, "up" if own == "across" else "across"):
        gy, gx = np.gradient(hit.place(axis))
        found.append((float(np.nanmedian(gx[inside])), float(np.nanmedian(gy[inside]))))
    return found[0], found[1]
