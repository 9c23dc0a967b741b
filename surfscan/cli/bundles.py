"""The options of ``surfscan batch`` and ``surfscan watch`` for photos without a sheet: a station, or a printed kit."""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import TYPE_CHECKING

from surfscan.cli.photos import add_panel_words, panel_words
from surfscan.cli.terminal import Parser
from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.fleet.bundles import Packed

__all__ = ["add_bundle_options", "loaded_for", "packed_places"]

_WORDS = ("stage", "substrate", "focal_35mm")
_LOADED = "surfscan.places.bundle"


def add_bundle_options(parser: Parser, *, several: bool) -> None:
    """Add them to a parser."""
    group = parser.add_argument_group("photos without a sheet, a folder for each panel and named as it is")
    group.add_argument(
        "--station",
        metavar="NAME",
        action="append",
        default=[],
        help="where they were taken: see surfscan station" + ("; several, when their tags differ" * several),
    )
    group.add_argument(
        "--kit", action="store_true", help="with a printed kit, the set-up photo among each panel's photos"
    )
    group.add_argument("--stage", metavar="STAGE", help="stage of the panels (default: primer)")
    add_panel_words(group)


def loaded_for(options: argparse.Namespace) -> list[str]:
    """What processes of jobs had better find loaded."""
    return [_LOADED] if options.station or options.kit else []


def packed_places(options: argparse.Namespace) -> list[Packed]:
    """The stations that are named, or the kits, packed up (UsageError, RefusedError); none without these options.

    Made in a process of its own, so that this one stays small.
    """
    if not options.station and not options.kit:
        given = [name for name in _WORDS if getattr(options, name) is not None]
        if given:
            name = f"--{given[0].replace('_', '-')}"
            raise UsageError(
                f"{name} goes with photos without a sheet",
                found="neither --station nor --kit",
                allowed=f"{name} with one of them",
                cure="for jobs with a panel.toml, write it there",
            )
        return []
    if options.station and options.kit:
        raise UsageError(
            "--station and --kit do not go together",
            found=f"--station {options.station[0]} and --kit",
            allowed="one of them",
            cure="a station made with a kit knows it: leave --kit out",
        )
    stage, substrate = panel_words(options)
    from surfscan.fleet.apart import Keeper

    with Keeper(fork=False) as keeper:
        if options.kit:
            packed = [keeper.call(f"{_LOADED}:packed_kits")]
        else:
            packed = [keeper.call(f"{_LOADED}:packed_station", name) for name in options.station]
    return [replace(one, stage=stage, substrate=substrate, focal_35mm=options.focal_35mm) for one in packed]
