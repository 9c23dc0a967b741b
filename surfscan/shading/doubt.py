"""How far a lamp series is to be believed: what was fitted beside the slopes, and what no matt paint explains."""

from __future__ import annotations

import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array
from surfscan.shading.lamp import CellFit, LampSetting
from surfscan.shading.setting import BLACK_SD, ROOM_SD, SettingFit, usual_light

__all__ = ["check_prior", "leaves_prior", "outliers_gain", "scale_doubt"]

MODEL_SCALE_REL = 0.02
"""What the fitted room light and black level leave of depths besides noise (measured on renders: 0 to 3 %)."""

LEAVES = 2.0
"""Prior standard deviations above which a fitted room light or black level stands in for something else."""

REFUSED = 10.0
"""Prior standard deviations above which nothing is measured: no room, camera or lens does that."""

GAIN_SHARE = 0.6
"""Share of what leaving photos out changed that may be left, as a standard uncertainty: who gives a highlight's
core to an outlier keeps its skirt (a matt ball of open data: 0.1 to 0.5 left)."""

UNEXPLAINED_GAIN = 4.0
"""Slopes may be out by this many times what the brightness that neighbouring cells leave over alike does to them
(a change by a share e is a slope of e / tan of the light's angle): most of what is not matt hides in slopes and albedo,
which take three of the photos' numbers, and the more of it the less the surface turns (a matt ball of open data, as
standard uncertainty: 3.8 times within 13 degrees of tilt, 3.1 within 15, 1.9 within 20 and 30, 1.4 within 55)."""

LEAST_SLOPE = 0.2
"""Slope, rad, from which on that is a share of the slopes; on flatter panels it is unevenness, counted
apart."""


def leaves_prior(setting: LampSetting, vectors: Array) -> tuple[float, float]:
    """Room light and black level in their prior standard deviations."""
    return setting.room / (ROOM_SD * usual_light(vectors)), setting.black / BLACK_SD


def check_prior(setting: LampSetting, vectors: Array) -> None:
    """Refuse a setting that no room and no camera has.

    Raises
    ------
    RefusedError
        Room light or black level beyond `REFUSED` prior standard deviations.
    """
    room, black = leaves_prior(setting, vectors)
    if abs(room) > REFUSED:
        raise RefusedError(
            "the photos fit the lamps only with more light from elsewhere than from them",
            found=f"room light {100 * ROOM_SD * room:.0f} % of the lamp's",
            allowed=f"up to {100 * ROOM_SD * REFUSED:.0f} %, better under {100 * ROOM_SD:.0f} %",
            cure="darken the room, check lamp_mm and its signs, or add a photo with the lamp out (lamp.ambient_photo)",
        )
    if abs(black) > REFUSED:
        raise RefusedError(
            "the photos do not fit a matt surface under these lamps",
            found=f"a level of {100 * setting.black:+.1f} % of white in every pixel would be needed",
            allowed=f"{100 * BLACK_SD * REFUSED:.0f} %",
            cure="check encoding, lamp_mm and its signs; matt the surface with a guide coat; no tone mapping",
        )


def scale_doubt(answer: SettingFit, fit: CellFit, vectors: Array, *, without_loss: CellFit) -> float:
    """Standard uncertainty of depths as a share of them.

    Parameters
    ----------
    answer : SettingFit
        The last step's setting and covariance.
    fit : CellFit
        The cells' fits without outliers.
    vectors : ndarray (K, 3, H, W)
    without_loss : CellFit
        The cells' fits by all photos under the same setting.

    Returns
    -------
    float
        Room light that is out by da, or black level by dc, scales slopes by da / l_z and dc / (rho l_z); what lies
        beyond `LEAVES` prior spreads is not believed at all; and what leaving photos out did to the slopes as a
        whole may have been done by half.
    """
    rel = MODEL_SCALE_REL**2 + (GAIN_SHARE * outliers_gain(fit, without_loss)) ** 2
    tangent = float(np.median(np.hypot(vectors[:, 0], vectors[:, 1]) / np.maximum(vectors[:, 2], 1e-300)))
    slopes = np.concatenate([fit.p[np.isfinite(fit.p)], fit.q[np.isfinite(fit.p)]])
    usual = max(float(np.std(slopes)) * np.sqrt(2), LEAST_SLOPE)
    rel += (UNEXPLAINED_GAIN * answer.unexplained / (tangent * usual)) ** 2
    if "room" not in answer.names:
        return float(np.sqrt(rel))
    lift = float(np.median(vectors[:, 2]))
    albedo = float(np.nanmedian(fit.albedo))
    row = np.zeros(len(answer.names))
    row[answer.names.index("room")], row[answer.names.index("black")] = 1 / lift, 1 / (albedo * lift)
    rel += float(row @ answer.covariance @ row)
    room, black = leaves_prior(answer.setting, vectors)
    if abs(room) > LEAVES:
        rel += (answer.setting.room / lift) ** 2
    if abs(black) > LEAVES:
        rel += (answer.setting.black / (albedo * lift)) ** 2
    return float(np.sqrt(rel))


def outliers_gain(fit: CellFit, without_loss: CellFit) -> float:
    """How much steeper or flatter leaving photos out made the surface as a whole, as a share.

    A weighted median over cells, so that an arm's shadow over some of them does not count.
    """
    both = np.isfinite(fit.p) & np.isfinite(without_loss.p)
    if np.count_nonzero(both) < 10:
        return 0.0
    s = np.stack([fit.p[both], fit.q[both]])
    other = np.stack([without_loss.p[both], without_loss.q[both]])
    middle = np.median(s, axis=1, keepdims=True)
    s, other = s - middle, other - middle
    size = np.sum(s * s, 0)
    ratio = np.sum(s * other, 0) / np.maximum(size, 1e-30)
    order = np.argsort(ratio, kind="stable")
    total = np.cumsum(size[order])
    return float(abs(ratio[order][np.searchsorted(total, 0.5 * total[-1])] - 1)) if total[-1] > 0 else 0.0
