"""Where jobs lie and results go: folders of this computer, or addresses of fsspec (memory, S3, network drives).

A folder of this computer is used in place. From any other place a job's files are fetched into a folder of this
computer first, and its results are put there with the file that makes them count last.
"""

from __future__ import annotations

import os
import posixpath
import shutil
import tempfile
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from surfscan.core.commit import HIDDEN
from surfscan.core.errors import RefusedError
from surfscan.core.parts import wanted
from surfscan.fleet.identity import SHEET, sheet_names
from surfscan.job.file_kinds import photos_among

__all__ = [
    "base_name",
    "below",
    "fetched",
    "fetched_files",
    "filled",
    "find_below",
    "is_address",
    "local_path",
    "put_over",
    "read_each",
    "remote_folders",
    "see_writable",
]

_AT_ONCE = 256  # small files read from a store in one go


def local_path(where: str | Path) -> Path | None:
    """The path of a place on this computer (``file://`` too); None for an address elsewhere."""
    text = str(where)
    if text.startswith("file://"):
        return Path(text.removeprefix("file://"))
    return None if is_address(text) else Path(text)


def is_address(where: str | Path) -> bool:
    """Whether it is an address such as ``s3://bucket/jobs``, no path of this computer."""
    text = str(where)
    return "://" in text and not text.startswith("file://")


def base_name(where: str) -> str:
    """The last part of a path or an address."""
    path = local_path(where)
    return posixpath.basename(where.rstrip("/")) if path is None else path.resolve().name


def below(where: str, name: str) -> str:
    """The place of a name below a place."""
    path = local_path(where)
    return f"{where.rstrip('/')}/{name}" if path is None else str(path / name)


def _store(address: str) -> tuple[Any, str]:
    """The file system of an address, and the path in it."""
    fsspec = wanted("fsspec")
    try:
        # Other workers write there too: what was listed before may be out of date.
        store, path = fsspec.core.url_to_fs(address, use_listings_cache=False)
    except (ImportError, ValueError) as error:
        raise RefusedError(
            f"The address {address} can't be used",
            found=str(error),
            allowed="an address whose kind fsspec has a driver for: memory://, s3:// (s3fs), gs:// (gcsfs), and others",
            cure="install the driver, or check the address",
        ) from None
    return store, path


@contextmanager
def _told(address: str, *, files: bool = False) -> Iterator[None]:
    """Tell in words what a store says; with `files`, that one of them can't be read is left to the one who asks."""
    try:
        yield
    except Exception as error:  # each driver has kinds of its own
        if files and isinstance(error, OSError):
            raise
        raise RefusedError(
            f"{address} can't be used",
            found=f"{type(error).__name__}: {error}".strip(": ")[:300],
            allowed="a store that answers and lets you in",
            cure="check the address, the network and the rights, then run the same command again:"
            " what is finished stays",
        ) from None


def remote_folders(address: str) -> list[tuple[str, str, list[str]]]:
    """Place below the address, "" for itself, address, and files of every folder there, none hidden, by place."""
    store, top = _store(address)
    with _told(address):
        found: dict[str, list[str]] = {}
        for path in store.find(top):
            folder, _, name = path.rpartition("/")
            place = posixpath.relpath(folder, top) if folder != top else ""
            if not any(part.startswith(".") for part in place.split("/")):
                found.setdefault(place, []).append(name)
        there = bool(found) or store.exists(top)
    if not there:
        raise RefusedError(
            f"There is nothing at {address}",
            found="nothing",
            allowed="a folder of jobs",
            cure="check the address",
        )
    whole = store.unstrip_protocol(top)
    return [(place, below(whole, place) if place else whole, found[place]) for place in sorted(found)]


@contextmanager
def fetched(source: str, *, sheet: bool = True) -> Iterator[Path]:
    """A job folder as a folder of this computer: itself, or a copy of its sheet and the files that it names.

    Without a sheet, of all its photos.
    """
    path = local_path(source)
    if path is not None:
        yield path
        return
    store, top = _store(source)
    with tempfile.TemporaryDirectory(prefix="surfscan-job-") as made:
        here = Path(made)
        with _told(source, files=True):
            there = {posixpath.relpath(one, top) for one in store.find(top)}
            if sheet:
                _get(store, top, [SHEET], here)
                _get(store, top, sorted(sheet_names(here) & there), here)
            else:
                _get(store, top, photos_among(name for name in there if "/" not in name), here)
        yield here


def _get(store: Any, top: str, names: Sequence[str], here: Path) -> None:
    """Copy files of a store into a folder of this computer."""
    for name in names:
        (here / name).parent.mkdir(parents=True, exist_ok=True)
        store.get_file(posixpath.join(top, name), str(here / name))


@contextmanager
def fetched_files(where: str, names: Sequence[str]) -> Iterator[Path]:
    """A folder of this computer with these files of a place; the place itself when it is one."""
    path = local_path(where)
    if path is not None:
        yield path
        return
    store, top = _store(where)
    with tempfile.TemporaryDirectory(prefix="surfscan-files-") as made:
        with _told(where):
            _get(store, top, names, Path(made))
        yield Path(made)


@contextmanager
def filled(out: str, *, last: str, own: Collection[str]) -> Iterator[Path]:
    """A folder of this computer for results: the output folder itself, or one that is put there at the end.

    At an address, the file `last` goes first and comes back after all others; files of an earlier run that are not
    written again go, of those names that are our `own`.
    """
    path = local_path(out)
    if path is not None:
        yield path
        return
    store, top = _store(out)
    made = Path(tempfile.mkdtemp(prefix="surfscan-result-"))
    try:
        yield made
        with _told(out):
            mark = posixpath.join(top, last)
            old = {posixpath.relpath(one, top) for one in store.find(top)} if store.exists(top) else set()
            if last in old:
                store.rm_file(mark)
            files = sorted(
                one.relative_to(made).as_posix()
                for one in made.rglob("*")
                if one.is_file() and one != made / last
            )
            for name in sorted(old - {last, *files}):
                if name.partition("/")[0] in own:
                    store.rm_file(posixpath.join(top, name))
            for name in files:
                store.put_file(str(made / name), posixpath.join(top, name))
            if (made / last).exists():
                store.put_file(str(made / last), mark)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def see_writable(address: str) -> None:
    """See that something can be put at an address and taken away again, before anything is computed (RefusedError)."""
    store, top = _store(address)
    with _told(address):
        trial = posixpath.join(top, f"{HIDDEN}{os.getpid()}")
        store.pipe_file(trial, b"surfscan")
        store.rm_file(trial)


@contextmanager
def put_over(address: str) -> Iterator[Path]:
    """A folder of this computer whose files are put to an address at the end of the block, over older ones."""
    store, top = _store(address)
    with tempfile.TemporaryDirectory(prefix="surfscan-tables-") as made:
        yield Path(made)
        with _told(address):
            for one in sorted(Path(made).iterdir()):
                store.put_file(str(one), posixpath.join(top, one.name))


def read_each(top: str, names: Sequence[str]) -> Iterator[bytes | None]:
    """The bytes of many small files below a place, in their order; None where there is none."""
    path = local_path(top)
    if path is not None:
        for name in names:
            try:
                yield (path / name).read_bytes()
            except FileNotFoundError:
                yield None
        return
    store, root = _store(top)
    for first in range(0, len(names), _AT_ONCE):
        paths = [posixpath.join(root, name) for name in names[first : first + _AT_ONCE]]
        with _told(top):
            got = store.cat(paths, on_error="omit") if len(paths) > 1 else _cat_one(store, paths[0])
        yield from (got.get(one) for one in paths)


def _cat_one(store: Any, path: str) -> dict[str, bytes]:
    try:
        return {path: store.cat_file(path)}
    except FileNotFoundError:
        return {}


def find_below(top: str, name: str) -> list[str]:
    """Every file of a name below a place, as places below it, sorted."""
    path = local_path(top)
    if path is not None:
        return sorted(
            (Path(here) / name).relative_to(path).as_posix()
            for here, _, files in os.walk(path)
            if name in files
        )
    store, root = _store(top)
    with _told(top):
        found = store.find(root)
    return sorted(posixpath.relpath(one, root) for one in found if posixpath.basename(one) == name)
