"""The command that serves the page: what it refuses, and that stopping it leaves nothing behind."""

from __future__ import annotations

import errno
import signal
import socket
import time
from pathlib import Path

import pytest
from page_server import certificate, start_server

from surfscan.cli import main
from surfscan.cli.page import find_page, settings


@pytest.mark.parametrize("port", ["0", "80", "70000", "-5"])
def test_a_port_that_cannot_be_used_is_refused(port: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["page", "--port", port]) == 2
    assert "allowed: 1024 to 65535" in capsys.readouterr().err


def test_a_port_that_is_taken_is_told_with_another(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert main(["page", "--port", str(port)]) == 3
    said = capsys.readouterr().err
    assert f"Port {port} is taken" in said
    assert f"surfscan page --port {port + 1}" in said


def test_the_page_is_found_and_its_settings_are_the_servers_names() -> None:
    from streamlit import config

    script = find_page()
    assert script.is_file()
    assert set(settings(script)) <= set(config._config_options_template)


@pytest.mark.parametrize(("how", "status"), [(signal.SIGTERM, 0), (signal.SIGINT, 130)])
def test_it_stops_at_once_and_leaves_nothing(how: signal.Signals, status: int, tmp_path: Path) -> None:
    running = start_server(tmp_path / "page")
    assert list(running.scratch.iterdir()) != []  # its one folder
    running.process.send_signal(how)
    assert running.process.wait(20) == status
    assert list(running.scratch.rglob("*")) == []
    assert "Traceback" not in running.log.read_text()


def test_a_certificate_that_cannot_be_used_is_told_before_anything_listens(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cert, key = certificate(tmp_path / "one")
    _, other = certificate(tmp_path / "two")
    (tmp_path / "text").write_text("no certificate")
    for words, status, says in (
        (["--tls-cert", str(cert)], 2, "--tls-cert alone"),
        (["--tls-key", str(key)], 2, "--tls-key alone"),
        (["--tls-cert", str(cert), "--tls-key", str(other)], 3, "can't be used with the key"),
        (["--tls-cert", str(tmp_path / "text"), "--tls-key", str(key)], 3, "can't be used with the key"),
        (["--tls-cert", str(tmp_path / "none"), "--tls-key", str(key)], 3, "No such file"),
    ):
        assert main(["page", *words]) == status
        assert says in capsys.readouterr().err


def test_a_page_without_room_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    from surfscan.ui import desk

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(desk.tempfile, "TemporaryDirectory", full)
    work = desk.Desk(at_once=1).check("digest", "", [])
    while not work.done:
        time.sleep(0.01)
    assert work.error is not None
    assert "No space left on device" in str(work.error)
    assert "free some room" in work.error.cure
