"""Jobs drawn at random for the studies: a panel, a light, a camera, and a sheet as somebody would fill it in.

One generator for all studies that need panels nobody has looked at. A `Case` is plain numbers; it is photographed
by the project's ray caster (`own_photos`) or by Mitsuba (`independent_photos`), and `user_sheet`
puts the user's errors in.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from drawn_sheets import BLUNDER_SHARE, BLUNDERS, blunder, draw_sheet
from random_maps import Spot, place_spots, spot_surface

from surfscan.core.records import Camera
from surfscan.job.sheet import Sheet
from surfscan.reading.budget import Inputs
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Crown, Panel, Ripple
from surfscan.synth.scene import Exposure, Lighting, Scene, board_facing, corner_tags, look_at
from surfscan.synth.shape import Array, Flat, Shape, Three

LIGHTS = {"stripes": 0.77, "crossed": 0.08, "dots": 0.03, "one": 0.06, "stepped": 0.03, "lamp": 0.03}
"""Shares of the lights in the big study."""

PERIODS, STEPS = (47.0, 39.0), 4
"""Of a stepped series: both stripe periods, mm, and the steps of each."""


@dataclass(frozen=True)
class Made(Shape):
    """A spot of `random_maps` as a shape of the renderer."""

    made: Spot

    def spot(self) -> dict[str, Any]:
        return {
            "kind": "low" if self.made.depth_mm < 0 else "high",
            "x_mm": self.made.x_mm,
            "y_mm": self.made.y_mm,
            "depth_mm": abs(self.made.depth_mm),
            "w": self.made.length_mm,
            "h": self.made.width_mm,
        }

    def _surface(self, x: Any, y: Any) -> Any:
        return spot_surface(self.made, x, y)

    def _curvatures(self, x: Any, y: Any) -> Any:
        h = 0.5
        (_, pe, qe), (_, pw, qw) = self._surface(x + h, y), self._surface(x - h, y)
        (_, _, qn), (_, _, qs) = self._surface(x, y + h), self._surface(x, y - h)
        return (pe - pw) / (2 * h), (qe - qw) / (2 * h), (qn - qs) / (2 * h)


@dataclass(frozen=True)
class Twist(Shape):
    """A smooth form of third and fourth order that is 0 at the corners (+-x_mm, +-y_mm); seven heights, mm."""

    x_mm: float
    y_mm: float
    mm: tuple[float, ...]

    def _surface(self, x: Array, y: Array) -> Three:
        u, v, c = x / self.x_mm, y / self.y_mm, self.mm
        z = c[0] * (u**3 - u) + c[1] * u * (v * v - 1) + c[2] * v * (u * u - 1) + c[3] * (v**3 - v)
        z = z + c[4] * (u * u - 1) * (v * v - 1) + c[5] * (u**4 - u * u) + c[6] * (v**4 - v * v)
        p = c[0] * (3 * u * u - 1) + c[1] * (v * v - 1) + 2 * c[2] * u * v
        p = p + 2 * c[4] * u * (v * v - 1) + c[5] * (4 * u**3 - 2 * u)
        q = 2 * c[1] * u * v + c[2] * (u * u - 1) + c[3] * (3 * v * v - 1)
        q = q + 2 * c[4] * (u * u - 1) * v + c[6] * (4 * v**3 - 2 * v)
        return z, p / self.x_mm, q / self.y_mm

    def _curvatures(self, x: Array, y: Array) -> Three:
        raise NotImplementedError("not asked for by the renderer of gloss panels")


@dataclass(frozen=True)
class Case:
    """One random job before it is photographed.

    `shifts` are how far each of two camera places is from the usual one; `gain`, `well`, `quality` and `rough` are
    exposure, electrons of a full pixel, JPEG quality and the panel's micro-slopes.
    """

    light: str
    size: tuple[float, float]
    form: str
    radii: tuple[float, float]
    twist: tuple[float, ...]
    spots: tuple[Spot, ...]
    waves: tuple[tuple[float, float, float, float], ...]
    distance: float
    elevation: float
    back: float
    period: float
    shifts: tuple[float, ...]
    board: tuple[float, float]
    hand_held: bool
    gain: float
    well: float
    quality: int
    rough: float
    cut_out: tuple[tuple[float, float], ...]
    limit: float
    sheet: str
    blundered: str

    @property
    def corner(self) -> tuple[float, float]:
        """Where the tags lie: z is 0 there."""
        return self.size[0] / 2 - 27, self.size[1] / 2 - 27

    def deviation(self) -> Shape:
        """Spots and waves."""
        shape: Shape = Flat()
        for made in self.spots:
            shape = shape + Made(made)
        for wave in self.waves:
            shape = shape + Ripple(*wave)
        return shape

    def fair(self) -> Shape:
        """The designed form."""
        shape: Shape = Flat()
        if self.form != "flat":
            radii = (self.radii[0], None) if self.form == "sphere" else self.radii
            shape = Crown(*radii, zero_at_mm=self.corner)
        return shape + Twist(*self.corner, self.twist) if any(self.twist) else shape


def draw_case(rng: np.random.Generator, light: str = "") -> Case:
    """Draw a job; of one light, or any."""
    light = light or str(rng.choice(list(LIGHTS), p=list(LIGHTS.values())))
    size = (560.0, 400.0)
    if rng.random() < 0.5:
        size = (float(rng.integers(38, 72)) * 10, float(rng.integers(30, 48)) * 10)
    if light == "stepped":
        size = (float(rng.integers(30, 40)) * 10, float(rng.integers(23, 30)) * 10)
    form = str(rng.choice(["flat", "sphere", "barrel", "two arcs"], p=[0.35, 0.35, 0.15, 0.15]))
    if light == "lamp":
        form = "flat"
    r1, r2 = (float(np.exp(rng.uniform(np.log(1900), np.log(8000)))) for _ in range(2))
    radii = {"flat": (np.inf, np.inf), "sphere": (r1, r1), "barrel": (r1, np.inf), "two arcs": (r1, r2)}[form]
    twist = (0.0,) * 7
    if rng.random() < 0.15 and light != "lamp":
        tall = 10 ** rng.uniform(-2, -0.5)
        twist = tuple(float(v) for v in rng.normal(0, tall, 7) * np.array([1, 1, 1, 1, 0.4, 0.4, 0.4]))
    back = rng.uniform(1050, 1300) * max(1.0, size[0] / 600)
    distance = rng.uniform(750, 1050)
    period = float(rng.integers(22, 36))
    spots = _spots(rng, light, size, period * back / (back + distance))
    amplitude = rng.uniform(0, 0.0013) * {"stepped": 0.25, "lamp": 4}.get(light, 1)
    waves = [(amplitude, rng.uniform(70, 190), rng.uniform(0, 180), rng.uniform(0, 360)) for _ in range(3)]
    hand_held = bool(rng.random() < 0.5) and light == "stripes"
    # The board of most jobs lights all that a flat panel shows, of a few only a part.
    board = (2200.0, 1900.0) if form == "flat" else (3200.0, 2800.0)
    if rng.random() < 0.1:
        board = (board[0] * 0.4, board[1] * 0.6)
    cut_out: list[tuple[float, float]] = []
    if rng.random() < 0.15:
        x, y = (rng.uniform(-0.35, 0.35) * s for s in size)
        w, h = rng.uniform(15, 60), rng.uniform(10, 40)
        cut_out = [(x - w, y - h), (x + w, y - h), (x + w, y + h), (x - w, y + h)]
    blundered = str(rng.choice(BLUNDERS)) if rng.random() < BLUNDER_SHARE else ""
    return Case(
        light,
        size,
        form,
        radii,
        twist,
        spots,
        tuple(waves),
        distance,
        rng.uniform(46, 60),
        back,
        period,
        tuple(rng.uniform(-1, 1, 6)) if hand_held else (0.0,) * 6,
        board,
        hand_held,
        rng.uniform(0.5, 1.1),
        float(np.exp(rng.uniform(np.log(4000), np.log(16000)))),
        int(rng.integers(88, 98)),
        rng.uniform(0.0005, 0.002) if rng.random() < 0.15 else 0.0,
        tuple(cut_out),
        _limit(rng, light, spots),
        str(rng.choice(["exact", "stated", "people"], p=[0.1, 0.3, 0.6])),
        blundered,
    )


def _spots(
    rng: np.random.Generator, light: str, size: tuple[float, float], seen_mm: float
) -> tuple[Spot, ...]:
    """Spots that a light can be asked for: its finest detail, and its depths."""
    spots = place_spots(rng, size)
    least = {"dots": 4.5 * seen_mm, "one": 80.0}.get(light, 0.0)
    deeper = {"stepped": 0.12, "lamp": 12.0}.get(light, 1.0)
    return tuple(replace(s, depth_mm=deeper * s.depth_mm) for s in spots if s.width_mm >= least)


def _limit(rng: np.random.Generator, light: str, spots: tuple[Spot, ...]) -> float:
    """A usual limit, or one that lies close to a spot."""
    usual = {"stepped": 0.006, "lamp": 0.3}.get(light, 0.04)
    if rng.random() < 0.2 and spots:
        near = abs(spots[int(rng.integers(len(spots)))].depth_mm) * rng.uniform(0.75, 1.2)
        return float(np.clip(near, 0.75 * usual, 6 * usual))
    return usual


def eyes(case: Case) -> list[tuple[Array, tuple[float, float, float]]]:
    """Camera place and upward direction of both photos."""
    e = np.radians(80.0 if case.light == "lamp" else case.elevation)
    rows = []
    for k in range(2):
        a, b, c = case.shifts[3 * k : 3 * k + 3]
        place = np.array([120 * a, -case.back * np.cos(e) + 60 * b, case.back * np.sin(e) + 60 * c])
        rows.append((place, (0.06 * b, 1.0, 0.0)))
    return rows


def own_photos(
    case: Case, folder: Path, rng: np.random.Generator, pixels: tuple[int, int] = (512, 384)
) -> None:
    """By the project's own ray caster."""
    if case.light == "dots":
        pixels = (pixels[0] * 3 // 2, pixels[1] * 3 // 2)
    poses = [look_at(place, (0, 0, 0), up) for place, up in eyes(case)]
    board = board_facing(case.distance, case.elevation, size_mm=case.board, period_mm=case.period)
    light = Lighting()
    if case.light == "dots":
        light = Lighting(board_bright=16.0, board_dark=0.1)
    if case.light == "lamp":
        light = Lighting(room=float(rng.uniform(0, 0.6)), lamp_power_mm2=7e5, background=0.05)
    scene = Scene(
        panel=Panel(case.size, case.fair(), case.deviation()),
        camera=Camera(0.8 * pixels[0] * case.back / case.size[0], ((pixels[0] - 1) / 2, (pixels[1] - 1) / 2)),
        board=None if case.light == "lamp" else board,
        tags=corner_tags(case.size),
        shots=tuple(shots(case, poses, rng)),
        image_size_px=pixels,
        light=light,
        albedo=0.45 if case.light == "lamp" else 0.1 if case.light in ("dots", "stepped") else 0.2,
        dot_radius_mm=4.5,
        roughness_rad=case.rough,
        supersampling=3,
        stage={"lamp": "filler", "stepped": "clear"}.get(case.light, "primer"),
        limits_mm={"low_mm": case.limit, "high_mm": case.limit, "filler_depth_mm": 6.35},
    )
    write_job(
        scene,
        folder,
        rng=rng,
        gain=min(case.gain, 1.0) if case.light == "lamp" else case.gain,
        full_well_e=case.well,
        quality=case.quality,
    )


def shots(case: Case, poses: list[Any], rng: np.random.Generator) -> list[Exposure]:
    """The photos of a light."""
    first = poses[0]
    if case.light in ("dots", "crossed"):
        return [Exposure(f"{case.light}.jpg", first, pattern=case.light)]
    if case.light == "stepped":
        return [
            Exposure(f"{v}-{p:.0f}-{k}.jpg", first, "stepped", v, p, 360.0 * k / STEPS)
            for v in ("across", "up")
            for p in PERIODS
            for k in range(STEPS)
        ]
    if case.light == "lamp":
        turn = float(rng.uniform(0, 6)) + 2 * np.pi * np.arange(6) / 6
        tall = float(rng.uniform(330, 450))
        return [
            Exposure(
                f"lamp-{k}.jpg", first, "lamp", lamp_mm=(850 * float(np.cos(a)), 850 * float(np.sin(a)), tall)
            )
            for k, a in enumerate(turn)
        ]
    ways = ("across",) if case.light == "one" else ("across", "up")
    return [Exposure(f"stripes-{v}.jpg", pose, varies=v) for v, pose in zip(ways, poses, strict=False)]


def independent_photos(case: Case, folder: Path, seed: int, samples: int = 8) -> None:
    """By Mitsuba, 1000 x 750 pixels, through the script that makes the fixtures."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "renders"))
    import mitsuba as mi
    import mitsuba_scenes
    import scene_table

    mi.set_variant("scalar_rgb")  # needs no compiler on the machine
    form = []
    if case.form == "sphere":
        form = [(scene_table.ball, {"r": case.radii[0]})]
    elif case.form != "flat":
        form = [(scene_table.arcs, {"rx": case.radii[0], "ry": case.radii[1]})]

    def deviation(x: Any, y: Any, at: Any, peak: float, w: float, h: float) -> Any:
        return case.deviation().surface(x, y)

    def twisted(x: Any, y: Any) -> Any:
        return Twist(*case.corner, case.twist).surface(x, y)

    if any(case.twist):
        form = [*form, (twisted, {})]
    views = eyes(case)
    one: dict[str, Any] = {
        "size": (int(case.size[0]), int(case.size[1])),
        "pixels": (1000, 750),
        "seed": seed % 4000,
        "focal": round(0.8 * 1000 * case.back / case.size[0], 1),
        "form": form,
        "eyes": [place for place, _ in views],
        "ups": [up for _, up in views],
        "board": scene_table.board_at(case.distance, case.elevation, case.board, case.period),
        "pattern": case.light if case.light in ("dots", "crossed", "stepped") else "stripes",
        "faults": [(deviation, {"at": (0, 0), "peak": 1.0, "w": 1, "h": 1})],
        "waves": 0.0,
        "step": 1.6,
        "well": case.well,
        "quality": case.quality,
        "limits": (case.limit, case.limit, 6.35),
    }
    if case.light == "dots":
        one |= {"radius": 4.5, "bright": 16.0, "dark": 0.1, "albedo": 0.08}
    if case.light == "stepped":
        one |= {"periods": PERIODS, "steps": STEPS, "albedo": 0.1, "step": 0.8, "stage": "clear"}
    if case.light in ("dots", "crossed", "stepped"):
        one |= {"eyes": one["eyes"][:1], "ups": one["ups"][:1]}
    scene_table.SCENES["unseen"] = one
    mitsuba_scenes.make("unseen", folder.parent, samples)
    (folder.parent / "unseen").rename(folder)
    if case.light == "one":
        text = (folder / "panel.toml").read_text()
        cut = text.index('[[photo]]\nfile = "stripes-up.jpg"')
        (folder / "panel.toml").write_text(text[:cut] + text[text.index("[limits]") :])


def user_sheet(sheet: Sheet, case: Case, rng: np.random.Generator) -> Sheet:
    """The sheet as its user filled it in: cut-out, errors of measuring, and a blunder."""
    if case.cut_out:
        panel = sheet.panel.model_copy(update={"leave_out_mm": [list(case.cut_out)]})
        sheet = sheet.model_copy(update={"panel": panel})
    if sheet.board is None or case.sheet == "exact":
        return sheet
    sheet = draw_sheet(sheet, rng, Inputs(), people=case.sheet == "people")
    if case.blundered:
        angle = case.blundered in ("lean", "turn", "roll")
        by = rng.uniform(2, 6) if angle else rng.uniform(0.03, 0.08)
        sheet = blunder(sheet, case.blundered, float(rng.choice([-1, 1]) * by))
    return sheet
