"""Eight writers at once: run as a program, it prints one line of JSON, the numbers that each was given.

    python writing.py DATABASE FOLDER

The writers are forked, so that they start together and none waits for its imports; each opens the record by itself.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

from surfscan.results.record import open_record

WRITERS, EACH = 8, 5


def write_at_once(database: str, folder: Path) -> dict[str, list[int]]:
    """Numbers by writer, whose own number is the job's; a writer that failed is not in it."""
    children = []
    for k in range(WRITERS):
        read, write = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(read)
            try:
                with open_record(database) as record:
                    numbers = [record.add(folder, job=str(k)) for _ in range(EACH)]
                os.write(write, json.dumps(numbers).encode())
                os._exit(0)
            except Exception as error:
                print(error, file=sys.stderr, flush=True)
            finally:
                os._exit(1)
        os.close(write)
        children.append((k, child, read))
    given = {}
    for k, child, read in children:
        with os.fdopen(read) as pipe:
            said = pipe.read()
        if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0:
            given[str(k)] = json.loads(said)
    return given


if __name__ == "__main__":
    print(json.dumps(write_at_once(sys.argv[1], Path(sys.argv[2]))))
