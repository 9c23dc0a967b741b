"""A video's rolling shutter from its tags: how long a read-out takes, and how the camera moved in each frame.

A corner is exposed when its row is read. From frame to frame it is followed by a polynomial through its five nearest
places, each at its own time (a hand's tremor is too fast for three); where that says it was as the frame's middle was
read is a corner of a camera that stands still. The read-out time is the one with which such corners fit the tags best,
over all frames (least squares).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.records import Camera, Pose, TagSeen
from surfscan.optics.lens import undistort
from surfscan.optics.pose import PoseFit

__all__ = ["Clock", "Moment", "Readout", "fit_readout", "still_tags", "swayed"]

GAP = 1.6
"""Usual intervals that neighbouring frames may lie apart."""

PRIOR_S = (0.015, 0.01)
"""Read-out time of a phone's video, and how far it may be from that (common figures, no source): it counts where the
camera hardly moved, and then hardly matters."""

STEP_S = 0.004

NOISY = 0.3
"""What of the corners' noise, a frame, their speeds make of a longer read-out: a third of a frame off its middle."""

MOVING = 4.0
"""How far that has to stand out for a read-out time to be told."""

BLOCKS = 8
"""Parts of the video that are left out in turn, for the spread of what it tells (jackknife)."""

PATH_REL = 0.03
"""Share of the read-out time that is open because a hand's tremor is faster than frames tell (rendered walks)."""

PATH = 3
"""Frames to each side from which the camera's speed is told."""


@dataclass(frozen=True, slots=True)
class Moment:
    """The tags of one frame, as seen, and its time, s."""

    time_s: float
    tags: tuple[TagSeen, ...]


@dataclass(frozen=True, slots=True)
class Clock:
    """When the places of a frame are read.

    Attributes
    ----------
    axis : int
        0 where columns are read one after another, 1 where rows are.
    sign : int
        1 where that goes with the column or row number, -1 against it.
    middle_px, extent_px : float
        The optical axis along that axis, and how many rows a frame has.
    """

    axis: int
    sign: int
    middle_px: float
    extent_px: float

    def share(self, places_px: Array) -> Array:
        """Part of a read-out after the optical axis at which places (..., 2) are read."""
        return np.asarray(self.sign * (places_px[..., self.axis] - self.middle_px) / self.extent_px)

    def sway(self, rates: Array, readout_s: float, focal_px: float) -> Array:
        """`Pose.sway` of a camera that moves at rates (6,) a second."""
        out = np.zeros((2, 6))
        out[self.axis] = self.sign * readout_s * focal_px / self.extent_px * rates
        return out


@dataclass(frozen=True, slots=True)
class Readout:
    """How long a read-out takes, its standard uncertainty, s, and from how many frames that is told."""

    time_s: float
    u_s: float
    frames: int


def _beside(moments: Sequence[Moment], k: int, interval_s: float) -> list[int]:
    """The frame and one or two to each side without a gap; empty where there is none to a side."""
    for reach in (2, 1):
        if reach <= k < len(moments) - reach:
            near = range(k - reach, k + reach + 1)
            if max(np.diff([moments[i].time_s for i in near])) <= GAP * interval_s:
                return list(near)
    return []


def still_tags(
    moments: Sequence[Moment], k: int, *, clock: Clock, readout_s: float, interval_s: float
) -> tuple[list[TagSeen], Array] | None:
    """A frame's tags as they were when its middle was read, and their corners' speed, (N, 4, 2), px/s.

    None for a frame without close neighbours that show three of its tags.
    """
    near = _beside(moments, k, interval_s)
    seen = {i: {tag.id: tag.corners_px for tag in moments[i].tags} for i in near}
    tags, speeds = [], []
    for tag in moments[k].tags if near else ():
        use = [i for i in near if tag.id in seen[i]]
        if min(use) == k or max(use) == k:
            continue
        places = np.stack([seen[i][tag.id] for i in use])
        frames = np.array([moments[i].time_s for i in use])[:, None] - moments[k].time_s
        value, slope = _through(frames + readout_s * clock.share(places), places)
        tags.append(TagSeen(tag.id, value))
        speeds.append(slope)
    return (tags, np.array(speeds)) if len(tags) >= 3 else None


def _through(times: Array, places: Array) -> tuple[Array, Array]:
    """Value and slope at 0 of the polynomials through places (N, 4, 2) at times (N, 4): Lagrange's formula."""
    value, slope = np.zeros(places.shape[1:]), np.zeros(places.shape[1:])
    for i in range(len(times)):
        rest = np.delete(times, i, 0)
        share = np.prod(times[i] - rest, 0)
        value += (np.prod(-rest, 0) / share)[:, None] * places[i]
        parts = [np.prod(-np.delete(rest, n, 0), 0) for n in range(len(rest))]
        slope += (np.sum(parts, 0) / share)[:, None] * places[i]
    return value, slope


def fit_readout(
    moments: Sequence[Moment],
    picks: Sequence[int],
    *,
    clock: Clock,
    interval_s: float,
    fit: Callable[[list[TagSeen]], PoseFit | None],
    rounds: int = 2,
) -> Readout:
    """Fit the read-out time to the tags of some frames.

    Parameters
    ----------
    moments : sequence of Moment
        All frames, in order.
    picks : sequence of int
        Those to use.
    clock : Clock
    interval_s : float
        Usual time between frames.
    fit : callable
        From tags to a pose; None where none fits.
    rounds : int
        Steps of Gauss and Newton.
    """
    time = PRIOR_S[0]
    pull = np.zeros((0, 2))
    noise2 = 1.0
    for _ in range(rounds):
        rows = []
        for k in picks:
            before, after = (
                _misses(moments, k, clock, time + d, interval_s, fit) for d in (-STEP_S / 2, STEP_S / 2)
            )
            if before is not None and after is not None and before.shape == after.shape:
                slope, miss = (after - before) / STEP_S, 0.5 * (after + before)
                rows.append((slope @ slope, -slope @ miss, miss @ miss, miss.size))
        if len(rows) < 5:
            return Readout(*PRIOR_S, 0)
        sums = np.array(rows)
        # A frame with a tag misread must not decide.
        rms = np.sqrt(sums[:, 2] / sums[:, 3])
        sums = sums[rms <= 3 * np.median(rms)]
        pull = sums[:, :2]
        noise2 = float(sums[:, 2].sum() / sums[:, 3].sum())
        # Where nothing moves, what is fitted is the corners' noise, which a polynomial smooths.
        if sums[:, 0].sum() < MOVING**2 * sums[:, 3].sum() * noise2 * (NOISY / interval_s) ** 2:
            return Readout(*PRIOR_S, 0)
        step, _ = _solved(pull, noise2, time)
        time = float(np.clip(time + step, -interval_s, interval_s))
    parts = np.array_split(np.arange(len(pull)), min(BLOCKS, len(pull)))
    left = [_solved(np.delete(pull, part, 0), noise2, time)[0] for part in parts]
    spread = float(np.sqrt((len(left) - 1) * np.var(left)))
    told = max(spread, _solved(pull, noise2, time)[1])
    return Readout(time, float(np.hypot(told, PATH_REL * time)), len(pull))


def _solved(pull: Array, noise2: float, now: float) -> tuple[float, float]:
    """Step and its standard uncertainty, with the prior."""
    weight = float(pull[:, 0].sum()) / noise2 + PRIOR_S[1] ** -2
    return (float(pull[:, 1].sum()) / noise2 + (PRIOR_S[0] - now) * PRIOR_S[1] ** -2) / weight, weight**-0.5


def _misses(
    moments: Sequence[Moment],
    k: int,
    clock: Clock,
    readout_s: float,
    interval_s: float,
    fit: Callable[[list[TagSeen]], PoseFit | None],
) -> Array | None:
    still = still_tags(moments, k, clock=clock, readout_s=readout_s, interval_s=interval_s)
    found = None if still is None else fit(still[0])
    return None if found is None else np.concatenate([m.ravel() for m in found.misses_px.values()])


def swayed(
    moments: Sequence[Moment],
    k: int,
    *,
    clock: Clock,
    readout: Readout,
    interval_s: float,
    camera: Camera,
    fit: Callable[[list[TagSeen]], PoseFit | None],
) -> PoseFit | None:
    """The pose of a frame with how the camera moved while it was read; None where its neighbours do not tell it.

    Where the camera is going is told from the frames about; how it turns, from the corners' speeds given that.
    """
    poses: list[PoseFit] = []
    going = _going(moments, k, clock, readout.time_s, interval_s, fit)
    if going is None:
        return None
    for time in (readout.time_s, readout.time_s + readout.u_s):
        still = still_tags(moments, k, clock=clock, readout_s=time, interval_s=interval_s)
        found = None if still is None else fit(still[0])
        if still is None or found is None:
            return None
        rates = _rates(found.pose, still[0], still[1], going, camera)
        pose = replace(found.pose, sway=clock.sway(rates, time, camera.focal_px))
        poses.append(replace(found, pose=pose))
    return replace(poses[0], by_shutter=poses[1].pose)


def _going(
    moments: Sequence[Moment],
    k: int,
    clock: Clock,
    readout_s: float,
    interval_s: float,
    fit: Callable[[list[TagSeen]], PoseFit | None],
) -> Array | None:
    """Velocity of the camera's centre at a frame, mm/s: of the parabola through the frames about it."""
    times, places = [], []
    for i in range(max(0, k - PATH), min(len(moments), k + PATH + 1)):
        if abs(moments[i].time_s - moments[k].time_s) > (PATH + 0.7) * interval_s:
            continue
        still = still_tags(moments, i, clock=clock, readout_s=readout_s, interval_s=interval_s)
        found = None if still is None else fit(still[0])
        if found is not None:
            times.append(moments[i].time_s - moments[k].time_s)
            places.append(found.pose.centre_mm)
    if len(times) < 4 or min(times) >= 0 or max(times) <= 0:
        return None
    t = np.array(times)
    design = np.stack([np.ones_like(t), t, t * t], -1)
    return np.asarray(np.linalg.lstsq(design, np.array(places), rcond=None)[0][1])


def _rates(pose: Pose, tags: list[TagSeen], speeds: Array, going: Array, camera: Camera) -> Array:
    """Turn and shift a second (6,) of a pose whose centre moves by `going`, from its corners' speeds."""
    places = np.concatenate([tag.corners_px for tag in tags])
    ahead = undistort(places, camera=camera)
    later = undistort(places + 1e-3 * speeds.reshape(-1, 2), camera=camera)
    flow = (later - ahead) / 1e-3
    # Places on the panel: where the rays meet the tags' plane; a crown's sag matters by a thousandth.
    rays = np.column_stack([ahead, np.ones(len(ahead))])
    world = rays @ pose.rotation
    depth = -pose.centre_mm[2] / world[:, 2]
    x, y = ahead.T
    carried = -(pose.rotation @ going)
    by_shift = np.stack([carried[0] - x * carried[2], carried[1] - y * carried[2]], -1) / depth[:, None]
    one = np.ones_like(x)
    # d(x, y)/dt of a turning camera: [w x X] projected.
    by_turn = np.stack([np.stack([-x * y, one + x * x, -y], -1), np.stack([-(one + y * y), x * y, x], -1)], 1)
    turn = np.linalg.lstsq(by_turn.reshape(-1, 3), (flow - by_shift).ravel(), rcond=None)[0]
    return np.r_[turn, np.cross(turn, pose.shift_mm) + carried]
