"""``surfscan station new|list|show|prove|forget|export|import``: places whose board stays put."""

from __future__ import annotations

import argparse
import json
import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

from surfscan.cli.prove import add_gauge
from surfscan.cli.terminal import Parser, length, named_path

if TYPE_CHECKING:
    from surfscan.places.stations import Station

__all__ = ["add", "run"]

_DESCRIPTION = """A station is a place whose board stays put, surveyed once. Then a panel is checked from its
photos alone:
surfscan check --station BAY --name "left front door" --stage primer A.jpg --out result

With --frame the tags are on a stand that stays with the board, so that no tag lies on the panel and a job is the photos
of the panel alone. Without it tags lie on each panel, and a set-up photo is among a job's photos."""

_NOT_HELD = 10


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    station = commands.add_parser(
        "station",
        parents=[common],
        help="places whose board stays put: new, list, show, prove, forget, export, import",
        description=_DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    inner = station.add_subparsers(dest="what", metavar="WHAT", parser_class=Parser, required=True)

    def command(name: str, told: str) -> Parser:
        one = inner.add_parser(name, parents=[common], help=told, description=told.capitalize() + ".")
        if name not in ("list", "import"):
            one.add_argument("name", metavar="BAY", help="the station's name")
        return one

    new = command("new", "survey a station")
    new.add_argument(
        "photos", metavar="PHOTO", type=Path, nargs="*", help="a set-up photo, better two or three"
    )
    new.add_argument("--frame", action="store_true", help="the tags are on a stand that stays with the board")
    new.add_argument(
        "--like", metavar="JOB", type=Path, help="tags, board, lens and limits as in this job's sheet"
    )
    new.add_argument(
        "--focal-35mm", metavar="MM", type=float, help="of the lens, where EXIF does not tell it"
    )
    new.add_argument("--lens-file", metavar="FILE", type=Path, help="the lens, from surfscan lens")
    new.add_argument("--replace", action="store_true", help="survey again a station that there is")
    command("list", "all stations, and when each was proved")
    command("show", "what is known of a station")
    command("forget", "take a station out for good")
    export = command("export", "write a station as one file")
    export.add_argument("--out", metavar="FILE", type=named_path, required=True, help="such as bay-2.station")
    take = command("import", "take a station from a file")
    take.add_argument("file", metavar="FILE", type=Path, help="as surfscan station export wrote it")
    take.add_argument("--name", metavar="BAY", help="another name for it here")
    take.add_argument("--replace", action="store_true", help="in place of a station of that name")
    _add_prove(command("prove", "prove a station with a frame by a mirror tile and a feeler gauge"))
    station.set_defaults(run=run)


def _add_prove(prove: Parser) -> None:
    """The options of a proof."""
    prove.add_argument(
        "--flat", metavar="PHOTO", type=Path, nargs="+", required=True, help="the tile lying flat"
    )
    prove.add_argument("--tilted", metavar="PHOTO", type=Path, nargs="+", required=True, help="on the gauge")
    add_gauge(prove)
    prove.add_argument(
        "--tile", metavar=("W", "H"), type=length, nargs=2, required=True, help="width and height of the tile"
    )
    prove.add_argument(
        "--at",
        metavar=("X", "Y"),
        type=float,
        nargs=2,
        default=(0.0, 0.0),
        help="its middle from the frame's, mm (default: 0 0)",
    )


def run(options: argparse.Namespace) -> int:
    """Do what is asked, and say what is known."""
    return {
        "new": _new,
        "list": _list,
        "show": _show,
        "forget": _forget,
        "export": _export,
        "import": _import,
        "prove": _prove,
    }[options.what](options)


def _row(one: Station) -> dict[str, Any]:
    board = one.tables["board"]
    return {
        "name": one.name,
        "surveyed": one.made.isoformat(),
        "frame": one.frame,
        "proved": one.proved(),
        "proof": None if one.proof is None else one.proof.date.isoformat(),
        "pattern": board.get("pattern", "stripes"),
        "period_mm": board["period_mm"],
        "board_mm": board["size_mm"],
        "centre_mm": board.get("centre_mm"),
        "focal_px": one.focal_px,
        "folder": str(one.folder),
    }


def _tell(one: Station, options: argparse.Namespace, said: str) -> int:
    if options.json:
        print(json.dumps({"schema": 1, "station": _row(one)}, indent=2))
        return 0
    row = _row(one)
    tags = one.tables["tags"]
    print(said)
    print(f"  surveyed   {row['surveyed']}, {row['proved']}")
    print(
        f"  board      {row['pattern']}, {row['board_mm'][0]:g} x {row['board_mm'][1]:g} mm, {row['period_mm']:g} mm"
    )
    if row["centre_mm"] is not None:
        x, y, z = row["centre_mm"]
        u = one.tables.get("uncertainty", {})
        print(
            f"  its middle {x:.0f}, {y:.0f}, {z:.0f} mm from the tags' middle,"
            f" each within {2 * u.get('board_centre_mm', 3.0):.1f} mm (95 %)"
        )
    print(f"  tags       {'on a frame that stays' if one.frame else 'on each panel'}, {tags['side_mm']:g} mm")
    lens = one.tables.get("camera", {})
    told = (
        f"{one.focal_px:.0f} px, of photos of {one.size_px}" if one.focal_px is not None else lens or "EXIF"
    )
    print(f"  lens       {told}")
    return 0


def _new(options: argparse.Namespace) -> int:
    from surfscan.places.stations import new_station

    one = new_station(
        options.name,
        options.photos,
        frame=options.frame,
        like=options.like,
        focal_35mm=options.focal_35mm,
        lens_file=options.lens_file,
        replace_it=options.replace,
    )
    code = _tell(one, options, f"Station {one.name} is surveyed.")
    if not options.json and not options.quiet:
        photos = "A.jpg B.jpg" if one.frame else "A.jpg B.jpg SETUP.jpg"
        name = shlex.quote(one.name)
        print(f'\nNext: surfscan check --station {name} --name "left front door" {photos} --out result')
    return code


def _list(options: argparse.Namespace) -> int:
    from surfscan.places.stations import stations

    found = stations()
    if options.json:
        print(json.dumps({"schema": 1, "stations": [_row(one) for one in found]}, indent=2))
        return 0
    for one in found:
        print(f"{one.name:20} surveyed {one.made.isoformat()}, {one.proved()}")
    if not found:
        print("No stations yet. Survey one: surfscan station new BAY SETUP.jpg")
    return 0


def _show(options: argparse.Namespace) -> int:
    from surfscan.places.stations import load_station

    one = load_station(options.name)
    return _tell(one, options, f"Station {one.name}, in {one.folder}")


def _forget(options: argparse.Namespace) -> int:
    from surfscan.places.stations import forget_station

    forget_station(options.name)
    print(f"Station {options.name} is forgotten.")
    return 0


def _export(options: argparse.Namespace) -> int:
    from surfscan.places.stations import export_station

    print(export_station(options.name, options.out))
    return 0


def _import(options: argparse.Namespace) -> int:
    from surfscan.places.stations import import_station

    one = import_station(options.file, name=options.name, replace_it=options.replace)
    return _tell(one, options, f"Station {one.name} is known to this computer now.")


def _prove(options: argparse.Namespace) -> int:
    from surfscan.places.prove import prove_station

    (w, h), (x, y) = options.tile, options.at
    corners = [(x + i * w / 2, y + j * h / 2) for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    proof = prove_station(
        options.name,
        options.flat,
        options.tilted,
        gauge_mm=options.gauge,
        over_mm=options.over,
        tile_mm=corners,
    )
    if options.json:
        row = {"holds": proof.holds, "ratio": proof.ratio, "u95": proof.u95, "date": proof.date.isoformat()}
        print(json.dumps({"schema": 1, **row}, indent=2))
    else:
        print(f"known tilt {proof.known_mrad:.3f} mrad, measured {proof.measured_mrad:.3f} mrad")
        print(
            f"ratio {proof.ratio:.4f}, 95 % within {proof.u95:.4f}: {'it holds' if proof.holds else 'it FAILS'}"
        )
    return 0 if proof.holds else _NOT_HELD
