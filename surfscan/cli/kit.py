"""``surfscan kit list|ruler|add``: the printed kits that this computer knows."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from surfscan.cli.terminal import Parser, length

__all__ = ["add", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    kit = commands.add_parser(
        "kit",
        parents=[common],
        help="the printed kits that this computer knows: list, ruler, add",
        description="A kit is printed by surfscan print kit; the numbers of its tags say which one a photo shows.",
    )
    inner = kit.add_subparsers(dest="what", metavar="WHAT", parser_class=Parser, required=True)
    inner.add_parser("list", parents=[common], help="all kits, and whether their print has been measured")
    ruler = inner.add_parser(
        "ruler", parents=[common], help="type what a kit's check ruler measures on the print"
    )
    ruler.add_argument("number", metavar="KIT", type=int, help="the kit's number, as its pages say")
    ruler.add_argument(
        "measured", metavar="MM", type=length, help="the ruler of 200 mm, from first to last mark"
    )
    more = inner.add_parser("add", parents=[common], help="add the file of a kit that was printed elsewhere")
    more.add_argument("file", metavar="FILE", type=Path, help="kit-N.toml")
    kit.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """List kits, put a print's scale right, or add a kit."""
    from surfscan.places.kit import kits, measure_kit, read_kit, save_kit

    if options.what == "ruler":
        kit = measure_kit(options.number, options.measured)
        print(
            f"Kit {kit.number}: the print is {100 * kit.scale:.2f} % of the drawing; all its lengths follow."
        )
        return 0
    if options.what == "add":
        kit = read_kit(options.file)
        save_kit(kit)
        print(f"Kit {kit.number} is known to this computer now.")
        return 0
    known = kits()
    if options.json:
        print(json.dumps({"schema": 1, "kits": [kit.model_dump() for kit in known]}, indent=2))
        return 0
    for kit in known:
        ruler = "ruler not measured" if kit.measured_mm is None else f"ruler {kit.measured_mm:g} mm"
        board = f"{kit.board_mm[0]:g} x {kit.board_mm[1]:g} mm"
        print(f"{kit.number:3}  {kit.paper:10} {kit.pattern:8} board {board:16} {ruler}")
    return 0
