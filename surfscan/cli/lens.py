"""``surfscan lens PHOTOS... --out lens.toml``: calibrate a camera; ``--print board.pdf``: the board to photograph."""

from __future__ import annotations

import argparse
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from surfscan.cli.terminal import Parser, Progress, length, named_path
from surfscan.core.errors import UsageError
from surfscan.report.output import write_file

if TYPE_CHECKING:
    from surfscan.job.chart import Chart
    from surfscan.optics.calibrate import LensSolution

__all__ = ["add", "run"]

_DESCRIPTION = """Find a camera's lens from photos of a flat board, for camera.lens_file in a job sheet.

First print the board and glue it onto something flat:
  surfscan lens --print board.pdf --paper a4
Then take 10 to 15 photos of it with the phone as for a panel (no zoom): from the front, and tilted by 20 to
45 degrees to each side, up and down, with the board in every part of the picture. Then:
  surfscan lens photos/*.jpg --square-mm 30 --out lens.toml"""


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    lens = commands.add_parser(
        "lens",
        parents=[common],
        help="calibrate a camera",
        description=_DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    lens.add_argument("photos", metavar="PHOTO", type=Path, nargs="*", help="photos of the board")
    lens.add_argument("--square-mm", metavar="MM", type=length, default=30.0, help="side of a square (30)")
    lens.add_argument("--squares", metavar="8x6", default="8x6", help="squares across and down (8x6)")
    lens.add_argument(
        "--chessboard", metavar="9x6", help="a plain chessboard instead, with so many inner corners"
    )
    lens.add_argument(
        "--out", metavar="FILE", type=named_path, help="the lens file to write, such as lens.toml"
    )
    lens.add_argument(
        "--picture", metavar="FILE", type=Path, help="the coverage picture (beside the lens file)"
    )
    lens.add_argument("--print", metavar="FILE", type=Path, dest="pdf", help="write the board as a PDF")
    lens.add_argument("--paper", choices=("a4", "letter", "a3"), default="a4", help="its paper (a4)")
    lens.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print the board or calibrate; 0 when that worked."""
    from surfscan.job.chart import Chart

    if not 1 <= options.square_mm <= 1000:
        raise UsageError(
            "--square-mm is out of range",
            found=f"{options.square_mm:g}",
            allowed="1 to 1000",
            cure="measure over several squares and divide",
        )
    if options.pdf is not None:
        if options.photos or options.chessboard:
            raise UsageError(
                "--print goes alone",
                allowed="--print with --squares, --square-mm and --paper",
                found="photos or other options beside it",
                cure="leave the others out",
            )
        from surfscan.plan.calibration_board import RULER_MM, board_pdf

        chart = Chart(_pair(options.squares, "--squares"), options.square_mm)
        write_file(options.pdf, board_pdf(chart, paper=options.paper), make_folder=True)
        if options.json:
            print(json.dumps({"schema": 1, "written": [str(options.pdf)]}))
        else:
            print(
                f"{options.pdf}: print at 100 %, check that its ruler is {RULER_MM:g} mm, glue it onto something flat."
            )
        return 0
    if not options.photos:
        raise UsageError(
            "No photos were given",
            cure="see surfscan lens --help",
            found="none",
            allowed="photos of one board, ten or more are good",
        )
    if options.out is None:
        raise UsageError(
            "--out is missing",
            allowed="--out lens.toml",
            found="none",
            cure="name the lens file that is to be written",
        )
    if options.chessboard:
        chart = Chart(_pair(options.chessboard, "--chessboard"), options.square_mm, plain=True)
    else:
        chart = Chart(_pair(options.squares, "--squares"), options.square_mm)
    return _calibrate(options, chart)


def _calibrate(options: argparse.Namespace, chart: Chart) -> int:
    from surfscan.job.lens_file import lens_text
    from surfscan.look.calibration import calibrate_lens, lens_file_of
    from surfscan.optics.calibrate import FEWEST_IN_ZONE, next_shot

    progress = Progress(quiet=options.quiet)
    try:
        solution = calibrate_lens(options.photos, chart, progress=progress)
    finally:
        progress.close()
    advice = next_shot(solution.zones)
    picture = options.picture or options.out.with_suffix(".png")
    write_file(picture, _coverage(solution, FEWEST_IN_ZONE, advice), make_folder=True)
    lens = lens_file_of(solution, chart)
    write_file(options.out, lens_text(lens).encode(), make_folder=True)
    if options.json:
        print(json.dumps(_document(solution, advice, options.out, picture), indent=2))
    else:
        print(_text(solution, advice))
        print(f"\nLens file: {options.out}   coverage: {picture}")
        print(
            f'In the job sheet: [camera] lens_file = "{options.out.name}", with the file in the job folder.'
        )
    return 0


def _coverage(solution: LensSolution, fewest: int, advice: str) -> bytes:
    import cv2

    from surfscan.report.lens_coverage import draw_coverage

    drawn = draw_coverage(
        solution.places_px,
        solution.errors_px,
        solution.zones,
        size_px=solution.size_px,
        fewest=fewest,
        title=f"{len(solution.used)} photos, {len(solution.errors_px)} corners, {solution.rms_px:.2f} px rms",
        advice=advice,
    )
    return bytes(cv2.imencode(".png", drawn[..., ::-1])[1].tobytes())


def _document(solution: LensSolution, advice: str, out: Path, picture: Path) -> dict[str, Any]:
    return {
        "schema": 1,
        "rms_px": solution.rms_px,
        "focal_px": solution.focal_px,
        "focal_sd_px": solution.focal_sd_px,
        "centre_px": list(solution.centre_px),
        "centre_sd_px": list(solution.centre_sd_px),
        "distortion": list(solution.distortion),
        "model": solution.model,
        "distortion_sd": list(solution.distortion_sd),
        "used": [{"file": f, "rms_px": e, "tilt_deg": t} for f, e, t in solution.used],
        "rejected": [{"file": f, "reason": why} for f, why in solution.rejected],
        "corners_by_zone": solution.zones.tolist(),
        "next": advice,
        "written": [str(out), str(picture)],
    }


def _text(solution: LensSolution, advice: str) -> str:
    lines = ["photo                        error px   tilt deg"]
    lines += [f"{file[:28]:28} {error:8.2f} {tilt:10.0f}" for file, error, tilt in solution.used]
    lines += [f"{file[:28]:28} left out: {why}" for file, why in solution.rejected]
    names = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
    pairs = zip(names, solution.distortion, solution.distortion_sd, strict=False)
    lines += [
        "",
        f"reprojection error  {solution.rms_px:.3f} px rms over {len(solution.errors_px)} corners",
        f"focal length        {solution.focal_px:.1f} px (sd {solution.focal_sd_px:.1f})",
        f"optical axis        {solution.centre_px[0]:.1f} (sd {solution.centre_sd_px[0]:.1f}), "
        f"{solution.centre_px[1]:.1f} (sd {solution.centre_sd_px[1]:.1f}) px",
        "distortion          "
        + ", ".join(f"{name} {value:.4f} (sd {sd:.4f})" for name, value, sd in pairs)
        + f"; by {solution.model}",
        "",
        advice,
    ]
    return "\n".join(lines)


def _pair(text: str, option: str) -> tuple[int, int]:
    match = re.fullmatch(r"(\d{1,3})x(\d{1,3})", text.strip().lower())
    if match is None:
        raise UsageError(
            f"{option} is not understood",
            found=text,
            allowed="such as 8x6",
            cure=f"write {option} with an x between",
        )
    return int(match[1]), int(match[2])
