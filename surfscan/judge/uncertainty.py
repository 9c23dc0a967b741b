"""How well a depth is known: a budget of standard uncertainties, combined by the law of propagation (JCGM 100, 5.1.2).

Depths scale with the lever of the reflection (distance to the board, stripe period, focal length), so those
inputs enter as shares of the depth; the fair form, the noise of the photos and uneven stripes enter in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surfscan.records import Array

__all__ = ["Inputs", "expand", "scale_share", "sigma_map"]

COVERAGE_FACTOR = 1.96
"""Normal distribution, 95 %."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """Standard uncertainties of the set-up.

    Defaults are for a tape measure, a printed board and tags laid to a rule (our own estimates, no source).

    Attributes
    ----------
    board_centre_mm : float
        Of each coordinate of the board's middle.
    board_angle_deg : float
    period_rel : float
        Of the stripe period, as a share.
    focal_rel : float
        Of the focal length, as a share.
    tag_centre_mm : float
        Of each tag's place.
    tag_corner_px : float
    """

    board_centre_mm: float = 3.0
    board_angle_deg: float = 0.3
    period_rel: float = 0.001
    focal_rel: float = 0.002
    tag_centre_mm: float = 0.3
    tag_corner_px: float = 0.1


def scale_share(
    inputs: Inputs, *, board_distance_mm: float, camera_distance_mm: float, tag_span_mm: float
) -> dict[str, float]:
    """Shares of a depth by which each input moves it.

    Parameters
    ----------
    inputs : Inputs
    board_distance_mm, camera_distance_mm : float
        Panel to board along the reflected ray; panel to camera.
    tag_span_mm : float
        Distance between the outermost tags.

    Returns
    -------
    dict of str to float
        Relative standard uncertainties, by input. A slope's lever is 2 b: an error of b goes in whole, and
        so does the period's. A wrong focal length moves the camera along its axis and changes the angle of
        incidence; a third of its share reaches the lever (our estimate from the geometry of a 45 degree shot).
    """
    return {
        "board_centre": inputs.board_centre_mm / board_distance_mm,
        "board_angle": float(np.tan(np.radians(inputs.board_angle_deg))) * 0.5,
        "period": inputs.period_rel,
        "focal_length": inputs.focal_rel / 3,
        "tag_places": inputs.tag_centre_mm / tag_span_mm,
    }


def sigma_map(
    deviation_mm: Array,
    *,
    shares: dict[str, float],
    form_mm: Array,
    noise_mm: Array | float,
    uneven_mm: float,
) -> Array:
    """Standard uncertainty of the deviation at each cell.

    Parameters
    ----------
    deviation_mm : ndarray (H, W)
    shares : dict
        From `scale_share`.
    form_mm : ndarray (H, W)
        Of the fair form.
    noise_mm : float or ndarray (H, W)
        Of the height from noise in the photos.
    uneven_mm : float
        Of the height from what both directions disagree by.

    Returns
    -------
    ndarray (H, W)
        mm; NaN where the deviation is.
    """
    scale = float(np.sqrt(sum(share**2 for share in shares.values())))
    return np.asarray(np.sqrt((scale * deviation_mm) ** 2 + form_mm**2 + np.square(noise_mm) + uneven_mm**2))


def expand(sigma_mm: float) -> float:
    """95 % half-width of a normal quantity."""
    return COVERAGE_FACTOR * sigma_mm
