"""The commands that the README and the guide's chapters print, and a copy of the clone to run them in."""

from __future__ import annotations

import re
import shutil
import subprocess
import threading
from importlib.metadata import distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

CLONE = Path(__file__).resolve().parents[1]
README = (CLONE / "README.md").read_text(encoding="utf-8")
CHAPTERS = {
    path.stem: path.read_text("utf-8") for path in sorted((CLONE / "surfscan/data/guide").glob("*.md"))
}

# These serve until they are stopped.
SERVERS = (".venv/bin/surfscan page", ".venv/bin/surfscan screen --lan", ".venv/bin/surfscan serve")
# A check tells its verdict by its status.
GOOD = {name: {0, 10, 11} for name in ("check", "batch", "car", "watch")}


def blocks(text: str) -> list[str]:
    """The blocks of shell commands of a text."""
    return re.findall(r"^```sh\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)


def run_printed(command: str, folder: Path, settings: dict[str, str]) -> None:
    """Run a line in a shell as a reader would; a server until it has told its address."""
    if command.startswith(SERVERS):
        _serve_a_while(command, folder, settings)
        return
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", command],
        cwd=folder,
        env=settings,
        capture_output=True,
        text=True,
    )
    assert done.returncode in allowed(command), f"{command}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}"


def allowed(command: str) -> set[int]:
    """The statuses that a command may end with."""
    return {0}.union(*(GOOD[name] for name in GOOD if f"surfscan {name}" in command))


def _serve_a_while(command: str, folder: Path, settings: dict[str, str]) -> None:
    """A server tells its address within 30 s, and ends when it is asked to."""
    process = subprocess.Popen(
        ["bash", "-c", f"exec {command}"],
        cwd=folder,
        env={**settings, "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert process.stdout is not None
    ended = threading.Timer(30, process.kill)
    ended.start()
    try:
        said = ""
        for line in process.stdout:
            said += line
            if "http://" in line:
                break
        assert "http://" in said, f"{command}\n{said}"
        assert process.poll() is None, said
    finally:
        ended.cancel()
        process.terminate()
        process.wait(20)
        process.stdout.close()


def copy_clone(folder: Path) -> None:
    """The clone as somebody finds it, without what work has left in it."""
    left = (".git", ".venv*", "__pycache__", ".*_cache", ".hypothesis", "build", "*.egg-info")
    shutil.copytree(CLONE, folder, ignore=shutil.ignore_patterns(*left))


def link_required(folder: Path, *wanted: str) -> None:
    """A folder with links to what the requirements name and need in turn, and to nothing else that is installed here.

    On Python's path, pip finds there what it would fetch: it still weighs every requirement, and fetches what is
    missing or of another version.
    """
    seen: dict[str, set[str]] = {}
    for line in wanted:
        _needed(Requirement(line), seen)
    folder.mkdir()
    for name in seen.keys() - {"surfscan"}:
        found = distribution(name)
        for top in {file.parts[0] for file in found.files or ()} - {"..", "__pycache__"}:
            (folder / top).symlink_to(Path(str(found.locate_file(top))))


def _needed(wanted: Requirement, seen: dict[str, set[str]]) -> None:
    known = seen.setdefault(canonicalize_name(wanted.name), set())
    extras = ({""} | wanted.extras) - known
    known |= extras
    for line in (distribution(wanted.name).requires or ()) if extras else ():
        more = Requirement(line)
        if more.marker is None or any(more.marker.evaluate({"extra": extra}) for extra in extras):
            _needed(more, seen)
