"""Which folders are jobs, what they are called, and what a job is known by."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from surfscan.core.errors import RefusedError
from surfscan.fleet import identity
from surfscan.fleet.find import find_jobs
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
    (tmp_path / "bay.toml").write_text("station")
    seen.add(identity_of(job, station=tmp_path / "bay.toml"))
    monkeypatch.setattr(identity, "VERSION", "next")
    seen.add(identity_of(job))
    assert len(seen) == 6


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
