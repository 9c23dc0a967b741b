"""``surfscan export RESULT``: a result's height map and spots in open forms."""

from __future__ import annotations

import argparse
from pathlib import Path

from surfscan.cli.terminal import Parser, named_path, tell_files
from surfscan.core.errors import UsageError

__all__ = ["add", "run"]

_KINDS = ("x3p", "sdf", "csv", "ply", "stl", "png", "spots")


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    export = commands.add_parser(
        "export",
        parents=[common],
        help="write a result's map in open forms",
        description="Write the height map of a result (an output folder of check) for other programs: "
        "x3p (ISO 25178-72), sdf (ISO 25178-71), csv, ply and stl meshes, a 16-bit png with its scale, "
        "and the spots as JSON with their schema.",
    )
    export.add_argument("result", metavar="RESULT", type=Path, help="output folder of surfscan check")
    export.add_argument("--out", metavar="DIR", type=named_path, required=True, help="folder for the files")
    export.add_argument(
        "--as",
        dest="kinds",
        metavar="KIND",
        nargs="+",
        default=list(_KINDS),
        help=f"of {', '.join(_KINDS)} (default: all)",
    )
    export.add_argument(
        "--whole",
        action="store_true",
        help="heights above the tags' plane, crown and all, in place of the deviation from the fair form",
    )
    export.add_argument(
        "--taller",
        metavar="N",
        type=float,
        default=1.0,
        help="make the meshes' heights N times taller (default: 1)",
    )
    export.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Write the files asked for, and name them."""
    from surfscan.report.open_files import export_result
    from surfscan.results.edited import told_as_damage
    from surfscan.results.stored import load_result

    unknown = [kind for kind in options.kinds if kind not in _KINDS]
    if unknown:
        raise UsageError(
            "--as names an unknown kind", found=unknown[0], allowed=", ".join(_KINDS), cure="correct --as"
        )
    if not 0 < options.taller <= 1e6:
        raise UsageError(
            "--taller can't be used",
            found=f"{options.taller:g}",
            allowed="over 0, to 1000000",
            cure="give another --taller, or leave it out",
        )
    result = load_result(options.result)
    with told_as_damage(result.name):
        files = export_result(
            result, options.out, kinds=options.kinds, whole=options.whole, taller=options.taller
        )
    tell_files(files, as_json=options.json)
    return 0
