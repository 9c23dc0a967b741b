"""A page served for tests, by the command itself."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]


@dataclass
class Server:
    """A running page."""

    url: str
    log: Path
    scratch: Path
    process: subprocess.Popen[bytes]

    def codes(self) -> list[str]:
        """The codes that the terminal has shown so far."""
        return re.findall(r"code for the next browser: (\d+)", self.log.read_text())


def start_server(folder: Path, *more: str) -> Server:
    """Start `surfscan page` on a free port, with its temporary files in a folder of its own."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    scratch, log = folder / "tmp", folder / "terminal.txt"
    scratch.mkdir(parents=True)
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(scratch), "HOME": str(folder)}
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "surfscan", "page", "--port", str(port), *more],
            cwd=folder, env=environment, stdout=out, stderr=subprocess.STDOUT,
        )  # fmt: skip
    end = time.monotonic() + 30
    while time.monotonic() < end and process.poll() is None:
        try:
            socket.create_connection(("127.0.0.1", port), 0.5).close()
            return Server(f"http://127.0.0.1:{port}", log, scratch, process)
        except OSError:
            time.sleep(0.05)
    process.kill()
    raise AssertionError(f"the page did not start: {log.read_text()}")


def stop_server(server: Server) -> None:
    server.process.terminate()
    try:
        server.process.wait(15)
    except subprocess.TimeoutExpired:
        server.process.kill()
        server.process.wait(15)
