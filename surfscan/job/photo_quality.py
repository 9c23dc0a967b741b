"""Is the photo good enough? Each figure with a threshold, a plain sentence and a cure.

Two moments: what can be said of the photo alone, before anything is computed (`check_exposure`), and what
can be said once it is known where panel and stripes are (`check_view`).
"""

from __future__ import annotations

import cv2
import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.photo_limits import THRESHOLDS, check_figure
from surfscan.core.reading import QualityMaps
from surfscan.core.records import Array, Photo, PhotoCheck, TagSeen

__all__ = ["check_exposure", "check_view", "edge_blur"]


def check_exposure(photo: Photo) -> None:
    """Refuse a photo that shows nothing, before anything is looked for in it.

    Raises
    ------
    RefusedError
        All dark, all bright, or without any contrast.
    """
    sample = photo.image[:: max(1, photo.image.shape[0] // 300), :: max(1, photo.image.shape[1] // 300)]
    low, high = (float(v) for v in np.percentile(sample, (1, 99)))
    if high < THRESHOLDS["darkest_useful"]:
        raise RefusedError(
            f"{photo.file}: the photo is dark",
            found=f"{100 * high:.1f} % of full brightness at its brightest",
            allowed=f"at least {100 * THRESHOLDS['darkest_useful']:.0f} %",
            cure="switch the board's light on, or expose longer",
        )
    if low > 0.95:
        raise RefusedError(
            f"{photo.file}: the photo is blown out",
            found=f"{100 * low:.0f} % of full brightness at its darkest",
            cure="expose less",
            allowed="light and dark stripes, neither blown out",
        )
    if high - low < 0.004:
        raise RefusedError(
            f"{photo.file}: the photo is one even grey",
            found=f"a brightness range of {100 * (high - low):.1f} %",
            cure="check that this is the photo you meant",
            allowed="light and dark stripes",
        )


def edge_blur(photo: Photo, tags: list[TagSeen]) -> tuple[float, float]:
    """Blur of the tags' printed sides, as the standard deviation of their edge profiles.

    Parameters
    ----------
    photo : Photo
    tags : list of TagSeen

    Returns
    -------
    across, down : float
        Pixels, for edges crossed along columns and along rows; NaN without tags. A sharp photo has 0.5 to 1.
    """
    spreads: tuple[list[float], list[float]] = ([], [])
    for tag in tags:
        for k in range(4):
            start, end = tag.corners_px[k], tag.corners_px[(k + 1) % 4]
            length = float(np.hypot(*(end - start)))
            if length < 12:
                continue
            along = (end - start) / length
            normal = np.array([along[1], -along[0]])
            half = min(0.12 * length, 12.0)
            places = start + np.linspace(0.2, 0.8, 24)[:, None] * (end - start)
            steps = np.arange(-half, half + 1e-9, 0.25)
            where = (places[:, None] + steps[None, :, None] * normal).astype(np.float32)
            level = cv2.remap(photo.image, where[..., 0], where[..., 1], cv2.INTER_LINEAR).mean(0)
            rise = np.maximum(np.diff(level), 0)
            if rise.sum() < 0.02:
                continue
            middle = 0.5 * (steps[1:] + steps[:-1])
            centre = float(rise @ middle / rise.sum())
            spread = float(np.sqrt(max(rise @ (middle - centre) ** 2 / rise.sum(), 0.0)))
            spreads[0 if abs(normal[0]) > abs(normal[1]) else 1].append(spread)
    across, down = (float(np.median(s)) if s else float("nan") for s in spreads)
    return across, down


def check_view(quality: QualityMaps, *, inside: Array, blur_px: tuple[float, float]) -> list[PhotoCheck]:
    """Judge one photo by its stripes.

    Parameters
    ----------
    quality : QualityMaps
        What its reading says about it; a stripe width of NaN leaves out what is said of stripes.
    inside : ndarray (H, W), bool
        Judged cells.
    blur_px : (across, down)
        From `edge_blur`.

    Returns
    -------
    list of PhotoCheck
    """
    count = max(int(inside.sum()), 1)
    seen = inside & quality.lit
    told = seen if seen.any() else inside
    exposure = float(np.median(quality.level[told])) if told.any() else 0.0
    checks = [
        check_figure("exposure", exposure),
        check_figure("clipping", float((quality.clipped & inside).sum() / count)),
        _sharpness(blur_px, quality.stripe_px),
    ]
    if np.isnan(quality.stripe_px):  # no stripes in this light
        return checks
    contrast = float(np.median(quality.modulation[seen])) if seen.any() else 0.0
    return [
        *checks,
        check_figure("stripe contrast", contrast),
        check_figure("stripe width", quality.stripe_px),
        check_figure("stripes across", quality.stripes_across),
        check_figure("board share", float(seen.sum() / count)),
    ]


def _sharpness(blur_px: tuple[float, float], stripe_px: float) -> PhotoCheck:
    """Blur of the edges, told apart by its directions: one much worse than the other was shaken."""
    known = np.isfinite(blur_px).any()
    worst, least = (float(f(blur_px)) if known else float("nan") for f in (np.nanmax, np.nanmin))
    moved = bool(worst > THRESHOLDS["blur_px"] and worst > THRESHOLDS["blur_ratio"] * max(least, 0.5))
    limit = min(THRESHOLDS["blur_px"], max(THRESHOLDS["blur_periods"] * stripe_px, 1.0))
    return check_figure("shake" if moved else "sharpness", worst, name="sharpness", limit=limit)
