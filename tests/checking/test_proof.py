"""A station held against a known tilt: on photos of a mirror tile by the independent renderer, and its certificate."""

from __future__ import annotations

import shutil
from datetime import date, timedelta
from pathlib import Path

import pytest

from surfscan.checking.proof import Gauge, prove
from surfscan.checking.setup_doubts import proof_reasons
from surfscan.cli import main
from surfscan.core.errors import RefusedError
from surfscan.core.message import Weight
from surfscan.job.proof_file import PROOF_DAYS, ProofFile, proof_text, read_proof
from surfscan.job.sheet import load_sheet

TILES = Path(__file__).parents[2] / "fixtures" / "proof"
TODAY = date(2026, 5, 4)
GAUGE = Gauge(0.5, 180.0)
"""As rendered: half a millimetre under the right edge of a tile 180 mm wide (tests/renders/scene_table.py)."""


@pytest.fixture(scope="module")
def proof() -> ProofFile:
    return prove(TILES / "tile-flat", TILES / "tile-tilted", GAUGE, today=TODAY)


def test_a_good_station_measures_the_gauges_tilt(proof: ProofFile) -> None:
    assert proof.known_mrad == pytest.approx(1e3 * 0.5 / 180, rel=1e-5)
    assert proof.ratio == pytest.approx(1, abs=0.02)
    assert proof.holds
    assert proof.u95 < 0.06


def test_a_board_stated_too_far_fails_the_proof(tmp_path: Path) -> None:
    for name in ("tile-flat", "tile-tilted"):
        folder = Path(shutil.copytree(TILES / name, tmp_path / name))
        text = (folder / "panel.toml").read_text()
        line = next(row for row in text.splitlines() if row.startswith("centre_mm"))
        place = [float(v) * 1.15 for v in line.split("[")[1].rstrip("]").split(",")]
        (folder / "panel.toml").write_text(text.replace(line, f"centre_mm = {place}"))
    off = prove(tmp_path / "tile-flat", tmp_path / "tile-tilted", GAUGE, today=TODAY)
    # Slopes go with one over the distance from the tile to the board.
    assert off.ratio == pytest.approx(1 / 1.15, abs=0.03)
    assert not off.holds
    with pytest.raises(RefusedError, match="differ in"):
        prove(TILES / "tile-flat", tmp_path / "tile-tilted", GAUGE, today=TODAY)


def test_too_thick_a_gauge_is_refused_with_the_most_it_may_be() -> None:
    with pytest.raises(RefusedError, match=r"up to \d+\.\d+ mm"):
        prove(TILES / "tile-flat", TILES / "tile-tilted", Gauge(5.0, 180.0), today=TODAY)


def test_the_certificate_comes_back_as_it_was(proof: ProofFile, tmp_path: Path) -> None:
    path = tmp_path / "proof.toml"
    path.write_text(proof_text(proof))
    again = read_proof(path)
    assert again.date == TODAY
    assert again.ratio == pytest.approx(proof.ratio, abs=1e-5)
    path.write_text(proof_text(proof).replace("ratio", "ration"))
    with pytest.raises(RefusedError, match="ration"):
        read_proof(path)


def test_what_a_certificate_says_of_a_job(proof: ProofFile) -> None:
    board = load_sheet(TILES / "tile-flat").board
    assert board is not None

    def told(certificate: ProofFile, days: int) -> tuple[str, Weight]:
        (one,) = proof_reasons(certificate, board, TODAY + timedelta(days))
        return one.code, one.weight

    assert told(proof, PROOF_DAYS) == ("setup-proved", Weight.NOTE)
    assert told(proof, PROOF_DAYS + 1)[0] == "setup-proof-old"
    assert told(proof, -1)[0] == "setup-proof-old"
    failed = proof.model_copy(update={"ratio": 1.2})
    assert told(failed, 0) == ("setup-proof-fails", Weight.DOUBT)
    elsewhere = proof.model_copy(update={"centre_mm": (0.0, 500.0, 700.0)})
    assert told(elsewhere, 0)[0] == "setup-proof-other"


def test_a_sheet_names_its_proof(
    proof: ProofFile, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = Path(shutil.copytree(TILES / "tile-flat", tmp_path / "job"))
    args = ["prove", str(TILES / "tile-flat"), str(TILES / "tile-tilted"), "--gauge", "0.5", "--over", "180"]
    assert main([*args, "--out", str(job / "proof.toml")]) == 0
    assert "The proof holds" in capsys.readouterr().out
    text = (job / "panel.toml").read_text()
    (job / "panel.toml").write_text(text.replace("[board]", '[board]\nproof = "proof.toml"'))
    main(["check", str(job), "--out", str(tmp_path / "result"), "--why"])
    out = capsys.readouterr().out
    assert "Scale proved on" in out
    assert "Scale by tape" not in out
    (job / "proof.toml").unlink()
    with pytest.raises(RefusedError, match="not there"):
        load_sheet(job)
