"""Before and after: two passes of one panel over each other, with a slider between them."""

from __future__ import annotations

import html
import tempfile
from dataclasses import asdict
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import streamlit as st

import surfscan
from surfscan.core.units import units_named
from surfscan.report.panes import draw_map_pane
from surfscan.ui import job_files, looks, running, session
from surfscan.ui.desk import FOLDER
from surfscan.ui.parts.choose_result import bring_result, choices
from surfscan.ui.parts.maps import colour_scale, length_bar
from surfscan.ui.picture import show_picture

__all__ = ["show"]


def show() -> None:
    """The two passes, what changed, and the papers of it."""
    st.title("Before and after")
    found = choices()
    bring_result()
    if len(found) < 2:
        st.info(
            "Two results of one panel are needed: check it before and after the work, or bring a result that was saved."
        )
        return
    keys = list(found)
    titles = {key: told for key, (told, _) in found.items()}
    left, right = st.columns(2)
    with left:
        before = st.selectbox(
            "Before", keys, index=1, format_func=titles.__getitem__, key=session.kept("pass-before")
        )
    with right:
        after = st.selectbox(
            "After", keys, index=0, format_func=titles.__getitem__, key=session.kept("pass-after")
        )
    if before not in found or after not in found or before == after:
        st.info("Choose two different results.")
        return
    key = f"compare {before} {after}"
    change = running.cached_object(key, lambda: surfscan.compare(found[before][1](), found[after][1]()))
    units = units_named(session.units())
    looks.verdict_strip(
        str(change.verdict), change.told.say(units), name=str(change.after.panel.get("name") or "")
    )
    _slider(change, key)
    _told(change, units)
    _save(change, key)


@session.fragment
def _slider(change: Any, key: str) -> None:
    """Both maps in the later pass's colours; the slider takes the later one off the earlier."""
    limits = change.after.limits
    low, high = limits["low_mm"], limits["high_mm"]
    end = max([2 * low, 2 * high, *(abs(s.peak_mm) for r in (change.before, change.after) for s in r.spots)])
    panes = [
        running.cached_object(
            f"{key} pane {k}",
            partial(
                draw_map_pane, r.height, r.height.height_mm, scale="deviation", low=low, high=high, end=end
            ),
        )
        for k, r in enumerate((change.before, change.after))
    ]
    base, top = (running.as_url(p.picture, key=f"{key} url {k}") for k, p in enumerate(panes))
    show_picture(
        "passes",
        base,
        (panes[1].picture.shape[1], panes[1].picture.shape[0]),
        top=top,
        alt="The maps of both passes",
        names=("before", "after"),
        length_bar=length_bar(panes[1].to_picture, float(change.after.panel["size_mm"][0])),
    )
    looks.legend("deviation", looks.depth(low), looks.depth(high))
    colour_scale("deviation", panes[1].end, low=low, high=high)


def _told(change: Any, units: Any) -> None:
    from surfscan.report.difference_picture import draw_difference

    st.subheader("What was added and taken off")
    st.image(draw_difference(change, units), width="stretch", alt="After minus before")
    from surfscan.judge.reasons import sentences_of
    from surfscan.report.difference_table import fault_change_lines

    said = list(sentences_of(change.findings, units))
    if change.faults is not None:
        said += fault_change_lines([asdict(row) for row in change.faults])
    rows = "".join(f"<li>{html.escape(text)}</li>" for text in said)
    st.html(f"<ul>{rows}</ul>")


def _save(change: Any, key: str) -> None:
    units = session.units()
    st.download_button(
        "The comparison with its paper", lambda: _packed(change, units), "before-and-after.zip", "application/zip",
        key="save-comparison", on_click="ignore", width="stretch",
    )  # fmt: skip


def _packed(change: Any, units: str) -> bytes:
    from surfscan.papers.before_after import write_before_after
    from surfscan.papers.particulars import Particulars
    from surfscan.report.difference import write_comparison

    with tempfile.TemporaryDirectory(prefix=FOLDER) as folder:
        out = Path(folder) / "before-and-after"
        out.mkdir()
        write_comparison(out, change, units_named("inch" if units == "inch" else "mm"))
        given = Particulars(date=date.today().isoformat(), units="inch" if units == "inch" else "mm")
        write_before_after(out, given)
        return job_files.packed_folder(out)
