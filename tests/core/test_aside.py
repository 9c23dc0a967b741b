"""Foreign code in a process of its own: whatever it does, the caller gets a sentence, and the next call an answer."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from io import BytesIO
from pathlib import Path

import pytest

from surfscan import cli
from surfscan.core import aside
from surfscan.core.aside import end_aside, run_aside
from surfscan.core.errors import RefusedError

SMALL = b"II*\0" + bytes(200)
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="signals and limits as POSIX has them")


def failing_job(folder: Path, does: str) -> Path:
    """A job with a TIFF, whose decoder is changed for one that fails, in a folder ``lib``."""
    (folder / "lib").mkdir()
    (folder / "lib/tifffile.py").write_text(f"import os, time\n{does}\n")
    (folder / "panel.toml").write_text(
        '[panel]\nstage = "primer"\nsize_mm = [500, 400]\n[camera]\nfocal_px = 900\n[[photo]]\nfile = "a.tif"\n'
        "corners_px = [[1, 90], [90, 90], [90, 1], [1, 1]]\nlamp_mm = [1, 2, 900]\n"
    )
    (folder / "a.tif").write_bytes(SMALL)
    return folder


def asked(name: str) -> aside.Answer:
    return run_aside(f"aside_tasks:{name}", {"file": "a.png"}, b"12345")


def test_an_answer_is_words_and_arrays_from_another_process() -> None:
    words, (six, none) = asked("whole")
    assert words["bytes"] == 5
    assert words["pid"] != os.getpid()
    assert six.tolist() == [[0, 1, 2], [3, 4, 5]]
    assert none.shape == (0, 4)
    assert asked("whole")[0]["pid"] == words["pid"]  # one process for many files
    assert asked("shout")[0] == {"said": True}


FORKED = """
import os, sys, time
from surfscan.core import aside
from surfscan.core.errors import RefusedError
read, write = os.pipe()
aside.fork_aside()
def asked(name):
    return aside.run_aside(f"aside_tasks:{name}", {"file": "a.png"}, b"12345")
aside.MOST_S, aside.MOST_MB = 0.5, 600
words, arrays = asked("whole")
twin = aside._aside._child
assert type(twin).__name__ == "_Twin" and words["pid"] == twin._number != os.getpid()
assert arrays[0].tolist() == [[0, 1, 2], [3, 4, 5]]
held = {os.readlink(f"/proc/{twin._number}/fd/{n}") for n in os.listdir(f"/proc/{twin._number}/fd")}
assert os.readlink(f"/proc/self/fd/{write}") not in held  # nothing of its parent's stays open in it
for does in sys.argv[1:]:
    aside.end_aside()
    aside.fork_aside()
    try:
        asked(does)
    except RefusedError as error:
        print(error.found)
    assert asked("whole")[0]["bytes"] == 5
aside.end_aside()
aside.fork_aside()
print(aside._aside._child._number, flush=True)
os._exit(0)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="descriptors as /proc shows them")
def test_a_forked_decoder_is_as_well_held() -> None:
    """It holds none of its parent's files, is refused for what it does, and ends when its parent does."""
    path = os.pathsep.join([str(Path(__file__).parents[1]), *sys.path])
    done = subprocess.run(
        [sys.executable, "-c", FORKED, "crash", "leave", "hang"],
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    *found, last = done.stdout.splitlines()
    assert [re.search("SIGSEGV|status 7|no answer", line).group() for line in found] == [  # type: ignore[union-attr]
        "SIGSEGV",
        "status 7",
        "no answer",
    ]
    end = time.monotonic() + 5
    while Path(f"/proc/{last}").exists() and "zombie" not in Path(f"/proc/{last}/status").read_text():
        assert time.monotonic() < end
        time.sleep(0.02)


@POSIX
@pytest.mark.parametrize(
    ("does", "found"),
    [
        ("crash", r"brought down \(SIGSEGV\)"),
        ("leave", "status 7"),
        ("hang", r"no answer .* within 0.5 s"),
        ("spin", r"no answer .* within 0.5 s"),
        ("swell", "more than 0.6 GB"),
        ("foreign_array", "can't be used"),
    ],
)
def test_whatever_a_decoder_does_is_a_refusal(monkeypatch: pytest.MonkeyPatch, does: str, found: str) -> None:
    monkeypatch.setattr(aside, "MOST_S", 20.0 if does == "swell" else 0.5)
    monkeypatch.setattr(aside, "MOST_MB", 600)
    began = time.monotonic()
    with pytest.raises(RefusedError) as caught:
        asked(does)
    assert time.monotonic() - began < 8
    error = caught.value
    assert re.search(found, error.found)
    assert error.what.startswith("a.png")
    assert error.allowed
    assert error.cure
    assert asked("whole")[0]["bytes"] == 5  # the next file is read


def test_refusals_and_faults_come_through() -> None:
    with pytest.raises(RefusedError, match="It is none; found a"):
        asked("refuse")
    with pytest.raises(RuntimeError, match="ZeroDivisionError: of ours"):
        asked("fail")
    with pytest.raises(RefusedError):
        asked("long_array")


@POSIX
@pytest.mark.parametrize("does", ["hang", "spin"])
def test_a_killed_program_leaves_no_decoder_behind(tmp_path: Path, does: str) -> None:
    code = (
        "import sys; from surfscan.core.aside import run_aside as run\n"
        "print(run('aside_tasks:whole', {})[0]['pid'], flush=True)\n"
        f"run('aside_tasks:{does}', {{}})"
    )
    path = os.pathsep.join([str(Path(__file__).parents[1]), *sys.path])
    environ = {**os.environ, "PYTHONPATH": path}
    with subprocess.Popen([sys.executable, "-c", code], env=environ, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        decoder = int(process.stdout.readline())
        time.sleep(0.5)
        process.kill()
    began = time.monotonic()
    while _runs(decoder) and time.monotonic() - began < 15:
        time.sleep(0.02)
    assert time.monotonic() - began < 3, "the decoder outlived its program"


def _runs(process: int) -> bool:
    """Whether it does; one that has ended and waits to be asked does not."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@POSIX
def test_ctrl_c_in_the_terminal_reaches_both() -> None:
    with pytest.raises(KeyboardInterrupt):
        asked("interrupted")
    assert asked("whole")[0]["bytes"] == 5


@POSIX
def test_a_forked_process_has_a_child_of_its_own() -> None:
    theirs = asked("whole")[0]["pid"]
    read, write = os.pipe()
    made = os.fork()
    if made == 0:
        os.write(write, str(asked("whole")[0]["pid"]).encode())
        end_aside()
        os._exit(0)
    os.waitpid(made, 0)
    assert int(os.read(read, 100)) != theirs
    os.close(read)
    os.close(write)
    assert asked("whole")[0]["pid"] == theirs


@POSIX
@pytest.mark.parametrize("does", ["os.kill(os.getpid(), 11)", "time.sleep(30)"])
def test_a_decoder_that_dies_or_hangs_does_not_take_the_command_along(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], does: str
) -> None:
    job = failing_job(tmp_path, does)
    monkeypatch.syspath_prepend(str(tmp_path / "lib"))
    monkeypatch.setattr(aside, "MOST_S", 1.0)
    end_aside()
    try:
        status = cli.main(["check", str(job), "--out", str(tmp_path / "out"), "--quiet"])
    finally:
        end_aside()
    said = capsys.readouterr().err
    assert status == 3, said
    assert "a.tif cannot be read; found" in said
    assert not (tmp_path / "out").exists()


@POSIX
def test_ctrl_c_does_not_wait_for_a_decoder_that_hangs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The signal reaches the command alone, as from a program that ends it."""
    said = tmp_path / "asked"
    job = failing_job(tmp_path, f"open({str(said)!r}, 'w').close()\ntime.sleep(30)")
    code = "from surfscan.__main__ import run; raise SystemExit(run())"
    command = [sys.executable, "-c", code, "check", str(job), "--out", str(tmp_path / "out"), "--quiet"]
    path = os.pathsep.join([str(tmp_path / "lib"), *sys.path])
    with subprocess.Popen(
        command, env={**os.environ, "PYTHONPATH": path}, stderr=subprocess.PIPE, text=True
    ) as process:
        while not said.exists() and process.poll() is None:
            time.sleep(0.02)
        began = time.monotonic()
        process.send_signal(signal.SIGINT)
        words = process.communicate(timeout=20)[1]
    assert process.returncode == 130, words
    assert time.monotonic() - began < 5
    assert "Traceback" not in words
    assert not (tmp_path / "out").exists()


def test_arrays_are_taken_only_as_we_know_them() -> None:
    for shape, kind in (([2], "|O"), ([-1], "|u1"), ([2**40], "<f8")):
        with pytest.raises(ValueError, match="array"):
            aside._take_array(BytesIO(), {"shape": shape, "kind": kind})
    with pytest.raises(EOFError):
        aside._take_array(BytesIO(b"123"), {"shape": [4], "kind": "|u1"})
