"""Where jobs lie and results go: folders of this computer, or addresses of fsspec (memory, S3, network drives).

A folder of this computer is used in place. From any other place a job's files are fetched into a folder of this
computer first, and its results are put there with the file that makes them count last.
"""

from __future__ import annotations

import os
import posixpath
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from surfscan.core.errors import RefusedError
from surfscan.core.parts import wanted
from surfscan.fleet.identity import SHEET, sheet_names

__all__ = [
    "base_name",
    "below",
    "fetched",
    "fetched_files",
    "filled",
    "find_below",
    "is_address",
    "local_path",
    "read_each",
    "remote_jobs",
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
        store, path = fsspec.core.url_to_fs(address)
    except (ImportError, ValueError) as error:
        raise RefusedError(
            f"The address {address} can't be used",
            found=str(error),
            allowed="an address whose kind fsspec has a driver for: memory://, s3:// (s3fs), gs:// (gcsfs), and others",
            cure="install the driver, or check the address",
        ) from None
    return store, path


def remote_jobs(address: str) -> list[tuple[str, str]]:
    """Place below the address, "" for itself, and address, of every job folder there."""
    store, top = _store(address)
    found = []
    for path in store.find(top):
        folder, _, name = path.rpartition("/")
        place = posixpath.relpath(folder, top) if folder != top else ""
        if name == SHEET and not any(part.startswith(".") for part in place.split("/")):
            found.append((place, store.unstrip_protocol(folder)))
    if not found and not store.exists(top):
        raise RefusedError(
            f"There is nothing at {address}",
            found="nothing",
            allowed="a folder of jobs",
            cure="check the address",
        )
    return found


@contextmanager
def fetched(source: str) -> Iterator[Path]:
    """A job folder as a folder of this computer: itself, or a copy of its sheet and the files that it names."""
    path = local_path(source)
    if path is not None:
        yield path
        return
    store, top = _store(source)
    with tempfile.TemporaryDirectory(prefix="surfscan-job-") as made:
        here = Path(made)
        store.get_file(posixpath.join(top, SHEET), str(here / SHEET))
        there = {posixpath.relpath(one, top) for one in store.find(top)}
        for name in sorted(sheet_names(here) & there):
            (here / name).parent.mkdir(parents=True, exist_ok=True)
            store.get_file(posixpath.join(top, name), str(here / name))
        yield here


@contextmanager
def fetched_files(where: str, names: Sequence[str]) -> Iterator[Path]:
    """A folder of this computer with these files of a place; the place itself when it is one."""
    path = local_path(where)
    if path is not None:
        yield path
        return
    store, top = _store(where)
    with tempfile.TemporaryDirectory(prefix="surfscan-files-") as made:
        for name in names:
            store.get_file(posixpath.join(top, name), str(Path(made) / name))
        yield Path(made)


@contextmanager
def filled(out: str, *, last: str) -> Iterator[Path]:
    """A folder of this computer for results: the output folder itself, or one that is put there at the end.

    What an earlier run left at an address is taken away first; the file `last` goes there after all others.
    """
    path = local_path(out)
    if path is not None:
        yield path
        return
    store, top = _store(out)
    made = Path(tempfile.mkdtemp(prefix="surfscan-result-"))
    try:
        yield made
        mark = posixpath.join(top, last)
        old = {posixpath.basename(one) for one in store.ls(top, detail=False)} if store.exists(top) else set()
        if last in old:
            store.rm_file(mark)
        files = sorted(one.name for one in made.iterdir() if one.name != last)
        for name in files:
            store.put_file(str(made / name), posixpath.join(top, name))
        if (made / last).exists():
            store.put_file(str(made / last), mark)
    finally:
        shutil.rmtree(made, ignore_errors=True)


@contextmanager
def put_over(address: str) -> Iterator[Path]:
    """A folder of this computer whose files are put to an address at the end of the block, over older ones."""
    store, top = _store(address)
    with tempfile.TemporaryDirectory(prefix="surfscan-tables-") as made:
        yield Path(made)
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
    return sorted(posixpath.relpath(one, root) for one in store.find(root) if posixpath.basename(one) == name)
