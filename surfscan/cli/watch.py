"""``surfscan watch FOLDER``: photos that arrive are grouped into jobs, checked, and shown as they come."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from surfscan.cli.bundles import add_bundle_options, packed_places
from surfscan.cli.complaints import see_least
from surfscan.cli.terminal import Parser, named_path
from surfscan.core.errors import RefusedError, UsageError

if TYPE_CHECKING:
    from surfscan.watch.template import Template

__all__ = ["add", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    watch = commands.add_parser(
        "watch",
        parents=[common],
        help="check photos as they arrive in a folder",
        description=(
            "Watch a folder that photos arrive in (a phone's sync folder, a camera's drop). Photos are read when they"
            " are whole; those of one folder, with tags of one station (or kit, or sheet), taken one after the other,"
            " make a job when they are as many as it needs. The panel is named as the photos' folder, and a folder of"
            " digits on the way is its job number. It can be stopped and started again at any moment; renaming photos"
            " changes nothing."
        ),
    )
    watch.add_argument("folder", metavar="FOLDER", type=Path, help="the folder to watch, with all below it")
    watch.add_argument(
        "--sheet", metavar="FILE", type=Path, action="append", default=[],
        help="the job sheet that photos are put under, a panel.toml; several, when their tags have different numbers",
    )  # fmt: skip
    watch.add_argument(
        "--out",
        metavar="DIR",
        type=named_path,
        required=True,
        help="folder for jobs, results and what was seen",
    )
    watch.add_argument("--record", metavar="PATH_OR_URL", help="add results to this record")
    watch.add_argument("--workers", metavar="N", type=int, help="jobs at once (default: one for each core)")
    watch.add_argument(
        "--settle", metavar="S", type=float, default=3.0, help="a file unchanged for so long is whole (3 s)"
    )
    watch.add_argument(
        "--gap",
        metavar="S",
        type=float,
        default=600.0,
        help="photos of a job are at most so far apart (600 s)",
    )
    watch.add_argument("--every", metavar="S", type=float, default=2.0, help="look again after so long (2 s)")
    watch.add_argument(
        "--once",
        action="store_true",
        help="do what is there, then end; exit status of the worst as batch has it",
    )
    add_bundle_options(watch, several=True)
    watch.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Watch until stopped, or once."""
    from surfscan.fleet.lock import kept_alone
    from surfscan.fleet.rows import worst_status
    from surfscan.watch.watcher import Watcher

    _see_options(options)
    templates = _templates(options)
    record = options.record
    if record is not None:
        from surfscan.results.record import open_record

        open_record(record).close()
        record = record if "://" in record else str(Path(record).absolute())
    told = _Told(options)
    with (
        kept_alone(str(options.out)),
        Watcher(
            options.folder, options.out.absolute(), templates, settle_s=options.settle, gap_s=options.gap,
            workers=options.workers, record=record, tell=told,
        ) as watcher,
    ):  # fmt: skip
        if not options.quiet and not options.once:
            print(
                f"surfscan: watching {options.folder}; results go to {options.out}  (Ctrl-C stops it)",
                flush=True,
            )
        while True:
            if not options.folder.is_dir():
                raise RefusedError(
                    f"The folder {options.folder} is not there any more",
                    found="nothing",
                    allowed="the folder that was there at the start",
                    cure="bring it back and start again: nothing is lost",
                )
            watcher.step()
            if options.once and not watcher.busy:
                break
            time.sleep(options.every)
        told.lacking(watcher.state.lacking)
    return worst_status(told.outcomes)


def _templates(options: argparse.Namespace) -> list[Template]:
    """The set-ups that photos are put under (UsageError, RefusedError)."""
    if not (options.sheet or options.station or options.kit):
        raise UsageError(
            "Where the photos are taken was not said",
            found="no --station, --kit or --sheet",
            allowed="--station NAME, --kit, or --sheet panel.toml",
            cure="say it: the stations are those of surfscan station list",
        )
    from surfscan.watch.template import load_templates, see_apart

    packed = packed_places(options)
    templates = load_templates(options.sheet)
    if packed:
        from surfscan.watch.places import load_places

        templates += load_places(packed)
        see_apart(templates)
    return templates


def _see_options(options: argparse.Namespace) -> None:
    see_least(options, workers=1, settle=0.0, gap=1.0, every=0.05)
    if not options.folder.is_dir():
        raise RefusedError(
            f"The folder {options.folder} is not there",
            found="a file" if options.folder.exists() else "nothing",
            allowed="a folder that photos arrive in",
            cure="check the path, or make it",
        )
    if options.out.resolve() == options.folder.resolve():
        raise UsageError(
            "Results can't go into the watched folder itself",
            found=str(options.out),
            allowed="another folder, or one below it",
            cure="choose another --out",
        )


class _Told:
    """Events as lines, or as JSON lines."""

    def __init__(self, options: argparse.Namespace) -> None:
        self._json, self._quiet = options.json, options.quiet
        self.outcomes: Counter[str] = Counter()

    def __call__(self, kind: str, about: dict[str, Any]) -> None:
        if kind == "done":
            self.outcomes[about["outcome"]] += 1
        if self._json:
            print(json.dumps({"event": kind, **about}), flush=True)
        elif kind == "done":
            word = str(about["outcome"]).replace("_", " ")
            print(f"{word:<13} {about['job']}  {about['reason']}", flush=True)
        elif kind == "refused":
            print(f"surfscan: {about['photo']} is set aside: {about['why']}", file=sys.stderr, flush=True)
        elif kind == "job" and not self._quiet:
            print(f"surfscan: {about['job']}: {', '.join(about['photos'])}", file=sys.stderr, flush=True)

    def lacking(self, groups: list[dict[str, Any]]) -> None:
        """Photos that still wait for others, at the end."""
        for group in [] if self._json else groups:
            there = ", ".join(group["photos"])
            print(
                f"surfscan: {len(group['photos'])} of {group['of']} photos: {there}",
                file=sys.stderr,
                flush=True,
            )
