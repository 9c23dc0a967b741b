"""What a watch does: jobs as they come, photos that wait for others, and what was set aside."""

from __future__ import annotations

import base64
import html
from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st

from surfscan.core.errors import SurfscanError
from surfscan.ui import looks
from surfscan.ui.parts.place import ask_place

if TYPE_CHECKING:
    from surfscan.watch.keep import JobKept, WatchState

__all__ = ["show"]

_EVERY = "3s"
_MOST = 50
_OTHER = {"refused": ("Refused", "×"), "": ("Waiting", "…")}


def show() -> None:
    """The latest jobs, renewed as they come."""
    where = ask_place(
        "Results of surfscan watch", variable="SURFSCAN_WATCH", key="watch-place", option="--watch DIR"
    )
    if not where:
        st.caption("surfscan watch FOLDER --station NAME --out DIR checks photos as they arrive in a folder.")
        return
    _renewed(where)


@st.fragment(run_every=_EVERY)
def _renewed(where: str) -> None:
    from surfscan.watch.keep import STATE, read_state

    out = Path(where)
    if not (out / STATE).is_file():
        st.info("Nothing has arrived there yet. surfscan watch writes there what it does.")
        return
    try:
        _show(out, read_state(out))
    except SurfscanError as error:  # a part that renews itself is out of the router's reach
        looks.refusal(error)


def _show(out: Path, state: WatchState) -> None:
    jobs = list(state.jobs.items())[::-1]
    st.caption(looks.escape(_counts(state)))
    for group in state.lacking:
        names = ", ".join(name.rpartition("/")[2] for name in group["photos"])
        st.info(
            looks.escape(f"{len(group['photos'])} of {group['of']} photos: {names}. It waits for the rest.")
        )
    st.html(f'<ul class="jobs">{"".join(_job(out, name, job) for name, job in jobs[:_MOST])}</ul>')
    if len(jobs) > _MOST:
        st.caption(f"And {len(jobs) - _MOST} earlier ones.")
    aside = [one for one in state.photos.values() if one.why]
    if aside:
        with st.expander(f"Set aside: {len(aside)} photo{'s' * (len(aside) != 1)}"):
            for one in aside[-_MOST:]:
                st.markdown(looks.escape(f"{one.place}: {one.why}"))


def _counts(state: WatchState) -> str:
    waiting = sum(job.state != "done" for job in state.jobs.values())
    told = f"{len(state.jobs)} job{'s' * (len(state.jobs) != 1)}, {waiting} of them being checked"
    if state.moving:
        told += f"; {len(state.moving)} file{'s' * (len(state.moving) != 1)} still being copied"
    return f"{told}. Last change: {state.looked.replace('T', ' ').removesuffix('+00:00')} UTC."


def _job(out: Path, name: str, job: JobKept) -> str:
    word, sign = looks.WORDS.get(job.outcome) or _OTHER.get(job.outcome) or ("No result", "×")
    picture = _small(out / "results" / name / "small.jpg") if job.state == "done" else ""
    number = f", job {job.job_number}" if job.job_number else ""
    reason = job.reason.removeprefix(f"{word}: ")
    when = (job.done or job.made).replace("T", " ").removesuffix("+00:00")
    return (
        f'<li class="job verdict-{html.escape(job.outcome or "not_measured")}">{picture}<div>'
        f'<strong><span aria-hidden="true">{sign}</span> {word}</strong> {html.escape(job.panel or name)}'
        f'{html.escape(number)}<p>{html.escape(reason)}</p><p class="aside">{html.escape(when)} UTC</p></div></li>'
    )


def _small(path: Path) -> str:
    try:
        code = base64.b64encode(path.read_bytes()).decode()
    except OSError:
        return ""
    return f'<img alt="Map of the panel, small" src="data:image/jpeg;base64,{code}">'
