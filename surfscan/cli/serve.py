"""``surfscan serve``: checks for other programs, over HTTP."""

from __future__ import annotations

import argparse
import os
import secrets
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

from surfscan.cli.complaints import see_least
from surfscan.cli.page import own_address, see_port_is_free
from surfscan.cli.terminal import Parser, named_path
from surfscan.core.errors import RefusedError
from surfscan.core.parts import needing

__all__ = ["add", "run"]

_PORT = 8472
VARIABLE = "SURFSCAN_TOKEN"
_LEAST_TOKEN = 24


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    serve = commands.add_parser(
        "serve",
        parents=[common],
        help="check for other programs, over HTTP",
        description=(
            "Serve a small HTTP interface: send a job, follow it, fetch its result. /docs tells it, /openapi.json"
            f" describes it for programs. A client shows a token: that of the variable {VARIABLE}, or one that is made"
            " and shown here. It listens on this computer only; with --lan on the network too, unencrypted."
        ),
    )
    serve.add_argument("--port", metavar="N", type=int, default=_PORT, help=f"port (default: {_PORT})")
    serve.add_argument(
        "--lan", action="store_true", help="listen on the network too; use it where you trust it"
    )
    serve.add_argument(
        "--out", metavar="DIR", type=named_path,
        help="folder for waiting jobs and results, which are found there again (default: one that goes at the end)",
    )  # fmt: skip
    serve.add_argument("--workers", metavar="N", type=int, help="jobs at once (default: one for each core)")
    serve.add_argument(
        "--queue",
        metavar="N",
        type=int,
        default=200,
        help="jobs that may wait; more are told to come again (200)",
    )
    serve.add_argument("--keep", metavar="DAYS", type=float, default=7.0, help="days a result is kept (7)")
    serve.add_argument("--record", metavar="PATH_OR_URL", help="add results to this record")
    serve.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Serve until stopped."""
    _see_options(options)
    address = "0.0.0.0" if options.lan else "127.0.0.1"
    see_port_is_free(address, options.port, command="serve")
    with needing():
        import uvicorn

        from surfscan.serve.app import make_app
    from surfscan.fleet.lock import kept_alone
    from surfscan.serve.desk import JobDesk

    record = options.record
    if record is not None:
        from surfscan.results.record import open_record

        open_record(record).close()
        record = record if "://" in record else str(Path(record).absolute())
    token = os.environ.get(VARIABLE, "") or secrets.token_urlsafe(24)
    with ExitStack() as stack:
        folder = options.out or Path(
            stack.enter_context(tempfile.TemporaryDirectory(prefix="surfscan-serve-"))
        )
        stack.enter_context(kept_alone(str(folder)))
        desk = stack.enter_context(
            JobDesk(
                folder.absolute(), workers=options.workers, most_waiting=options.queue, record=record,
                keep_days=options.keep,
            )
        )  # fmt: skip
        _announce(options, token)
        settings = uvicorn.Config(
            make_app(desk, token), host=address, port=options.port, log_level="warning", access_log=False,
            timeout_keep_alive=30, timeout_graceful_shutdown=5, server_header=False,
        )  # fmt: skip
        uvicorn.Server(settings).run()
    return 0


def _see_options(options: argparse.Namespace) -> None:
    see_least(options, workers=1, queue=1, keep=0.01)
    given = os.environ.get(VARIABLE, "")
    if given and (
        len(given) < _LEAST_TOKEN or not given.isascii() or not given.isprintable() or " " in given
    ):
        raise RefusedError(
            f"The token in {VARIABLE} can't be used",
            found=f"{len(given)} letters",
            allowed=f"{_LEAST_TOKEN} plain letters and digits or more, without blanks",
            cure=f"make one: python -c 'import secrets; print(secrets.token_urlsafe(24))'; or unset {VARIABLE}",
        )


def _announce(options: argparse.Namespace, token: str) -> None:
    print(f"surfscan: the service is at http://127.0.0.1:{options.port}  (Ctrl-C stops it)", flush=True)
    if options.lan:
        print(f"surfscan: on this network: http://{own_address()}:{options.port}", flush=True)
    if os.environ.get(VARIABLE):
        print(f"surfscan: the token is that of {VARIABLE}", flush=True)
    else:
        print(f"surfscan: token for clients: {token}", flush=True)
    print(f"surfscan: how to use it: http://127.0.0.1:{options.port}/docs", file=sys.stderr, flush=True)
