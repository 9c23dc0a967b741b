"""``surfscan demo``: the main job on bundled photos."""

from __future__ import annotations

import argparse
import shutil
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.check import check_and_write, show
from surfscan.cli.terminal import EXIT_STATUS, Parser, named_path

if TYPE_CHECKING:
    from surfscan.core.records import CheckResult

__all__ = ["add", "copy_demo", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    demo = commands.add_parser(
        "demo",
        parents=[common],
        help="run on bundled photos",
        description="Copy the bundled photos into DIR, judge them, and say what to look at.",
    )
    demo.add_argument(
        "--out",
        metavar="DIR",
        type=named_path,
        default=Path("surfscan-demo"),
        help="folder (default: surfscan-demo)",
    )
    demo.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Status 0 when the demo ran, whatever the panel's verdict: the demo is there to be looked at."""
    from surfscan.report.output import output_folder

    out: Path = options.out
    with output_folder(out):
        job = out / "job"
        made_job = not job.exists()
        try:
            copy_demo(job)
            result = check_and_write(job, out, options)
        except BaseException:
            if made_job:
                shutil.rmtree(job, ignore_errors=True)
            raise
    show(result, options, out=out, after=_look_at(result, out, job))
    return 0


def copy_demo(job: Path) -> None:
    """Put the bundled job sheet and photos into a folder."""
    source = resources.files("surfscan") / "data" / "demo"
    files = [item for item in source.iterdir() if item.is_file()] if source.is_dir() else []
    if not files:
        raise FileNotFoundError("the demo's photos are missing from this installation")
    job.mkdir(parents=True, exist_ok=True)
    for item in files:
        (job / item.name).write_bytes(item.read_bytes())


def _look_at(result: CheckResult, out: Path, job: Path) -> str:
    lines = [
        "",
        "What to look at:",
        f"  1. {out / 'overlay.png'}: a triangle pointing down with a solid outline is a low, one",
        "     pointing up with a dashed outline is a high; the numbers are those of the table above.",
        f"  2. {out / 'map.png'}: the same from straight above, with the scale in mm.",
        f"  3. {job / 'panel.toml'}: the job sheet. Copy the folder, put your own photos and",
        f"     sizes in, and run: surfscan check {job} --out {out}",
    ]
    status = EXIT_STATUS[result.verdict]
    lines.append(f"The same check on your own panel would end with exit status {status} ({result.verdict}).")
    return "\n".join(lines)
