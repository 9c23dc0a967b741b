"""Progress in the record's file: by choice, first answers stand, forgotten means gone."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from surfscan.core.errors import RefusedError, UsageError
from surfscan.results.progress import forget_apprentice, keep_answer, list_progress
from surfscan.results.record import open_record


def test_answers_are_counted_and_the_first_one_stands(tmp_path: Path) -> None:
    shop = tmp_path / "shop.db"
    assert keep_answer(shop, " Ada ", kind="how-deep", seed=1, number=1, points=40)
    assert not keep_answer(shop, "Ada", kind="how-deep", seed=1, number=1, points=100)
    assert keep_answer(shop, "Ada", kind="how-deep", seed=1, number=2, points=80)
    assert keep_answer(shop, "17", kind="which-way", seed=1, number=1, points=100)
    told = [(row.apprentice, row.kind, row.answers, row.points) for row in list_progress(shop)]
    assert told == [("17", "which-way", 1, 100.0), ("Ada", "how-deep", 2, 60.0)]
    assert [row.apprentice for row in list_progress(shop, "Ada")] == ["Ada"]
    with open_record(shop) as record:  # it is a record as any other
        assert record.history() == []


def test_nothing_is_made_before_it_is_asked_for(tmp_path: Path) -> None:
    shop = tmp_path / "shop.db"
    open_record(shop).close()
    assert list_progress(shop) == []
    assert forget_apprentice(shop, "Ada") == 0
    with closing(sqlite3.connect(shop)) as plain:
        names = {name for (name,) in plain.execute("SELECT name FROM sqlite_master")}
    assert "surfscan_answer" not in names


def test_forgotten_means_gone_from_the_bytes(tmp_path: Path) -> None:
    shop = tmp_path / "shop.db"
    keep_answer(shop, "Zebulonia", kind="how-deep", seed=1, number=1, points=40)
    keep_answer(shop, "17", kind="how-deep", seed=1, number=1, points=40)
    assert forget_apprentice(shop, "Zebulonia") == 1
    assert [row.apprentice for row in list_progress(shop)] == ["17"]
    for path in tmp_path.iterdir():
        assert b"Zebulonia" not in path.read_bytes()


@pytest.mark.parametrize("name", ["", "Ada Example", "A1", "1234567", "x" * 25, "a@b"])
def test_only_a_first_name_or_a_number(name: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="one word") as caught:
        keep_answer(tmp_path / "shop.db", name, kind="how-deep", seed=1, number=1, points=1)
    assert caught.value.found
    assert caught.value.cure
    assert list(tmp_path.iterdir()) == []


def test_names_stay_on_the_trainers_machine() -> None:
    with pytest.raises(RefusedError, match="address on the network"):
        keep_answer("postgresql://host/shop", "Ada", kind="how-deep", seed=1, number=1, points=1)
    with pytest.raises(ValueError, match="0 to 100"):
        keep_answer("shop.db", "Ada", kind="how-deep", seed=1, number=1, points=101)
