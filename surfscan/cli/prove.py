"""``surfscan prove FLAT TILTED``: hold a station against a tilt that is known."""

from __future__ import annotations

import argparse
import json
from datetime import UTC, datetime
from pathlib import Path

from surfscan.cli.terminal import Parser, length, named_path

__all__ = ["add", "add_gauge", "run"]

_DESCRIPTION = """Prove a station: board, tags and camera as they stand, by a tilt that is known.

Lay a flat mirror tile where the panel goes, between the tags and its face level with them, and shoot it as a panel.
Push a feeler gauge under one edge, move nothing else, and shoot it again. Both jobs have the same sheet, with the
tile's outline as panel.region_mm. The tilt is the gauge's thickness over its distance from the edge that the tile
stands on. What the photos say over what the gauge says goes into a file that job sheets name as board.proof."""

_NOT_HELD = 10


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    prove = commands.add_parser(
        "prove",
        parents=[common],
        help="prove a set-up by a mirror tile and a feeler gauge",
        description=_DESCRIPTION,
        epilog="Exit status: 0 the proof holds, 10 it does not; 3 a sheet or photo was refused, 4 nothing measured.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    prove.add_argument("flat", metavar="FLAT", type=Path, help="job folder of the tile lying flat")
    prove.add_argument("tilted", metavar="TILTED", type=Path, help="job folder of the tile on the gauge")
    add_gauge(prove)
    prove.add_argument(
        "--u-gauge", metavar="MM", type=length, default=0.005, help="standard uncertainty of --gauge (0.005)"
    )
    prove.add_argument(
        "--u-over", metavar="MM", type=length, default=0.5, help="standard uncertainty of --over (0.5)"
    )
    prove.add_argument("--out", metavar="FILE", type=named_path, help="the certificate, such as proof.toml")
    prove.set_defaults(run=run)


def add_gauge(prove: Parser) -> None:
    """The known change: how thick the gauge is, and how far from the edge it lies."""
    prove.add_argument(
        "--gauge", metavar="MM", type=length, required=True, help="thickness of the feeler gauge"
    )
    prove.add_argument(
        "--over",
        metavar="MM",
        type=length,
        required=True,
        help="from the gauge to the edge the tile stands on",
    )


def run(options: argparse.Namespace) -> int:
    """Measure, print and write; 0 when the known tilt lies in the measured one's interval."""
    from surfscan.checking.proof import Gauge, prove
    from surfscan.job.proof_file import PROOF_DAYS, proof_text
    from surfscan.report.output import write_file

    gauge = Gauge(options.gauge, options.over, options.u_gauge, options.u_over)
    proof = prove(options.flat, options.tilted, gauge, today=datetime.now(UTC).date())
    if options.out is not None:
        write_file(options.out, proof_text(proof).encode(), make_folder=True)
    written = [] if options.out is None else [str(options.out)]
    if options.json:
        document = {
            "schema": 1,
            "holds": proof.holds,
            "ratio": proof.ratio,
            "u95": proof.u95,
            "known_mrad": proof.known_mrad,
            "measured_mrad": proof.measured_mrad,
            "date": proof.date.isoformat(),
            "written": written,
        }
        print(json.dumps(document, indent=2))
        return 0 if proof.holds else _NOT_HELD
    print(
        f"known tilt     {proof.known_mrad:.3f} mrad ({gauge.thickness_mm:g} mm over {gauge.length_mm:g} mm)"
    )
    print(f"measured       {proof.measured_mrad:.3f} mrad")
    print(f"ratio          {proof.ratio:.4f}, 95 % within {proof.u95:.4f}")
    if proof.holds:
        print(f"The proof holds. It counts for {PROOF_DAYS} days, as long as nothing is moved.")
    else:
        print("The proof fails: measure the board's place, its stripes and the tags again.")
    if written:
        print(f"\nCertificate: {options.out}")
        print(f'In the job sheet: [board] proof = "{options.out.name}", with the file in the job folder.')
    return 0 if proof.holds else _NOT_HELD
