"""``surfscan gloss``: how the panel will look in clear coat."""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.terminal import Parser, Progress, add_inch, length, named_path, units_of
from surfscan.core.errors import UsageError
from surfscan.core.units import parse_length

if TYPE_CHECKING:
    from surfscan.core.records import HeightMap

__all__ = ["add", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    gloss = commands.add_parser(
        "gloss",
        parents=[common],
        help="show the panel as it will look in gloss",
        description="Mirror striped light, a strip light and a grid in the measured panel as it will show in clear"
        " coat, from all round it, beside the same panel made fair. Give a result, or --spot for a made one.",
    )
    gloss.add_argument(
        "result", metavar="RESULT", type=Path, nargs="?", help="output folder of surfscan check"
    )
    gloss.add_argument("--out", metavar="DIR", type=named_path, required=True, help="folder for the pictures")
    gloss.add_argument(
        "--exaggerate", metavar="N", type=float, default=1.0, help="multiply the faults (default: 1, true)"
    )
    gloss.add_argument(
        "--views", metavar="N", type=int, default=8, help="viewpoints round the panel (default: 8)"
    )
    gloss.add_argument(
        "--distance-mm", metavar="MM", type=length, default=1500.0, help="eye to panel (default: 1500)"
    )
    gloss.add_argument(
        "--wall-mm", metavar="MM", type=length, default=1500.0, help="panel to light (default: 1500)"
    )
    gloss.add_argument(
        "--elevation-deg", metavar="DEG", type=float, default=35.0, help="eye over the panel (default: 35)"
    )
    gloss.add_argument(
        "--period-mm", metavar="MM", type=length, default=80.0, help="of stripes and grid (default: 80)"
    )
    gloss.add_argument(
        "--width-px", metavar="PX", type=int, default=480, help="of each picture (default: 480)"
    )
    gloss.add_argument(
        "--spot",
        metavar="X,Y,PEAK,WIDTH",
        action="append",
        default=[],
        help="a made fault instead of a result, mm; a low has a negative peak; may be given again",
    )
    gloss.add_argument(
        "--size-mm", metavar="WxH", default="640x440", help="of the made panel (default: 640x440)"
    )
    gloss.add_argument(
        "--crown-mm", metavar="R", type=length, help="radius of the made panel (default: flat)"
    )
    add_inch(gloss)
    gloss.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Make the pictures and say where the worst place is."""
    if (options.result is None) == (not options.spot):
        raise UsageError(
            "What is to be shown is not clear",
            allowed="RESULT, or --spot, one of them",
            cure="see surfscan gloss --help",
            found="neither" if options.result is None else "both",
        )
    if not 1 <= options.views <= 72:
        raise UsageError(
            "--views can't be used", found=str(options.views), allowed="1 to 72", cure="give another --views"
        )
    if not (5 <= options.elevation_deg <= 85 and 50 <= options.distance_mm <= 100_000):
        raise UsageError(
            "The eye can't stand there",
            found=f"{options.distance_mm:g} mm at {options.elevation_deg:g} degrees",
            allowed="50 to 100000 mm at 5 to 85 degrees",
            cure="correct --distance-mm or --elevation-deg",
        )
    from surfscan.gloss.preview import preview_gloss
    from surfscan.gloss.sheet import write_gloss
    from surfscan.gloss.viewing import walk_round
    from surfscan.results.stored import load_result

    if options.result is not None:
        result = load_result(options.result)
        height, title = result.height, str(result.panel.get("name") or "")
    else:
        height, title = _made(options), "A made panel"
    progress = Progress(quiet=options.quiet)
    progress("mirroring", 0.1)
    try:
        preview = preview_gloss(
            height,
            exaggeration=options.exaggerate,
            views=walk_round(
                views=options.views, distance_mm=options.distance_mm, elevation_deg=options.elevation_deg
            ),
            wall_mm=options.wall_mm,
            period_mm=options.period_mm,
            width_px=options.width_px,
        )
        progress("writing", 0.8)
        files = write_gloss(preview, options.out, title=title, units=units_of(options))
    finally:
        progress.close()
    if options.json:
        document = {"schema": 1, "sentence": preview.sentence, "files": [str(path) for path in files]}
        print(json.dumps(document, indent=2))
    else:
        print(preview.told.say(units_of(options)))
        print(f"Look at {files[0]}; walk round with {options.out / 'gloss-walk.gif'}.")
    return 0


def _made(options: argparse.Namespace) -> HeightMap:
    import numpy as np

    from surfscan.core.records import Grid, HeightMap
    from surfscan.synth.panels import Crown, Dish

    wide, tall = _numbers("--size-mm", options.size_mm.replace("x", ","), 2)
    if not (40 <= wide <= 5000 and 40 <= tall <= 5000):
        raise UsageError(
            "--size-mm can't be used",
            found=options.size_mm,
            allowed="40 to 5000 mm a side",
            cure="correct --size-mm",
        )
    if options.crown_mm is not None and not options.crown_mm > math.hypot(wide, tall):
        raise UsageError(
            "--crown-mm can't be used",
            found=f"{options.crown_mm:g}",
            allowed="a radius over the panel's diagonal",
            cure="give a larger radius, or leave it out for a flat panel",
        )
    step = 2.0
    x, y = (step * (np.arange(int(n // step)) - (n // step - 1) / 2) for n in (wide, tall))
    xx, yy = np.meshgrid(x, y)
    zero = np.zeros(xx.shape)
    form = zero if options.crown_mm is None else Crown(options.crown_mm).height(xx, yy)
    height = zero.copy()
    for text in options.spot:
        at_x, at_y, peak, width = _numbers("--spot", text, 4)
        if not (abs(peak) <= 50 and 4 * step <= width <= 5000):
            raise UsageError(
                "--spot can't be used",
                found=text,
                allowed="up to 50 mm high or deep, 8 to 5000 mm wide",
                cure="correct --spot",
            )
        height = height + Dish(at_x, at_y, peak, width, order=3).height(xx, yy)
    return HeightMap(Grid(x, y, step), height, form, zero, zero.astype(np.int32), "made")


def _numbers(option: str, text: str, count: int) -> list[float]:
    try:
        values = [parse_length(part) for part in text.split(",")]
    except ValueError:
        values = []
    if len(values) != count or not all(math.isfinite(v) for v in values):
        raise UsageError(
            f"{option} can't be read",
            found=text,
            allowed=f"{count} numbers with commas between",
            cure=f"correct {option}",
        )
    return values
