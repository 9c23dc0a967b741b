"""What the camera of a planned shot sees of the panel, and of the board in it: by ray tracing, cell by cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surfscan.core.records import Array, Board, Camera, Pose
from surfscan.optics.mirror import hit_board
from surfscan.optics.standing import between
from surfscan.plan.shot import Shot
from surfscan.synth.panels import Crown, Flat, Shape
from surfscan.synth.rays import mirror_hits, project
from surfscan.synth.scene import Panel, Tags, board_facing, corner_tags, look_at

__all__ = ["Sight", "Stage", "build_stage", "fold_bend", "see"]


@dataclass(frozen=True, slots=True)
class Stage:
    """Where everything stands, in the panel frame."""

    form: Shape
    camera: Camera
    pose: Pose
    board: Board
    tags: Tags


@dataclass(frozen=True, slots=True)
class Sight:
    """What is seen, on a grid of places over the panel; each (H, W) unless said otherwise.

    Attributes
    ----------
    x_mm : ndarray (W,)
    y_mm : ndarray (H,)
    z_mm, p, q : height and slopes of the panel's form.
    in_photo, on_board : bool
        Whether the place is in the photo, and whether it mirrors the board.
    blocked : bool
        Whether the board stands between the place and the camera.
    cos_in : cosine of the angle of incidence.
    camera_mm, board_mm : distances to the camera, and along the mirrored ray to the board.
    stripe_px : ndarray (2, H, W)
        Photo pixels in a stripe period, for stripes across and up.
    stripe_mm : ndarray (2, H, W)
        The same on the panel, mm.
    gain_mm : ndarray (2, H, W)
        How far the mirrored point moves along that board axis per unit slope, mm.
    pixels_per_mm2 : photo pixels on a square millimetre of panel.
    """

    x_mm: Array
    y_mm: Array
    z_mm: Array
    p: Array
    q: Array
    in_photo: Array
    on_board: Array
    blocked: Array
    cos_in: Array
    camera_mm: Array
    board_mm: Array
    stripe_px: Array
    stripe_mm: Array
    gain_mm: Array
    pixels_per_mm2: Array

    @property
    def useful(self) -> Array:
        """Places seen in the photo, and by mirror on the board."""
        return np.asarray(self.in_photo & self.on_board & ~self.blocked)


def build_stage(shot: Shot) -> Stage:
    """Place panel, camera, board and tags."""
    inset = min(0.75 * shot.tag_side_mm, 0.24 * min(shot.panel_mm))
    tags = corner_tags(shot.panel_mm, side_mm=shot.tag_side_mm, inset_mm=inset)
    form: Shape = Flat()
    second = shot.crown_mm if shot.crown_y_mm is None else shot.crown_y_mm
    if np.isfinite(shot.crown_mm) or np.isfinite(second):
        same = second == shot.crown_mm
        form = Crown(shot.crown_mm, None if same else second, zero_at_mm=tags.centres_mm[2])
    middle = (0.0, 0.0, float(form.height(0.0, 0.0)))
    lean = np.radians(shot.angle_deg)
    steep = 90.0 - shot.angle_deg
    board = board_facing(
        shot.board_distance_mm, steep, size_mm=shot.board_mm, period_mm=shot.period_mm, target_mm=middle
    )
    centre = np.array(middle) + shot.camera_distance_mm * np.array([0.0, -np.sin(lean), np.cos(lean)])
    pose = look_at(centre, middle)
    camera = Camera(shot.focal, ((shot.image_px[0] - 1) / 2, (shot.image_px[1] - 1) / 2))
    return Stage(form, camera, pose, board, tags)


def see(shot: Shot, stage: Stage, *, cells: int = 700, to_rim: bool = False) -> Sight:
    """Trace the shot on a grid of about `cells` places over the panel.

    Places are the middles of equal parts, or, with `to_rim`, reach from rim to rim.
    """
    step = float(np.sqrt(shot.panel_mm[0] * shot.panel_mm[1] / cells))
    counts = [max(3, round(side / step)) for side in shot.panel_mm]
    if to_rim:
        x, y = (np.linspace(-side / 2, side / 2, n) for side, n in zip(shot.panel_mm, counts, strict=True))
    else:
        x, y = (
            (np.arange(n) + 0.5) / n * side - side / 2 for side, n in zip(shot.panel_mm, counts, strict=True)
        )
    xx, yy = np.meshgrid(x, y)
    z, p, q = stage.form.surface(xx, yy)
    points = np.stack([xx, yy, z], -1)
    places = project(points.reshape(-1, 3), stage.camera, stage.pose).reshape(*xx.shape, 2)
    column, row = places[..., 0], places[..., 1]
    panel = Panel(shot.panel_mm, stage.form)
    centre = stage.pose.centre_mm
    aim = (stage.camera, stage.pose, stage.board)
    here = mirror_hits(panel, *aim, column, row)
    right = mirror_hits(panel, *aim, column + 1.0, row)
    below = mirror_hits(panel, *aim, column, row + 1.0)
    faces = (centre[2] - z - p * (centre[0] - xx) - q * (centre[1] - yy)) > 0
    ahead = (points @ stage.pose.rotation.T + stage.pose.shift_mm)[..., 2] > 0
    inside = (column >= 0) & (column <= shot.image_px[0] - 1) & (row >= 0) & (row <= shot.image_px[1] - 1)
    half_a, half_b = shot.board_mm[0] / 2, shot.board_mm[1] / 2
    with np.errstate(invalid="ignore", divide="ignore"):
        on_board = (np.abs(here.a_mm) <= half_a) & (np.abs(here.b_mm) <= half_b)
        across = np.hypot(right.a_mm - here.a_mm, below.a_mm - here.a_mm)
        up = np.hypot(right.b_mm - here.b_mm, below.b_mm - here.b_mm)
        area = np.abs(
            (right.x_mm - here.x_mm) * (below.y_mm - here.y_mm)
            - (right.y_mm - here.y_mm) * (below.x_mm - here.x_mm)
        )
        stripe_px = shot.period_mm / np.stack([across, up])
    hit = hit_board(xx, yy, z, p, q, camera_mm=centre, board=stage.board)
    gain = np.stack([np.hypot(*hit.d_across), np.hypot(*hit.d_up)])
    moved = _by_place(shot, stage, xx, yy)
    with np.errstate(divide="ignore", invalid="ignore"):
        stripe_mm = shot.period_mm / np.stack([np.hypot(moved[0], moved[1]), np.hypot(moved[2], moved[3])])
        per_mm2 = 1 / area
    return Sight(
        x_mm=x,
        y_mm=y,
        z_mm=z,
        p=p,
        q=q,
        in_photo=inside & faces & ahead,
        on_board=on_board & faces,
        blocked=between(points, centre, stage.board),
        cos_in=here.cos_in,
        camera_mm=np.linalg.norm(points - centre, axis=-1),
        board_mm=here.range_mm,
        stripe_px=stripe_px,
        stripe_mm=stripe_mm,
        gain_mm=gain,
        pixels_per_mm2=per_mm2,
    )


def _by_place(
    shot: Shot, stage: Stage, x: Array, y: Array, step: float = 0.5
) -> tuple[Array, Array, Array, Array]:
    """Board place by panel place over the form: d across/dx, d across/dy, d up/dx, d up/dy."""
    rows = []
    for dx, dy in ((step, 0.0), (0.0, step)):
        ends = []
        for sign in (-1, 1):
            u, v = x + sign * dx, y + sign * dy
            z, p, q = stage.form.surface(u, v)
            ends.append(hit_board(u, v, z, p, q, camera_mm=stage.pose.centre_mm, board=stage.board))
        rows.append(
            [
                (ends[1].across_mm - ends[0].across_mm) / (2 * step),
                (ends[1].up_mm - ends[0].up_mm) / (2 * step),
            ]
        )
    return rows[0][0], rows[1][0], rows[0][1], rows[1][1]


def fold_bend(shot: Shot, stage: Stage, x_mm: Array, y_mm: Array) -> Array:
    """Hollow curvature (1/mm, the same both ways) that folds the reflection over at places of the panel.

    With G the board place by the panel place over the fair form and D the board place by the slopes, a round
    hollow of curvature k makes it G + k D: it folds over where the determinant reaches 0 first. On a flat
    panel seen straight on that is (1/2)(1/camera distance + 1/board distance); the crown comes on top.

    Parameters
    ----------
    x_mm, y_mm : ndarray
        Places, broadcastable.

    Returns
    -------
    ndarray
        The least positive k; NaN where there is none.
    """
    x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
    ax, ay, bx, by = _by_place(shot, stage, x, y)
    z, p, q = stage.form.surface(x, y)
    hit = hit_board(x, y, z, p, q, camera_mm=stage.pose.centre_mm, board=stage.board)
    (ap, aq), (bp, bq) = hit.d_across, hit.d_up
    square = ap * bq - aq * bp
    linear = ax * bq + ap * by - ay * bp - aq * bx
    free = ax * by - ay * bx
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(linear**2 - 4 * square * free)
        both = np.stack([(-linear - root) / (2 * square), (-linear + root) / (2 * square)])
        both = np.where(both > 0, both, np.inf)
    least = both.min(0)
    return np.where(np.isfinite(least), least, np.nan)
