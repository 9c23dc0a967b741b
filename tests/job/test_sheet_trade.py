"""Stages and substrates as a shop writes them."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import pytest

from surfscan.core.errors import RefusedError
from surfscan.core.trade_names import STAGES, SUBSTRATES, stage_named, substrate_named
from surfscan.job.new_sheet import QUESTIONS
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.job.sheet_trade import Stage, Substrate

_JOB = Path(__file__).parents[2] / "fixtures/jobs/flat/panel.toml"


def _sheet(folder: Path, panel: str) -> Sheet:
    text = _JOB.read_text(encoding="utf-8").replace('stage = "primer"', panel)
    (folder / "panel.toml").write_text(text, encoding="utf-8")
    return load_sheet(folder, need_photos=False)


def test_names_are_the_same_in_the_sheet_and_in_the_core() -> None:
    assert get_args(Stage) == STAGES
    assert get_args(Substrate) == SUBSTRATES
    assert all(stage_named(name) == name for name in STAGES)
    assert all(substrate_named(name) == name for name in SUBSTRATES)


@pytest.mark.parametrize(
    ("typed", "stage"),
    [
        ("Primer", "primer"),
        ("BARE METAL", "bare-metal"),
        ("bare_metal", "bare-metal"),
        ("Primer-Surfacer", "primer"),
        ("high build", "primer"),
        ("body filler", "filler"),
        ("Glazing putty", "putty"),
        ("sealer", "sealer"),
        ("basecoat", "base"),
        ("Base Coat", "base"),
        (" clear  coat ", "clear"),
        ("lacquer", "clear"),
    ],
)
def test_a_stage_in_any_case_and_by_its_other_names(tmp_path: Path, typed: str, stage: str) -> None:
    assert _sheet(tmp_path, f'stage = "{typed}"').panel.stage == stage
    (question,) = [q for q in QUESTIONS if q.name == "stage"]
    assert question.read(typed) == stage


@pytest.mark.parametrize(
    ("typed", "near"),
    [("primr", "primer"), ("claer", "clear"), ("body filer", "filler"), ("seeler", "sealer")],
)
def test_a_miss_names_the_nearest(tmp_path: Path, typed: str, near: str) -> None:
    with pytest.raises(RefusedError) as caught:
        _sheet(tmp_path, f'stage = "{typed}"')
    for part in ("panel.stage", typed, "sealer", f"nearest is {near}"):
        assert part in str(caught.value)


def test_a_word_near_nothing_is_refused_without_a_guess(tmp_path: Path) -> None:
    with pytest.raises(RefusedError) as caught:
        _sheet(tmp_path, 'stage = "xyzzy"')
    assert "nearest" not in str(caught.value)


def test_substrate_and_film(tmp_path: Path) -> None:
    panel = _sheet(tmp_path, 'stage = "clear"').panel
    assert (panel.substrate, panel.film_mm) == ("unknown", None)
    panel = _sheet(tmp_path, 'stage = "clear"\nsubstrate = "Aluminum"\nfilm_mm = 0.12').panel
    assert (panel.substrate, panel.film_mm) == ("aluminium", 0.12)
    assert _sheet(tmp_path, 'stage = "clear"\nsubstrate = "carbon fibre"').panel.substrate == "fibreglass"
    with pytest.raises(RefusedError, match="nearest is steel"):
        _sheet(tmp_path, 'stage = "clear"\nsubstrate = "stel"')


@pytest.mark.parametrize("film", ["0", "-0.1", "120", "nan", '"0.1"'])
def test_a_film_that_is_none(tmp_path: Path, film: str) -> None:
    with pytest.raises(RefusedError, match=r"panel\.film_mm"):
        _sheet(tmp_path, f'stage = "clear"\nfilm_mm = {film}')
