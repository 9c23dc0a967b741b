"""The service by its own command: a hundred clients at once, one real job, limits, restarts, its description."""

from __future__ import annotations

import json
import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from importlib import resources
from pathlib import Path

import httpx
import pytest
import uvicorn
from serve.service import Service, start_service

from surfscan.core.errors import RefusedError
from surfscan.job.uploads import name_in_job
from surfscan.report.output import OUTPUT_FILES
from surfscan.results.record import open_record
from surfscan.serve.app import make_app
from surfscan.serve.desk import FullError
from surfscan.serve.openapi import describe

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"
SMALL = JOBS / "bad-photos"  # its good photos: `flat` at half size
CLIENTS = 100


def files_of(job: Path) -> list[tuple[str, tuple[str, bytes]]]:
    names = ("panel.toml", "stripes-across.jpg", "stripes-up.jpg")
    return [("files", (name, (job / name).read_bytes())) for name in names]


def wrong_job(number: int) -> list[tuple[str, tuple[str, bytes]]]:
    """A job that is refused, with a reason of its own: a size of so many mm under zero."""
    sheet = (
        f"[panel]\nname = 'x'\nstage = 'primer'\nsize_mm = [-{number}.0, 1.0]\n[[photo]]\nfile = 'a.jpg'\n"
    )
    return [("files", ("panel.toml", sheet.encode())), ("files", ("a.jpg", b"\xff\xd8\xff" + bytes(200_000)))]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("serve")


@pytest.fixture(scope="module")
def service(place: Path) -> Iterator[Service]:
    record = ("--record", str(place / "shop.db"))
    running = start_service(place, "--workers", "2", "--queue", "40", "--out", str(place / "out"), *record)
    yield running
    running.stop()


def send(
    client: httpx.Client, files: list[tuple[str, tuple[str, bytes]]], **data: str
) -> tuple[httpx.Response, int]:
    """Send a job, again when told to wait; the answer, and how often it was told so."""
    waits = 0
    while True:
        answer = client.post("/jobs", files=files, data=data)
        if answer.status_code != 429:
            return answer, waits
        assert 1 <= int(answer.headers["Retry-After"]) <= 300
        waits += 1
        time.sleep(0.3)  # a test is in a hurry


def finish(client: httpx.Client, url: str) -> dict[str, object]:
    while (told := client.get(url, params={"wait": 20}).json())["state"] != "done":
        pass
    return dict(told)


def test_a_hundred_clients_at_once_are_answered_right_or_told_to_wait(service: Service) -> None:
    together = threading.Barrier(CLIENTS)

    def client(number: int) -> tuple[int, str, int]:
        with httpx.Client(
            base_url=service.url, headers=service.headers, timeout=120, verify=False
        ) as session:
            together.wait()
            sent, waits = send(session, wrong_job(number))
            assert sent.status_code == 202, sent.text
            told = finish(session, sent.json()["url"])
            return number, f"{told['outcome']} {told['reason']}", waits

    with ThreadPoolExecutor(CLIENTS) as pool:
        answers = list(pool.map(client, range(1, CLIENTS + 1)))
    for number, told, _ in answers:  # each has its own job's answer, and nobody else's
        assert told.startswith("refused ")
        assert re.search(rf"\D-{number}\.0", told), told
    # a queue of forty can't hold a hundred: some were told to wait
    assert sum(waits > 0 for *_, waits in answers) > 0
    assert service.memory_mb() < 300


def test_a_real_job_is_the_commands_result(service: Service, place: Path) -> None:
    with httpx.Client(base_url=service.url, headers=service.headers, timeout=120) as client:
        sent, _ = send(client, files_of(SMALL), job_number="1042")
        told = finish(client, sent.json()["url"])
        assert (told["outcome"], told["spots"]) == ("rework", 4)
        files = told["files"]
        assert isinstance(files, dict)
        assert set(files) == set(OUTPUT_FILES)
        result = client.get(files["result.json"]).json()
        truth = json.loads((JOBS / "flat" / "truth.json").read_text())["spots"]
        # the deepest low is 0.278 mm by the renderer; half as many pixels leave 10 um
        assert min(s["peak_mm"] for s in result["spots"]) == pytest.approx(-0.278, abs=0.01)
        assert len(result["spots"]) == len(truth)
        assert client.get(files["overlay.png"]).content.startswith(b"\x89PNG")
        # the same bytes are the same job, and the record has it under its number
        again = client.post("/jobs", files=files_of(SMALL))
        assert (again.status_code, again.json()["state"]) == (200, "done")
        with open_record(place / "shop.db") as record:
            assert [row.job for row in record.history()] == ["1042"]
        # photos are not kept
        assert list((place / "out" / "jobs").iterdir()) == []
        wrong, _ = send(client, wrong_job(500))
        finish(client, wrong.json()["url"])
        assert client.delete(wrong.json()["url"]).status_code == 204
        assert client.get(wrong.json()["url"]).status_code == 404
        assert not (place / "out" / "results" / wrong.json()["id"]).exists()


def test_the_guides_client_works_as_printed(service: Service, tmp_path: Path) -> None:
    chapter = resources.files("surfscan") / "data" / "guide" / "the-shop.md"
    (code,) = re.findall(
        r"^```python\n(.*?)^```", chapter.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL
    )
    assert len([line for line in code.splitlines() if line.strip() and not line.startswith("import")]) <= 10
    job = tmp_path / "surfscan-demo" / "job"
    job.mkdir(parents=True)
    for _, (name, data) in files_of(SMALL):
        (job / name).write_bytes(data)
    done = subprocess.run(
        [sys.executable, "-c", code, service.token, service.url], cwd=tmp_path, capture_output=True, text=True
    )
    assert done.stdout.splitlines()[-1].startswith("rework Rework: 3 lows and 1 high."), done.stderr


def test_what_is_no_job_is_refused_with_what_to_do(service: Service) -> None:
    with httpx.Client(base_url=service.url, headers=service.headers, timeout=60) as client:
        good = files_of(SMALL)
        wrong = [
            (client.post("/jobs", json={}), 422, "multipart/form-data"),
            (client.post("/jobs", files=good[1:]), 422, "no panel.toml"),
            (client.post("/jobs", files=[("files", ("../x.jpg", b"x")), good[0]]), 422, "leads out"),
            (client.post("/jobs", files=[*good, good[1]]), 422, "sent twice"),
            (client.post("/jobs", files=good, data={"job_number": "AB 12"}), 422, "digits only"),
            (
                client.post("/jobs", files=[good[0], ("files", ("big.jpg", bytes(41_000_000)))]),
                413,
                "up to 40 MB",
            ),
            (client.post("/jobs", files=[("files", (f"{k}.jpg", b"x")) for k in range(60)]), 413, "Too many"),
            (client.get("/jobs/" + "0" * 64), 404, "no such job"),
            (client.get("/jobs/../../etc/passwd"), 404, "nothing here"),
            (client.put("/jobs"), 405, "nothing here"),
        ]
        for answer, status, words in wrong:
            assert answer.status_code == status, answer.text
            assert words in answer.text
        for headers in ({}, {"Authorization": "Bearer wrong"}, {"Authorization": f"Basic {service.token}"}):
            shut = httpx.post(f"{service.url}/jobs", files=good, headers=headers)
            assert (shut.status_code, shut.headers["WWW-Authenticate"]) == (401, "Bearer")


def test_a_restart_takes_up_what_waited(tmp_path: Path) -> None:
    token = "t" * 24
    given = ("--workers", "1", "--out", str(tmp_path / "out"))
    running = start_service(tmp_path / "a", *given, token=token)
    headers = {"Authorization": f"Bearer {token}"}
    with httpx.Client(base_url=running.url, headers=headers, timeout=60) as client:
        urls = [client.post("/jobs", files=wrong_job(k)).json()["url"] for k in range(1, 16)]
    running.process.kill()  # the first run or are done, the last wait
    running.process.wait()
    running = start_service(tmp_path / "b", *given, token=token)
    try:
        with httpx.Client(base_url=running.url, headers=headers, timeout=60) as client:
            told = [str(finish(client, url)["reason"]) for url in urls]
    finally:
        running.stop()
    assert [re.search(r"-(\d+)\.0", reason)[1] for reason in told] == [str(k) for k in range(1, 16)]  # type: ignore[index]


class FullDesk:
    """A desk that has no room, whatever comes."""

    def see_room(self) -> None:
        raise FullError(7)

    def close(self) -> None:
        pass


def test_a_client_in_the_middle_of_twenty_megabytes_reads_that_it_has_to_wait() -> None:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        app = make_app(FullDesk(), "t")  # type: ignore[arg-type]
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning"))
        running = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        running.start()
        try:
            large = [*wrong_job(1)[:1], ("files", ("a.jpg", bytes(20_000_000)))]
            url = f"http://127.0.0.1:{listening.getsockname()[1]}/jobs"
            told = httpx.post(url, files=large, headers={"Authorization": "Bearer t"}, timeout=60)
        finally:
            server.should_exit = True
            running.join()
    assert (told.status_code, told.headers["Retry-After"]) == (429, "7")


def test_it_is_described_as_the_standard_asks(service: Service) -> None:
    openapi_spec_validator = pytest.importorskip("openapi_spec_validator")
    document = httpx.get(f"{service.url}/openapi.json").json()
    assert document == describe()
    openapi_spec_validator.validate(document)  # the OpenAPI Initiative's own schema, 3.1
    page = httpx.get(f"{service.url}/docs")
    assert "default-src 'none'" in page.headers["Content-Security-Policy"]
    for path, calls in document["paths"].items():
        for method in calls:
            assert f"<code>{method.upper()} {path}</code>" in page.text
    assert httpx.get(f"{service.url}/health").json()["status"] == "ok"


@pytest.mark.parametrize(
    "name", ["", "..", "a/../../b", "/etc/passwd", "C:\\x", ".hidden", "a/.b", "x" * 300, "a\0b"]
)
def test_names_that_would_leave_the_folder_are_refused(name: str) -> None:
    with pytest.raises(RefusedError):
        name_in_job(name)
    assert name_in_job("photos\\one.jpg") == "photos/one.jpg"
