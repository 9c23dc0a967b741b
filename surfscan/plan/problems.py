"""Why a planned shot will not do, or will do badly, each with the nearest thing that works."""

from __future__ import annotations

import math

import numpy as np

from surfscan.core.photo_limits import THRESHOLDS
from surfscan.optics.mirror import hit_board
from surfscan.plan.records import Figures, Problem
from surfscan.plan.shot import Shot
from surfscan.plan.sight import Sight, Stage

__all__ = ["TAG_PX", "find_problems"]

TAG_PX = 40.0
"""A tag's side in the photo that is surely read: 6 pixels a cell and a little (our choice)."""


def find_problems(shot: Shot, stage: Stage, sight: Sight, f: Figures, trouble: str) -> tuple[Problem, ...]:
    found: list[Problem] = []

    def add(name: str, sentence: str, cure: str, *, stops: bool) -> None:
        found.append(Problem(name, sentence, cure, stops))

    if f.in_photo < 0.995:
        need = _step_back(shot)
        add(
            "field",
            f"Only {100 * f.in_photo:.0f} % of the panel is in the photo.",
            f"move the camera back to about {need:.0f} mm, or plan a smaller part of the panel",
            stops=f.in_photo < 0.9,
        )
    if sight.blocked.mean() > 0.02:
        add(
            "board in the way",
            "The board stands between the camera and the panel.",
            "use a greater angle, or a smaller board further away",
            stops=True,
        )
    if f.on_board < THRESHOLDS["lit_share"]:
        w, h = _board_needed(shot, stage, sight)
        add(
            "board",
            f"The board is mirrored by {100 * f.on_board:.0f} % of the panel only.",
            f"use a board of about {w:.0f} x {h:.0f} mm at this place, or move it closer"
            if w < 20000
            else "plan a smaller part of the panel: no board shows in all of it",
            stops=True,
        )
    lowest = float(stage.board.centre_mm[2]) - shot.board_mm[1] / 2 * float(stage.board.up[2])
    if lowest < -5.0:
        add(
            "board's lower edge",
            f"The board's lower edge would be {-lowest:.0f} mm behind the panel's plane.",
            "no matter if the panel hangs free; on a bench, raise the board with a smaller angle or move it away",
            stops=False,
        )
    if f.stripe_px < THRESHOLDS["stripe_px"]:
        need = math.ceil(shot.period_mm * THRESHOLDS["stripe_px"] / max(f.stripe_px, 0.1))
        add(
            "fine stripes",
            f"A stripe is {f.stripe_px:.1f} photo pixels where it is finest; {THRESHOLDS['stripe_px']:g} are wanted.",
            f"use stripes of {need:.0f} mm, or go closer",
            stops=f.stripe_px < THRESHOLDS["stripe_px_least"],
        )
    if f.stripes_across < THRESHOLDS["stripes_across_least"] + 1:
        need = shot.period_mm * f.stripes_across / (THRESHOLDS["stripes_across_least"] + 1)
        add(
            "few stripes",
            f"Only {f.stripes_across:.1f} stripes lie over the panel.",
            f"use stripes of {max(math.floor(need), 1):.0f} mm, or move the board away",
            stops=f.stripes_across < THRESHOLDS["stripes_across_least"],
        )
    if not f.contrast_worst >= THRESHOLDS["modulation"]:
        add("contrast", *_weak(shot, f), stops=f.contrast_worst < 0.3 * THRESHOLDS["modulation"])
    if f.tag_px < TAG_PX:
        add(
            "small tags",
            f"The tags are {f.tag_px:.0f} photo pixels wide.",
            f"print them {math.ceil(shot.tag_side_mm * TAG_PX / max(f.tag_px, 1)):.0f} mm wide, or go closer",
            stops=f.tag_px < 0.5 * TAG_PX,
        )
    if trouble:
        add("pose", trouble, "go closer, use larger tags, or look more from the side", stops=True)
    return tuple(found)


def _weak(shot: Shot, f: Figures) -> tuple[str, str]:
    wanted = f"{100 * THRESHOLDS['modulation']:.0f} % is wanted"
    sentence = f"The stripes' contrast falls to {100 * max(f.contrast_worst, 0):.1f} %; {wanted}."
    if f.specular < 0.5:
        lean = _smooth_angle(shot)
        more = f", or look from {lean:.0f} degrees off the normal" if lean < 88 else ""
        return sentence, "wet the surface: water fills the scratches" + more
    if f.lens_factor < 0.7 or shot.surface.texture_mrad > 0:
        return sentence, "use wider stripes, or bring the board closer"
    return sentence, "darken the room, or light the board more"


def _smooth_angle(shot: Shot) -> float:
    """Angle at which roughness leaves 10 % of the picture (Bennett and Porteus)."""
    if shot.surface.rough_um <= 0:
        return 0.0
    share = math.sqrt(math.log(10)) * 0.55 / (4 * math.pi * shot.surface.rough_um)
    return math.degrees(math.acos(min(share, 1.0)))


def _step_back(shot: Shot) -> float:
    """Camera distance at which the panel fills 92 % of the photo."""
    w, h = shot.panel_mm
    lean = math.radians(shot.angle_deg)
    sides = (w, shot.image_px[0]), (h * math.cos(lean), shot.image_px[1])
    need = max(side * shot.focal / (0.92 * pixels) for side, pixels in sides)
    # The near edge looks larger: the camera must stand off by that much more.
    return need + h / 2 * math.sin(lean)


def _board_needed(shot: Shot, stage: Stage, sight: Sight) -> tuple[float, float]:
    """Width and height of a board, about its middle, that the whole panel would mirror."""
    x, y = np.meshgrid(sight.x_mm, sight.y_mm)
    hit = hit_board(x, y, sight.z_mm, sight.p, sight.q, camera_mm=stage.pose.centre_mm, board=stage.board)
    if not np.isfinite(hit.across_mm).all():
        return math.inf, math.inf
    pad = 1.02
    return (
        max(2 * pad * float(np.abs(hit.across_mm).max()), shot.board_mm[0]),
        max(2 * pad * float(np.abs(hit.up_mm).max()), shot.board_mm[1]),
    )
