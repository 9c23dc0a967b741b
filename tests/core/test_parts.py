"""A plain installation checks panels whole; what it lacks is told by the name of its extra."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from surfscan.cli import main
from surfscan.core.errors import RefusedError
from surfscan.core.parts import EXTRAS, missing_part, needing, wanted
from surfscan.fleet.marks import Mark, write_mark
from surfscan.fleet.one import Orders
from surfscan.fleet.places import remote_folders
from surfscan.fleet.pool import Pool
from surfscan.fleet.rows import blank_row
from surfscan.fleet.table import write_tables
from surfscan.results.surfaces import write_x3p

PROJECT = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]


def lists(requirements: list[str]) -> str:
    return " ".join(requirements)


def test_each_library_is_in_the_extra_that_is_named_for_it() -> None:
    extras = PROJECT["optional-dependencies"]
    for library, extra in EXTRAS.items():
        library = library.replace(
            "rfc3161_client", "rfc3161-client"
        )  # as it is imported, and as it is installed
        assert f"{library}>=" in lists(extras[extra])
        assert f"{library}>=" not in lists(PROJECT["dependencies"])
        assert extra in extras["all"][0]
    assert "surfscan[all]" in extras["test"]


def test_what_a_check_and_a_batch_need_is_in_the_core() -> None:
    """Everything they load is loaded where no extra's library can be."""
    rooms = [
        "fleet.work",
        "fleet.table",
        "results.record",
        "checking.relative",
        "change.against",
        "cli.batch",
    ]
    code = f"import sys; sys.modules.update(dict.fromkeys({sorted(EXTRAS)}))\n"
    code += "".join(f"import surfscan.{room}\n" for room in rooms)
    code += "from surfscan.cli import main; main(['check', 'nowhere', '--out', 'x'])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "nowhere does not exist" in done.stderr


@pytest.mark.parametrize("library", sorted(EXTRAS))
def test_a_missing_library_names_its_extra(library: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(RefusedError) as caught:
        wanted(library)
    assert f"no {library}" in str(caught.value)
    assert f"surfscan[{EXTRAS[library]}]" in str(caught.value)


def test_another_missing_module_is_a_fault_of_ours() -> None:
    with pytest.raises(ModuleNotFoundError, match="no_such_module"), needing():
        import no_such_module  # noqa: F401
    assert missing_part(ModuleNotFoundError("x", name="no_such_module")) is None


def test_parts_are_asked_for_where_they_are_used(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for library in ("distributed", "fsspec", "pyarrow", "SurfaceTopography", "streamlit"):
        monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(RefusedError, match="cluster"):
        Pool(Orders("out"), scheduler="local")
    with pytest.raises(RefusedError, match="cluster"):
        remote_folders("s3://bucket")
    with pytest.raises(RefusedError, match="files"):
        write_x3p(tmp_path / "a.x3p", np.zeros((2, 2)), step_mm=1.0)
    write_mark(tmp_path / "job", Mark(blank_row(job="job", identity="", outcome="refused")))
    assert write_tables(str(tmp_path)) == {"jobs": 1, "spots": 0}
    assert not (tmp_path / "jobs.parquet").exists()
    with pytest.raises(RefusedError, match="table"):
        write_tables(str(tmp_path), parquet=True)
    assert main(["page", "--port", "18499"]) == 3
    assert "surfscan[page]" in capsys.readouterr().err
