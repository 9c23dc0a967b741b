"""``surfscan page``: the page in a browser."""

from __future__ import annotations

import argparse
import importlib.util
import logging
import os
import signal
import socket
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import Any, NoReturn

from surfscan.cli.recording import VARIABLE, record_path
from surfscan.cli.terminal import Parser
from surfscan.core.errors import RefusedError, UsageError
from surfscan.core.parts import missing_part

__all__ = ["add", "find_page", "own_address", "run", "see_port_is_free", "settings"]

_PORT = 8471
_NAME = "surfscan.ui"
WATCH_VARIABLE = "SURFSCAN_WATCH"


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    page = commands.add_parser(
        "page",
        parents=[common],
        help="open the page for a browser",
        description="Serve the page: check a panel, look closer, teach, papers. It listens on this computer only; "
        "with --lan also phones on the same network can open it, each with a code that this terminal shows.",
    )
    page.add_argument(
        "--port", metavar="N", type=int, default=_PORT, help=f"port to listen on (default: {_PORT})"
    )
    page.add_argument(
        "--lan", action="store_true", help="let phones on the network in, with a one-time code each"
    )
    page.add_argument(
        "--record", metavar="PATH_OR_URL", help=f"show this record under The shop (default: {VARIABLE})"
    )
    page.add_argument(
        "--watch", metavar="DIR", type=Path, help="show what surfscan watch --out DIR does there"
    )
    page.add_argument(
        "--tls-cert",
        metavar="FILE",
        type=Path,
        help="serve by TLS, with this certificate (PEM, with its chain)",
    )
    page.add_argument("--tls-key", metavar="FILE", type=Path, help="the certificate's private key (PEM)")
    page.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Serve until stopped."""
    if options.record is not None:
        os.environ[VARIABLE] = record_path(options)
    if options.watch is not None:
        os.environ[WATCH_VARIABLE] = str(options.watch.absolute())
    script = find_page()
    secure = _see_tls(options.tls_cert, options.tls_key)
    address = "0.0.0.0" if options.lan else "127.0.0.1"
    see_port_is_free(address, options.port)
    try:
        import streamlit
        from starlette.middleware import Middleware
    except ModuleNotFoundError as error:
        raise missing_part(error) or error from None
    guard = importlib.import_module(f"{_NAME}.guard")
    sets = importlib.import_module(f"{_NAME}.sets")
    middleware = [
        Middleware(guard.GuardMiddleware, lan=options.lan, secure=secure),
        Middleware(
            sets.SetMiddleware
        ),  # outside the door: a set sees what it is told to draw, and nothing else
    ]
    scheme = "https" if secure else "http"
    print(f"surfscan: the page is at {scheme}://127.0.0.1:{options.port}  (Ctrl-C stops it)", flush=True)
    if options.lan:
        door = importlib.import_module(f"{_NAME}.door")
        lock = door.Door(
            lambda code: show_code(code, f"{scheme}://{own_address()}:{options.port}"), warn=_warn_of_guesses
        )
        middleware.append(Middleware(door.DoorMiddleware, door=lock))
        if not secure:
            print(
                "surfscan: whoever can listen to this network can read along; --tls-cert and --tls-key shut them out"
            )
    uploads = importlib.import_module(f"{_NAME}.uploads")
    middleware += [Middleware(uploads.UploadMiddleware), Middleware(guard.PackMiddleware)]
    logging.getLogger("uvicorn").setLevel(logging.WARNING)
    given = {**settings(script), "server.port": options.port, "server.address": address}
    given["server.xsrfCookieSameSite"] = "strict"
    if not options.lan:
        given["server.allowedHosts"] = ["127.0.0.1", "localhost"]
    if secure:
        given |= {"server.sslCertFile": str(options.tls_cert), "server.sslKeyFile": str(options.tls_key)}
    # The server reads the program's arguments as the script's own; there are none.
    sys.argv = [str(script)]
    # Whatever is put on disk for a moment lies in one folder, which goes when the server does, however it is stopped.
    signal.signal(signal.SIGTERM, _stop)
    with tempfile.TemporaryDirectory(prefix="surfscan-page-", ignore_cleanup_errors=True) as own:
        tempfile.tempdir = own
        streamlit.App(script, middleware=middleware).run(config=given)
    return 0


def show_code(code: str, address: str) -> None:
    """Tell the next browser's code at the terminal, and draw it with the address for a phone's camera."""
    print(f"surfscan: for phones on this network: {address}", flush=True)
    if sys.stdout.isatty():
        import segno

        # Behind the #, which no browser sends: the code reaches the page's own script and no log.
        segno.make(f"{address}/#{code}", error="m").terminal(compact=True)
    print(f"surfscan: code for the next browser: {code}", flush=True)


def _warn_of_guesses(who: str, count: int) -> None:
    print(f"surfscan: {count} wrong codes from {who}; it must wait", file=sys.stderr, flush=True)


def _see_tls(cert: Path | None, key: Path | None) -> bool:
    """Whether to serve by TLS; what is wrong with the certificate is told before anything listens.

    Raises
    ------
    UsageError, RefusedError
        One without the other; files that are none, or do not belong together.
    """
    if cert is None and key is None:
        return False
    if cert is None or key is None:
        raise UsageError(
            "A certificate and its key go together",
            found="--tls-key alone" if cert is None else "--tls-cert alone",
            allowed="--tls-cert FILE --tls-key FILE, or neither",
            cure="give both",
        )
    import ssl

    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key, password=lambda: "")
    except (OSError, ValueError) as error:  # SSLError is an OSError
        raise RefusedError(
            f"The certificate {cert} can't be used with the key {key}",
            found=str(error),
            allowed="a certificate in PEM and its own private key, without a phrase",
            cure="check both files, and that they were made together",
        ) from None
    return True


def _stop(number: int, frame: object) -> NoReturn:
    raise SystemExit(0)


def find_page() -> Path:
    """Return the page's script, with `surfscan.ui` made importable in a clone that was not installed.

    Raises
    ------
    RefusedError
        When this installation has no page.
    """
    spec = importlib.util.find_spec(_NAME)
    if spec is None or spec.origin is None:
        folder = Path(__file__).parents[2] / "ui"
        if not (folder / "app.py").is_file():
            raise RefusedError(
                "This installation has no page",
                found=f"no {_NAME}",
                cure="install surfscan again, whole",
                allowed="a whole installation",
            )
        spec = importlib.util.spec_from_file_location(
            _NAME, folder / "__init__.py", submodule_search_locations=[str(folder)]
        )
        assert spec is not None  # for the type checker, as the next one
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[_NAME] = module
        spec.loader.exec_module(module)
    return Path(str(spec.origin)).with_name("app.py")


def settings(script: Path) -> dict[str, Any]:
    """The page's own settings file as dotted names, so that they hold in whatever folder it is started."""
    tables = tomllib.loads((script.parent / ".streamlit" / "config.toml").read_text(encoding="utf-8"))
    flat: dict[str, Any] = {}

    def walk(table: dict[str, Any], path: str) -> None:
        for key, value in table.items():
            if isinstance(value, dict):
                walk(value, f"{path}{key}.")
            else:
                flat[path + key] = value

    walk(tables, "")
    return flat


def see_port_is_free(address: str, port: int, *, command: str = "page") -> None:
    """Refuse a port that another program listens on, or that may not be used (UsageError, RefusedError)."""
    if not 1024 <= port <= 65535:
        raise UsageError(
            "--port can't be used", found=str(port), allowed="1024 to 65535", cure="give another --port"
        )
    with socket.socket() as test:
        test.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            test.bind((address, port))
        except OSError:
            raise RefusedError(
                f"Port {port} is taken",
                cure=f"stop what uses it (another {command}?), or give another: surfscan {command} --port {port + 1}",
                found="another program listens there",
                allowed="a port that is free, 1024 to 65535",
            ) from None


def own_address() -> str:
    """This machine's address on the network, as the way out of it tells; no packet is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address, RFC 5737: routed like any other
            return str(probe.getsockname()[0])
        except OSError:
            return "this computer's address"
