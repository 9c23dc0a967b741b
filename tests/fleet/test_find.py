"""Which folders are jobs, what they are called, and what a job is known by."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import pytest

from surfscan.core.errors import RefusedError, UsageError
from surfscan.fleet import identity
from surfscan.fleet.bundles import Packed
from surfscan.fleet.find import find_all, find_jobs
from surfscan.fleet.identity import identity_of, named_files

SHEET = '[panel]\nname = "door"\n[camera]\nlens_file = "lens.toml"\n[[photo]]\nfile = "near/a.jpg"\n'


def make(folder: Path, text: str = SHEET) -> Path:
    folder.mkdir(parents=True)
    (folder / "panel.toml").write_text(text)
    return folder


def names(*folders: Path, out: Path | None = None) -> list[str]:
    return [job.name for job in find_jobs(folders, leave_out=out)]


def test_jobs_are_called_as_their_folders(tmp_path: Path) -> None:
    for place in ("mon/door", "mon/hood", "tue/door", ".hidden/door", "out/door"):
        make(tmp_path / place)
    out = tmp_path / "out"
    assert names(tmp_path, out=out) == ["mon/door", "mon/hood", "tue/door"]
    assert names(tmp_path / "mon") == ["door", "hood"]
    assert names(tmp_path / "mon" / "door", tmp_path / "mon" / "hood") == ["door", "hood"]
    # two folders with a job of one name: their own names come first
    assert names(tmp_path / "mon", tmp_path / "tue") == ["hood", "mon/door", "tue/door"]
    assert names(tmp_path / "mon", tmp_path / "mon") == ["door", "hood"]


def test_photos_without_a_sheet_are_jobs_of_a_station(tmp_path: Path) -> None:
    make(tmp_path / "1042" / "door")
    for place in (
        "1042/door/near/a.jpg", "1042/left_roof/A.JPG", "1042/.thumbs/a.jpg", "done/x/overlay.png", "bonnet/a.heic",
        "notes/a.txt", "bonnet/.a.jpg",
    ):  # fmt: skip
        (tmp_path / place).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / place).touch()
    (tmp_path / "done" / "result.json").touch()
    bay = Packed("m:n", "bay", ())
    jobs = {job.name: job for job in find_all([tmp_path], packed=bay).jobs}
    assert {name: job.packed for name, job in jobs.items()} == {
        "1042/door": None, "1042/left_roof": bay, "bonnet": bay,
    }  # fmt: skip
    roof = jobs["1042/left_roof"]
    assert (roof.panel, roof.job_number) == ("left roof", "1042")
    alone = find_all([tmp_path])
    assert [job.name for job in alone.jobs] == ["1042/door"]
    assert sorted(Path(one).name for one in alone.bare) == ["bonnet", "left_roof"]
    with pytest.raises(UsageError, match="among photos"):
        find_all([tmp_path], packed=bay, leave_out=tmp_path)
    (given,) = find_all([tmp_path / "1042" / "left_roof"], packed=bay).jobs
    assert (given.name, given.panel) == ("left_roof", "left roof")


def test_what_cannot_be_named_is_refused(tmp_path: Path) -> None:
    for place in ("a/mon/door", "b/mon/door"):
        make(tmp_path / place)
    with pytest.raises(RefusedError, match="Two jobs would have one result folder, mon/door"):
        find_jobs([tmp_path / "a" / "mon", tmp_path / "b" / "mon"])
    with pytest.raises(RefusedError, match="is not there"):
        find_jobs([tmp_path / "nothing"])


def test_linked_folders_are_followed_and_circles_end(tmp_path: Path) -> None:
    make(tmp_path / "store" / "door")
    (tmp_path / "jobs").mkdir()
    (tmp_path / "jobs" / "linked").symlink_to(tmp_path / "store")
    (tmp_path / "store" / "circle").symlink_to(tmp_path / "jobs")
    assert names(tmp_path / "jobs") == ["linked/door"]


def test_only_what_changes_the_result_changes_the_identity(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = make(tmp_path / "job")
    (job / "near").mkdir()
    (job / "near" / "a.jpg").write_bytes(b"photo")
    (job / "lens.toml").write_bytes(b"lens")
    (job / "notes.txt").write_bytes(b"not named by the sheet")
    first = identity_of(job)
    (job / "notes.txt").write_bytes(b"changed")
    assert identity_of(job.rename(tmp_path / "moved")) == first
    job = tmp_path / "moved"
    seen = {first}
    for path, data in (
        (job / "near" / "a.jpg", b"photo."),
        (job / "lens.toml", b"lens."),
        (job / "panel.toml", SHEET.encode() + b"\n"),
    ):
        path.write_bytes(data)
        seen.add(identity_of(job))
    monkeypatch.setattr(identity, "VERSION", "next")
    seen.add(identity_of(job))
    assert len(seen) == 5


def test_a_bundle_is_known_by_its_photos_its_station_and_what_was_typed(tmp_path: Path) -> None:
    (tmp_path / "door").mkdir()
    photo = tmp_path / "door" / "a.jpg"
    photo.write_bytes(b"photo")
    bay = Packed("m:n", "bay", (("stations/bay/panel.toml", b"here"),))

    def of(packed: Packed = bay, panel: str = "door") -> str:
        return identity_of(tmp_path / "door", packed=packed, panel=panel)

    first = of()
    (tmp_path / "door" / "notes.txt").write_text("no photo")
    assert of() == first
    assert of(replace(bay, call="m:o")) == first
    seen = {
        first,
        of(panel="roof"),
        of(replace(bay, stage="filler")),
        of(replace(bay, substrate="steel")),
        of(replace(bay, focal_35mm=26.0)),
        of(replace(bay, station="bay 2")),
        of(replace(bay, files=((bay.files[0][0], b"moved"),))),
    }
    photo.write_bytes(b"photo.")
    seen.add(of())
    photo.rename(photo.with_name("b.jpg"))
    assert len(seen | {of()}) == 9


def test_the_identity_is_the_digest_that_its_words_say(tmp_path: Path) -> None:
    """Put together here by hand from hashlib's SHA-256, FIPS 180-4."""
    job = make(tmp_path / "job")
    (job / "near").mkdir()
    (job / "near" / "a.jpg").write_bytes(b"abc")
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # FIPS 180-4's example
    whole = {"program": identity.VERSION, "sheet": hashlib.sha256(SHEET.encode()).hexdigest()}
    whole |= {"files": {"near/a.jpg": abc}, "station": None}
    assert identity_of(job) == hashlib.sha256(json.dumps(whole, sort_keys=True).encode()).hexdigest()


def test_names_that_lead_out_of_the_folder_are_no_files_of_it(tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b"x")
    long, nul = "a" * 5000, "a\\u0000b"
    text = f'a = "../secret"\nb = "{tmp_path}/secret"\nc = "{long}"\nd = "{nul}"\ne = ["."]\n'
    job = make(tmp_path / "job", text)
    assert named_files(job) == []
    for bad in ("not = = toml", "a = " + "[" * 5000):
        (job / "panel.toml").write_text(bad)
        assert named_files(job) == []
        assert len(identity_of(job)) == 64
