"""What a photo must keep to before it is used: the limits of its figures."""

from __future__ import annotations

__all__ = ["THRESHOLDS"]

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
