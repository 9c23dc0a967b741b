"""Photos that arrive: half-copied ones are waited for, renames and restarts change nothing, each is checked once."""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path

import pytest

from surfscan.cli import main
from surfscan.core.errors import RefusedError, UsageError
from surfscan.fleet.bundles import job_number_in, panel_in
from surfscan.job.sheet import load_sheet
from surfscan.places.bundle import packed_kits, packed_station
from surfscan.places.kit import STANDARD
from surfscan.places.stations import new_station
from surfscan.results.record import open_record
from surfscan.watch.arrivals import Arrivals
from surfscan.watch.groups import Shot, group_shots
from surfscan.watch.keep import STATE, read_state, write_state
from surfscan.watch.places import load_places
from surfscan.watch.template import choose, load_templates, see_apart
from surfscan.watch.watcher import Watcher

SMALL = Path(__file__).parents[2] / "fixtures" / "jobs" / "bad-photos"
ACROSS, UP = SMALL / "stripes-across.jpg", SMALL / "stripes-up.jpg"


def shot(sha: str, at: float, folder: str = "a", sheet: int = 0) -> Shot:
    return Shot(sha, folder, sheet, at, f"{folder}/{sha}.jpg")


def test_groups_are_by_folder_sheet_and_time() -> None:
    shots = [shot("p1", 0), shot("p2", 30), shot("p3", 700), shot("p4", 2000)]
    shots += [shot("q1", 31, "b"), shot("r", 5, "a", 1)]
    groups = group_shots(reversed(shots), {0: 2, 1: 1}, gap_s=600)
    told = [("".join(s.sha256 for s in g.shots), g.whole) for g in groups]
    assert told == [("p1p2", True), ("p3", False), ("p4", False), ("r", True), ("q1", False)]
    # what lacked a photo is whole when that comes late, whatever order they came in
    late = group_shots([*shots[2:], shot("px", 650)], {0: 2, 1: 1}, gap_s=600)
    assert ("pxp3", True) in [("".join(s.sha256 for s in g.shots), g.whole) for g in late]
    assert late[0].name == group_shots([*shots[2:3], shot("px", 650)], {0: 2}, gap_s=600)[0].name


@pytest.mark.parametrize(
    ("folder", "panel", "number"),
    [
        ("1042/left front door", "left front door", "1042"), ("2026-01/bonnet", "bonnet", "2026-01"), ("", "", ""),
        ("1042/100APPLE", "", "1042"), ("DCIM/Camera", "", ""), ("roof_1", "roof 1", ""),
    ],
)  # fmt: skip
def test_folders_name_panel_and_job(folder: str, panel: str, number: str) -> None:
    assert (panel_in(folder), job_number_in(folder)) == (panel, number)


def test_a_file_is_at_rest_when_it_has_not_changed_for_a_while(tmp_path: Path) -> None:
    now = [0.0]
    arrivals = Arrivals(tmp_path, leave_out=tmp_path / "out", settle_s=3, clock=lambda: now[0])
    for name in ("a.jpg", ".hidden.jpg", "b.jpg.part", "out/own.jpg", "job/p.jpg", "job/panel.toml"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"1")
    (tmp_path / "empty.jpg").touch()
    assert arrivals.look() == ([], ["a.jpg", "empty.jpg"])
    now[0] = 2.9
    (tmp_path / "a.jpg").write_bytes(b"12")  # still growing
    assert arrivals.look()[1] == ["a.jpg", "empty.jpg"]
    now[0] = 5.95
    (resting,), moving = arrivals.look()
    assert (resting.place, moving) == ("a.jpg", ["empty.jpg"])
    (tmp_path / "a.jpg").rename(tmp_path / "c.jpg")
    assert arrivals.look()[1] == ["c.jpg", "empty.jpg"]
    now[0] = 9.0
    assert arrivals.look()[0][0].sha256 == resting.sha256


def test_sheets_are_told_apart_by_their_tags(tmp_path: Path) -> None:
    text = (SMALL / "panel.toml").read_text()
    (tmp_path / "one.toml").write_text(text)
    other = text
    for k in range(4):
        other = other.replace(f"\n{k} = [", f"\n{k + 10} = [")
    (tmp_path / "two.toml").write_text(other)
    one, two = load_templates([tmp_path / "one.toml", tmp_path / "two.toml"])
    assert choose([one, two], {"4x4_50": [0, 1, 2, 10]}) is one
    assert choose([one, two], {"4x4_50": [10, 11]}) is two
    assert choose([one, two], {"4x4_50": [40]}) is None
    with pytest.raises(UsageError, match="meant by the same tags"):
        load_templates([tmp_path / "one.toml", SMALL / "panel.toml"])
    (tmp_path / "bad.toml").write_text("[panel]\nname = 1\n")
    with pytest.raises(RefusedError, match=r"panel\.name"):
        load_templates([tmp_path / "bad.toml"])


def until(watcher: Watcher, wanted: object, most_s: float = 60.0) -> None:
    end = time.monotonic() + most_s
    while True:
        watcher.step()
        if callable(wanted) and wanted():
            return
        assert time.monotonic() < end, watcher.state
        time.sleep(0.05)


def test_a_watch_from_half_a_photo_to_the_record(tmp_path: Path) -> None:
    drop, out, database = tmp_path / "drop", tmp_path / "out", tmp_path / "shop.db"
    place = drop / "1042" / "left front door"
    place.mkdir(parents=True)
    templates = load_templates([SMALL / "panel.toml"])

    def watch() -> Watcher:
        return Watcher(drop, out, templates, settle_s=0, workers=1, record=str(database))

    data = UP.read_bytes()
    with watch() as watcher:
        # up first, though the sheet has across first; half of it at rest, as after a broken connection
        (place / "IMG_1.jpg").write_bytes(data[: len(data) // 2])
        (place / "IMG_9.jpg").write_bytes((SMALL / "no-tags.jpg").read_bytes())
        watcher.step()
        whys = {one.place.rpartition("/")[2]: one.why for one in watcher.state.photos.values()}
        assert "cut short" in whys["IMG_1.jpg"]
        assert "no tag" in whys["IMG_9.jpg"]
        (place / "IMG_1.jpg").write_bytes(data)
        os.utime(place / "IMG_1.jpg", (1000, 1000))
        watcher.step()
        assert watcher.state.lacking == [
            {"folder": "1042/left front door", "photos": ["1042/left front door/IMG_1.jpg"], "of": 2}
        ]
        assert not any(one.why for one in watcher.state.photos.values() if one.place.endswith("IMG_1.jpg"))
        shutil.copyfile(ACROSS, place / "IMG_2.jpg")
        os.utime(place / "IMG_2.jpg", (1100, 1100))
        watcher.step()
        (name,) = watcher.state.jobs
        assert name.startswith("left-front-door-")
    # stopped while the job runs; the photos are renamed and copied meanwhile
    (place / "IMG_2.jpg").rename(place / "across.jpg")
    shutil.copyfile(place / "IMG_1.jpg", drop / "copy.jpg")
    with watch() as watcher:
        until(watcher, lambda: not watcher.busy)
        assert list(watcher.state.jobs) == [name]  # no second job of the same photos
        job = watcher.state.jobs[name]
        assert (job.state, job.outcome, job.job_number) == ("done", "rework", "1042")
    # the photos are under the rows whose direction they show
    sheet = (out / "jobs" / name / "panel.toml").read_text()
    assert 'name = "left front door"' in sheet
    assert (out / "jobs" / name / "photo-1.jpg").read_bytes() == ACROSS.read_bytes()
    assert read_state(out).jobs[name] == job
    with open_record(database) as record:
        told = [(row.job, row.panel, row.verdict) for row in record.history()]
    assert told == [("1042", "left front door", "rework")]


@pytest.fixture
def bay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("SURFSCAN_HOME", str(tmp_path / "home"))
    return new_station("Bay 1", like=SMALL).folder


def test_photos_taken_at_a_station_need_no_sheet(bay: Path, tmp_path: Path) -> None:
    drop, out = tmp_path / "drop", tmp_path / "out"
    (drop / "1042" / "roof").mkdir(parents=True)
    for k, photo in enumerate((UP, ACROSS)):
        shutil.copyfile(photo, drop / "1042" / "roof" / f"IMG_{k}.jpg")
        os.utime(drop / "1042" / "roof" / f"IMG_{k}.jpg", (1000 + k, 1000 + k))
    given = [
        "watch",
        str(drop),
        "--out",
        str(out),
        "--settle",
        "0",
        "--every",
        "0.05",
        "--once",
        "--workers",
        "1",
    ]
    record = tmp_path / "shop.db"
    assert main([*given, "--station", "bay 1", "--stage", "filler", "--record", str(record)]) == 10
    ((name, job),) = read_state(out).jobs.items()
    assert (job.panel, job.job_number, job.outcome, job.place) == ("roof", "1042", "rework", "station Bay 1")
    with open_record(record) as opened:
        assert [(row.job, row.panel, row.stage) for row in opened.history()] == [("1042", "roof", "filler")]
    sheet = load_sheet(out / "results" / name / "job-kept")
    assert [(row.file, row.varies) for row in sheet.photos] == [
        ("photo-2.jpg", "across"),
        ("photo-1.jpg", "up"),
    ]
    # a job of a station that is not watched any more waits, and the watch goes on
    state = read_state(out)
    state.jobs[name].state = "waiting"
    write_state(out, state)
    with Watcher(drop, out, load_templates([SMALL / "panel.toml"]), settle_s=0, workers=1) as watcher:
        watcher.step()
        assert not watcher.busy
        assert watcher.state.jobs[name].state == "waiting"


def test_stations_and_kits_are_told_apart_by_their_tags(
    bay: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (station,) = load_places([packed_station("bay 1")])
    assert (station.dictionary, station.tags, station.photos) == ("4x4_50", frozenset(range(4)), 2)
    kits = load_places([packed_kits()])
    assert [one.photos for one in kits] == [2, 3, 2, 3, 2, 3]  # crossed or striped, and the set-up photo
    see_apart([station, *kits])
    with pytest.raises(UsageError, match="Two set-ups could be meant by the same tags"):
        see_apart([station, *load_places([packed_station("Bay 1")])])
    assert choose([station, *kits], {"5x5_1000": list(STANDARD[1].panel_ids[:3])}) is kits[1]
    given = ["watch", str(bay), "--out", "x"]
    for more, words in (
        ((), "Where the photos are taken was not said"),
        (
            ("--sheet", str(SMALL / "panel.toml"), "--stage", "filler"),
            "--stage goes with photos without a sheet",
        ),
    ):
        assert main([*given, *more]) in (2, 3)
        assert words in capsys.readouterr().err


def test_the_command_tells_wrong_uses_and_a_damaged_state(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drop, out = tmp_path / "drop", tmp_path / "out"
    given = ["watch", str(drop), "--sheet", str(SMALL / "panel.toml"), "--out", str(out), "--once"]
    assert main(given) == 3
    assert "is not there" in capsys.readouterr().err
    drop.mkdir()
    assert main([*given[:-2], str(drop), "--once"]) == 2
    assert main([*given, "--settle", "0", "--every", "0.05"]) == 0  # nothing there is nothing wrong
    (out / STATE).write_text('{"schema": 1}')
    with pytest.raises(RefusedError, match="is damaged"):
        read_state(out)
