"""Writers killed at random moments: run as a program, it prints one line of JSON.

    python killing.py DATABASE FOLDER KILLS SEED LONGEST_S

Each writer is forked (no time lost on imports), opens the record afresh and adds FOLDER again and again, telling each
number through a pipe once `add` has returned. It is killed with SIGKILL after a random time. Then the record is opened
and must hold every number that was told.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from pathlib import Path

from surfscan.results.record import open_record


def kill_writers(database: str, folder: Path, kills: int, seed: int, longest_s: float) -> dict[str, int]:
    """Kill `kills` writers after up to `longest_s`; return how many passes were told, lost, half there, untold.

    `longest_s` should be some times what opening and a pass take, so that kills fall into both and between.
    """
    random.seed(seed)
    told: set[int] = set()
    lost = torn = 0
    for _ in range(kills):
        read, write = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(read)
            try:
                record = open_record(database)
                while True:
                    number = record.add(folder, job="1")
                    os.write(write, f"{number}\n".encode())
            finally:
                os._exit(1)
        os.close(write)
        time.sleep(random.uniform(0, longest_s))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with os.fdopen(read) as pipe:
            fresh = {int(line) for line in pipe.read().split("\n")[:-1]}
        told |= fresh
        with open_record(database) as record:
            there = {row.id for row in record.history()}
            lost += len(told - there)
            for number in sorted(there)[-3:]:
                try:
                    record.get(number)
                except Exception:
                    torn += 1
    with open_record(database) as record:
        there = {row.id for row in record.history()}
        torn += len(record.unreadable())
    return {
        "kills": kills,
        "told": len(told),
        "lost": lost,
        "torn": torn,
        "finished_untold": len(there - told),
    }


if __name__ == "__main__":
    where, source, kills, seed, longest = sys.argv[1:]
    print(json.dumps(kill_writers(where, Path(source), int(kills), int(seed), float(longest))))
