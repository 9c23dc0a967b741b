"""Why a planned shot will not do, or will do badly, each with the nearest thing that works."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from surfscan.core.message import Phrase
from surfscan.core.photo_limits import THRESHOLDS
from surfscan.optics.mirror import hit_board
from surfscan.plan.records import Figures, Problem
from surfscan.plan.shot import Shot
from surfscan.plan.sight import Sight, Stage

__all__ = ["TAG_PX", "find_problems"]

TAG_PX = 40.0
"""A tag's side in the photo that is surely read: 6 pixels a cell and a little (our choice)."""


def find_problems(shot: Shot, stage: Stage, sight: Sight, f: Figures, trouble: str) -> tuple[Problem, ...]:
    """Everything wrong with a shot; `trouble` is why the tags would not give the camera's place, if so."""
    pose = Problem(
        "pose",
        Phrase("{why}", {"why": trouble}),
        Phrase("go closer, use larger tags, or look more from the side"),
        True,
    )
    return (
        *_of_the_field(shot, f),
        *_of_the_board(shot, stage, sight, f),
        *_of_the_stripes(shot, f),
        *_of_the_tags(shot, f),
        *([pose] if trouble else []),
    )


def _of_the_field(shot: Shot, f: Figures) -> Iterator[Problem]:
    if f.in_photo < 0.995:
        yield Problem(
            "field",
            Phrase.of("Only {share:whole_percent} of the panel is in the photo.", share=f.in_photo),
            Phrase.of(
                "move the camera back to about {need_mm:length}, or plan a smaller part of the panel",
                need_mm=_step_back(shot),
            ),
            f.in_photo < 0.9,
        )


def _of_the_board(shot: Shot, stage: Stage, sight: Sight, f: Figures) -> Iterator[Problem]:
    if sight.blocked.mean() > 0.02:
        yield Problem(
            "board in the way",
            Phrase("The board stands between the camera and the panel."),
            Phrase("use a greater angle, or a smaller board further away"),
            True,
        )
    if f.on_board < THRESHOLDS["lit_share"]:
        w, h = _board_needed(shot, stage, sight)
        larger = "use a board of about {w_mm:length_bare} x {h_mm:length} at this place, or move it closer"
        yield Problem(
            "board",
            Phrase.of("The board is mirrored by {share:whole_percent} of the panel only.", share=f.on_board),
            Phrase.of(larger, w_mm=w, h_mm=h)
            if w < 20000
            else Phrase("plan a smaller part of the panel: no board shows in all of it"),
            True,
        )
    lowest = float(stage.board.centre_mm[2]) - shot.board_mm[1] / 2 * float(stage.board.up[2])
    if lowest < -5.0:
        yield Problem(
            "board's lower edge",
            Phrase.of(
                "The board's lower edge would be {behind_mm:length} behind the panel's plane.",
                behind_mm=-lowest,
            ),
            Phrase(
                "no matter if the panel hangs free; on a bench, raise the board with a smaller angle or move it away"
            ),
            False,
        )


def _of_the_stripes(shot: Shot, f: Figures) -> Iterator[Problem]:
    if f.stripe_px < THRESHOLDS["stripe_px"]:
        need = math.ceil(shot.period_mm * THRESHOLDS["stripe_px"] / max(f.stripe_px, 0.1))
        yield Problem(
            "fine stripes",
            Phrase.of(
                "A stripe is {px:.1f} photo pixels where it is finest; {wanted:g} are wanted.",
                px=f.stripe_px,
                wanted=THRESHOLDS["stripe_px"],
            ),
            Phrase.of("use stripes of {need_mm:given}, or go closer", need_mm=need),
            f.stripe_px < THRESHOLDS["stripe_px_least"],
        )
    if f.stripes_across < THRESHOLDS["stripes_across_least"] + 1:
        need = math.floor(shot.period_mm * f.stripes_across / (THRESHOLDS["stripes_across_least"] + 1))
        yield Problem(
            "few stripes",
            Phrase.of("Only {count:.1f} stripes lie over the panel.", count=f.stripes_across),
            Phrase.of("use stripes of {need_mm:given}, or move the board away", need_mm=max(need, 1)),
            f.stripes_across < THRESHOLDS["stripes_across_least"],
        )
    if not f.contrast_worst >= THRESHOLDS["modulation"]:
        yield Problem(
            "contrast",
            Phrase.of(
                "The stripes' contrast falls to {worst:.1f} %; {wanted:whole_percent} is wanted.",
                worst=100 * max(f.contrast_worst, 0.0),
                wanted=THRESHOLDS["modulation"],
            ),
            _more_contrast(shot, f),
            f.contrast_worst < 0.3 * THRESHOLDS["modulation"],
        )


def _of_the_tags(shot: Shot, f: Figures) -> Iterator[Problem]:
    if f.tag_px < TAG_PX:
        need = math.ceil(shot.tag_side_mm * TAG_PX / max(f.tag_px, 1))
        yield Problem(
            "small tags",
            Phrase.of("The tags are {px:.0f} photo pixels wide.", px=f.tag_px),
            Phrase.of("print them {need_mm:length} wide, or go closer", need_mm=need),
            f.tag_px < 0.5 * TAG_PX,
        )


def _more_contrast(shot: Shot, f: Figures) -> Phrase:
    if f.specular < 0.5:
        lean = _smooth_angle(shot)
        more = f", or look from {lean:.0f} degrees off the normal" if lean < 88 else ""
        return Phrase("wet the surface: water fills the scratches" + more)
    if f.lens_factor < 0.7 or shot.surface.texture_mrad > 0:
        return Phrase("use wider stripes, or bring the board closer")
    return Phrase("darken the room, or light the board more")


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
