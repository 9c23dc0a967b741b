"""The record: passes of a job number or a panel; each opens, and the open result can be put in."""

from __future__ import annotations

import tempfile
from pathlib import Path

import streamlit as st

from surfscan.ui import job_files, looks, running, session
from surfscan.ui.desk import FOLDER
from surfscan.ui.parts.place import ask_place

__all__ = ["show"]

_MOST, _ADDED = 60, "record-added"


def show() -> None:
    """What the record holds."""
    st.title("The record")
    where = ask_place("The record", variable="SURFSCAN_RECORD", key="record-place", option="--record PATH")
    if not where:
        return
    from surfscan.results.record import open_record

    _add(where)
    with open_record(where) as record:
        rows = list(record.history())[::-1]
    if not rows:
        st.info("Nothing is in the record yet.")
        return
    left, right = st.columns(2)
    jobs, panels = (
        sorted({row.job for row in rows if row.job}),
        sorted({row.panel for row in rows if row.panel}),
    )
    job = left.selectbox("Job number", ["all", *jobs], key=session.kept("record-job"))
    panel = right.selectbox("Panel", ["all", *panels], key=session.kept("record-panel"))
    shown = [row for row in rows if job in ("all", row.job) and panel in ("all", row.panel)]
    st.caption(f"{len(shown)} of {len(rows)} passes, the last one first.")
    for row in shown[:_MOST]:
        word = looks.WORDS[row.verdict][0] if row.verdict in looks.WORDS else row.verdict
        worst = f", worst {looks.depth(row.worst_mm)}" if row.worst_mm is not None else ""
        when = row.started.replace("T", " ")[:16]
        st.button(
            looks.escape(
                f"{word}: {row.panel or 'no name'}, {row.stage}{worst}. Job {row.job or '-'}, {when}"
            ),
            key=f"pass-{row.id}",
            on_click=_open,
            args=(where, row.id),
            width="stretch",
        )
    if len(shown) > _MOST:
        st.caption(f"And {len(shown) - _MOST} earlier ones: choose a job number or a panel.")


def _open(where: str, number: int) -> None:
    from surfscan.results.record import open_record

    with open_record(where) as record:
        found, files = record.get(number), record.files(number)
    running.take_result(found, files)
    session.go_to("Result")


def _add(where: str) -> None:
    """Put the open result in, once."""
    result, work = session.result(), session.work()
    if result is None or work is None or "relative" in result.details:
        return
    added = st.session_state.get(_ADDED)
    if added is not None and added[0] == work.digest:
        st.success(f"The open result is pass {added[1]} of the record.")
        return
    with st.container(border=True):
        st.markdown(looks.escape(f"Open now: {session.shown_name() or 'no name'}"))
        job = st.text_input(
            "Job number (digits, with . / - between them)", max_chars=40, key=session.kept("record-number")
        )
        if st.button("Put it into the record", key="record-add", width="stretch"):
            st.session_state[_ADDED] = (work.digest, _keep(where, job.strip()))
            st.rerun()


def _keep(where: str, job: str) -> int:
    from surfscan.results.record import open_record

    result, work = session.result(), session.work()
    assert result is not None  # the button is there only then, as the next one
    assert work is not None
    with tempfile.TemporaryDirectory(prefix=FOLDER) as folder:
        for name, data in running.result_files(work.digest, result).items():
            (Path(folder) / name).write_bytes(data)
        sheet = Path(folder) / "panel.toml"
        sheet.write_text(job_files.sheet_text(), encoding="utf-8")
        with open_record(where) as record:
            return record.add(
                folder, job=job, sheet=sheet if session.photos() else None, once=work.digest[:59]
            )
