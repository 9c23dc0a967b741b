"""Where the lamp was, from its highlight on a shiny ball lying at a known place.

At the highlight the ball's normal n halves the angle between the view v and the light l, so
l = 2 (n . v) n - v. One ball gives a line that the lamp lies on; two give its place. Seen from far away, a
highlight at the share rho of the disc's radius means light from 2 asin(rho) off the view axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array, Camera, Photo, Pose

__all__ = [
    "Ball",
    "LampLine",
    "find_highlight",
    "light_direction",
    "line_to_lamp",
    "meet_lines",
]

STANDS_OUT = 3.0
"""The highlight must be this many times as bright as the ball usually is."""

RIM_SHARE = 0.97
"""Highlights farther out than this share of the radius are refused: there a pixel turns the light by many degrees."""


@dataclass(frozen=True, slots=True)
class Ball:
    """A shiny ball: its middle in the panel frame, and its radius, mm. Lying on the panel, z is the radius."""

    centre_mm: Array
    radius_mm: float


@dataclass(frozen=True, slots=True)
class LampLine:
    """A half-line that the lamp lies on.

    Attributes
    ----------
    start_mm : ndarray (3,)
        The highlight on the ball.
    direction : ndarray (3,)
        Unit vector towards the lamp.
    u_rad : float
        Standard uncertainty of the direction.
    """

    start_mm: Array
    direction: Array
    u_rad: float


def light_direction(normal: Array, view: Array) -> Array:
    """Direction to the light, l = 2 (n . v) n - v, from unit vectors (..., 3)."""
    n, v = np.asarray(normal, float), np.asarray(view, float)
    return np.asarray(2 * np.sum(n * v, -1, keepdims=True) * n - v)


def find_highlight(photo: Photo, *, ball: Ball, camera: Camera, pose: Pose) -> Array:
    """Find the highlight on a ball in a photo.

    Parameters
    ----------
    photo : Photo
    ball : Ball
    camera, pose : Camera, Pose

    Returns
    -------
    ndarray (2,)
        Column and row of the highlight's middle, to a part of a pixel.

    Raises
    ------
    RefusedError
        The ball is not in the photo, or shows no single highlight.
    """
    at, radius = _disc(ball, camera, pose)
    height, width = photo.image.shape
    left, top = np.floor(at - radius).astype(int)
    right, bottom = np.ceil(at + radius).astype(int) + 1
    if left < 0 or top < 0 or right > width or bottom > height:
        raise RefusedError(
            f"{photo.file}: the ball is not wholly in the photo",
            found=f"its middle at column {at[0]:.0f}, row {at[1]:.0f}",
            cure="move the ball, or check its place in the sheet",
            allowed="all of the ball, and some ground round it",
        )
    crop = photo.image[top:bottom, left:right].astype(float)
    column, row = np.meshgrid(np.arange(left, right), np.arange(top, bottom))
    inside = np.hypot(column - at[0], row - at[1]) < RIM_SHARE * radius
    if inside.sum() < 50:
        raise RefusedError(
            f"{photo.file}: the ball is too small in the photo",
            found=f"{2 * radius:.0f} px across",
            allowed="at least 10 px, better 50",
            cure="use a larger ball or go closer",
        )
    usual, top_light = float(np.median(crop[inside])), float(crop[inside].max())
    if top_light < STANDS_OUT * usual + 0.02:
        raise RefusedError(
            f"{photo.file}: no highlight on the ball",
            found=f"brightest {top_light:.2f}, usual {usual:.2f} of white",
            allowed=f"a highlight {STANDS_OUT:g} times as bright as the rest",
            cure="use a polished ball, and expose so that it looks dark but for the lamp",
        )
    level = 0.5 * (usual + top_light)
    bright = inside & (crop > level)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(bright.astype(np.uint8), connectivity=8)
    order = np.argsort(-stats[1:, cv2.CC_STAT_AREA]) + 1
    if count > 2 and stats[order[1], cv2.CC_STAT_AREA] > 0.5 * stats[order[0], cv2.CC_STAT_AREA]:
        raise RefusedError(
            f"{photo.file}: more than one highlight on the ball",
            found=f"{count - 1} bright places",
            allowed="the lamp's alone",
            cure="switch other lights off",
        )
    # The whole spot with its blurred rim counts, so that the middle does not jump with the threshold.
    near = cv2.dilate((labels == order[0]).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    weight = np.where(near & inside, np.maximum(crop - usual, 0), 0.0)
    return np.array([np.sum(weight * column), np.sum(weight * row)]) / weight.sum()


def _disc(ball: Ball, camera: Camera, pose: Pose) -> tuple[Array, float]:
    """The ball's middle and about its radius in the photo, pixels."""
    from_camera = pose.rotation @ ball.centre_mm + pose.shift_mm
    if from_camera[2] <= ball.radius_mm:
        raise RefusedError(
            "the ball lies behind the camera",
            cure="check the ball's place in the sheet",
            found="a place that the camera does not see",
            allowed="a ball in front of the camera",
        )
    pixel = cv2.projectPoints(
        ball.centre_mm.reshape(1, 3), cv2.Rodrigues(pose.rotation)[0], pose.shift_mm, camera.matrix,
        np.array(camera.distortion),
    )[0]  # fmt: skip
    far = float(np.linalg.norm(from_camera))
    return pixel.ravel(), camera.focal_px * ball.radius_mm / np.sqrt(far**2 - ball.radius_mm**2)


def line_to_lamp(
    highlight_px: Array, *, ball: Ball, camera: Camera, pose: Pose, u_px: float = 0.3
) -> LampLine:
    """Trace the view ray to the ball and on to the lamp.

    Parameters
    ----------
    highlight_px : ndarray (2,)
        Column and row.
    ball : Ball
    camera, pose : Camera, Pose
    u_px : float
        Standard uncertainty of the highlight's middle.

    Returns
    -------
    LampLine

    Raises
    ------
    RefusedError
        When the pixel does not show the ball.
    """
    start, direction = _trace(np.asarray(highlight_px, float), ball, camera, pose)
    if start is None or direction is None:
        raise RefusedError(
            "the highlight lies beside the ball",
            cure="check the ball's place and radius in the sheet",
            found="no mirror point on it",
            allowed="a highlight on the ball",
        )
    turns = []
    for step in ((u_px, 0.0), (0.0, u_px)):
        _, other = _trace(np.asarray(highlight_px, float) + step, ball, camera, pose)
        if other is None:  # at the very rim: look from the other side
            _, other = _trace(np.asarray(highlight_px, float) - step, ball, camera, pose)
        turns.append(np.pi if other is None else float(np.arccos(np.clip(direction @ other, -1, 1))))
    return LampLine(start, direction, float(np.hypot(turns[0], turns[1])))


def _trace(pixel: Array, ball: Ball, camera: Camera, pose: Pose) -> tuple[Array | None, Array | None]:
    ideal = cv2.undistortPoints(pixel.reshape(1, 1, 2), camera.matrix, np.array(camera.distortion)).ravel()
    ray = pose.rotation.T @ np.array([ideal[0], ideal[1], 1.0])
    ray /= np.linalg.norm(ray)
    away = pose.centre_mm - ball.centre_mm
    along = float(ray @ away)
    reach = along**2 - float(away @ away) + ball.radius_mm**2
    if reach < 0:
        return None, None
    start = pose.centre_mm + (-along - np.sqrt(reach)) * ray
    normal = (start - ball.centre_mm) / ball.radius_mm
    return start, light_direction(normal, -ray)


def meet_lines(lines: list[LampLine]) -> tuple[Array, Array]:
    """Find the lamp where the lines of two or more balls meet.

    Parameters
    ----------
    lines : list of LampLine

    Returns
    -------
    place_mm : ndarray (3,)
        The point of least weighted squared distance to all lines.
    covariance_mm2 : ndarray (3, 3)
        From the directions' uncertainties.

    Raises
    ------
    RefusedError
        With fewer than two lines, lines that are nearly parallel, or lines that miss each other.
    """
    if len(lines) < 2:
        raise RefusedError(
            "one ball gives the lamp's direction, not its place",
            found=f"{len(lines)} ball",
            allowed="two balls, far apart",
            cure="lay a second ball on the panel, or measure lamp_mm",
        )
    place: Array = np.zeros(3)
    normal: Array = np.eye(3)
    weight: Array = np.ones(len(lines))
    for _ in range(3):  # the weights hang on the distance, which the first round does not know
        normal, right = np.zeros((3, 3)), np.zeros(3)
        for w, line in zip(weight, lines, strict=True):
            across = np.eye(3) - np.outer(line.direction, line.direction)
            normal += w * across
            right += w * across @ line.start_mm
        if np.linalg.eigvalsh(normal)[0] < 1e-4 * np.trace(normal):
            raise RefusedError(
                "the lines from the balls to the lamp are nearly parallel",
                cure="lay the balls farther apart, at opposite ends of the panel",
                found="lines that meet nowhere",
                allowed="balls from which the lamp lies in different directions",
            )
        place = np.linalg.solve(normal, right)
        weight = np.array([1 / (np.linalg.norm(place - b.start_mm) * max(b.u_rad, 1e-9)) ** 2 for b in lines])
    behind = [line for line in lines if (place - line.start_mm) @ line.direction <= 0]
    miss = max(_distance(place, line) / (np.linalg.norm(place - line.start_mm) + 1e-9) for line in lines)
    if behind or miss > MISS_RAD:
        raise RefusedError(
            "the balls' highlights do not point to one lamp",
            found=f"lines {np.rad2deg(miss):.1f} degrees beside it",
            allowed=f"{np.rad2deg(MISS_RAD):.1f} degrees",
            cure="check the balls' places and radii in the sheet",
        )
    return place, np.linalg.inv(normal)


MISS_RAD = 0.05
"""How far a line may pass beside the lamp, seen from its ball: a ball laid 2 mm off its place turns it by this."""


def _distance(place: Array, line: LampLine) -> float:
    off = place - line.start_mm
    return float(np.linalg.norm(off - (off @ line.direction) * line.direction))
