"""A service started for tests by the command itself, and the memory it takes."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass
class Service:
    """A running service, its address and its token."""

    url: str
    token: str
    process: subprocess.Popen[str]

    @property
    def headers(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.token}"}

    def memory_mb(self) -> float:
        """Resident memory of the service itself, without its workers; MB. Its greatest so far, on Linux."""
        text = Path(f"/proc/{self.process.pid}/status").read_text()
        found = re.search(r"VmHWM:\s+(\d+) kB", text)
        assert found is not None
        return int(found[1]) * 1024 / 1e6

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(15)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(15)


def start_service(folder: Path, *more: str, token: str = "") -> Service:
    """Start `surfscan serve` on a free port; it is ready when this returns."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    folder.mkdir(parents=True, exist_ok=True)
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(folder), "PYTHONUNBUFFERED": "1"}
    environment |= {"SURFSCAN_TOKEN": token} if token else {}
    log = folder / "terminal.txt"
    with log.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "surfscan", "serve", "--port", str(port), *more],
            cwd=folder, env=environment, stdout=out, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
    end = time.monotonic() + 60
    while time.monotonic() < end and process.poll() is None:
        try:
            socket.create_connection(("127.0.0.1", port), 0.5).close()
        except OSError:
            time.sleep(0.05)
            continue
        shown = re.search(r"token for clients: (\S+)", log.read_text())
        return Service(f"http://127.0.0.1:{port}", token or (shown[1] if shown else ""), process)
    process.kill()
    raise AssertionError(f"the service did not start: {log.read_text()}")
