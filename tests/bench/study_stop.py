"""Ctrl-C at random moments of a command's start: what a user is shown.

    python tests/bench/study_stop.py BIN [--kills 150] [--seconds 0.4]

BIN is the `bin` of an environment with an ordinary installation (an editable one loads its finder first, which takes as
long as the rest). What is shown is nothing, our one line, or Python's own words; those are told apart by the innermost
file that is named: ours, the script that the installer wrote, or the interpreter's own start.
"""

from __future__ import annotations

import argparse
import random
import re
import signal
import subprocess
import tempfile
import time
from collections import Counter
from pathlib import Path

JOB = Path(__file__).parents[2] / "fixtures/jobs/flat"


def whose(said: str) -> str:
    """Whose files a traceback names."""
    files = re.findall(r'File "([^"]+)"', said)
    if any("/surfscan/" in name for name in files):
        return "ours"
    if any(name.endswith("bin/surfscan") for name in files):
        return "the installer's script"
    return "interpreter" if "Traceback" in said or "Fatal" in said or files else "none"


def main() -> None:
    """Start, stop, and count."""
    parser = argparse.ArgumentParser()
    parser.add_argument("bin", type=Path)
    parser.add_argument("--kills", type=int, default=150)
    parser.add_argument("--seconds", type=float, default=0.4)
    given = parser.parse_args()
    rng = random.Random(1)
    for start in ([given.bin / "surfscan"], [given.bin / "python", "-m", "surfscan"]):
        shown: Counter[str] = Counter()
        ends: Counter[int] = Counter()
        for _ in range(given.kills):
            with tempfile.TemporaryDirectory() as folder:
                out = Path(folder, "out")
                with subprocess.Popen(
                    [*start, "check", JOB, "--out", out, "--quiet"],
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.PIPE,
                    text=True,
                ) as process:
                    time.sleep(rng.uniform(0, given.seconds))
                    process.send_signal(signal.SIGINT)
                    said = process.communicate(timeout=100)[1]
                assert process.returncode in (0, 10) or not out.exists()
            shown[whose(said)] += 1
            ends[process.returncode] += 1
        print(
            f"{' '.join(str(part) for part in start[1:]) or 'surfscan'}: words {dict(shown)}, status {dict(ends)}"
        )


if __name__ == "__main__":
    main()
