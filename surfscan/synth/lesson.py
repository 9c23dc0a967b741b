"""For teaching: a panel with one made fault, photographed as a measurement would see it; and an exercise.

The optics are those of the known surfaces (`synth`): a ray per pixel, mirrored at the exact surface to the board.
A seed gives the same exercise everywhere, so that a class sees one panel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from surfscan.core.records import Array, Camera
from surfscan.optics.mirror import fold_curvature
from surfscan.synth.camera_noise import add_noise, encode_srgb
from surfscan.synth.panels import Crown, Dish, Panel
from surfscan.synth.render import mirror_hits, project, render
from surfscan.synth.scene import Exposure, Lighting, Scene, board_facing, corner_tags, look_at
from surfscan.synth.shape import Flat, Shape

__all__ = [
    "SIZE_MM",
    "Dent",
    "Exercise",
    "Lesson",
    "Viewing",
    "deepest_low",
    "find_the_low",
    "photograph",
    "score_answer",
]

SIZE_MM = (640.0, 440.0)
"""The panel of every lesson: about the flat part of a door skin."""

_ELEVATION_DEG = 50.0
_EYE_MM = 900.0
_BEST = 100


@dataclass(frozen=True, slots=True)
class Dent:
    """A made fault: `peak_mm` under 0 is a low; `width_mm` is the whole of it, nothing outside.

    `tall_mm` is its size up the panel; None is round.
    """

    x_mm: float
    y_mm: float
    peak_mm: float
    width_mm: float
    tall_mm: float | None = None

    @property
    def narrow_mm(self) -> float:
        """The shorter of its two sizes, mm."""
        return min(self.width_mm, self.tall_mm or self.width_mm)


@dataclass(frozen=True, slots=True)
class Viewing:
    """How the panel is looked at.

    Attributes
    ----------
    crown_m : float
        Radius of the designed crown, m; 0 is flat.
    varies : {"across", "up"}
        The way along which dark and light change on the board.
    distance_mm : float
        From the panel's middle to the board; the camera stands 900 mm away.
    haze : float
        0 gloss to 1 nearly matt: the spread of the surface's micro-slopes, 12 mrad at 1.
    period_mm : float
        One dark and one light stripe.
    """

    crown_m: float = 0.0
    varies: str = "across"
    distance_mm: float = 1000.0
    haze: float = 0.0
    period_mm: float = 50.0


@dataclass(frozen=True, slots=True)
class Lesson:
    """What a class sees.

    Attributes
    ----------
    photo : ndarray (h, w), uint8
        The photo, sRGB, grey.
    x_mm, y_mm, deviation_mm : ndarray (W,), (H,), (H, W)
        The made deviation from the fair form.
    folds : bool
        Whether the reflection folds over somewhere: too hollow to read from here.
    deepest_mm : float
        The deepest low of this width that could be read from here, mm (middle of the low, small slopes).
    to_panel : ndarray (h, w, 2)
        Panel place of each pixel, mm; NaN off the panel.
    places_px : ndarray (N, 2)
        Where the dents are in the photo.
    """

    photo: Array
    x_mm: Array
    y_mm: Array
    deviation_mm: Array
    folds: bool
    deepest_mm: float
    to_panel: Array
    places_px: Array


@dataclass(frozen=True, slots=True)
class Exercise:
    """One panel to search: the low, and what else is on it to mislead."""

    seed: int
    number: int
    low: Dent
    others: tuple[Dent, ...]
    viewing: Viewing


def photograph(dents: tuple[Dent, ...], viewing: Viewing, *, width_px: int = 560, seed: int = 0) -> Lesson:
    """Photograph a panel with dents.

    Parameters
    ----------
    dents : tuple of Dent
    viewing : Viewing
    width_px : int
        Width of the photo; its height is three quarters of it.
    seed : int
        Of the camera's noise.

    Returns
    -------
    Lesson

    Raises
    ------
    ValueError
        For widths, distances or radii that make no scene.
    """
    if viewing.varies not in ("across", "up"):
        raise ValueError(f"varies is 'across' or 'up'; found {viewing.varies!r}")
    if not (viewing.distance_mm >= 100 and viewing.period_mm > 0 and 0 <= viewing.haze <= 1):
        raise ValueError("distance must be 100 mm and more, the period over 0, the haze 0 to 1")
    if viewing.crown_m and abs(viewing.crown_m) < 1:
        raise ValueError("a crown's radius is at least 1 m, or 0 for flat")
    return _photograph(dents, viewing, width_px, seed)


@lru_cache(maxsize=8)  # a worksheet and its answers show the same seven pictures
def _photograph(dents: tuple[Dent, ...], viewing: Viewing, width_px: int, seed: int) -> Lesson:
    scene, shot = _scene(dents, viewing, width_px)
    linear = add_noise(render(scene, shot), rng=np.random.default_rng(seed))
    photo = np.rint(255 * encode_srgb(linear)).astype(np.uint8)
    x = np.linspace(-SIZE_MM[0] / 2, SIZE_MM[0] / 2, 161)
    y = np.linspace(-SIZE_MM[1] / 2, SIZE_MM[1] / 2, 111)
    deviation = scene.panel.deviation.height(x[None, :], y[:, None])
    height, width = photo.shape
    hits = mirror_hits(
        scene.panel, scene.camera, shot.pose, scene.board, np.arange(width), np.arange(height)[:, None]
    )
    place = np.stack([hits.x_mm, hits.y_mm], -1)
    place[(np.abs(hits.x_mm) > SIZE_MM[0] / 2) | (np.abs(hits.y_mm) > SIZE_MM[1] / 2)] = np.nan
    points = np.array([[d.x_mm, d.y_mm] for d in dents]).reshape(-1, 2)
    z = scene.panel.total.height(points[:, 0], points[:, 1])
    least, critical = _folding(dents, viewing)
    return Lesson(
        photo,
        x,
        y,
        deviation,
        bool(least < 0),
        critical,
        place,
        project(np.column_stack([points, z]), scene.camera, shot.pose),
    )


def _scene(dents: tuple[Dent, ...], viewing: Viewing, width_px: int) -> tuple[Scene, Exposure]:
    size = (width_px, width_px * 3 // 4)
    deviation: Shape = Flat()
    for dent in dents:
        deviation = deviation + Dish(dent.x_mm, dent.y_mm, dent.peak_mm, dent.width_mm, dent.tall_mm)
    tags = corner_tags(SIZE_MM)
    form: Shape = Flat()
    if viewing.crown_m:
        form = Crown(viewing.crown_m * 1000, zero_at_mm=tags.centres_mm[2])
    e = math.radians(_ELEVATION_DEG)
    # Large enough for every crown and place that the sliders allow: the board's rim is not the lesson.
    board = board_facing(
        viewing.distance_mm, _ELEVATION_DEG, size_mm=(6000.0, 6000.0), period_mm=viewing.period_mm
    )
    pose = look_at(_EYE_MM * np.array([0.0, -math.cos(e), math.sin(e)]), (0.0, 0.0, 0.0), up=(0.0, 0.0, 1.0))
    camera = Camera(1.13 * width_px, ((size[0] - 1) / 2, (size[1] - 1) / 2))
    shot = Exposure("lesson.jpg", pose, varies=viewing.varies)
    scene = Scene(
        Panel(SIZE_MM, form, deviation, edge_mm=20.0),
        camera,
        board,
        tags,
        shots=(shot,),
        image_size_px=size,
        roughness_rad=0.012 * viewing.haze,
        albedo=0.06,  # dark paint under a dimmed room: the stripes stand out, and haze is seen for what it is
        light=Lighting(room=0.4, room_seen=0.2, board_bright=9.0, board_dark=0.1, background=0.12),
        supersampling=2,
    )
    return scene, shot


def _folding(dents: tuple[Dent, ...], viewing: Viewing) -> tuple[float, float]:
    """The least fold margin over all lows (under 0: folds), 1/mm, and the deepest low of the first's width."""
    margin = math.inf
    for dent in dents:
        if dent.peak_mm < 0:
            # z = peak (1 - rho^2)^2 has the curvature 16 |peak| / width^2 in its middle.
            margin = min(margin, _least_curvature(viewing) - 16 * abs(dent.peak_mm) / dent.narrow_mm**2)
    return margin, deepest_low(dents[0].narrow_mm, viewing) if dents else math.nan


def _least_curvature(viewing: Viewing) -> float:
    """The curvature that folds the reflection in the panel's middle, less the crown's own, 1/mm."""
    incidence = math.pi / 2 - math.radians(_ELEVATION_DEG)
    crown = -1 / (viewing.crown_m * 1000) if viewing.crown_m else 0.0
    return min(fold_curvature(_EYE_MM, viewing.distance_mm, incidence_rad=incidence)) - crown


def deepest_low(width_mm: float, viewing: Viewing) -> float:
    """The deepest low of a width that can be read, mm: deeper, and the reflection folds over in its middle.

    Parameters
    ----------
    width_mm : float
        The shorter of its two sizes.
    viewing : Viewing

    Returns
    -------
    float
        0 and more.
    """
    return max(0.0, _least_curvature(viewing) * width_mm**2 / 16)


def find_the_low(seed: int, number: int) -> Exercise:
    """Make one panel of an exercise.

    Parameters
    ----------
    seed : int
        Of the class; the same seed gives the same panels.
    number : int
        Which panel, from 1; later ones are harder: shallower, hazier, on a crown.

    Returns
    -------
    Exercise

    Raises
    ------
    ValueError
        For a number under 1.
    """
    if number < 1:
        raise ValueError("panels are numbered from 1")
    rng = np.random.default_rng([abs(int(seed)), number])
    hard = min((number - 1) / 9, 1.0)

    def place() -> tuple[float, float]:
        return (
            float(rng.uniform(-1, 1) * (SIZE_MM[0] / 2 - 90)),
            float(rng.uniform(-1, 1) * (SIZE_MM[1] / 2 - 90)),
        )

    x, y = place()
    low = Dent(x, y, -float(rng.uniform(0.25, 0.4) * (1 - 0.65 * hard)), float(rng.uniform(70, 120)))
    others: list[Dent] = []
    while len(others) < (1 if number < 4 else 2):
        x, y = place()
        if all(math.hypot(x - d.x_mm, y - d.y_mm) > 150 for d in (low, *others)):
            others.append(
                Dent(x, y, float(rng.uniform(0.5, 0.9)) * abs(low.peak_mm), float(rng.uniform(70, 120)))
            )
        elif rng.random() < 0.02:
            break  # no room is left beside this low
    viewing = Viewing(
        crown_m=float(rng.choice([0.0, 4.0, 2.5])) if number > 2 else 0.0,
        varies=str(rng.choice(["across", "up"])),
        distance_mm=float(rng.uniform(800, 1200)),
        haze=0.5 * hard * float(rng.random()),
    )
    return Exercise(int(seed), number, low, tuple(others), viewing)


def score_answer(exercise: Exercise, x_mm: float, y_mm: float) -> int:
    """Points for an answer: 100 within a quarter of the low's width of its middle, falling to 0 at a whole width.

    Parameters
    ----------
    exercise : Exercise
    x_mm, y_mm : float
        Where the low is said to be, mm.

    Returns
    -------
    int
        0 to 100. A high taken for the low is 0 by its distance.
    """
    width = exercise.low.width_mm
    off = math.hypot(x_mm - exercise.low.x_mm, y_mm - exercise.low.y_mm)
    if not math.isfinite(off):
        return 0
    return round(_BEST * min(1.0, max(0.0, (width - off) / (0.75 * width))))
