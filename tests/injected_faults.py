"""Faults of a disk put under a program that writes: errors at its Nth call, and power cuts at any of them.

The program runs in a forked child that waits until `strace` holds it, so that only its writing is disturbed. For power
cuts its calls are recorded and played back into folders as a disk may hold them then: names in their order up to some
point after the last sync, bytes that were not synced there, half there, or not.
"""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["CALLS", "Call", "count_calls", "crashed", "record_calls", "run_under"]

CALLS = (
    "write,pwrite64,rename,renameat,renameat2,unlink,unlinkat,mkdir,mkdirat,rmdir,fsync,fdatasync,ftruncate"
)
"""What can fail for want of room, of rights, or of the drive."""

_RECORDED = f"{CALLS},openat,open,creat,lseek,close"


@dataclass(frozen=True)
class Call:
    """One call of a recording: its name, what it was given, and what it gave back."""

    name: str
    words: tuple[str, ...]
    result: int


def run_under(job: Callable[[], object], options: list[str]) -> tuple[int, str]:
    """Run a job in a forked child under strace; its status (0, 3 refused, 1 a fault, or minus a signal) and words."""
    say, said = os.pipe(), tempfile.TemporaryFile()  # noqa: SIM115 - closed below
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.dup2(said.fileno(), 2)
            os.read(say[0], 1)
            status = _status_of(job)
        finally:
            os._exit(status)
    tracer = subprocess.Popen(
        ["strace", "-f", "-qq", "-p", str(child), *options], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    until = time.monotonic() + 20
    while f"TracerPid:\t{tracer.pid}" not in Path(f"/proc/{child}/status").read_text():
        if tracer.poll() is not None or time.monotonic() > until:
            os.kill(child, signal.SIGKILL)
            raise RuntimeError(
                f"strace holds nothing: {tracer.stderr.read().decode() if tracer.stderr else ''}"
            )
        time.sleep(0.002)
    os.write(say[1], b"!")
    _, ended = os.waitpid(child, 0)
    tracer.wait(20)
    if tracer.stderr:
        tracer.stderr.close()
    for end in say:
        os.close(end)
    said.seek(0)
    words = said.read().decode("utf-8", "replace")
    said.close()
    return os.waitstatus_to_exitcode(ended), words


def _status_of(job: Callable[[], object]) -> int:
    from surfscan.core.errors import SurfscanError

    try:
        job()
    except SurfscanError as error:
        status, words = error.status, str(error)
    except BaseException:
        status, words = 1, traceback.format_exc()
    else:
        return 0
    with suppress(OSError):  # the fault may be on this call too
        os.write(2, words.encode())
    return status


def count_calls(job: Callable[[], object]) -> int:
    """How many calls of `CALLS` a job makes."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log"
        status, words = run_under(job, ["-e", f"trace={CALLS}", "-o", str(log)])
        assert status == 0, words
        return len(log.read_text(errors="replace").splitlines())


def record_calls(job: Callable[[], object]) -> list[Call]:
    """The calls of a job, with all bytes written."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log"
        more = ["-xx", "-s", "100000000", "-y", "-e", f"trace={_RECORDED}", "-o", str(log)]
        status, words = run_under(job, more)
        assert status == 0, words
        return [call for line in log.read_text().splitlines() if (call := _parsed(line)) is not None]


def _parsed(line: str) -> Call | None:
    found = re.match(r"\d+\s+(\w+)\((.*)\)\s+= (-?\d+)", line)
    if found is None or int(found[3]) < 0:
        return None
    words = re.findall(r'"[^"]*"|[^,"]+', found[2])
    return Call(found[1], tuple(word.strip() for word in words if word.strip()), int(found[3]))


def _bytes(word: str) -> bytes:
    return bytes.fromhex(word.strip('"').replace("\\x", ""))


def _path_of(word: str) -> str:
    found = re.search(r"<(.*)>", word)
    text = found[1] if found else ""
    return bytes(text, "ascii").decode("unicode_escape").encode("latin-1").decode() if text else ""


@dataclass
class _Inode:
    """A file: its bytes as written, those on the disk for sure, and whether it is a folder."""

    data: bytearray = field(default_factory=bytearray)
    synced: bytes = b""
    folder: bool = False


class _Disk:
    """Names and files below a folder, as calls change them."""

    def __init__(self, root: Path) -> None:
        self.root = str(root)
        self.names: dict[str, _Inode] = {}
        self.history: list[dict[str, _Inode]] = []  # names after each change, from the last sync on
        for path in sorted(root.rglob("*")):
            data = b"" if path.is_dir() else path.read_bytes()
            self.names[str(path)] = _Inode(bytearray(data), data, path.is_dir())
        self.history = [dict(self.names)]
        self.files: dict[int, tuple[_Inode, int]] = {}  # by descriptor: file and place

    def play(self, call: Call) -> None:
        """One call."""
        name, words = call.name, call.words
        if name in ("openat", "open", "creat"):
            self._open(call)
        elif name == "close":
            self.files.pop(_number(words[0]), None)
        elif name == "lseek" and _number(words[0]) in self.files:
            inode, _ = self.files[_number(words[0])]
            self.files[_number(words[0])] = inode, call.result
        elif name in ("write", "pwrite64") and _number(words[0]) in self.files:
            inode, at = self.files[_number(words[0])]
            if name == "pwrite64":
                at = int(words[3])
            data = _bytes(words[1])[: call.result]
            inode.data[len(inode.data) : at] = bytes(max(0, at - len(inode.data)))
            inode.data[at : at + len(data)] = data
            if name == "write":
                self.files[_number(words[0])] = inode, at + len(data)
        elif name == "ftruncate" and _number(words[0]) in self.files:
            inode, _ = self.files[_number(words[0])]
            size = int(words[1])
            inode.data[size:] = b""
            inode.data += bytes(size - len(inode.data))
        elif name in ("fsync", "fdatasync"):
            self._sync(_number(words[0]), _path_of(words[0]))
        elif name.startswith(("rename", "unlink", "mkdir", "rmdir")):
            self._rename(name, [self._at(words, k) for k, word in enumerate(words) if word.startswith('"')])

    def _at(self, words: tuple[str, ...], k: int) -> str:
        path = _bytes(words[k]).decode()
        base = _path_of(words[k - 1]) if k else ""
        return path if path.startswith("/") else os.path.join(base or os.getcwd(), path)

    def _open(self, call: Call) -> None:
        place = next(k for k, word in enumerate(call.words) if word.startswith('"'))
        path, flags = self._at(call.words, place), " ".join(call.words)
        self.files.pop(call.result, None)
        if not path.startswith(self.root):
            return
        if path not in self.names:
            if "O_CREAT" not in flags or "O_TMPFILE" in flags:
                return
            self.names[path] = _Inode()
            self.history.append(dict(self.names))
        inode = self.names[path]
        if "O_TRUNC" in flags:
            inode.data[:] = b""
        if not inode.folder:
            self.files[call.result] = inode, len(inode.data) if "O_APPEND" in flags else 0

    def _rename(self, name: str, paths: list[str]) -> None:
        if not paths or not paths[-1].startswith(self.root):
            return
        if name.startswith("rename"):
            old, new = paths
            for path in [p for p in self.names if p == old or p.startswith(old + "/")]:
                self.names[new + path[len(old) :]] = self.names.pop(path)
        elif name.startswith("mkdir"):
            self.names[paths[0]] = _Inode(folder=True)
        else:
            self.names.pop(paths[0], None)
        self.history.append(dict(self.names))

    def _sync(self, number: int, path: str) -> None:
        """A sync brings the file's bytes, and all names so far, as journals do it."""
        if number in self.files:
            inode = self.files[number][0]
            inode.synced = bytes(inode.data)
        elif not path.startswith(self.root):
            return
        self.history = [dict(self.names)]

    def write(self, folder: Path, rng: random.Random) -> None:
        """The disk after a power cut: one of the states that it may be in."""
        for path, inode in sorted(rng.choice(self.history).items()):
            place = folder / os.path.relpath(path, self.root)
            if inode.folder:
                place.mkdir(parents=True, exist_ok=True)
            elif not path.endswith("-shm"):  # SQLite's index in memory, made again
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_bytes(_left(inode, rng))


def _left(inode: _Inode, rng: random.Random) -> bytes:
    """Bytes that are there after the cut: pages of 4096 arrive each by itself, and the length with any of them."""
    if inode.synced == inode.data:
        return inode.synced
    lot = rng.randrange(4)
    if lot == 0:
        return inode.synced
    if lot == 1:
        return bytes(inode.data)
    made = bytearray(bytes(inode.data) if lot == 2 else bytes(len(inode.data)))
    made[: len(inode.synced)] = inode.synced[: len(made)]
    for at in range(0, len(made), 4096):
        if rng.random() < 0.5:
            made[at : at + 4096] = inode.data[at : at + 4096]
    return bytes(made)


def _number(word: str) -> int:
    return int(re.match(r"-?\d+", word)[0])  # type: ignore[index]


def crashed(root: Path, calls: list[Call], at: int, seed: int, into: Path) -> None:
    """Write into a fresh folder what is left of `root`, as it is now, after the first `at` of the calls and a cut."""
    disk = _Disk(root)
    for call in calls[:at]:
        disk.play(call)
    shutil.rmtree(into, ignore_errors=True)
    into.mkdir(parents=True)
    disk.write(into, random.Random(f"{at} {seed}"))


if sys.platform != "linux":
    raise ImportError("strace is Linux's")
