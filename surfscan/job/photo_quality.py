"""Is the photo good enough? Each figure with a threshold, a plain sentence and a cure.

Two moments: what can be said of the photo alone, before anything is computed (`check_exposure`), and what
can be said once it is known where panel and stripes are (`check_view`).
"""

from __future__ import annotations

import cv2
import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.photo_limits import THRESHOLDS
from surfscan.core.records import Array, Photo, PhotoCheck, TagSeen

__all__ = ["THRESHOLDS", "check_exposure", "check_view", "edge_blur"]

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
        )
    if high - low < 0.004:
        raise RefusedError(
            f"{photo.file}: the photo is one even grey",
            found=f"a brightness range of {100 * (high - low):.1f} %",
            cure="check that this is the photo you meant",
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


def check_view(
    photo: Photo,
    *,
    inside: Array,
    lit: Array,
    clipped: Array,
    modulation: Array,
    level: Array,
    stripe_px: float,
    stripes_across: float,
    blur_px: tuple[float, float],
) -> list[PhotoCheck]:
    """Judge one photo by its stripes.

    Parameters
    ----------
    photo : Photo
    inside, lit, clipped : ndarray (H, W), bool
        Judged cells, those that reflect the board with readable stripes, and those blown out.
    modulation, level : ndarray (H, W)
        Stripe amplitude over level, and level (linear light).
    stripe_px : float
        Stripe period in photo pixels, where it is least.
    stripes_across : float
        Stripe periods across the region.
    blur_px : (across, down)
        From `edge_blur`.

    Returns
    -------
    list of PhotoCheck
    """
    count = max(int(inside.sum()), 1)
    seen = inside & lit
    contrast = float(np.median(modulation[seen])) if seen.any() else 0.0
    exposure = (
        float(np.median(level[seen]))
        if seen.any()
        else float(np.median(level[inside]))
        if inside.any()
        else 0.0
    )
    worst = float(np.nanmax(blur_px)) if np.isfinite(blur_px).any() else float("nan")
    least = float(np.nanmin(blur_px)) if np.isfinite(blur_px).any() else float("nan")
    moved = bool(worst > THRESHOLDS["blur_px"] and worst > THRESHOLDS["blur_ratio"] * max(least, 0.5))
    sharp_limit = min(THRESHOLDS["blur_px"], max(THRESHOLDS["blur_periods"] * stripe_px, 1.0))
    clipped_share = float((clipped & inside).sum() / count)
    lit_share = float(seen.sum() / count)
    checks = [
        _check(
            "exposure",
            exposure,
            "of full brightness",
            THRESHOLDS["darkest_useful"],
            exposure >= THRESHOLDS["darkest_useful"],
            "the panel is well exposed",
            "the panel is too dark",
            "expose longer, or light the board more",
        ),
        _check(
            "clipping",
            clipped_share,
            "of the region",
            THRESHOLDS["clipped_share"],
            clipped_share <= THRESHOLDS["clipped_share"],
            "next to nothing is blown out",
            "parts of the panel are blown out",
            "expose less, and keep lamps out of the reflection",
        ),
        _check(
            "sharpness",
            worst,
            "px edge blur",
            sharp_limit,
            not worst > sharp_limit,
            "the photo is sharp",
            "the photo is shaken" if moved else "the photo is out of focus",
            "rest the phone on something" if moved else "tap the panel to focus on it, and add light",
        ),
        _check(
            "stripe contrast",
            contrast,
            "modulation",
            THRESHOLDS["modulation"],
            contrast >= THRESHOLDS["modulation"],
            "the stripes stand out",
            "the stripes are weak",
            "wet the panel, shade it from room light, or look from a shallower angle",
        ),
        _check(
            "stripe width",
            stripe_px,
            "px a period",
            THRESHOLDS["stripe_px"],
            stripe_px >= THRESHOLDS["stripe_px"],
            "the stripes are wide enough",
            "the stripes are fine for this photo",
            "go closer, or use wider stripes",
        ),
        _check(
            "stripes across",
            stripes_across,
            "periods",
            THRESHOLDS["stripes_across_least"],
            stripes_across >= THRESHOLDS["stripes_across_least"],
            "there are enough stripes",
            "there are too few stripes across the panel",
            "use narrower stripes, or move the board away",
        ),
        _check(
            "board share",
            lit_share,
            "of the region",
            THRESHOLDS["lit_share"],
            lit_share >= THRESHOLDS["lit_share"],
            "the board lights the panel",
            "the board does not light all of the panel",
            "use a larger board, or move it closer",
        ),
    ]
    if np.isnan(stripe_px):  # no stripes in this light: what is said of them does not apply
        checks = [check for check in checks if "stripe" not in check.name and check.name != "board share"]
    return checks


def _check(
    name: str, value: float, unit: str, threshold: float, good: bool, fine: str, poor: str, cure: str
) -> PhotoCheck:
    found = None if np.isnan(value) else float(value)
    return PhotoCheck(name, found, unit, threshold, bool(good), fine if good else poor, "" if good else cure)
