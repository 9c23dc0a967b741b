"""The plan's contrast against an independent, physically based renderer (mitsuba): gloss, wet and satin surfaces."""

from __future__ import annotations

from typing import Any

import mitsuba
import numpy as np
import pytest

from surfscan.plan.contrast import board_light_share, work_out_contrast
from surfscan.plan.shot import Finish, RoomLight, Shot
from surfscan.plan.sight import build_stage, see
from surfscan.synth.panels import Panel
from surfscan.synth.rays import mirror_hits

ROOM, DARK = 0.12, 0.05
SIDE = 100  # pixels of the patch that is rendered


def patch(shot: Shot, varies: str, spp: int) -> np.ndarray:
    """The panel's middle in linear light: board as area light, room as an even surround."""
    mi: Any = mitsuba
    mi.set_variant("scalar_rgb")
    stage, surface = build_stage(shot), shot.surface
    board, eye = stage.board, stage.pose.centre_mm
    coat: dict[str, Any] = {
        "type": "plastic", "int_ior": surface.index, "ext_ior": 1.0, "nonlinear": True,
        "diffuse_reflectance": surface.albedo,
    }  # fmt: skip
    if surface.texture_mrad:
        # Beckmann's alpha is sqrt(2) times the standard deviation of the slopes along one direction.
        coat |= {
            "type": "roughplastic",
            "distribution": "beckmann",
            "alpha": 1.4142e-3 * surface.texture_mrad,
        }
    side = board.size_mm[0] if varies == "across" else board.size_mm[1]
    s = (np.arange(int(side) * 4) + 0.5) / 4
    line = np.where(np.cos(2 * np.pi * s / shot.period_mm) > 0, 1.0, DARK)
    tile = np.tile(line, (2, 1)) if varies == "across" else np.tile(line[:, None], (1, 2))
    place = np.eye(4)
    place[:3, 0], place[:3, 1] = board.across * board.size_mm[0] / 2, board.up * board.size_mm[1] / 2
    place[:3, 2], place[:3, 3] = board.normal, board.centre_mm
    w, h = shot.panel_mm
    scene = mi.load_dict(
        {
            "type": "scene",
            "room": {"type": "constant", "radiance": ROOM},
            "panel": {
                "type": "rectangle",
                "to_world": mi.ScalarTransform4f().scale([w / 2, h / 2, 1.0]),
                "bsdf": coat,
            },
            "board": {
                "type": "rectangle",
                "to_world": mi.ScalarTransform4f(place),
                "bsdf": {"type": "diffuse", "reflectance": 0.0},
                "light": {
                    "type": "area",
                    "radiance": {
                        "type": "bitmap",
                        "bitmap": mi.Bitmap(tile[..., None].astype(np.float32)),
                        "raw": True,
                        "filter_type": "nearest",
                    },
                },
            },
            "sensor": {
                "type": "perspective",
                "fov": float(np.rad2deg(2 * np.arctan(SIDE / 2 / shot.focal))),
                "fov_axis": "x",
                "to_world": mi.ScalarTransform4f().look_at(
                    origin=eye.tolist(), target=[0.0, 0.0, 0.0], up=[0.0, 1.0, 0.0]
                ),
                "film": {
                    "type": "hdrfilm",
                    "width": SIDE,
                    "height": SIDE,
                    "rfilter": {"type": "box"},
                    "pixel_format": "luminance",
                },
                "sampler": {"type": "stratified", "sample_count": spp},
            },
        }
    )
    return np.array(mi.render(scene, integrator=mi.load_dict({"type": "path", "max_depth": 2}), seed=3))[
        ..., 0
    ]


@pytest.mark.parametrize("varies", ["across", "up"])
@pytest.mark.parametrize(
    "surface",
    [
        Finish("gloss", index=1.5, albedo=0.2),
        Finish("wet", index=1.33, albedo=0.4),
        Finish("satin", index=1.5, albedo=0.2, texture_mrad=5.0),
    ],
    ids=lambda s: s.name,
)
def test_contrast_is_within_15_per_cent_of_the_independent_renderer_s(surface: Finish, varies: str) -> None:
    shot = Shot(
        panel_mm=(400, 300), focal_px=700.0, image_px=(SIDE, SIDE), f_number=64.0, board_mm=(1500, 1300), period_mm=60,
        board_distance_mm=900, camera_distance_mm=1000, angle_deg=35, surface=surface,
        light=RoomLight(dark=DARK, room=ROOM),
    )  # fmt: skip
    stage = build_stage(shot)
    # The board stands before a part of the room: what the room gives is that much less.
    shaded = ROOM * (1 - board_light_share(stage.board, np.zeros(3)))
    shot = shot.with_changes(light=RoomLight(dark=DARK, room=shaded))
    seen = patch(shot, varies, 64)
    columns, rows = np.meshgrid(np.arange(SIDE), np.arange(SIDE))
    hits = mirror_hits(Panel(shot.panel_mm), stage.camera, stage.pose, stage.board, columns, rows)
    place = hits.a_mm if varies == "across" else hits.b_mm
    turn = 2 * np.pi * place.ravel() / shot.period_mm
    # Mean and fundamental by least squares; room for the brightness to slope.
    design = np.stack(
        [
            np.ones(turn.size),
            np.cos(turn),
            np.sin(turn),
            columns.ravel() / SIDE - 0.5,
            rows.ravel() / SIDE - 0.5,
        ],
        -1,
    )
    found = np.linalg.lstsq(design, seen.ravel(), rcond=None)[0]
    measured = float(np.hypot(found[1], found[2]) / found[0])
    sight = see(shot, stage)
    plan = work_out_contrast(shot, stage, sight).contrast[0 if varies == "across" else 1]
    row, column = np.array(plan.shape) // 2
    print(surface.name, varies, round(measured, 4), round(float(plan[row, column]), 4))
    assert float(plan[row, column]) == pytest.approx(measured, rel=0.15)
