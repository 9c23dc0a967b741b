"""Results to choose from: this browser's own, the record's, and what somebody brings."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from typing import Any

import streamlit as st

import surfscan
from surfscan.judge.trade_table import words as trade_words
from surfscan.ui import job_files, looks, running, session
from surfscan.ui.desk import digest_of

__all__ = ["bring_result", "choices", "record_place"]

_BROUGHT, _MOST_BROUGHT = "brought-results", 8


def record_place() -> str:
    """Where the page's record is; "" when it was started without one."""
    return os.environ.get("SURFSCAN_RECORD", "")


def choices() -> dict[str, tuple[str, Callable[[], Any]]]:
    """By a key that stays: what to call a result, and how to get it. Those without a scale are left out."""
    found: dict[str, tuple[str, Callable[[], Any]]] = {}
    for note, work in session.results():
        result = work.result
        if result is None or "relative" in result.details:
            continue
        here = ", open now" if note.id == session.job_id() else ""
        found[f"{note.id}-{work.digest}"] = (
            f"{_told(note.name, note.stage, note.verdict)}{here}",
            partial(_same, result),
        )
    for key, label, result in st.session_state.get(_BROUGHT, []):
        found[key] = (f"{label}, brought", partial(_same, result))
    found.update(_recorded())
    return found


def _same(result: Any) -> Any:
    return result


def _told(name: str, stage: str, verdict: str) -> str:
    word = looks.WORDS[verdict][0] if verdict in looks.WORDS else "no verdict"
    return f"{name or 'no name'}: {trade_words('names').get(stage, stage)}, {word}"


def _recorded() -> dict[str, tuple[str, Callable[[], Any]]]:
    where = record_place()
    if not where:
        return {}
    from surfscan.results.record import open_record

    def get(number: int) -> Any:
        with open_record(where) as record:
            return record.get(number)

    with open_record(where) as record:
        rows = record.history()
    return {
        f"record-{row.id}": (
            f"{_told(row.panel, row.stage, row.verdict)}, job {row.job or '-'}, {row.started[:10]}",
            partial(get, row.id),
        )
        for row in list(rows)[::-1][:200]
    }


def bring_result() -> None:
    """Ask for somebody's result: its zip, or its files."""
    count = st.session_state.get("brought-count", 0)
    with st.expander("Bring a result: its zip, or the files of its folder"):
        st.file_uploader(
            "result.json and height.npz, or the zip that was saved under Papers",
            accept_multiple_files=True,
            key=f"bring-{count}",
            on_change=_take,
            args=(f"bring-{count}",),
        )
        trouble = st.session_state.get("brought-trouble")
        if trouble is not None:
            looks.refusal(trouble)


def _take(key: str) -> None:
    uploads = st.session_state.get(key) or []
    st.session_state["brought-count"] = st.session_state.get("brought-count", 0) + 1
    st.session_state.pop("brought-trouble", None)
    try:
        files = job_files.unpacked([(one.name, one.getvalue()) for one in uploads])
        by_name = {name.rpartition("/")[2]: data for name, data in files}
        if not {"result.json", "height.npz"} <= set(by_name):
            raise surfscan.RefusedError(
                "That is no result",
                found=", ".join(sorted(by_name)[:5]) or "nothing",
                allowed="result.json with height.npz, as a check writes them",
                cure="choose the zip that was saved under Papers, or both files",
            )
        found = running.read_result(by_name)
    except surfscan.SurfscanError as error:
        st.session_state["brought-trouble"] = error
        return
    label = _told(str(found.panel.get("name") or ""), str(found.panel.get("stage") or ""), str(found.verdict))
    number = f"brought-{digest_of(by_name['result.json'], by_name['height.npz'])[:16]}"
    kept = [row for row in st.session_state.get(_BROUGHT, []) if row[0] != number]
    st.session_state[_BROUGHT] = [*kept, (number, label, found)][-_MOST_BROUGHT:]
