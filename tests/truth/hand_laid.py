"""A panel with tags laid by hand, unmeasured, photographed by an independent renderer (Mitsuba 3).

Tags are turned by a few degrees and lie at unequal distances, on a flat or crowned panel with smooth dents; a board
with its own tags stands somewhere beyond; photos are hand-held. What is true is told in the frame of the job sheet's
contract: origin in the middle of the tags' centres, z = 0 the best plane through them, x the mean of their rightward
sides. Nothing of the package is used but what writes a photo's file.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from truth.mitsuba_mirror import lying, photograph, stripes_texture

from surfscan.synth.camera_noise import add_noise, write_photo

__all__ = ["HandLaid", "make_scene", "write_shots"]

PANEL_MM = (720.0, 520.0)
SIDE_MM = 36.0


@dataclass(frozen=True)
class HandLaid:
    """A scene and what is true of it.

    `tags` are (x, y, turn in degrees) in the scene's own frame; `dents` (x, y, depth, radius) there; `truth_dents`
    (x, y, depth) and `board_true` in the frame of the sheet.
    """

    tags: dict[int, tuple[float, float, float]]
    board_tags: dict[int, tuple[float, float]]
    board: dict[str, np.ndarray]
    size_mm: tuple[float, float]
    dents: tuple[tuple[float, float, float, float], ...]
    radius_mm: float
    eyes: dict[str, np.ndarray]
    dictionary: str
    side_mm: float
    board_side_mm: float
    frame: np.ndarray = field(default_factory=lambda: np.eye(3))
    origin: np.ndarray = field(default_factory=lambda: np.zeros(3))

    def height(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Crown and dents: d (1 - r^2/R^2)^3 within R, whose depth is d."""
        z, p, q = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
        if self.radius_mm:
            z, p, q = (
                z - (x * x + y * y) / (2 * self.radius_mm),
                p - x / self.radius_mm,
                q - y / self.radius_mm,
            )
        for cx, cy, depth, reach in self.dents:
            dx, dy = x - cx, y - cy
            rest = np.clip(1 - (dx * dx + dy * dy) / reach**2, 0, None)
            z = z + depth * rest**3
            p, q = p - 6 * depth * rest**2 * dx / reach**2, q - 6 * depth * rest**2 * dy / reach**2
        return z, p, q

    @property
    def truth_dents(self) -> list[tuple[float, float, float]]:
        """Places and depths in the sheet's frame."""
        rows = []
        for x, y, depth, _ in self.dents:
            z = float(self.height(np.array(x), np.array(y))[0])
            at = self.frame.T @ (np.array([x, y, z]) - self.origin)
            rows.append((float(at[0]), float(at[1]), depth))
        return rows

    @property
    def board_true(self) -> dict[str, np.ndarray]:
        """The board's middle and directions in the sheet's frame."""
        return {
            "centre": self.frame.T @ (self.board["centre"] - self.origin),
            "across": self.frame.T @ self.board["across"],
            "up": self.frame.T @ self.board["up"],
        }


def make_scene(
    seed: int,
    *,
    radius_mm: float = 0.0,
    dictionary: str = "4x4_50",
    first_tags: tuple[int, int] = (0, 10),
    sides_mm: tuple[float, float] = (SIDE_MM, 90.0),
    size_mm: tuple[float, float] = (1500.0, 1300.0),
    inset_mm: float = 75.0,
    share: float = 1.0,
) -> HandLaid:
    """A scene drawn from a seed: tags off by up to 40 mm and turned by 4 degrees (1 sigma), the board and eyes too.

    `first_tags`, `sides_mm` are those of the panel and of the board, whose tags are `inset_mm` from its edges; `share`
    makes panel and distances as many times as large.
    """
    rng = np.random.default_rng(seed)
    corners = [(-293.0, -193.0), (293.0, -193.0), (293.0, 193.0), (-293.0, 193.0)]
    tags = {
        first_tags[0] + k: (
            share * (x + rng.uniform(-40, 25) * np.sign(x)),
            share * (y + rng.uniform(-25, 25)),
            rng.normal(0, 4),
        )
        for k, (x, y) in enumerate(corners)
    }
    lean, turn = np.radians(rng.normal(55, 3)), np.radians(rng.normal(0, 4))
    far = share * rng.uniform(900, 1050)
    across, up = np.array([1.0, 0, 0]), np.array([0, -np.sin(lean), np.cos(lean)])
    normal = np.cross(across, up)
    across, normal = (
        np.cos(turn) * across - np.sin(turn) * normal,
        np.cos(turn) * normal + np.sin(turn) * across,
    )
    board = {
        "centre": far * np.array([0.0, np.cos(lean), np.sin(lean)]) + rng.normal(0, 25, 3),
        "across": across,
        "up": up,
    }
    aside = rng.choice([-1, 1]) * rng.uniform(600, 850)
    eyes = {
        "a": share * (np.array([20.0, -600.0, 840.0]) + rng.normal(0, 35, 3)),
        "b": share * (np.array([20.0, -600.0, 840.0]) + rng.normal(0, 35, 3)),
        "setup": share * (np.array([aside, -1900.0, 1350.0]) + rng.normal(0, 60, 3)),
    }
    dents = tuple(
        (
            share * (rng.uniform(-30, 30) + x),
            share * (rng.uniform(-25, 25) + y),
            sign * rng.uniform(0.08, 0.25),
            rng.uniform(70, 100),
        )
        for x, y, sign in ((-140, 70, -1), (130, 60, 1), (0, -80, -1))
    )
    places = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    board_tags = {
        first_tags[1] + k: (i * (size_mm[0] / 2 - inset_mm), j * (size_mm[1] / 2 - inset_mm))
        for k, (i, j) in enumerate(places)
    }
    rough = HandLaid(tags, board_tags, board, size_mm, dents, radius_mm, eyes, dictionary, *sides_mm)
    lie = np.stack([lying(*at, rough.height) for at in tags.values()])
    middles, right = lie[:, :, 3], lie[:, :, 0].mean(0)
    origin = middles.mean(0)
    up_axis = np.linalg.svd(middles - origin)[2][2]
    up_axis = up_axis * np.sign(up_axis[2])
    right = right - up_axis * (right @ up_axis)
    right = right / np.linalg.norm(right)
    frame = np.column_stack([right, np.cross(up_axis, right), up_axis])
    return replace(rough, frame=frame, origin=origin)


def write_shots(
    scene: HandLaid,
    folder: Path,
    *,
    pixels: tuple[int, int] = (2000, 1500),
    focal_px: float = 1700.0,
    period_mm: float = 30.0,
    panel_mm: tuple[float, float] = PANEL_MM,
    shots: tuple[tuple[str, str, str], ...] = (
        ("a.jpg", "a", "across"),
        ("b.jpg", "b", "up"),
        ("setup.jpg", "setup", "across"),
    ),
    spp: int = 9,
    seed: int = 1,
) -> None:
    """Write the photos: (file, eye, what the board shows)."""
    rng = np.random.default_rng(seed)
    board = {**scene.board, "size": scene.size_mm}
    for file, eye, varies in shots:
        middle = 0.38 * scene.board["centre"]
        target = middle if eye == "setup" else np.array([0.0, 10.0, 0.0])
        light = 0.7 if eye == "setup" else 0.035
        picture = photograph(
            eye=scene.eyes[eye],
            target=target + rng.normal(0, 10, 3),
            pixels=pixels,
            focal_px=focal_px,
            panel_mm=panel_mm,
            height=scene.height,
            z_mm=0.0,
            tags={k: tuple(v) for k, v in scene.tags.items()},
            tag_side_mm=scene.side_mm,
            board=board,
            texture=stripes_texture(
                scene.size_mm,
                period_mm,
                varies,
                tags=scene.board_tags,
                tag_side_mm=scene.board_side_mm,
                dictionary=scene.dictionary,
                texels_per_mm=2.0,
            ),
            tag_light=light,
            spp=spp,
            dictionary=scene.dictionary,
        )
        # The camera exposes for the panel's own reflection (0.04 of the board's light at this angle), or for the board.
        exposed = np.clip(picture * (0.75 if eye == "setup" else 14.0), 0, 1)
        write_photo(folder / file, add_noise(exposed.astype(np.float32), rng=rng))


def sheet_text(scene: HandLaid, *, focal: str = "focal_px = 1700", period_mm: float = 30.0) -> str:
    """The job sheet of such photos: no place of anything on the panel."""
    rows = "\n".join(f"{k} = [{x}, {y}]" for k, (x, y) in scene.board_tags.items())
    return (
        f'[panel]\nname = "tags by hand"\nstage = "primer"\n\n[tags]\ndictionary = "{scene.dictionary}"\n'
        f"side_mm = {scene.side_mm:g}\n\n[camera]\n{focal}\n\n"
        f"[board]\nperiod_mm = {period_mm:g}\nsize_mm = [{scene.size_mm[0]:g}, {scene.size_mm[1]:g}]\n"
        f'setup_photo = "setup.jpg"\n\n[board.tags]\ndictionary = "{scene.dictionary}"\n'
        f"side_mm = {scene.board_side_mm:g}\n[board.tags.centres_mm]\n{rows}\n\n"
        '[[photo]]\nfile = "a.jpg"\nvaries = "across"\n\n[[photo]]\nfile = "b.jpg"\nvaries = "up"\n'
    )
