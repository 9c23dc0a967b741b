"""``surfscan print WHAT``: tags, boards and a gap gauge at true size."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from surfscan.cli.terminal import Parser, length, named_path

__all__ = ["add", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    p = commands.add_parser(
        "print",
        parents=[common],
        help="print tags, boards and a gap gauge at true size",
        description="Write tags, a striped board, a board of dots, a ChArUco board or a gap gauge as PDF at true size, "
        "tiled over several pages where needed; or as SVG and PNG for a print shop. Each page has a ruler to check "
        "and the keys of the job sheet.",
    )
    p.add_argument(
        "--pattern", metavar="WORD", default="crossed", help="of a kit: crossed or stripes (default: crossed)"
    )
    p.add_argument("what", metavar="WHAT", help="kit, tags, stripes, crossed, dots, charuco or gauge")
    p.add_argument(
        "--out",
        metavar="DIR",
        type=named_path,
        default=Path("."),
        help="folder for the files (default: here)",
    )
    p.add_argument(
        "--paper", metavar="NAME", default="a4", help="a4, letter, a3 or roll-WIDTH in mm (default: a4)"
    )
    p.add_argument(
        "--as", dest="forms", metavar="FORM", nargs="+", default=["pdf"], help="pdf, svg, png (default: pdf)"
    )
    p.add_argument("--dpi", metavar="N", type=float, default=600.0, help="resolution of PNG (default: 600)")
    p.add_argument(
        "--tiled", action="store_true", help="on a roll, paste a board that is too wide from strips"
    )
    _add_target(p)
    p.set_defaults(run=run)


def _add_target(p: argparse.ArgumentParser) -> None:
    """What is printed, and how large."""
    p.add_argument(
        "--ids",
        metavar="N",
        type=int,
        nargs="+",
        default=[0, 1, 2, 3],
        help="tags to print (default: 0 to 3)",
    )
    p.add_argument("--dictionary", metavar="NAME", default="4x4_50", help="of the tags (default: 4x4_50)")
    p.add_argument(
        "--side", metavar="MM", type=length, default=36.0, help="black side of a tag (default: 36)"
    )
    p.add_argument(
        "--size",
        metavar=("W", "H"),
        type=length,
        nargs=2,
        default=None,
        help="of a board, mm (default: 600 500; of a kit, by its paper)",
    )
    p.add_argument(
        "--period", metavar="MM", type=length, default=30.0, help="of stripes or dots (default: 30)"
    )
    p.add_argument(
        "--varies", metavar="WAY", default="across", help="stripes that change across or up (default: across)"
    )
    p.add_argument(
        "--board-tags",
        metavar="MM",
        type=length,
        default=0.0,
        help="tags of that side at a striped board's corners",
    )
    p.add_argument(
        "--dot",
        metavar="MM",
        type=length,
        default=None,
        help="width of a dot (default: two fifths of the period)",
    )
    p.add_argument(
        "--squares", metavar=("C", "R"), type=int, nargs=2, default=[8, 6], help="of the ChArUco board (8 6)"
    )
    p.add_argument(
        "--square", metavar="MM", type=length, default=22.0, help="side of a ChArUco square (default: 22)"
    )


def run(options: argparse.Namespace) -> int:
    """Write the pages, and name them."""
    if options.what == "kit":
        return _print_kit(options)
    from surfscan.plan.printing import make_targets, write_print

    target = {
        "ids": options.ids,
        "dictionary": options.dictionary,
        "side_mm": options.side,
        "size_mm": tuple(options.size or (600.0, 500.0)),
        "period_mm": options.period,
        "varies": options.varies,
        "board_tag_mm": options.board_tags,
        "dot_mm": options.dot,
        "squares": tuple(options.squares),
        "square_mm": options.square,
    }
    files = write_print(
        options.what,
        options.out,
        paper=options.paper,
        forms=options.forms,
        dpi=options.dpi,
        tiled=options.tiled,
        **target,
    )
    keys = make_targets(options.what, **target)[0].keys
    if options.json:
        print(json.dumps({"schema": 1, "files": [str(f) for f in files], "keys": list(keys)}, indent=2))
        return 0
    for path in files:
        print(path)
    if not options.quiet:
        print("\nPrint at 100 % (not fitted to the page), then measure the ruler on a page.")
        print("For the job sheet:\n" + "\n".join(f"  {k}" for k in keys))
    return 0


def _print_kit(options: argparse.Namespace) -> int:
    """Write a kit: board, tags, how to put it together, and its file."""
    from surfscan.places.kit import design_kit, load_kit
    from surfscan.places.kit_print import print_kit

    size = None if options.size is None else (options.size[0], options.size[1])
    kit = design_kit(options.paper, options.pattern, board_mm=size, period_mm=options.period)
    files = print_kit(kit, options.out)
    if options.json:
        print(json.dumps({"schema": 1, "kit": kit.number, "files": [str(f) for f in files]}, indent=2))
        return 0
    for path in files:
        print(path)
    if not options.quiet:
        print(
            f"\nThis is kit {kit.number}. Print at 100 % (not fitted to the page), then measure the ruler on a page:"
        )
        print(f"  surfscan kit ruler {kit.number} MM")
        known = load_kit(kit.number)
        if known.measured_mm is not None:
            print(
                f"The ruler of an earlier print, {known.measured_mm:g} mm, stays until then. Another printer or paper"
                " prints at another scale: measure this one too, and do not mix pages of both."
            )
    return 0
