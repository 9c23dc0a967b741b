"""What a photo must keep to: the limits of its figures, and the words for each, good and poor, with its cure."""

from __future__ import annotations

from dataclasses import dataclass

from surfscan.core.records import PhotoCheck

__all__ = ["FIGURES", "THRESHOLDS", "Figure", "check_figure"]

THRESHOLDS: dict[str, float] = {
    "darkest_useful": 0.01,  # linear light; below it 8 bits hold fewer than 30 steps
    "clipped_share": 0.02,  # of the judged region
    "blur_px": 3.0,  # standard deviation of an edge
    "blur_ratio": 2.0,  # between the two directions: motion rather than focus
    "blur_periods": 0.2,  # of a stripe period: a fifth leaves 45 % of the contrast
    "modulation": 0.10,  # stripe amplitude over level
    "stripe_px": 8.0,  # photo pixels in a stripe period: below it the stripes are coarse
    "stripe_px_least": 5.0,  # below it they can't be read
    "stripes_across_least": 3.0,
    "lit_share": 0.90,  # of the judged region that reflects the board
}
"""Our own limits, set where the reading of simulated photos starts to suffer."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a photo's quality: its unit, the key of its limit, which side is good, and its words."""

    unit: str
    limit: str
    at_least: bool
    fine: str
    poor: str
    cure: str


FIGURES: dict[str, Figure] = {
    "exposure": Figure(
        "of full brightness",
        "darkest_useful",
        True,
        "the panel is well exposed",
        "the panel is too dark",
        "expose longer, or light the board more",
    ),
    "clipping": Figure(
        "of the region",
        "clipped_share",
        False,
        "next to nothing is blown out",
        "parts of the panel are blown out",
        "expose less, and keep lamps out of the reflection",
    ),
    "sharpness": Figure(
        "px edge blur",
        "blur_px",
        False,
        "the photo is sharp",
        "the photo is out of focus",
        "tap the panel to focus on it, and add light",
    ),
    "shake": Figure(
        "px edge blur",
        "blur_px",
        False,
        "the photo is sharp",
        "the photo is shaken",
        "rest the phone on something",
    ),
    "stripe contrast": Figure(
        "modulation",
        "modulation",
        True,
        "the stripes stand out",
        "the stripes are weak",
        "wet the panel, shade it from room light, or look from a shallower angle",
    ),
    "stripe width": Figure(
        "px a period",
        "stripe_px",
        True,
        "the stripes are wide enough",
        "the stripes are narrow in this photo",
        "go closer, or use wider stripes",
    ),
    "stripes across": Figure(
        "periods",
        "stripes_across_least",
        True,
        "there are enough stripes",
        "there are too few stripes across the panel",
        "use narrower stripes, or move the board away",
    ),
    "board share": Figure(
        "of the region",
        "lit_share",
        True,
        "the board lights the panel",
        "the board does not light all of the panel",
        "use a larger board, or move it closer",
    ),
}


def check_figure(
    figure: str, value: float, *, name: str = "", unit: str = "", limit: float | None = None
) -> PhotoCheck:
    """Hold one figure of a photo against its limit.

    Parameters
    ----------
    figure : str
        A key of `FIGURES`.
    value : float
        NaN is not held against it.
    name, unit : str
        In place of the figure's own.
    limit : float, optional
        In place of `THRESHOLDS`.

    Returns
    -------
    PhotoCheck
    """
    row = FIGURES[figure]
    bound = THRESHOLDS[row.limit] if limit is None else limit
    good = not (value < bound if row.at_least else value > bound)
    return PhotoCheck(
        name or figure,
        None if value != value else float(value),
        unit or row.unit,
        bound,
        good,
        row.fine if good else row.poor,
        "" if good else row.cure,
    )
