"""``surfscan plan``: what a shot will see, before it is taken."""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.terminal import Parser, add_inch, length, named_path, units_of
from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.plan.shot import Shot

__all__ = ["add", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    p = commands.add_parser(
        "plan",
        parents=[common],
        help="say what a shot will see before it is taken",
        description="From panel, camera, board, distances and surface: what is in the photo, the contrast, the "
        "smallest low visible and the deepest before the reflection folds. With --see: where board and camera must go. "
        "With --sweep: from where several photos show a panel that is too large for the board.",
    )
    _add_panel(p)
    _add_camera(p)
    _add_board(p)
    p.add_argument(
        "--see",
        metavar=("DEPTH", "WIDTH"),
        default=None,
        help="find where a low of that size is seen",
        nargs=2,
        type=length,
    )
    p.add_argument(
        "--sweep",
        action="store_true",
        help="where to take several photos from, for a board too small to show in all of the panel",
    )
    p.add_argument(
        "--out", metavar="DIR", type=named_path, default=None, help="write plan.json and the pictures there"
    )
    add_inch(p)
    p.set_defaults(run=run)


def _add_panel(p: argparse.ArgumentParser) -> None:
    p.add_argument("--panel", metavar=("W", "H"), required=True, help="panel, mm", nargs=2, type=length)
    p.add_argument(
        "--crown", metavar="MM", type=length, default=math.inf, help="radius of its crown (default: flat)"
    )
    p.add_argument(
        "--crown-y", metavar="MM", type=length, default=None, help="radius along its height, if another"
    )
    p.add_argument("--surface", metavar="NAME", default="gloss", help="gloss, wet-primer, satin, dry-primer")
    p.add_argument("--roughness", metavar="UM", type=float, default=None, help="rms roughness, um")
    p.add_argument(
        "--albedo", metavar="SHARE", type=float, default=None, help="diffuse reflectance of the base, 0 to 1"
    )
    p.add_argument(
        "--room",
        metavar="SHARE",
        type=float,
        default=0.12,
        help="white paper by room light, bright stripes 1",
    )
    p.add_argument("--tag", metavar="MM", type=length, default=36.0, help="side of the tags (default: 36)")


def _add_camera(p: argparse.ArgumentParser) -> None:
    p.add_argument(
        "--focal-35mm", metavar="MM", type=float, default=None, help="35 mm equivalent focal length"
    )
    p.add_argument("--focal-px", metavar="PX", type=float, default=None, help="or focal length in pixels")
    p.add_argument(
        "--pixels", metavar=("W", "H"), type=int, nargs=2, default=[4000, 3000], help="photo (4000 3000)"
    )
    p.add_argument("--f-number", metavar="N", type=float, default=1.8, help="of the lens (default: 1.8)")
    p.add_argument(
        "--focal-mm", metavar="MM", type=float, default=5.6, help="real focal length (default: 5.6)"
    )


def _add_board(p: argparse.ArgumentParser) -> None:
    p.add_argument(
        "--board",
        metavar=("W", "H"),
        default=[1500.0, 1300.0],
        help="board, mm (1500 1300)",
        nargs=2,
        type=length,
    )
    p.add_argument("--period", metavar="MM", type=length, default=30.0, help="of the stripes (default: 30)")
    p.add_argument(
        "--board-distance", metavar="MM", type=length, default=1000.0, help="panel to board (default: 1000)"
    )
    p.add_argument(
        "--camera-distance", metavar="MM", type=length, default=1000.0, help="panel to camera (default: 1000)"
    )
    p.add_argument(
        "--angle", metavar="DEG", type=float, default=35.0, help="off the panel's normal (default: 35)"
    )


def run(options: argparse.Namespace) -> int:
    """Print the plan; status 0 when the shot works, 4 when it would measure nothing."""
    from surfscan.plan.backward import place_shot
    from surfscan.plan.forward import plan_shot
    from surfscan.plan.shot import RoomLight, Shot, finish_named
    from surfscan.plan.words import plan_document, plan_text

    shot = Shot(
        panel_mm=tuple(options.panel),
        crown_mm=options.crown,
        crown_y_mm=options.crown_y,
        focal_px=options.focal_px,
        focal_35mm=options.focal_35mm,
        image_px=tuple(options.pixels),
        f_number=options.f_number,
        focal_mm=options.focal_mm,
        board_mm=tuple(options.board),
        period_mm=options.period,
        board_distance_mm=options.board_distance,
        camera_distance_mm=options.camera_distance,
        angle_deg=options.angle,
        surface=finish_named(options.surface, rough_um=options.roughness, albedo=options.albedo),
        light=RoomLight(room=options.room),
        tag_side_mm=options.tag,
    )
    if options.sweep:
        return _sweep(shot, options)
    placement = None
    if options.see is not None:
        placement = place_shot(shot, depth_mm=options.see[0], width_mm=options.see[1])
        plan = placement.plan
    else:
        plan = plan_shot(shot)
    document = plan_document(plan, placement)
    files: list[Path] = []
    if options.out is not None:
        from surfscan.plan.pictures import draw_plan
        from surfscan.plan.printing import write_files

        written = (json.dumps(document, indent=1) + "\n").encode()
        files = write_files(
            options.out, [("plan.json", written), *draw_plan(plan, units=units_of(options)).items()]
        )
    if options.json:
        print(json.dumps(document, indent=2))
    else:
        print(plan_text(plan, placement, units_of(options)), end="")
        for path in files:
            print(path)
    works = plan.works if placement is None else placement.reached
    return 0 if works else 4


def _sweep(shot: Shot, options: argparse.Namespace) -> int:
    """Print a sweep's places; status 0 when they show enough of the panel, else 4."""
    from surfscan.plan.printing import write_files
    from surfscan.plan.sweep import plan_sweep, sweep_document, sweep_text
    from surfscan.plan.sweep_picture import draw_sweep
    from surfscan.plan.words import shot_row

    if options.see is not None:
        raise UsageError(
            "--sweep and --see are two questions",
            found="both",
            allowed="one of them",
            cure="ask first where board and camera must go, then for the sweep from there",
        )
    plan = plan_sweep(shot)
    document = {"schema": 1, "shot": shot_row(shot), "sweep": sweep_document(plan)}
    files: list[Path] = []
    if options.out is not None:
        written = (json.dumps(document, indent=1) + "\n").encode()
        pictures = draw_sweep(plan, units=units_of(options)) if plan.photos else {}
        files = write_files(options.out, [("sweep.json", written), *pictures.items()])
    if options.json:
        print(json.dumps(document, indent=2))
    else:
        print("\n".join(sweep_text(plan, units_of(options))))
        for path in files:
            print(path)
    return 0 if plan.works else 4
