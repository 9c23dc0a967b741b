"""Many jobs: each once, whatever happens to one of them; the same bytes here and on a cluster; one table of all."""

from __future__ import annotations

import csv
import json
import shutil
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import duckdb
import fsspec
import pandas as pd
import pyarrow.parquet
import pytest
from fsspec.implementations.memory import MemoryFileSystem

from surfscan.cli import main
from surfscan.core.errors import RefusedError, UsageError
from surfscan.fleet.apart import Bounds, EndedError, Keeper
from surfscan.fleet.find import Job, find_jobs
from surfscan.fleet.lock import kept_alone
from surfscan.fleet.marks import MARK
from surfscan.fleet.one import Done, Orders, run_job
from surfscan.fleet.pool import Pool
from surfscan.fleet.rows import JOB_COLUMNS, OUTCOMES, SPOT_COLUMNS, worst_status
from surfscan.fleet.table import write_tables
from surfscan.job.sheet import load_sheet
from surfscan.places.stations import new_station
from surfscan.results.record import open_record
from surfscan.results.stored import load_result

WHOLE = ["height.npz", "job.json", "map.png", "overlay.png", "result.json", "small.jpg", "spots.csv"]


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def told(path: Path) -> dict[str, Any]:
    """What a result says, its run aside."""
    document = json.loads(path.read_text())
    del document["run"]
    return dict(document)


@pytest.fixture(scope="module")
def tree(tiny: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two good jobs, one whose sheet is wrong, one whose photo is missing, one whose photo is cut short."""
    top = tmp_path_factory.mktemp("tree")
    for name in ("a/good", "b/good", "b/cut", "b/gone", "wrong"):
        shutil.copytree(tiny, top / name)
    sheet = top / "b" / "good" / "panel.toml"
    sheet.write_text(sheet.read_text().replace('name = "known panel"', 'name = "<b>=1+1</b>"'))
    photo = top / "b" / "cut" / "stripes-up.jpg"
    photo.write_bytes(photo.read_bytes()[:3000])
    (top / "b" / "gone" / "stripes-up.jpg").unlink()
    (top / "wrong" / "panel.toml").write_text("[panel]\nsise_mm = [1, 2]\n")
    return top


@pytest.fixture(scope="module")
def run_once(tree: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """The tree through the command, with a record and a log."""
    out = tmp_path_factory.mktemp("results") / "out"
    record = out.parent / "shop.db"
    status = main(["batch", str(tree), "--out", str(out), "--workers", "2", "--record", str(record)])
    return out, status


@pytest.fixture
def copied(run_once: tuple[Path, int], tmp_path: Path) -> Path:
    """The results, to be changed."""
    return Path(shutil.copytree(run_once[0], tmp_path / "out"))


@pytest.fixture(scope="module")
def keeper() -> Iterator[Keeper]:
    with Keeper(one_thread=True, load=("surfscan.fleet.work",)) as made:
        made.start()
        yield made


def test_every_job_is_a_row_with_its_status(run_once: tuple[Path, int]) -> None:
    out, status = run_once
    assert status == 3
    with (out / "jobs.csv").open(newline="") as file:
        rows = {row["job"]: row for row in csv.DictReader(file)}
    assert {name: (row["outcome"], row["status"]) for name, row in rows.items()} == {
        "a/good": ("rework", "10"),
        "b/good": ("rework", "10"),
        "b/cut": ("refused", "3"),
        "b/gone": ("refused", "3"),
        "wrong": ("refused", "3"),
    }
    assert "sise_mm" in rows["wrong"]["reason"]
    assert "stripes-up.jpg" in rows["b/gone"]["reason"]
    assert rows["b/good"]["panel"] == "<b>=1+1</b>"
    assert names(out / "a" / "good") == WHOLE
    assert names(out / "wrong") == [MARK]
    result = load_result(out / "a" / "good")
    assert float(rows["a/good"]["worst_mm"]) == pytest.approx(-0.15, abs=0.02)
    assert float(rows["a/good"]["worst_mm"]) == result.spots[0].peak_mm
    log = (out / "batch.log").read_text().splitlines()
    assert sorted(line.split("\t")[3] for line in log) == sorted(rows)


def test_again_does_nothing_and_only_what_changed_is_done(
    copied: Path, tree: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {path: path.stat().st_mtime_ns for path in copied.rglob(MARK)}
    jobs = Path(shutil.copytree(tree, tmp_path / "tree"))

    def fresh(*more: str) -> set[str]:
        main(["batch", str(jobs), "--out", str(copied), "--json", "--quiet", *more])
        lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
        assert lines[-1]["event"] == "end"
        assert lines[-1]["jobs"] == 5
        assert all({column.name for column in JOB_COLUMNS} <= set(line) for line in lines[:-1])
        return {line["job"] for line in lines[:-1] if line["fresh"]}

    assert fresh() == set()
    assert {path: path.stat().st_mtime_ns for path in copied.rglob(MARK)} == before
    assert fresh("--retry", "refused") == {"b/cut", "b/gone", "wrong"}
    shutil.copy(jobs / "b" / "cut" / "stripes-up.jpg", jobs / "b" / "gone" / "stripes-up.jpg")
    (copied / "wrong" / MARK).write_text('{"schema": 1, "job": {"identity"')  # cut short
    photo = jobs / "a" / "good" / "stripes-up.jpg"
    photo.write_bytes(photo.read_bytes()[:2000])
    assert fresh() == {"a/good", "b/gone", "wrong"}
    assert names(copied / "a" / "good") == [MARK]  # what was measured from other photos is not left beside it


def test_a_result_without_its_mark_is_not_read(copied: Path, tree: Path, keeper: Keeper) -> None:
    """As a kill between the files and the mark leaves it."""
    job = next(one for one in find_jobs([tree]) if one.name == "wrong")
    (copied / "wrong" / MARK).unlink()
    shutil.rmtree(copied / "b")
    assert write_tables(str(copied)) == {"jobs": 1, "spots": 1}
    assert run_job(job, Orders(str(copied)), keeper=keeper).fresh
    assert write_tables(str(copied)) == {"jobs": 2, "spots": 1}
    assert not run_job(job, Orders(str(copied)), keeper=keeper).fresh


def test_the_tables_say_the_same_in_pandas_and_duckdb(run_once: tuple[Path, int]) -> None:
    out, _ = run_once
    for name, columns in (("jobs", JOB_COLUMNS), ("spots", SPOT_COLUMNS)):
        text, packed = pd.read_csv(out / f"{name}.csv"), pd.read_parquet(out / f"{name}.parquet")
        assert list(text) == list(packed) == [column.name for column in columns]
        plain, other = (table.astype(object).where(table.notna(), None) for table in (text, packed))
        pd.testing.assert_frame_equal(plain, other, check_dtype=False)
        schema = pyarrow.parquet.read_schema(out / f"{name}.parquet")
        assert [field.metadata[b"meaning"].decode() for field in schema] == [
            column.meaning for column in columns
        ]
        assert duckdb.sql(f"SELECT count(*) FROM '{out / name}.parquet'").fetchall() == [(len(packed),)]
    deepest = duckdb.sql(f"SELECT min(peak_mm) FROM '{out / 'spots.parquet'}' WHERE kind = 'low'").fetchall()
    assert deepest[0][0] == min(load_result(out / one / "good").spots[0].peak_mm for one in "ab")


def test_every_column_is_told_in_the_guide() -> None:
    guide = (resources.files("surfscan") / "data" / "guide" / "many-panels.md").read_text(encoding="utf-8")
    for name, columns in (("jobs", JOB_COLUMNS), ("spots", SPOT_COLUMNS)):
        part = guide.split(f"### `{name}`\n")[1].split("\n#")[0]
        rows = [line for line in part.splitlines() if line.startswith("| `")]
        assert rows == [f"| `{column.name}` | {column.kind} | {column.meaning} |" for column in columns]


def test_the_record_has_each_result_once(run_once: tuple[Path, int], tree: Path) -> None:
    out, _ = run_once
    record = out.parent / "shop.db"
    with open_record(record) as opened:
        assert [row.panel for row in opened.history()].count("<b>=1+1</b>") == 1
        assert len(opened.history()) == 2
        assert {one.verdict for one in opened.history()} == {"rework"}
        first = opened.history()[0].id
        opened.forget([first])
    from surfscan.fleet import one

    one._recorded.clear()  # as in another process
    main(["batch", str(tree), "--out", str(out), "--quiet", "--record", str(record)])
    with open_record(record) as opened:
        assert len(opened.history()) == 2


def test_two_processes_of_dask_find_the_same_bytes(
    run_once: tuple[Path, int], tree: Path, tmp_path: Path
) -> None:
    """A real scheduler and two worker processes on this machine; a job that is refused goes the same way."""
    jobs, out = (
        [job for job in find_jobs([tree]) if job.name in ("a/good", "b/good", "wrong")],
        tmp_path / "out",
    )
    with Pool(Orders(str(out)), workers=2, scheduler="local") as pool:
        rows = {done.row["job"]: done.row for done in pool.run(jobs)}
    assert Counter(row["outcome"] for row in rows.values()) == {"rework": 2, "refused": 1}
    for job in ("a/good", "b/good"):
        here, there = run_once[0] / job / "result.json", out / job / "result.json"
        assert json.dumps(told(there)) == json.dumps(told(here))
        assert (out / job / "height.npz").read_bytes() == (run_once[0] / job / "height.npz").read_bytes()


def test_no_scheduler_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("surfscan.fleet.cluster._PATIENCE_S", 0.3)
    with pytest.raises(RefusedError, match=r"scheduler tcp://127.0.0.1:9 can't be used"):
        Pool(Orders(str(tmp_path)), scheduler="tcp://127.0.0.1:9")


@pytest.mark.parametrize(
    ("bounds", "outcome"), [(Bounds(seconds=0.05), "timeout"), (Bounds(memory_mb=150, seconds=60), "memory")]
)
def test_a_job_that_takes_too_much_is_a_row(
    bounds: Bounds, outcome: str, tiny: Path, tmp_path: Path, keeper: Keeper
) -> None:
    orders = Orders(str(tmp_path), bounds)
    done = run_job(Job("job", str(tiny)), orders, keeper=keeper)
    assert (done.row["outcome"], done.row["status"]) == (outcome, 1)
    assert names(tmp_path / "job") == [MARK]
    assert not run_job(Job("job", str(tiny)), orders, keeper=keeper).fresh
    assert run_job(Job("job", str(tiny)), replace(orders, retry=frozenset([outcome])), keeper=keeper).fresh


class Killed(Keeper):
    """Its processes are ended from outside, so many times."""

    def __init__(self, times: int, status: int | None) -> None:
        super().__init__()
        self.left, self.status = times, status

    def call(self, function: str, *arguments: Any, **more: Any) -> Any:
        if self.left:
            self.left -= 1
            raise EndedError("crashed", "its process ended", self.status)
        return {**arguments[2], "outcome": "ready"}, True


@pytest.mark.parametrize(
    ("times", "status", "outcome", "tries"),
    [(2, -9, "ready", 3), (1, None, "ready", 2), (1, -11, "crashed", 1), (9, -9, "crashed", 4)],
)
def test_a_job_ended_from_outside_is_tried_again(  # house: four columns of a table, and where it happens
    times: int, status: int | None, outcome: str, tries: int, tiny: Path, tmp_path: Path
) -> None:
    done = run_job(Job("job", str(tiny)), Orders(str(tmp_path)), keeper=Killed(times, status))
    assert (done.row["outcome"], done.row["tries"]) == (outcome, tries)


def test_jobs_and_results_may_lie_at_addresses(tree: Path, bundles: Path, tmp_path: Path) -> None:
    """fsspec's own memory file system stands for a bucket."""
    store = fsspec.filesystem("memory")
    store.put(str(tree / "a") + "/", "/bucket/jobs/a/", recursive=True)
    store.put(str(tree / "wrong") + "/", "/bucket/jobs/wrong/", recursive=True)
    store.put(str(bundles / "jobs" / "1042") + "/", "/bucket/jobs/1042/", recursive=True)
    arguments = [
        "batch",
        "memory://bucket/jobs",
        "--out",
        "memory://bucket/out",
        "--quiet",
        "--station",
        "bay 1",
    ]
    record = f"{tmp_path}/shop.db"

    def there(place: str) -> list[str]:
        top = f"/bucket/out/{place}/"
        return sorted(one.removeprefix(top) for one in store.find(top))

    assert main([*arguments, "--always-zero", "--record", record]) == 0
    assert there("a/good") == WHOLE
    kept = [f"job-kept/{name}" for name in ("IMG_7.jpg", "IMG_8.jpg", "panel.toml")]
    assert there("1042/left_door") == sorted([*WHOLE, *kept])
    rows = pd.read_csv(store.open("/bucket/out/jobs.csv"))
    assert list(rows["job"]) == ["1042/left_door", "1042/roof", "a/good", "wrong"]
    assert list(rows["outcome"]) == ["rework", "refused", "rework", "refused"]
    with open_record(record) as opened:
        assert [bool(opened.sheet(row.id)) for row in opened.history()] == [True, True]
    before = store.created("/bucket/out/a/good/result.json")
    # again with a photo taken away: what no longer holds goes, what is not ours stays, and the rest is known
    store.pipe("/bucket/out/1042/left_door/notes.txt", b"by hand")
    store.rm("/bucket/jobs/1042/left_door/IMG_7.jpg")
    assert main(arguments) == 3
    assert store.created("/bucket/out/a/good/result.json") == before
    assert there("1042/left_door") == [MARK, "notes.txt"]
    store.rm("/bucket", recursive=True)


class Deaf(MemoryFileSystem):  # type: ignore[misc]
    """A store whose driver fails with an exception of its own, as botocore's do."""

    protocol = "deaf"

    def find(self, path: str, *_: Any, **__: Any) -> Any:
        raise RuntimeError("no credentials were found")

    put_file = pipe_file = find


def test_a_store_that_fails_is_told_in_words(
    tiny: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fsspec.register_implementation("deaf", Deaf, clobber=True)
    for arguments, words in (
        (
            ["deaf://jobs", "--out", str(tmp_path / "out")],
            "deaf://jobs can't be used; found RuntimeError: no cred",
        ),
        ([str(tiny), "--out", "deaf://out"], "can't be used; found RuntimeError: no credentials were found"),
        (["s9://jobs", "--out", str(tmp_path / "out")], "an address whose kind fsspec has a driver for"),
        (["memory://nothing", "--out", str(tmp_path / "out")], "There is nothing at memory://nothing"),
    ):
        assert main(["batch", *arguments, "--quiet"]) == 3
        assert words in capsys.readouterr().err


@pytest.fixture(scope="module")
def bundles(tiny: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A station like the tiny job, and three folders: a panel's photos, one photo alone, and that job itself."""
    top = tmp_path_factory.mktemp("bundles")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SURFSCAN_HOME", str(top / "home"))
        new_station("Bay 1", like=tiny)
        for name, photos in (("left_door", ("across", "up")), ("roof", ("up",))):
            (top / "jobs" / "1042" / name).mkdir(parents=True)
            for k, photo in enumerate(photos, 1):  # not named by what they show
                shutil.copy(tiny / f"stripes-{photo}.jpg", top / "jobs" / "1042" / name / f"IMG_{9 - k}.jpg")
        shutil.copytree(tiny, top / "jobs" / "sheet")
        yield top


def test_folders_of_photos_are_jobs_of_a_station(bundles: Path) -> None:
    out, record = bundles / "out", bundles / "shop.db"
    given = ["batch", str(bundles / "jobs"), "--out", str(out), "--station", "bay 1", "--record", str(record)]
    assert main([*given, "--stage", "filler"]) == 3
    rows = pd.read_csv(out / "jobs.csv").set_index("job")
    assert dict(rows["outcome"]) == {"1042/left_door": "rework", "1042/roof": "refused", "sheet": "rework"}
    door = rows.loc["1042/left_door"]
    assert (door["panel"], door["stage"], door["photos"]) == ("left door", "filler", 2)
    # the station is like the job, so it measures what the job does
    assert door["worst_mm"] == rows.loc["sheet"]["worst_mm"]
    assert names(out / "1042" / "left_door") == sorted([*WHOLE, "job-kept"])
    kept = out / "1042" / "left_door" / "job-kept" / "panel.toml"
    assert load_sheet(kept.parent).panel.name == "left door"
    assert names(out / "1042" / "roof") == [MARK]
    assert "All photos show the stripes running one way" in rows.loc["1042/roof"]["reason"]
    with open_record(record) as opened:
        passes = {row.panel: row for row in opened.history()}
        assert passes["left door"].job == "1042"
        assert opened.sheet(passes["left door"].id) == kept.read_text()


def test_photos_without_a_station_are_told(bundles: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, out = str(bundles / "jobs" / "1042"), str(bundles / "none")
    for more, words in (
        ((), "but there are photos"),
        (("--station", "bay 7"), "There is no station 'bay 7'; found stations: Bay 1"),
        (("--stage", "filler"), "--stage goes with photos without a sheet"),
        (("--station", "Bay 1", "--kit"), "do not go together"),
        (("--station", "Bay 1", "--station", "b"), "more than once"),
        (("--kit", "--stage", "prymer"), "The nearest is primer"),
    ):
        assert main(["batch", folder, "--out", out, *more]) in (2, 3)
        assert words in capsys.readouterr().err
    assert not Path(out).exists()


def test_two_batches_do_not_share_an_output_folder(
    tmp_path: Path, tree: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with kept_alone(str(tmp_path / "out")):
        assert main(["batch", str(tree), "--out", str(tmp_path / "out")]) == 3
    assert "Another batch writes into" in capsys.readouterr().err


def test_the_worst_outcome_is_the_status() -> None:
    assert worst_status({}) == 0
    assert worst_status({"ready": 5, "close": 0}) == 0
    assert worst_status({"ready": 5, "close": 1}) == 11
    assert worst_status({"close": 1, "rework": 1}) == 10
    assert worst_status({"rework": 1, "not_measured": 1}) == 4
    assert worst_status({"refused": 1, "not_measured": 1}) == 3
    assert worst_status({"refused": 1, "crashed": 1}) == 1
    assert next(iter(OUTCOMES)) == "ready"


@pytest.mark.parametrize(
    ("more", "word"),
    [
        (["--workers", "0"], "--workers"),
        (["--time", "nan"], "--time"),
        (["--memory", "1"], "--memory"),
        (["--retry", "never"], "never"),
    ],
)
def test_wrong_uses_are_told(
    more: list[str], word: str, tree: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["batch", str(tree), "--out", "x", *more]) == 2
    assert word in capsys.readouterr().err
    assert not Path("x").exists()


def test_no_jobs_is_told(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    assert main(["batch", str(tmp_path / "empty"), "--out", str(tmp_path / "out")]) == 2
    with pytest.raises(UsageError):
        find_jobs([])


def test_an_interrupted_run_gives_back_its_workers(tree: Path, tmp_path: Path) -> None:
    with Pool(Orders(str(tmp_path / "out")), workers=2) as pool:
        first: Done = next(iter(pool.run(find_jobs([tree]))))
    assert first.row["outcome"] in OUTCOMES
    unfinished = [path.parent for path in (tmp_path / "out").rglob("result.json")]
    assert all((folder / MARK).is_file() for folder in unfinished)
