"""A page served for tests, by the command itself."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

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


def certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate of our own making for this computer, and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    name, now = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")]), datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .sign(key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    shape = (pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "cert.pem").write_bytes(made.public_bytes(pem))
    (folder / "key.pem").write_bytes(key.private_bytes(*shape))
    return folder / "cert.pem", folder / "key.pem"


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
            scheme = "https" if "--tls-cert" in more else "http"
            return Server(f"{scheme}://127.0.0.1:{port}", log, scratch, process)
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
