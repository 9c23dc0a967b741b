"""A matt ball of open data (DiLiGenT's ball, a part of it) under twelve far lamps, against least squares.

    python tests/bench/study_ball.py FOLDER [--radius 140 300] [--tilt 15 20 ... 55]

FOLDER holds lamp-01.png to lamp-12.png (linear, 16 bit), lamps.txt (unit vectors to the lamps: x right, y up, z to the
camera) and truth.npz (normals, mask). The part of the ball that tilts up to a limit is taken as a panel of a size.
Printed: mean angle to the true normals, gain of the slopes (in brackets those of least squares, Woodham 1980), the
stated standard uncertainty of a depth as a share, how much of its 95 % the gain's error takes, and spots over 0.1 mm
that are surely there, of which a ball has none.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "reading"))

from test_lamp_sphere import figures

from surfscan.core.flags import bit
from surfscan.core.reading import Context, View
from surfscan.core.records import Array, Camera, HeightMap, Photo, Pose
from surfscan.judge.gauges import Instruments
from surfscan.judge.judgement import judge_map
from surfscan.judge.limits import default_limits, with_given
from surfscan.optics.field import make_grid
from surfscan.reading.budget import budget_scaled
from surfscan.reading.lamp import read_lamp
from surfscan.reading.lamp_maps import LampReading
from surfscan.shading.lamp import Lamps
from surfscan.surface.form import fit_fair_form

FAR = 200.0
"""Distance of camera and lamps, radii of the ball."""


class Ball:
    """Pictures (K, H, W), normals (3, H, W), mask, unit vectors to the lamps (K, 3), and the radius in pixels."""

    def __init__(self, folder: Path) -> None:
        self.lamps = np.loadtxt(folder / "lamps.txt")
        truth = np.load(folder / "truth.npz")
        self.mask = truth["mask"] > 0
        self.normals = np.moveaxis(truth["normals"], -1, 0)
        names = [folder / f"lamp-{k + 1:02d}.png" for k in range(len(self.lamps))]
        self.seen = np.stack([cv2.imread(str(name), cv2.IMREAD_UNCHANGED) / 65535 for name in names])
        rows, columns = np.nonzero(self.mask)
        along = np.concatenate([self.normals[0][self.mask], -self.normals[1][self.mask]])
        places = np.concatenate([columns - columns.mean(), rows - rows.mean()])
        self.radius_px = float(along @ places / (along @ along))
        self.top = np.array(  # row and column of the place that faces the camera
            [
                np.mean(rows + self.radius_px * self.normals[1][self.mask]),
                np.mean(columns - self.radius_px * self.normals[0][self.mask]),
            ]
        )

    def square(self, tilt_deg: float) -> tuple[Array, Array, Array]:
        """Pictures, normals and mask of an odd square round the part that tilts up to a limit."""
        mask = self.mask & (self.normals[2] >= np.cos(np.radians(tilt_deg)))
        rows, columns = np.nonzero(mask)
        half = max(np.ptp(rows), np.ptp(columns)) // 2 + 3
        row, column = np.rint(self.top).astype(int)
        cut = np.s_[..., row : row + 2 * half + 1, column : column + 2 * half + 1]
        return tuple(  # type: ignore[return-value]
            np.pad(a, [(0, 0)] * (a.ndim - 2) + [(half, half)] * 2)[cut]
            for a in (self.seen, self.normals, mask)
        )


def read(ball: Ball, seen: Array, mask: Array, radius_mm: float) -> LampReading:
    """The square as a panel."""
    pitch, side, far = radius_mm / ball.radius_px, mask.shape[0], FAR * radius_mm
    camera = Camera(far / pitch, (side // 2, side // 2))
    pose = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0, 0, far]), np.eye(6) * 1e-12, 0.05)
    views = [
        View(Photo(f"{k}.png", "", one.astype(np.float32), one >= 1), camera, pose, "")
        for k, one in enumerate(seen)
    ]
    region = np.where(mask[::-1], 0, bit("outside")).astype(np.int32)
    off = ball.top - np.rint(
        ball.top
    )  # the ball is level at its top: what lies round that is as high all round
    at = 0.3 * pitch * side * np.array([[1, 1], [-1, 1], [-1, -1], [1, -1.0]]) + pitch * off[::-1] * (1, -1)
    context = Context(tuple(views), make_grid((pitch * side,) * 2, pitch), region, at)
    return read_lamp(context, Lamps(far * ball.lamps))


def sure_spots(got: LampReading) -> int:
    """How many spots the judgement is sure of: form, uncertainty and limits as in a check."""
    reading, grid = got.reading, got.reading.grid
    limits = with_given(default_limits("filler"), {"low_mm": 0.1, "high_mm": 0.1})
    least = 2 * float(np.median(got.bends.paint_mm[np.isfinite(reading.height_mm)]))
    fair = fit_fair_form(
        reading.height_mm,
        x_mm=grid.x_mm,
        y_mm=grid.y_mm,
        floor_mm=max(least, 0.015),
        grow_px=max(2, round(12 / grid.step_mm)),
    )
    shares = (("light and room", "", got.scale_rel),)
    budget = budget_scaled(
        reading, fair, shares=shares, maps=(("paint not quite matt", "", got.bends.paint_mm),)
    )
    sigma = np.where(np.isfinite(reading.height_mm), budget.sigma_mm, np.nan)
    height = HeightMap(grid, reading.height_mm - fair.form_mm, fair.form_mm, sigma, reading.flags, fair.name)
    told = judge_map(
        height,
        limits=limits,
        stage="filler",
        coverage=1.0,
        period_mm=0.0,
        u_slope_mrad=budget.u_slope_mrad,
        instruments=Instruments(),
    )
    return sum(abs(spot.peak_mm) - spot.u95_mm > 0.1 for spot in told.spots)


def main() -> None:
    """Print a row for each radius and tilt."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--radius", type=float, nargs="+", default=[140.0, 300.0])
    parser.add_argument("--tilt", type=float, nargs="+", default=list(range(15, 56, 5)))
    given = parser.parse_args()
    ball = Ball(given.folder)
    for radius in given.radius:
        for tilt in given.tilt:
            seen, normals, mask = ball.square(tilt)
            got = read(ball, seen, mask, radius)
            p, q = got.reading.p[::-1], got.reading.q[::-1]
            good = np.isfinite(p) & (normals[2] > 0)
            g = np.linalg.lstsq(ball.lamps, seen.reshape(len(seen), -1), rcond=None)[0].reshape(
                3, *mask.shape
            )
            with np.errstate(divide="ignore", invalid="ignore"):
                angle, gain = figures(p, q, normals, good)
                plain_angle, plain_gain = figures(-g[0] / g[2], -g[1] / g[2], normals, good)
            print(
                f"{radius:.0f} mm, {tilt:g} degrees: angle {angle:.1f} ({plain_angle:.1f}), gain {gain:.2f}"
                f" ({plain_gain:.2f}), u {100 * got.scale_rel:.0f} %, takes"
                f" {abs(gain - 1) / (1.96 * got.scale_rel):.2f} of its interval, {sure_spots(got)} spots",
                flush=True,
            )


if __name__ == "__main__":
    main()
