"""``surfscan screen``: stripes or dots on a television or tablet."""

from __future__ import annotations

import argparse
import contextlib
import importlib
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.page import find_page
from surfscan.cli.terminal import Parser, length, named_path
from surfscan.core.errors import RefusedError, UsageError
from surfscan.report.output import write_file

if TYPE_CHECKING:
    from surfscan.screen.pattern import Screen, ScreenFrame

__all__ = ["add", "run"]

_PORT = 8472


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    screen = commands.add_parser(
        "screen",
        parents=[common],
        help="show stripes or dots on a screen",
        description="Show stripes or dots at a known size on a television or tablet, stepped by key, by timer or from a"
        " phone, slowly. Open the page on the screen itself; --out writes it as one file that needs no server. The keys"
        " for the job sheet are shown there, and written with --keys.",
    )
    screen.add_argument(
        "--pattern",
        choices=("stepped", "stripes", "crossed", "dots"),
        default="stepped",
        help="default: stepped",
    )
    screen.add_argument(
        "--period-mm",
        metavar="MM",
        type=length,
        action="append",
        help="period; stepped: give two for safer stripe numbers (default: 48)",
    )
    screen.add_argument(
        "--steps", metavar="N", type=int, default=4, help="stepped: photos a period (default: 4)"
    )
    screen.add_argument("--varies", choices=("across", "up", "both"), default="both", help="default: both")
    screen.add_argument("--diagonal-in", metavar="IN", type=float, help="the screen's diagonal in inches")
    screen.add_argument("--pixels", metavar="WxH", help="the screen's pixels, with --diagonal-in")
    screen.add_argument("--every", metavar="S", type=float, help="step by itself after so many seconds")
    screen.add_argument(
        "--out", metavar="FILE", type=named_path, help="write the page into a file instead of serving it"
    )
    screen.add_argument(
        "--keys", metavar="FILE", type=Path, help="write the keys for the job sheet into a file"
    )
    screen.add_argument("--port", metavar="N", type=int, default=_PORT, help=f"default: {_PORT}")
    screen.add_argument(
        "--lan", action="store_true", help="let other devices on the network in, with a one-time code each"
    )
    screen.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Write the page, or serve it until stopped."""
    from surfscan.screen.keys import keys_text
    from surfscan.screen.page import CAUTION, make_screen_page
    from surfscan.screen.pattern import check_fits, frames_of, screen_of_diagonal

    ways = ("across", "up") if options.varies == "both" else (options.varies,)
    periods = tuple(options.period_mm or (48.0,))
    frames = frames_of(options.pattern, periods_mm=periods, steps=options.steps, ways=ways)
    _see_options(options)
    known: Screen | None = None
    if options.diagonal_in is not None:
        known = screen_of_diagonal(options.diagonal_in, _pixels(options.pixels or "1920x1080"))
    if known is not None and options.pixels:
        check_fits(frames, known)
    exact = known if options.pixels else None
    page = make_screen_page(
        frames,
        screen=exact,
        diagonal_in=options.diagonal_in,
        every_s=options.every,
        served=options.out is None,
    )
    if options.out is not None:
        write_file(options.out, page.encode())
        if exact is not None and options.keys is not None:
            write_file(options.keys, keys_text(frames, exact).encode())
        elif options.keys is not None:
            raise UsageError(
                "--keys with --out needs the screen's size",
                cure="give --diagonal-in and --pixels",
                found="no size",
                allowed="--diagonal-in with --pixels",
            )
        files = [str(path) for path in (options.out, options.keys) if path is not None]
        if options.json:
            print(json.dumps({"schema": 1, "files": files, "frames": len(frames)}, indent=2))
        else:
            print(f"Written: {', '.join(files)}. Open it on the screen. Caution: {CAUTION}")
        return 0
    if not 1024 <= options.port <= 65535:
        raise UsageError(
            "--port can't be used",
            found=str(options.port),
            allowed="1024 to 65535",
            cure="give another --port",
        )
    return _serve(options, page, frames)


def _see_options(options: argparse.Namespace) -> None:
    """Refuse what does not go together, before anything is made."""
    from surfscan.screen.pattern import LEAST_STEP_S

    if options.every is not None and not LEAST_STEP_S <= options.every <= 3600:
        raise UsageError(
            "--every can't be used", found=f"{options.every:g} s", allowed=f"{LEAST_STEP_S:g} to 3600 s",
            cure="steps are slow, so that nothing flashes",
        )  # fmt: skip
    if options.pixels and options.diagonal_in is None:
        raise UsageError(
            "--pixels needs --diagonal-in too",
            cure="give both, or neither and answer on the page",
            found="--pixels alone",
            allowed="--diagonal-in with --pixels",
        )
    if options.keys is not None and (options.keys.name == "panel.toml" or options.keys.exists()):
        raise UsageError(
            "--keys would write over a file",
            found=str(options.keys),
            allowed="a new file",
            cure="choose another name",
        )


def _serve(options: argparse.Namespace, page: str, frames: tuple[ScreenFrame, ...]) -> int:
    from surfscan.cli.page import own_address
    from surfscan.screen.keys import keys_text
    from surfscan.screen.page import CAUTION
    from surfscan.screen.server import ScreenServer, Series

    def told(screen: Screen) -> None:
        width, height = screen.size_mm
        print(f"surfscan: the screen shows {width:.0f} x {height:.0f} mm", file=sys.stderr, flush=True)
        if options.keys is not None:
            write_file(options.keys, keys_text(frames, screen).encode())
            print(f"surfscan: keys for the job sheet: {options.keys}", file=sys.stderr, flush=True)

    door, names = None, tuple[str, ...]()
    if options.lan:
        find_page()
        names = (own_address(),)
        door = importlib.import_module("surfscan.ui.door").Door(
            lambda code: print(f"surfscan: code for the next browser: {code}", file=sys.stderr, flush=True)
        )
    try:
        server = ScreenServer(
            page, Series(frames), host="0.0.0.0" if options.lan else "127.0.0.1", port=options.port, door=door,
            names=names, told=told,
        )  # fmt: skip
    except OSError as error:
        raise RefusedError(
            f"Port {options.port} can't be used",
            found=error.strerror or str(error),
            cure="give another with --port",
            allowed="a port that is free, 1024 to 65535",
        ) from None
    print(f"Caution: {CAUTION}")
    print(f"On this computer's screen: http://127.0.0.1:{server.port}  (Ctrl-C stops it)", flush=True)
    if names:
        print(f"On a television or tablet: http://{names[0]}:{server.port}")
        print(f"On the phone, to step: http://{names[0]}:{server.port}/remote", flush=True)
    with server, contextlib.suppress(KeyboardInterrupt):
        server.serve_forever(poll_interval=0.2)
    return 0


def _pixels(text: str) -> tuple[int, int]:
    parts = text.lower().replace("×", "x").split("x")
    if len(parts) != 2 or not all(part.strip().isdigit() for part in parts):
        raise UsageError(
            "--pixels can't be read",
            found=text,
            allowed="such as 3840x2160",
            cure="write width and height with an x between",
        )
    return int(parts[0]), int(parts[1])
