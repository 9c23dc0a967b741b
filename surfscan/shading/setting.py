"""What is common to all cells of a lamp series: room light, lamp brightness, and small moves of the lamps.

Three or more unknowns per cell eat three of the K photos; what the cells leave over, that the slopes must be
those of some surface (no curl), and that the surface must lie level on the tags, tell the rest. Lamps of
unequal strength and a camera that exposes each photo by itself are found here, as is light from the room:
left alone, they bend and flatten the whole map.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from surfscan.core.poisson import label_islands, solve_steps
from surfscan.core.records import Array
from surfscan.core.robust import robust_spread
from surfscan.core.sums import inner
from surfscan.shading.lamp import CellFit, Lamps, LampSetting, lamp_vectors, light_of, slope_rows, sum_inverse

__all__ = ["Ground", "SettingFit", "fit_setting", "plain_setting"]

TILT_RAD = 1e-3
"""How level the surface must lie on the tags: paper and the crown next to a tag leave about this."""

ROOM_SD, BLACK_SD, BRIGHTNESS_SD = 0.03, 0.006, 0.5
"""Wide priors: a dim shop as a share of the lamp's light, a camera's black level (one step of 8-bit sRGB is 0.0003),
lamps within a factor."""

MOST_NUMBERS = 1_500_000
"""Parameters times three times cells: beyond, cells are passed over (40 photos keep 12,000 of them)."""

DARK_SD = 1e-6
"""Holds the room's light at zero where it would come out negative."""

BLOCKS_ALIKE = 8
"""Blocks along the longer side whose means tell whether neighbouring cells are wrong in the same way."""

CHI_MEDIAN = 0.455
"""Median of chi-square with one degree (from memory; scipy.stats.chi2.median(1))."""

BLOCKS_ACROSS = 64
"""Blocks along the longer side that the curl is judged on: what is common to all cells is smooth."""


_Drive = tuple[int | None, Array]
"""How a parameter changes the brightness: (None, (K, H, W)), or (k, (H, W)) for what changes one photo alone."""


@dataclass(frozen=True, slots=True)
class Ground:
    """What a setting is fitted on.

    Attributes
    ----------
    xyz_mm : tuple of three ndarray (H, W)
        The surface as known.
    lamps : Lamps
        As the sheet gives them.
    step_mm : float
    level_at_mm : ndarray (N, 2)
        Places whose plane is level.
    place_sd_mm : float
        Standard uncertainty of each lamp coordinate; 0 takes the places as exact.
    room_known : bool
        The room's light has been taken off already (a photo with the lamp out). With three photos it is
        taken as such in any case.
    """

    xyz_mm: tuple[Array, Array, Array]
    lamps: Lamps
    step_mm: float
    level_at_mm: Array
    place_sd_mm: float = 0.0
    room_known: bool = False


@dataclass(frozen=True, slots=True)
class SettingFit:
    """A setting with its uncertainty.

    Attributes
    ----------
    setting : LampSetting
    covariance : ndarray (P, P)
        Of the parameters, in the order of `names`.
    names : tuple of str
        "room", "black", "brightness 1", ..., "move 1 x", ...
    unexplained : float
        What neighbouring cells leave over alike, a share of the brightness (standard deviation).
    usual : float
        Brightness times the root of the weight, median.
    """

    setting: LampSetting
    covariance: Array
    names: tuple[str, ...]
    unexplained: float = 0.0
    usual: float = 0.0


def plain_setting(count: int) -> LampSetting:
    """A dark room, a camera without black level, equal lamps where the sheet says."""
    return LampSetting(0.0, 0.0, np.ones(count), np.zeros((count, 3)), exposed=True)


def fit_setting(
    fit: CellFit,
    vectors: Array,
    *,
    setting: LampSetting,
    weight: Array,
    noise: float,
    ground: Ground,
) -> SettingFit:
    """Take one Gauss-Newton step towards the setting that leaves least over.

    Parameters
    ----------
    fit : CellFit
        The cells' own fits under `setting`.
    vectors : ndarray (K, 3, H, W)
        The light vectors it used.
    setting : LampSetting
    weight : ndarray (K, H, W)
        Its weights.
    noise : float
        Standard deviation of the brightness at weight 1.
    ground : Ground

    Returns
    -------
    SettingFit
    """
    count = len(vectors)
    room_known = ground.room_known or count == 3  # three photos leave nothing over that could tell
    good = np.isfinite(fit.p)
    names, drives, prior, now = _parameters(fit, vectors, setting, ground, room_known)
    light = light_of(vectors, setting, fit)
    w = np.where(np.isfinite(fit.left), weight, 0.0)
    inverse = sum_inverse(light, w, good)
    g = _g(fit, good)
    rows_p, rows_q = slope_rows(g)
    left = np.where(w > 0, np.nan_to_num(fit.left), 0.0)
    calm = _calm(left, w, good)
    alike, common = _alike(np.sqrt(w) * left, calm, noise)
    rows, columns = np.nonzero(calm)
    skip = max(1, 3 * rows.size * len(names) // MOST_NUMBERS)
    some = rows[::skip], columns[::skip]
    own_p, own_q = (np.sum(inverse * rows[:, None], 0) for rows in (rows_p, rows_q))
    few = inverse[:, :, *some]
    pulls, turns, dp, dq = [], [], [], []  # what each parameter does to the cells' own fits
    for only, drive in drives:
        pull = _pull(w, light, only, drive)
        dp.append(np.where(good, -np.sum(own_p * pull, 0), 0.0))
        dq.append(np.where(good, -np.sum(own_q * pull, 0), 0.0))
        pulls.append(pull[:, *some])
        turns.append(-np.einsum("ijn,jn->in", few, pulls[-1]))
    trust = skip / (noise**2 * alike)  # the cells passed over speak through those next to them
    own, seen = _driven(drives, w[:, *some], left[:, *some], some)
    answer = np.stack(turns).reshape(len(names), -1).T
    # What a cell's own slopes and albedo take up of a change counts for nothing.
    matrix = trust * (own + inner(np.stack(pulls).reshape(len(names), -1).T, answer))
    over = _pull(w, light, None, left)[:, *some].ravel()
    right = trust * (seen + inner(answer, over[:, None])[:, 0])
    curl, curl_right = _curl_rows(fit, dp, dq, ground, noise, alike)
    matrix += curl
    right += curl_right
    matrix += np.diag(1 / prior**2)
    right -= now / prior**2
    # Brightness is a ratio: a common factor belongs to the albedo.
    mean = np.array([1.0 if n.startswith("brightness") else 0.0 for n in names])
    matrix += 1e6 * np.outer(mean, mean) * max(1.0, float(np.trace(matrix)) / len(names) * 1e-4)
    covariance = np.linalg.inv(matrix)
    step = covariance @ right
    if not room_known and setting.room + step[0] < 0:  # no shop is darker than dark
        matrix[0, 0] += 1 / DARK_SD**2
        right[0] -= setting.room / DARK_SD**2
        covariance = np.linalg.inv(matrix)
        step = covariance @ right
    usual = float(np.median((np.sqrt(w) * np.einsum("ki...,i...->k...", light, g))[w > 0]))
    return SettingFit(
        _moved(setting, names, step, count), covariance, names, common / max(usual, 1e-9), usual
    )


def _driven(drives: list[_Drive], w: Array, left: Array, some: tuple[Array, Array]) -> tuple[Array, Array]:
    """Weighted products of all changes of the brightness with each other (P, P), and with what is left over (P,)."""
    matrix, right = np.zeros((len(drives), len(drives))), np.zeros(len(drives))
    thin = [(only, drive[some] if only is not None else drive[:, *some]) for only, drive in drives]
    for i, (first, one) in enumerate(thin):
        weighted = w * one if first is None else w[first] * one
        right[i] = np.sum(weighted * (left if first is None else left[first]))
        for j, (second, other) in enumerate(thin[: i + 1]):
            if None not in (first, second) and first != second:
                continue  # two photos have nothing in common
            if first is None and second is not None:
                value = np.sum(weighted[second] * other)
            elif second is None and first is not None:
                value = np.sum(weighted * other[first])
            else:
                value = np.sum(weighted * other)
            matrix[i, j] = matrix[j, i] = value
    return matrix, right


def _pull(w: Array, light: Array, only: int | None, drive: Array) -> Array:
    if only is not None:
        return np.asarray(light[only] * (w[only] * drive))
    weighted = w * drive
    return np.stack([np.einsum("k...,k...->...", weighted, light[:, j]) for j in range(3)])


def _parameters(
    fit: CellFit, vectors: Array, setting: LampSetting, ground: Ground, room_known: bool
) -> tuple[tuple[str, ...], list[_Drive], Array, Array]:
    """Names, how each changes the brightness, prior spread, and value now."""
    count, lamps, place_sd_mm = len(vectors), ground.lamps, ground.place_sd_mm
    g = _g(fit, np.isfinite(fit.p))
    shade = np.einsum("ki...,i...->k...", vectors, g)
    size = np.sqrt(np.sum(g * g, 0))
    names: list[str] = []
    drives: list[_Drive] = []
    prior: list[float] = []
    now: list[float] = []

    def add(name: str, drive: Array, spread: float, value: float, only: int | None = None) -> None:
        names.append(name)
        drives.append((only, drive))
        prior.append(spread)
        now.append(value)

    if not room_known:
        drive = np.broadcast_to(size, shade.shape)
        if setting.exposed:
            drive = drive * setting.brightness.reshape(-1, *([1] * size.ndim))
        add("room", drive, ROOM_SD * usual_light(vectors), setting.room)
        drive = np.ones(shade.shape)
        if setting.veiled:
            drive = drive * setting.brightness.reshape(-1, *([1] * size.ndim))
        add("black", drive, BLACK_SD, setting.black)
    for k in range(count):
        drive = shade[k] + (setting.room * size if setting.exposed else 0.0)
        drive = drive + (setting.black if setting.veiled else 0.0)
        add(f"brightness {k + 1}", drive, BRIGHTNESS_SD, setting.brightness[k] - 1.0, k)
    for k in range(count if place_sd_mm > 0 else 0):
        for axis in range(3):
            moved = lamps.places_mm + setting.moved_mm
            moved = moved[k : k + 1].copy()
            moved[0, axis] += 1.0
            one = replace(lamps, places_mm=moved, axes=None if lamps.axes is None else lamps.axes[k : k + 1])
            change = lamp_vectors(*ground.xyz_mm, lamps=one)[0] - vectors[k]
            drive = setting.brightness[k] * np.sum(change * g, 0)
            add(f"move {k + 1} {'xyz'[axis]}", drive, place_sd_mm, setting.moved_mm[k, axis], k)
    return tuple(names), drives, np.array(prior), np.array(now)


def usual_light(vectors: Array) -> float:
    """Median light of the lamps on a cell square on: what a share of room light is a share of."""
    return float(np.median(np.linalg.norm(vectors, axis=1)))


def _g(fit: CellFit, good: Array) -> Array:
    p, q = np.where(good, fit.p, 0.0), np.where(good, fit.q, 0.0)
    size = np.where(good, fit.albedo, 1.0) / np.sqrt(1 + p * p + q * q)
    return np.stack([-p * size, -q * size, size])


def _calm(left: Array, w: Array, good: Array) -> Array:
    """Cells whose fit is not much worse than is usual: albedo edges and shadows must not speak here."""
    over = np.sqrt(np.sum(w * left * left, 0))
    usual = float(np.median(over[good])) if good.any() else 0.0
    return good & (over <= 4.0 * usual + 1e-12)


def _alike(left: Array, calm: Array, noise: float) -> tuple[float, float]:
    """How many cells speak with one voice, and how loud: what no matt paint explains, no cell is alone with.

    The variance of block means over what independent cells would have, and its excess as a standard deviation.
    Without this, ten thousand cells that are all wrong in the same way outvote every prior.
    """
    size = max(2, round(max(calm.shape) / BLOCKS_ALIKE))
    share = _blocks(calm.astype(float), size)
    full = share > 0.5
    count = len(left)
    if count <= 3 or np.count_nonzero(full) < 8:
        return 1.0, 0.0
    mean = np.stack([_blocks(np.where(calm, photo, 0.0), size)[full] / share[full] for photo in left])
    free = (count - 3) / count
    alone = noise**2 * free / (share[full] * size**2)
    excess = max(0.0, float(np.median(mean**2)) / CHI_MEDIAN - float(np.median(alone))) / free
    return max(1.0, float(np.median(mean**2 / alone)) / CHI_MEDIAN), float(np.sqrt(excess))


def _curl_rows(
    fit: CellFit, dp: list[Array], dq: list[Array], ground: Ground, noise: float, alike: float
) -> tuple[Array, Array]:
    """Normal matrix and right side of: no curl, and level on the tags."""
    good = np.isfinite(fit.p)
    factor = max(1, int(np.ceil(max(good.shape) / BLOCKS_ACROSS)))
    share = _blocks(good.astype(float), factor)
    valid = share > 0.5
    count, labels = label_islands(valid)
    empty = np.zeros((len(dp), len(dp))), np.zeros(len(dp))
    if count == 0:
        return empty
    valid = labels == 1  # steps between islands are free, so only the largest part speaks
    x, y = (_blocks(v, factor) for v in ground.xyz_mm[:2])
    side = ground.step_mm * factor

    def block(value: Array) -> Array:
        return np.where(valid, _blocks(np.where(good, value, 0.0), factor) / np.maximum(share, 1e-9), 0.0)

    wx = (valid[:, 1:] & valid[:, :-1]).astype(float)
    wy = (valid[1:] & valid[:-1]).astype(float)
    bp, bq = (np.stack([block(np.nan_to_num(v)) for v in slopes]) for slopes in ((fit.p, *dp), (fit.q, *dq)))
    gx = 0.5 * side * (bp[..., 1:] + bp[..., :-1])
    gy = 0.5 * side * (bq[..., 1:, :] + bq[..., :-1, :])
    heights = solve_steps(gx, gy, wx, wy, tolerance=1e-6)
    left = wx * (gx - np.diff(heights, axis=2)), wy * (gy - np.diff(heights, axis=1))
    over = np.concatenate([part.reshape(len(heights), -1) for part in left], axis=1)
    now, rows = over[0], over[1:].T
    used = np.concatenate([wx.ravel(), wy.ravel()]) > 0
    u = np.sqrt(np.nanmean(fit.u_p[good] ** 2 + fit.u_q[good] ** 2) / 2)
    expected = noise * u * side / np.sqrt(factor**2)
    spread = max(expected, float(robust_spread(now[used])))
    robust = used / (1 + (now / (3 * spread)) ** 2) / spread**2 / alike
    matrix = inner(rows, robust[:, None] * rows)
    right = -inner(rows, (robust * now)[:, None])[:, 0]
    tilts = _tilts(heights, valid, x, y, ground.level_at_mm)
    level = TILT_RAD**2 + alike * (noise * u) ** 2 / max(np.count_nonzero(good), 1)
    matrix += tilts[1:] @ tilts[1:].T / level
    right -= tilts[1:] @ tilts[0] / level
    return matrix, right


def _blocks(value: Array, factor: int) -> Array:
    h, w = (n // factor * factor for n in value.shape)
    return np.asarray(value[:h, :w].reshape(h // factor, factor, w // factor, factor).mean(1).mean(-1))


def _tilts(z: Array, valid: Array, x: Array, y: Array, level_at_mm: Array) -> Array:
    """Slopes of the plane through each surface (N, H, W) next to the level places, (N, 2)."""
    xs, ys, zs = x[valid], y[valid], z[:, valid]
    near = [np.argsort(np.hypot(xs - at[0], ys - at[1]), kind="stable")[:6] for at in level_at_mm]
    design = np.array([(1.0, xs[k].mean(), ys[k].mean()) for k in near])
    places = np.stack([zs[:, k].mean(1) for k in near])
    return np.asarray(np.linalg.lstsq(design, places, rcond=None)[0][1:].T)


def _moved(setting: LampSetting, names: tuple[str, ...], step: Array, count: int) -> LampSetting:
    change = dict(zip(names, step, strict=True))
    bright = setting.brightness + np.array([change.get(f"brightness {k + 1}", 0.0) for k in range(count)])
    bright = np.clip(bright, 0.05, 20.0)
    move = np.array([[change.get(f"move {k + 1} {a}", 0.0) for a in "xyz"] for k in range(count)])
    return LampSetting(
        setting.room + change.get("room", 0.0),
        setting.black + change.get("black", 0.0),
        bright / bright.mean(),
        setting.moved_mm + move,
        setting.exposed,
        setting.veiled,
    )
