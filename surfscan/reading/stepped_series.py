"""The photos of a stepped series, sorted: which belong together, who moved, and whether their order is the sheet's."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.errors import RefusedError
from surfscan.core.reading import Context, View
from surfscan.core.records import Pose
from surfscan.optics.field import FINE, Cutout, cut_out, rectify
from surfscan.optics.lens import project
from surfscan.phase.stepped import StepFit, odd_frames, tell_steps
from surfscan.reading.surface import Surface, stand_off_mm

__all__ = ["Series", "SteppedPhoto", "camera_of_axis", "check_order", "check_sense", "lay_on", "sort_series"]

MOVED_PX = 0.5
"""A frame whose tags lie this far off those of the still frames has moved; poses of sound frames agree to 0.03 px."""


@dataclass(frozen=True, slots=True)
class SteppedPhoto:
    """One photo of a stepped series: its view, stripe period (mm) and phase step (rad)."""

    view: View
    period_mm: float
    step_rad: float


@dataclass(slots=True)
class Series:
    """The frames of one direction and period, with what was decoded last."""

    varies: str
    period_mm: float
    frames: list[SteppedPhoto]
    poses: list[Pose]
    cutouts: list[Cutout]
    still: bool
    wave: StepFit | None = None

    @property
    def name(self) -> str:
        return f"the series of period {self.period_mm:g} mm along {self.varies!r}"

    @property
    def steps(self) -> Array:
        return np.array([frame.step_rad for frame in self.frames])

    @property
    def orders(self) -> tuple[int, ...]:
        """Pulls to fit: for even steps only multiples of their number survive of a screen's harmonics; frames of
        unequal brightness pull once and twice a stripe."""
        n = len(self.frames)
        even = np.sort(np.mod(self.steps - self.steps[0], 2 * np.pi))
        if np.allclose(even, 2 * np.pi * np.arange(n) / n, atol=1e-3):
            return tuple(sorted({1, 2, *(n * k for k in range(1, max(2, 27 // n)))}))
        return (1, 2, 3, 4, 5, 6)


def sort_series(frames: list[SteppedPhoto], context: Context) -> list[Series]:
    """Put the photos into series of one direction and one period, on one pose when the camera stood still.

    Raises
    ------
    RefusedError
        A direction or a step that is missing, or a photo that moved.
    """
    groups: dict[tuple[str, float], list[SteppedPhoto]] = {}
    for frame in frames:
        groups.setdefault((frame.view.varies, round(frame.period_mm, 6)), []).append(frame)
    for axis in ("across", "up"):
        if not any(varies == axis for varies, _ in groups):
            raise RefusedError(
                f"the stepped series has no photo that varies {axis!r}",
                allowed="three or more steps for each direction",
                cure=f"add the series along {axis!r}",
                found="steps of the other direction only",
            )
    for (varies, period), own in groups.items():
        steps = np.array([f.step_rad for f in own])
        design = np.stack([np.ones_like(steps), np.cos(steps), np.sin(steps)], 1)
        if len(own) < 3 or np.linalg.svd(design, compute_uv=False)[-1] < 0.15 * np.sqrt(len(own)):
            raise RefusedError(
                f"the series of period {period:g} mm along {varies!r} lacks a step",
                found=", ".join(f"{f.view.photo.file} at {np.degrees(f.step_rad):g} degrees" for f in own),
                allowed="at least three steps spread over 360 degrees",
                cure="add the missing photo, or check its phase_deg",
            )
    poses, still = _stand_still([frame.view for frame in frames])
    reach = stand_off_mm(context.grid)
    by_frame = {id(frame): pose for frame, pose in zip(frames, poses, strict=True)}
    out = []
    for (varies, period), own in groups.items():
        own_poses = [by_frame[id(f)] for f in own]
        cutouts = [
            cut_out(replace(f.view, pose=pose), context.grid, reach_mm=reach)
            for f, pose in zip(own, own_poses, strict=True)
        ]
        out.append(Series(varies, period, own, own_poses, cutouts, still))
    return out


def _stand_still(views: list[View]) -> tuple[list[Pose], bool]:
    """One averaged pose for all frames when they agree; each its own when all differ; else name who moved."""
    shape = views[0].photo.image.shape
    for view in views:
        if view.photo.image.shape != shape:
            raise RefusedError(
                f"{view.photo.file} is not as large as the other photos of the series",
                found=f"{view.photo.image.shape[1]} x {view.photo.image.shape[0]} px",
                allowed=f"{shape[1]} x {shape[0]} px",
                cure="take the whole series with one camera, turned the same way",
            )
    reach = 0.25 * float(np.linalg.norm(views[0].pose.centre_mm))
    px, py = reach * np.array([-1.0, 1, 1, -1, 0]), reach * np.array([-1.0, -1, 1, 1, 0])
    places = np.stack([np.stack(project(px, py, 0.0, camera=v.camera, pose=v.pose)) for v in views])
    off = np.sqrt(np.mean(np.sum((places - np.median(places, 0)) ** 2, 1), -1))
    limit = max(MOVED_PX * shape[1] / 1600, 8 * float(np.median(off)))
    if np.median(off) > MOVED_PX:
        return [view.pose for view in views], False
    moved = [k for k in range(len(views)) if off[k] > limit]
    if moved:
        names = ", ".join(views[k].photo.file for k in moved)
        raise RefusedError(
            f"{names}: the camera or the panel moved here",
            found=f"{max(off[k] for k in moved):.1f} px away from the other photos of the series",
            allowed=f"{limit:.1f} px",
            cure="fix the camera, and shoot the series again without touching it",
        )
    # The mean of nearly equal rotations, put back on the rotations (the nearest one).
    u, _, vt = np.linalg.svd(np.mean([view.pose.rotation for view in views], 0))
    mean = replace(
        views[0].pose, rotation=u @ vt, shift_mm=np.mean([view.pose.shift_mm for view in views], axis=0)
    )
    return [mean] * len(views), True


def camera_of_axis(series: list[Series], axis: str) -> Array:
    """Mean camera place (3,) of a direction's photos."""
    return np.asarray(np.mean([p.centre_mm for s in series if s.varies == axis for p in s.poses], axis=0))


def lay_on(series: Series, surface: Surface) -> tuple[Array, Array]:
    """A series' frames on the coarse grid (N, H, W), and their common state."""
    frames, state = [], np.zeros(surface.x.shape, np.int32)
    for cutout in series.cutouts:
        picture, fine = rectify(cutout, surface.x, surface.y, surface.z)
        frames.append(cv2.resize(picture, surface.x.shape[::-1], interpolation=cv2.INTER_AREA))
        state |= np.bitwise_or.reduce([fine[i::FINE, j::FINE] for i in range(FINE) for j in range(FINE)])
    return np.stack(frames), state


def check_order(one: Series, frames: Array, seen: Array, spacing_px: float) -> None:
    """Name frames that are out of order or don't belong, from the frames alone."""
    if not one.still:
        return
    told, belongs = tell_steps(frames, seen, smooth_px=max(spacing_px, 2.0))
    strange, displaced = odd_frames(told, belongs, one.steps)
    names = [frame.view.photo.file for frame in one.frames]
    if strange:
        raise RefusedError(
            f"{', '.join(names[k] for k in strange)}: not a frame of {one.name}",
            found="other stripes, or none",
            cure="check its file, varies and period_mm",
            allowed="frames of one series",
        )
    if len(displaced) == 1:
        raise RefusedError(
            f"{names[displaced[0]]}: not at the phase the sheet says, in {one.name}",
            found=f"phase_deg = {np.degrees(one.steps[displaced[0]]):g}",
            cure="correct its phase_deg, or put the right photo in its place",
            allowed="each photo at the phase that the sheet says",
        )
    if displaced:
        raise RefusedError(
            f"{', '.join(names[k] for k in displaced)}: out of order in {one.name}",
            found="steps that don't follow the sheet's phase_deg",
            cure="put the photos in the order in which they were shown, or correct phase_deg",
            allowed="the photos in the order of their phases",
        )


def check_sense(one: Series, wave: StepFit, aim: Array, seen: Array, spacing_px: float) -> None:
    """Refuse a series that runs backwards or along the other axis: its phase then follows no board."""
    turn = 2 * np.pi * aim / one.period_mm
    reach = max(0.1 * spacing_px, 1.0)

    def follows(sense: float) -> float:
        rest = np.where(seen, sense * np.nan_to_num(wave.phase_rad) - turn, 0.0)
        around = [cv2.GaussianBlur(f(rest), (0, 0), reach) for f in (np.cos, np.sin)]
        return float(np.median(np.hypot(*around)[seen]))

    forward, backward = follows(1.0), follows(-1.0)
    if backward > forward:
        raise RefusedError(
            f"{', '.join(f.view.photo.file for f in one.frames)}: the steps of {one.name} run backwards",
            cure="check the order of the photos and the sense of phase_deg, or that none is missing or swapped",
            found="phases that fall",
            allowed="phases that rise as phase_deg says",
        )
