"""Papers: what is handed over, and what is kept."""

from __future__ import annotations

import io
import re
import tempfile
import threading
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import streamlit as st

import surfscan
from surfscan.papers.folder import write_report
from surfscan.papers.particulars import Particulars
from surfscan.papers.seal import MADE
from surfscan.report.open_files import export_result
from surfscan.ui import job_files, looks, running, session
from surfscan.ui.desk import PhotoFile

__all__ = ["show"]

_KINDS = ("x3p", "sdf", "csv", "ply", "png", "spots")


def show() -> None:
    """Downloads of a result and of its job."""
    st.title("Papers")
    result, work = session.result(), session.work()
    if result is None or work is None:
        st.info("There is no result yet. Check a panel first; its papers are then here.")
        st.button("Check a panel", on_click=session.go_to, args=("Start",), type="primary")
        _job_folder()
        return
    looks.verdict_strip(result.verdict, result.sentence, name=str(result.panel.get("name") or ""))
    files = running.result_files(work.digest, result)
    name = file_name(str(result.panel.get("name") or "panel"))
    st.header("The report")
    _report(work.digest, files, name)
    st.header("Table and pictures")
    left, right = st.columns(2)
    with left:
        _save("Picture with the spots", files["overlay.png"], f"{name}-overlay.png", "image/png")
        _save("Table of the spots (CSV)", files["spots.csv"], f"{name}-spots.csv", "text/csv")
    with right:
        _save("Height map as a picture", files["map.png"], f"{name}-map.png", "image/png")
        _save(
            "Everything of the result",
            lambda: _packed(files, "result"),
            f"{name}-result.zip",
            "application/zip",
        )
    with st.expander("The map for other programs"):
        st.caption(
            "x3p (ISO 25178-72), sdf (ISO 25178-71), CSV, a mesh, a 16-bit picture, and the spots as JSON."
        )
        _save(
            "Open forms of the map",
            lambda: _open_forms(files),
            f"{name}-map-open-forms.zip",
            "application/zip",
        )
    _job_folder(name)


def file_name(panel: str) -> str:
    """A panel's name as the start of a file's name."""
    return re.sub(r"[^a-z0-9]+", "-", panel.lower()).strip("-")[:40] or "panel"


class Once:
    """Makes its thing when it is first asked for, in a click's own thread, and keeps it."""

    def __init__(self, make: Callable[[], Any]) -> None:
        self._make, self._lock, self._kept = make, threading.Lock(), None

    def __call__(self) -> Any:
        with self._lock:
            if self._kept is None:
                self._kept = self._make()
            return self._kept


def _save(label: str, data: bytes | str | Callable[[], bytes], name: str, kind: str) -> None:
    st.download_button(label, data, name, kind, key=f"save-{label}", on_click="ignore", width="stretch")


def _packed(files: dict[str, bytes], folder: str) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as parts:
        for name, data in files.items():
            parts.writestr(f"{folder}/{name}", data)
    return packed.getvalue()


def _report(digest: str, files: dict[str, bytes], name: str) -> None:
    left, right = st.columns(2)
    who = left.text_input("Checked by", max_chars=100, key=session.kept("paper-who"))
    number = right.text_input("Job number", max_chars=100, key=session.kept("paper-number"))
    left, right = st.columns(2)
    shop = left.text_input("Shop", max_chars=100, key=session.kept("paper-shop"))
    vehicle = right.text_input("Vehicle or part", max_chars=100, key=session.kept("paper-vehicle"))
    left, right = st.columns(2)
    shot_by = left.text_input("Shot by", max_chars=100, key=session.kept("paper-shot-by"))
    left, right = st.columns(2)
    day = left.text_input("Date", date.today().isoformat(), max_chars=40, key=session.kept("paper-day"))
    if _day(day) != day.strip():
        left.error(f"{looks.escape(day)} is no date; type it like 2026-03-31. The paper has {_day(day)}.")
    paper = right.segmented_control(
        "Paper", ["a4", "letter"], default="a4", key=session.kept("paper-size"), required=True
    )
    printable = [
        "".join(c for c in text if c.isprintable())
        for text in (who, number, _day(day), shop, vehicle, shot_by)
    ]
    particulars = Particulars(
        date=printable[2],
        checked_by=printable[0],
        job_number=printable[1],
        units=session.units(),
        shop=printable[3],
        vehicle=printable[4],
        shot_by=printable[5],
    )
    taken = {photo.file: photo.data for photo in _measured_photos()}  # here: a click's thread has no session
    made = Once(lambda: _write_report(files, taken, particulars, paper or "a4"))
    left, right = st.columns(2)
    with left:
        _save("Report (PDF)", lambda: made()["report.pdf"], f"{name}-report.pdf", "application/pdf")
    with right:
        _save("Report for a phone (HTML)", lambda: made()["report.html"], f"{name}-report.html", "text/html")
    _save(
        "Report with its result and seal",
        lambda: _packed({**files, **made()}, "report"),
        f"{name}-report.zip",
        "application/zip",
    )
    st.caption(
        "The seal lets anybody see later, with surfscan verify, whether the paper still belongs to the result."
    )


def _day(typed: str) -> str:
    """The day that was typed, as year, month and day; today where that is none."""
    try:
        return date.fromisoformat(typed.strip()).isoformat()
    except ValueError:
        return date.today().isoformat()


def _measured_photos() -> list[PhotoFile]:
    """The session's photos, where they are all of those that the result was made from."""
    result, photos = session.result(), session.photos()
    wanted = {row.get("sha256") for row in result.photos} if result is not None else set()
    return photos if wanted and wanted <= {photo.sha256 for photo in photos} else []


def _write_report(
    files: dict[str, bytes], taken: dict[str, bytes], particulars: Particulars, paper: str
) -> dict[str, bytes]:
    with tempfile.TemporaryDirectory(prefix="surfscan-page-") as folder:
        out, job = Path(folder) / "result", Path(folder) / "job"
        for place, group in ((out, files), (job, taken)):
            place.mkdir()
            for name, data in group.items():
                (place / name).write_bytes(data)
        written = write_report(out, particulars, paper=paper, photos=job if taken else None)
        made = [*written, *(out / name for name in MADE if (out / name).is_file())]
        return {path.name: path.read_bytes() for path in made}


def _open_forms(files: dict[str, bytes]) -> bytes:
    with tempfile.TemporaryDirectory(prefix="surfscan-page-") as folder:
        source, out = Path(folder) / "result", Path(folder) / "out"
        source.mkdir()
        for name, data in files.items():
            (source / name).write_bytes(data)
        paths = export_result(surfscan.load_result(source), out, kinds=_KINDS)
        return _packed({path.name: path.read_bytes() for path in paths}, "open-forms")


def _job_folder(name: str = "panel") -> None:
    st.header("The job folder")
    if not session.photos():
        st.caption("No photos yet.")
        return
    _save("Job folder: sheet and photos", job_files.job_zip(), f"{name}-job.zip", "application/zip")
    st.caption("Unpacked, the same job runs in a terminal: surfscan check job --out result")
