"""Which tag is not where the sheet says: one is named only when the photo singles it out, else the two most likely.

Without the one tag that is out of place, the others fit the photo to the noise of their corners; without any other,
they do not. A focal length known to a few per cent only can explain away some of that, so each case may choose its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

__all__ = ["tags_to_blame"]

SINGLED_OUT = 2.5
"""Without the culprit the misfit must be this many times less than without the next (simulated; see the tests)."""

AT_NOISE_PX = 0.1
"""Twice the least noise of a tag's corner: a fit worse than this has more wrong with it than one tag."""

_FOCAL_STEPS = (-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5)  # in standard uncertainties of the focal length
_SURE_FOCAL = 0.003  # a focal length known so well explains nothing away


def tags_to_blame(
    tags: Sequence[int], without_px: Callable[[int, float], float], *, u_focal_rel: float, limit_px: float
) -> tuple[int, ...]:
    """Find the tag, or the two tags, that may be out of place.

    Parameters
    ----------
    tags : sequence of int
        Numbers of those that don't fit together.
    without_px : callable
        Root mean square misfit, px, of a pose fitted without a tag, with the focal length this many times as long.
    u_focal_rel : float
        Relative standard uncertainty of the focal length.
    limit_px : float
        A misfit over this is none that one tag explains.

    Returns
    -------
    tuple of int
        Its id; or the two most likely; or nothing when no single tag explains it, or fewer than four were seen.
    """
    if len(tags) < 4:
        return ()
    steps = _FOCAL_STEPS if u_focal_rel > _SURE_FOCAL else (0.0,)
    without = {tag: min(without_px(tag, 1 + k * u_focal_rel) for k in steps) for tag in tags}
    first, second = sorted(without, key=lambda k: without[k])[:2]
    if not without[first] < limit_px:
        return ()
    if without[first] <= AT_NOISE_PX and without[second] >= SINGLED_OUT * without[first]:
        return (first,)
    return (first, second)
