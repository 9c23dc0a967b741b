"""Whether both directions show the same surface: photos of two panels, or of two passes, are no pair.

The slopes of one surface obey dp/dy = dq/dx (integrability; Horn 1986, Robot Vision, chapter 11, from memory). Each
direction is told by its own photo, so at a spot both terms are large and agree; where one photo shows a spot that the
other does not, they do not. The share of their common size that is left in their difference is near nothing for a pair
and near one for photos of two panels. Whatever bends the whole panel (crown, a wrong set-up) is taken off first.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.reading import Reading
from surfscan.core.robust import masked_mean
from surfscan.reading.propagation import curl_of

__all__ = ["PairCheck", "compare_pair"]

SHARE_DOUBT = 0.12
"""Left-over share from which the pair is doubted. Pairs that belong together have up to 0.02, and up to 0.07 with the
board turned wrongly by 2 degrees about its normal (study of set-ups)."""

SHARE_MIXED = 0.35
"""And from which it is no pair: half of what photos of two panels have."""

LEAST_CURL = 5e-6
"""Curl, 1/mm, that has to be there besides: on two fair panels there is nothing that could disagree. A low of 0.05 mm
100 mm wide has 80e-6 in its middle; noise on the fixtures is 1 to 3e-6."""

LEAST_WIDE_MM = 6.0
"""Width (standard deviation) of the window that slopes are held against each other in, mm."""

CELLS_IN_WINDOW = 2.5
"""Cells in that width: finer ones would tell nothing more."""

WHITE = 1.3
"""Margin on the share that slopes without any order (noise; waves too short for the map) keep of their curl in a wider
window: the square of the widths' ratio. A texture is not quite white; spots keep nearly all."""

TOP = 4
LEAST_CELLS = 200
FIT_CELLS = 2000


@dataclass(frozen=True, slots=True)
class PairCheck:
    """How far both directions disagree about the small things.

    Attributes
    ----------
    share : float
        Left-over share of the slopes' cross derivatives, 0 to about 1; NaN where too little was measured.
    curl_per_mm : float
        Root mean square of the curl, 1/mm.
    """

    share: float
    curl_per_mm: float

    @property
    def doubted(self) -> bool:
        """Whether the photos disagree more than those of one panel."""
        return self.share > SHARE_DOUBT and self.curl_per_mm > LEAST_CURL

    @property
    def mixed(self) -> bool:
        """Whether they are no pair at all."""
        return self.share > SHARE_MIXED and self.curl_per_mm > LEAST_CURL


def compare_pair(reading: Reading) -> PairCheck:
    """Hold the slopes of both directions against each other.

    Parameters
    ----------
    reading : Reading
        From two directions, each told by its own photos.

    Returns
    -------
    PairCheck
    """
    # Narrower than half a stripe nothing is told faithfully, and a stepped series' noise is all narrower still. Steep
    # walls disagree at that width, in any pair; a spot that is in one photo only does so at a stripe's width too.
    width = max(0.5 * float(np.max(reading.period_mm)), LEAST_WIDE_MM)
    near = _compare(reading, width)
    if not near.doubted:
        return near
    wider = max(float(np.max(reading.period_mm)), LEAST_WIDE_MM)
    far = _compare(reading, wider)
    if not np.isfinite(far.share):
        return near
    if far.curl_per_mm < WHITE * (width / wider) ** 2 * near.curl_per_mm:
        return PairCheck(0.0, far.curl_per_mm)  # it falls as noise does: a texture too short for the map
    return far


def _compare(reading: Reading, wide_mm: float) -> PairCheck:
    step = reading.grid.step_mm
    skip = max(1, int(wide_mm / step / CELLS_IN_WINDOW))
    p, q = (slope[skip // 2 :: skip, skip // 2 :: skip] for slope in (reading.p, reading.q))
    step, measured = step * skip, np.isfinite(p) & np.isfinite(q)
    wide = wide_mm / step
    reach = 2 * round(2 * wide) + 1
    inner = cv2.erode(measured.astype(np.uint8), np.ones((reach, reach), np.uint8), borderValue=0) > 0
    if inner.sum() < LEAST_CELLS:
        return PairCheck(float("nan"), float("nan"))
    p, q = (masked_mean(slope, measured, wide)[0] for slope in _without_bend((p, q), measured))
    across, along = np.gradient(p, step, axis=0)[inner], np.gradient(q, step, axis=1)[inner]
    curl = curl_of(p, q, step)[inner]
    size = float(np.mean(across**2 + along**2))
    return PairCheck(float(np.mean(curl**2)) / max(size, 1e-30), float(np.sqrt(np.mean(curl**2))))


def _without_bend(slopes: tuple[Array, Array], measured: Array) -> list[Array]:
    """Both slopes less their polynomials of low degree; 0 where not measured."""
    rows, columns = measured.shape
    y, x = np.linspace(-1, 1, rows), np.linspace(-1, 1, columns)
    powers = [(k, d - k) for d in range(TOP + 1) for k in range(d + 1)]
    terms = np.stack([np.outer(y**b, x**a)[measured] for a, b in powers], axis=-1)
    # A smooth bend is fitted as well by a part of the cells.
    thin = np.s_[:: max(1, len(terms) // FIT_CELLS)]
    seen = np.stack([slope[measured] for slope in slopes], axis=-1)
    fit = np.linalg.lstsq(terms[thin], seen[thin], rcond=None)[0]
    left = seen - terms @ fit
    out = [np.zeros(measured.shape) for _ in slopes]
    for k, slope in enumerate(out):
        slope[measured] = left[:, k]
    return out
