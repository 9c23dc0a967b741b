"""The options of ``surfscan check --from-map FILE``: what a map measured elsewhere does not say itself."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.terminal import length
from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.core.records import CheckResult

__all__ = ["add_map_options", "check_given_map", "see_no_map_options"]

_LIMITS = ("low_mm", "high_mm", "filler_depth_mm", "putty_depth_mm")
_ONLY_MAP = ("stage", "name", "u_mm", "unit", "step_mm", *_LIMITS)


def add_map_options(parser: argparse.ArgumentParser) -> None:
    """Add them to the parser of ``check``."""
    group = parser.add_argument_group("a map measured elsewhere, in place of JOB")
    group.add_argument(
        "--from-map",
        metavar="FILE",
        type=Path,
        help="height map: x3p (ISO 25178-72), sdf (ISO 25178-71), or a CSV table of heights",
    )
    group.add_argument(
        "--u-mm", metavar="MM", type=length, help="standard uncertainty of its heights (needed)"
    )
    group.add_argument("--stage", metavar="STAGE", help="stage of the panel (default: primer)")
    group.add_argument("--name", metavar="TEXT", help="name of the panel (default: the file's)")
    group.add_argument(
        "--unit", metavar="UNIT", help="of a CSV table's heights: mm, um, m, inch (default: mm)"
    )
    group.add_argument("--step-mm", metavar="MM", type=length, help="spacing of a CSV table without its own")
    for key in _LIMITS:
        group.add_argument(
            f"--{key.replace('_', '-')}", metavar="MM", type=length, help="limit, as in the sheet"
        )


def see_no_map_options(options: argparse.Namespace) -> None:
    """Refuse options of a map beside a job, whose sheet says these things itself."""
    given = [key for key in _ONLY_MAP if getattr(options, key) is not None]
    if given:
        raise UsageError(
            f"--{given[0].replace('_', '-')} goes with --from-map only",
            cure="for a job, write it into panel.toml",
            found="no --from-map",
            allowed=f"--{given[0].replace('_', '-')} with --from-map FILE",
        )


def check_given_map(options: argparse.Namespace) -> CheckResult:
    """Judge the map that the options name."""
    from surfscan.checking.from_map import LEAST_STEP_MM, MOST_STEP_MM, check_map
    from surfscan.core.trade_names import STAGES, nearest_name, stage_named
    from surfscan.judge.limits import default_limits, with_given

    typed = options.stage or "primer"
    stage = stage_named(typed)
    if stage is None:
        near = nearest_name(typed, STAGES)
        raise UsageError(
            "--stage is not known",
            found=typed,
            allowed=", ".join(STAGES),
            cure=f"the nearest is {near}" if near else "",
        )
    if options.u_mm is None:
        raise UsageError(
            "A map measured elsewhere needs its uncertainty",
            allowed="--u-mm, the standard uncertainty of its heights in mm",
            cure="take it from the instrument's certificate, half of a 95 % figure",
            found="no --u-mm",
        )
    if options.step_mm is not None and not LEAST_STEP_MM <= options.step_mm <= MOST_STEP_MM:
        raise UsageError(
            "--step-mm can't be used",
            found=f"{options.step_mm:g}",
            allowed=f"{LEAST_STEP_MM:g} to {MOST_STEP_MM:g} mm",
            cure="give the distance between two neighbouring heights, in mm",
        )
    try:
        limits = with_given(default_limits(stage), {key: getattr(options, key) for key in _LIMITS})
    except ValueError as error:
        name, _, rest = str(error).partition(": found ")
        found, _, allowed = rest.partition("; allowed: ")
        option = f"--{name.replace('_', '-')}"
        raise UsageError(
            f"The limit {option} can't be used", found=found, allowed=allowed, cure=f"correct {option}"
        ) from None
    basis = {k: v.replace("given in the sheet", "given with the command") for k, v in limits.basis.items()}
    return check_map(
        options.from_map,
        limits=replace(limits, basis=basis),
        stage=stage,
        u_mm=options.u_mm,
        name=options.name or "",
        unit=options.unit or "mm",
        step_mm=options.step_mm,
    )
