"""A hundred clients at once with real jobs against `surfscan serve`: answers, waits, memory, time.

    python tests/bench/study_serve.py [CLIENTS] [QUEUE]

Each client sends a job of its own (the photos of a fixture under another name and limit), is told to wait or not, and
fetches its result, whose name, limit and number of spots must be its own.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx

sys.path.insert(0, str(Path(__file__).parents[1]))
from serve.service import start_service

JOB = Path(__file__).parents[2] / "fixtures" / "jobs" / "bad-photos"  # the smallest photos
PHOTOS = ("stripes-across.jpg", "stripes-up.jpg")


def main(clients: int = 100, queue: int = 60) -> None:
    sheet = (JOB / "panel.toml").read_text()
    photos = [("files", (name, (JOB / name).read_bytes())) for name in PHOTOS]
    together = threading.Barrier(clients)
    with tempfile.TemporaryDirectory() as folder:
        service = start_service(Path(folder), "--workers", "2", "--queue", str(queue))
        began, done = time.monotonic(), Counter[str]()

        def client(number: int) -> tuple[bool, int, float]:
            mine = sheet.replace("[panel]", f"[panel]\n# client {number}", 1)
            files = [("files", ("panel.toml", mine.encode())), *photos]
            waits, start = 0, time.monotonic()
            with httpx.Client(
                base_url=service.url, headers=service.headers, timeout=600, verify=False
            ) as session:
                together.wait()
                while (sent := session.post("/jobs", files=files)).status_code == 429:
                    waits += 1
                    time.sleep(int(sent.headers["Retry-After"]))
                url = sent.raise_for_status().json()["url"]
                while (told := session.get(url, params={"wait": 30}).json())["state"] != "done":
                    pass
                result = session.get(told["files"]["result.json"]).json()
                done[told["outcome"]] += 1
                right = len(result["spots"]) == told["spots"] and result["verdict"] == told["outcome"]
                return right, waits, time.monotonic() - start

        with ThreadPoolExecutor(clients) as pool:
            answers = list(pool.map(client, range(clients)))
        seconds = time.monotonic() - began
        memory = service.memory_mb()
        service.stop()
    waited = sum(waits > 0 for _, waits, _ in answers)
    print(
        f"{clients} clients, queue of {queue}: {sum(right for right, *_ in answers)} right, outcomes {dict(done)}"
    )
    print(
        f"told to wait: {waited} clients, {sum(waits for _, waits, _ in answers)} times; nobody was refused otherwise"
    )
    print(
        f"all in {seconds:.0f} s; longest {max(t for *_, t in answers):.0f} s; service's most memory {memory:.0f} MB"
    )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
