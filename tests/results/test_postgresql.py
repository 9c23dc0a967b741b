"""The record on a PostgreSQL server, a real one, started for the test from Debian's package.

Where no server is installed the tests say so and are left out, except where SURFSCAN_NEED_POSTGRESQL is set (as
`.ci/run` sets it): there its absence is a failure.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from result_folders import bump, grid, make_folder, spot
from results.old_record import write_version_1
from sqlalchemy import create_engine, text

from surfscan.core.errors import RefusedError
from surfscan.results.proofs import Proof, forget_proofs, keep_proof, list_proofs
from surfscan.results.record import open_record
from surfscan.shop.figures import learn


def _programs() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[4]))
    if found:
        return found[-1].parent
    here = shutil.which("initdb")
    return None if here is None else Path(here).parent


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """URL of the server's first database, without its name."""
    programs = _programs()
    if programs is None:
        say = "no PostgreSQL server here: apt-get install postgresql, then these tests run"
        if os.environ.get("SURFSCAN_NEED_POSTGRESQL"):
            pytest.fail(say)
        pytest.skip(say)
    # As root the server refuses to run, so it runs as its own user, in a folder of that user's.
    root = os.geteuid() == 0
    become = ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups"] if root else []
    folder = Path(tempfile.mkdtemp(prefix="surfscan-postgresql-"))
    if root:
        shutil.chown(folder, "postgres", "postgres")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    data = folder / "data"
    environment = {**os.environ, "HOME": str(folder)}

    def run(*command: str) -> None:
        done = subprocess.run(
            [*become, *command], cwd=folder, env=environment, capture_output=True, text=True, timeout=60
        )
        assert done.returncode == 0, done.stdout + done.stderr

    run(str(programs / "initdb"), "-D", str(data), "-A", "trust", "-U", "shop", "--no-sync")
    options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={folder}"
    try:
        run(
            str(programs / "pg_ctl"), "-D", str(data), "-w", "-o", options, "-l", str(folder / "log"), "start"
        )
        yield f"postgresql://shop@127.0.0.1:{port}"
    finally:
        run(str(programs / "pg_ctl"), "-D", str(data), "-m", "immediate", "stop")
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def database(server: str, request: pytest.FixtureRequest) -> str:
    """A fresh database."""
    name = "t" + "".join(c for c in request.node.name if c.isalnum())[:40].lower()
    engine = create_engine(
        server.replace("postgresql:", "postgresql+psycopg:") + "/postgres", isolation_level="AUTOCOMMIT"
    )
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    engine.dispose()
    return f"{server}/{name}"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    x, y = grid(20.0)
    xx, yy = np.meshgrid(x, y)
    return make_folder(
        tmp_path / "out", x, y, bump(xx, yy, peak=-0.3), spots=[spot(1, "low", 0, 0, -0.3, 0.01)]
    )


def test_a_pass_comes_back_and_is_forgotten(folder: Path, database: str) -> None:
    with open_record(database) as record:
        assert record.add(folder, job="2026-0147") == 1
        assert record.add(folder, job="2") == 2
    with open_record(database) as record:
        assert [row.job for row in record.history()] == ["2026-0147", "2"]
        assert record.files(1)["height.npz"] == (folder / "height.npz").read_bytes()
        assert record.files(1)["result.json"] == (folder / "result.json").read_bytes()
        assert record.forget([1]) == 1
        assert [row.id for row in record.history()] == [2]
        assert record.unreadable() == []


def test_eight_bays_write_at_once_also_into_a_new_record(folder: Path, database: str) -> None:
    code = [sys.executable, str(Path(__file__).parent / "writing.py"), database, str(folder)]
    done = subprocess.run(code, capture_output=True, text=True, check=True, timeout=90)
    assert done.stderr == ""
    given = json.loads(done.stdout)
    assert sorted(map(len, given.values())) == [5] * 8
    with open_record(database) as record:
        assert record.unreadable() == []
        for job, numbers in given.items():
            assert [row.id for row in record.history(job=job)] == numbers


def test_eight_bays_with_one_result_add_one_pass(folder: Path, database: str) -> None:
    with open_record(database) as record, ThreadPoolExecutor(8) as bays:
        numbers = list(bays.map(lambda _: record.add(folder, once="k" * 59), range(24)))
        assert numbers == [numbers[0]] * 24
        assert [row.id for row in record.history()] == numbers[:1]


def test_the_shops_figures_are_kept_and_forgotten_there_too(database: str, tmp_path: Path) -> None:
    x, y = grid(4.0)
    with open_record(database) as record:
        for k, peak in enumerate((-0.5, 0.0)):
            low = [spot(1, "low", 0, 0, peak, 0.01)] if peak else None
            made = make_folder(tmp_path / str(k), x, y, bump(*np.meshgrid(x, y), peak=peak), spots=low)
            record.add(made, job="7")
    keep_proof(database, Proof("bay 3", "2026-01-01T08:00:00+00:00", 1.0, 0.01))
    assert [one.station for one in list_proofs(database, "bay 3")] == ["bay 3"]
    for _ in range(2):  # worked out, then kept
        assert [round(one.most_mm, 2) for one in learn(database, compare=True).went_on] == [0.5, 0.5]
    with open_record(database) as record:
        record.forget([1])
    engine = create_engine(database.replace("postgresql:", "postgresql+psycopg:"))
    with engine.connect() as connection:
        assert connection.execute(text("SELECT count(*) FROM surfscan_build")).scalar() == 0
    engine.dispose()
    assert forget_proofs(database, "bay 3") == 1


def test_version_1_becomes_version_2(folder: Path, database: str) -> None:
    engine = create_engine(database.replace("postgresql:", "postgresql+psycopg:"))
    write_version_1(engine, {3: folder, 4: folder})
    engine.dispose()
    with open_record(database) as record:
        assert [row.id for row in record.history()] == [3, 4]
        assert record.files(4)["height.npz"] == (folder / "height.npz").read_bytes()
        assert record.add(folder) == 5


def test_a_damaged_pass_is_told_and_the_others_stay(folder: Path, database: str) -> None:
    with open_record(database) as record:
        for _ in range(2):
            record.add(folder)
    engine = create_engine(database.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        connection.execute(text("UPDATE surfscan_maps SET packed = 'x' WHERE pass_id = 2"))
    engine.dispose()
    with open_record(database) as record:
        with pytest.raises(RefusedError, match="Pass 2"):
            record.get(2)
        assert record.get(1).panel["name"] == "made panel"


def test_a_database_that_is_not_there_is_told(server: str) -> None:
    with pytest.raises(RefusedError, match="cannot be used"):
        open_record(f"{server}/nothing")
