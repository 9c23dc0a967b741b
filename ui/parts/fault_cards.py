"""Small faults on the result: one line a kind, and each one's piece of the photo on a tap."""

from __future__ import annotations

from typing import Any

import streamlit as st

import surfscan
from surfscan.ui import looks, running, session

__all__ = ["fault_cards"]

_MOST = 60  # in the list that one is picked from; the table has all


def fault_cards(result: surfscan.CheckResult, digest: str) -> None:
    """Nothing when they were not looked for."""
    faults = result.details.get("faults")
    if faults is None:
        return
    st.subheader("Small faults")
    for line in looks.words(result).fault_lines():
        st.markdown(f"- {looks.escape(line)}")
    if faults:
        _closer(result, digest)
    elif result.details.get("looked_for"):
        st.caption("None was found.")


@session.fragment
def _closer(result: surfscan.CheckResult, digest: str) -> None:
    """One fault, cut out of the photo; a tap draws only this part again."""
    faults = result.details["faults"]
    rows = {row["id"]: row for row in faults[:_MOST]}
    picked = st.selectbox(
        "Show one in the photo",
        list(rows),
        index=None,
        format_func=lambda number: _named(rows[number]),
        placeholder="which one",
        key=f"fault-{digest}",
    )
    if len(faults) > _MOST:
        st.caption(f"The {_MOST} clearest of {len(faults)}; all are in faults.csv.")
    if picked is None:
        return
    row = rows[picked]
    if running.has_photo(result):
        from surfscan.report.fault_crop import draw_fault_crop  # late: the first picture does not wait

        piece = running.cached_object(f"{digest}-fault-{picked}", lambda: draw_fault_crop(result, row))
        if piece is not None:
            st.image(piece, width=360)
    st.markdown(f"**{_named(row)}**: {looks.escape(row['action'])}")
    if row["photos"]:
        st.caption(looks.escape(f"Seen in {' and '.join(row['photos'])}."))


def _named(row: dict[str, Any]) -> str:
    size, place = looks.length(row["length_mm"]), looks.place(row["x_mm"], row["y_mm"])
    return f"f{row['id']}: {row['kind']}, {size}, {place}"
