"""One picture for each thing that goes wrong with a photo, from the simulator, beside a good one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.records import Camera
from surfscan.synth.camera_noise import add_noise, blur_by_motion, encode_srgb
from surfscan.synth.panels import Crown, Dish, Panel, Shape
from surfscan.synth.render import render
from surfscan.synth.scene import Exposure, Lighting, Scene, board_facing, corner_tags, look_at

__all__ = ["FAULTS", "Fault", "good_scene", "photograph_fault"]

Array = NDArray[Any]

SIZE_MM = (640.0, 440.0)
PERIOD_MM = 50.0
_EYE, _BOARD_MM, _ELEVATION = (0.0, -574.0, 819.0), 1000.0, 55.0
_WIDE = 1.6


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong.

    Attributes
    ----------
    name : str
        Of its file.
    title : str
    looks : str
        How it looks.
    cure : str
    scene : callable
        From the good scene to the one with the fault.
    spoil : callable
        From the linear picture to the one as photographed.
    varies : {"across", "up"}
    half_good : bool
        Show the good photo's upper half over it, so that one sees what has moved.
    """

    name: str
    title: str
    looks: str
    cure: str
    scene: Callable[[Scene], Scene] = lambda scene: scene
    spoil: Callable[[Array], Array] = lambda picture: picture
    varies: str = "across"
    half_good: bool = False


def good_scene(width_px: int) -> Scene:
    """The set-up of the drawings: a primed panel with one low and one high, wet, a board a metre away."""
    height_px = round(width_px / _WIDE)
    camera = Camera(1.25 * width_px, ((width_px - 1) / 2, (height_px - 1) / 2))
    board = board_facing(_BOARD_MM, _ELEVATION, size_mm=(2600.0, 1700.0), period_mm=PERIOD_MM)
    return Scene(
        _panel(Dish(-110, 50, -0.35, 110, order=3) + Dish(130, -60, 0.2, 90, order=3)),
        camera,
        board,
        corner_tags(SIZE_MM),
        (look_at(_EYE, (0.0, 0.0, 0.0)),),
        image_size_px=(width_px, height_px),
        light=Lighting(room=0.5, board_bright=9.0, board_dark=0.3),
        albedo=0.25,
    )


def _panel(faults: Shape) -> Panel:
    return Panel(SIZE_MM, Crown(4000.0, zero_at_mm=(293.0, 193.0)), faults)


def _with_board(scene: Scene, **changes: Any) -> Scene:
    assert scene.board is not None
    return replace(scene, board=replace(scene.board, **changes))


def _nearer(scene: Scene) -> Scene:
    """A phone held too near and aimed off."""
    return replace(scene, poses=(look_at((60.0, -460.0, 650.0), (150.0, 30.0, 0.0)),))


def _moved(scene: Scene) -> Scene:
    assert scene.board is not None
    return _with_board(scene, centre_mm=scene.board.centre_mm + np.array([PERIOD_MM / 4, 0.0, 0.0]))


def _exposed(times: float) -> Callable[[Array], Array]:
    return lambda picture: picture * np.float32(times)


def _blurred(share: float) -> Callable[[Array], Array]:
    return lambda picture: np.asarray(cv2.GaussianBlur(picture, (0, 0), share * picture.shape[1]))


def _shaken(picture: Array) -> Array:
    return blur_by_motion(picture, 0.035 * picture.shape[1], 25.0)


def _lamp(picture: Array) -> Array:
    """A ceiling lamp mirrored in the panel: a bright bar with a soft rim."""
    height, width = picture.shape
    y, x = np.mgrid[:height, :width] / width
    along, across = (x - 0.56) * 0.94 + (y - 0.33) * 0.34, -(x - 0.56) * 0.34 + (y - 0.33) * 0.94
    glow = np.exp(-((np.abs(across) / 0.03) ** 4)) * np.exp(-((np.abs(along) / 0.16) ** 6))
    return np.asarray(picture + 1.3 * glow, np.float32)


FAULTS: tuple[Fault, ...] = (
    Fault("good", "Good", "Stripes sharp over the whole panel, white but not blown out, every tag whole.", ""),
    Fault(
        "up", "Good, the other direction", "The board was turned by 90 degrees in its own place.", "", varies="up"
    ),
    Fault(
        "out-of-focus", "Out of focus", "Stripes and tags are soft everywhere; fine stripes turn grey.",
        "Tap the stripes on the phone's screen and wait until they are sharp.", spoil=_blurred(0.008),
    ),
    Fault(
        "shaken", "Shaken", "Edges are smeared one way and sharp the other.",
        "Rest the phone on something, use the timer, add light.", spoil=_shaken,
    ),
    Fault(
        "blown-out", "Blown out", "The bright stripes are plain white and have grown wider; nothing is left inside.",
        "Turn the exposure down until the bright stripes are grey-white.", spoil=_exposed(4.5),
    ),
    Fault(
        "too-dark", "Too dark", "Hardly anything is seen; what there is, is grain.",
        "More light on the board, or a longer exposure with the phone rested.", spoil=_exposed(0.02),
    ),
    Fault(
        "lamp", "A lamp in the panel", "A bright patch lies over the stripes; the shape under it can't be read.",
        "Switch the lamp off or shade the panel; or step to the side.", spoil=_lamp,
    ),
    Fault(
        "dull", "Dull or dusty", "Pale stripes with soft edges on a light ground.",
        "Wipe it, wet it or wait for fresh primer; look from lower down; use wider stripes.",
        scene=lambda s: replace(s, roughness_rad=0.004, albedo=0.6, light=replace(s.light, room=0.9)),
    ),
    Fault(
        "too-few", "Stripes too wide", "A handful of broad stripes: between their edges nothing shows a low.",
        "Narrower stripes: at least ten over the panel.", scene=lambda s: _with_board(s, period_mm=300.0),
    ),
    Fault(
        "too-fine", "Stripes too narrow", "The stripes run together into grey, or into broad false ones.",
        "Go closer, or use wider stripes: at least eight pixels of the photo to a period.",
        scene=lambda s: _with_board(s, period_mm=9.0),
    ),
    Fault(
        "fold", "Reflection folds over", "Stripes close into rings and double back in a deep low.",
        "Move board and phone closer, or read the deep low with a lamp on matt filler first.",
        scene=lambda s: replace(s, panel=_panel(Dish(-70, 20, -4.2, 170, order=3))),
    ),
    Fault(
        "small-board", "Board too small", "Stripes reach over a part of the panel only; the rest mirrors the room.",
        "A larger board, or the board closer to the panel.", scene=lambda s: _with_board(s, size_mm=(700.0, 600.0)),
    ),
    Fault(
        "board-moved", "Board moved between the photos",
        "Each photo looks good, together they don't fit. Here the lower half was taken after the board had moved by a"
        " quarter of a stripe.",
        "Turn the board about its own middle, against a stop, and touch nothing else; shoot both again.",
        scene=_moved, half_good=True,
    ),
    Fault(
        "tag-covered", "A tag covered", "One corner shows plain paper, or a cloth or a hand lies over it.",
        "Three tags are the least; clear the fourth, the result is surer.",
        scene=lambda s: replace(s, tags=corner_tags(SIZE_MM, covered=(2,))),
    ),
    Fault(
        "cut-off", "Panel cut off", "A part of the panel, or a tag, is outside the photo.",
        "Step back and aim at the panel's middle.", scene=_nearer,
    ),
)  # fmt: skip
"""In the order of the guide; the first two are good."""


def photograph_fault(fault: Fault, *, width_px: int = 320, seed: int = 7) -> Array:
    """Photograph the panel with one thing wrong.

    Parameters
    ----------
    fault : Fault
    width_px : int
        Of the photo; its height is five eighths of that.
    seed : int
        Of the camera's noise.

    Returns
    -------
    ndarray (H, W), uint8
        Grey, sRGB.
    """
    scene = fault.scene(good_scene(width_px))
    shot = Exposure("photo.jpg", scene.poses[0], varies=fault.varies)
    picture = fault.spoil(render(scene, shot))
    if fault.half_good:
        half = picture.shape[0] // 2
        picture = np.concatenate([render(good_scene(width_px), shot)[:half], picture[half:]])
    noisy = add_noise(picture, rng=np.random.default_rng(seed), full_well_e=9000.0)
    return np.asarray(np.rint(255 * encode_srgb(noisy)).astype(np.uint8))
