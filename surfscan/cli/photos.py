"""The options of ``surfscan check PHOTO...``: photos alone, at a station or with a printed kit."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.terminal import named_path
from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.core.records import CheckResult

__all__ = [
    "add_panel_words",
    "add_photo_options",
    "are_photos",
    "check_given_photos",
    "job_folder",
    "panel_words",
    "see_no_photo_options",
    "see_photo_options",
]

_ONLY_PHOTOS = ("station", "substrate", "focal_35mm", "keep_job")
_ONLY_MAP = ("u_mm", "unit", "step_mm", "low_mm", "high_mm", "filler_depth_mm", "putty_depth_mm")


def add_photo_options(parser: argparse.ArgumentParser) -> None:
    """Add them to the parser of ``check``; ``--name`` and ``--stage`` are there already."""
    group = parser.add_argument_group("photos alone, in place of JOB (with --name and --stage)")
    group.add_argument("--station", metavar="NAME", help="where they were taken: see surfscan station")
    add_panel_words(group)
    group.add_argument(
        "--keep-job", metavar="FOLDER", type=named_path, help="where the job is kept (DIR/job)"
    )


def add_panel_words(group: argparse._ArgumentGroup) -> None:
    """What is said of panels without a sheet, besides ``--stage``."""
    group.add_argument("--substrate", metavar="WORD", help="steel, aluminium, plastic or fibreglass")
    group.add_argument(
        "--focal-35mm", metavar="MM", type=float, help="of the lens, where the photos' EXIF does not tell it"
    )


def are_photos(options: argparse.Namespace) -> bool:
    """Whether the arguments are photos: several, or a file that is no sheet, or a station is named."""
    jobs: list[Path] = options.jobs
    if len(jobs) > 1 or options.station is not None:
        return True
    return jobs[0].is_file() and jobs[0].suffix.lower() != ".toml"


def see_no_photo_options(options: argparse.Namespace) -> None:
    """Refuse options of photos beside a job, whose sheet says these things itself."""
    given = [key for key in _ONLY_PHOTOS if getattr(options, key) is not None]
    if given:
        raise UsageError(
            f"--{given[0].replace('_', '-')} goes with photos only",
            cure="for a job, write it into panel.toml",
            found="a job folder",
            allowed=f"surfscan check PHOTO... --{given[0].replace('_', '-')}",
        )


def see_photo_options(options: argparse.Namespace) -> None:
    """Refuse options of a job or a map beside photos."""
    given = [key for key in _ONLY_MAP if getattr(options, key) is not None]
    if given or options.against is not None:
        name = f"--{given[0].replace('_', '-')}" if given else "--against"
        raise UsageError(
            f"{name} does not go with photos alone",
            found=name,
            allowed="a job folder or a map",
            cure="check the photos first; the job kept in DIR/job takes it afterwards",
        )


def job_folder(options: argparse.Namespace) -> Path:
    """Where the job that photos make is kept: DIR/job, or the next number when earlier ones are there."""
    if options.keep_job is None:
        folder, k = options.out / "job", 1
        while folder.exists():
            k += 1
            folder = options.out / f"job-{k}"
        options.keep_job = folder
    return Path(options.keep_job)


def check_given_photos(options: argparse.Namespace, progress: Callable[[str, float], None]) -> CheckResult:
    """Make photos into a job, keep it and check it."""
    import shutil

    from surfscan.places.arrange import Panel
    from surfscan.places.check import check_photos

    stage, substrate = panel_words(options)
    panel = Panel(options.name or "", stage, substrate, options.focal_35mm)
    folder = job_folder(options)
    made = not folder.exists()
    try:
        return check_photos(options.jobs, folder, panel, station=options.station, progress=progress)
    except BaseException:
        if made:
            shutil.rmtree(folder, ignore_errors=True)
        raise


def panel_words(options: argparse.Namespace) -> tuple[str, str]:
    """Stage and substrate of ``--stage`` and ``--substrate``; ``--focal-35mm`` is held to its range (UsageError)."""
    from surfscan.core.trade_names import STAGES, SUBSTRATES, nearest_name, stage_named, substrate_named

    words = []
    for option, typed, known, names in (
        ("--stage", options.stage or "primer", stage_named, STAGES),
        ("--substrate", options.substrate or "unknown", substrate_named, SUBSTRATES),
    ):
        word = known(typed)
        if word is None:
            near = nearest_name(typed, names)
            raise UsageError(
                f"{option} is not known",
                found=typed,
                allowed=", ".join(names),
                cure=f"the nearest is {near}" if near else "choose one of these",
            )
        words.append(word)
    if options.focal_35mm is not None and not 5 <= options.focal_35mm <= 2000:
        raise UsageError(
            "--focal-35mm can't be used",
            found=f"{options.focal_35mm:g}",
            allowed="5 to 2000 mm",
            cure="phones: often 24 to 28",
        )
    return words[0], words[1]
