"""The command that serves the page: what it refuses, and that stopping it leaves nothing behind."""

from __future__ import annotations

import signal
import socket
from pathlib import Path

import pytest
from page_server import start_server

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
