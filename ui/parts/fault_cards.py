"""Small faults on the result: marks on the picture, one line a kind, and each one's pieces of the photos on a tap."""

from __future__ import annotations

from typing import Any

import numpy as np
import streamlit as st

import surfscan
from surfscan.ui import looks, session

__all__ = ["chosen_fault", "fault_cards", "fault_marks"]

_MOST = 60  # on the picture and in the list that one is picked from; the table has all


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


def fault_marks(result: surfscan.CheckResult, to_picture: Any) -> list[dict[str, Any]]:
    """Marks of small faults for a picture, the clearest ones where there are many."""
    rows = result.details.get("faults", [])[:_MOST]
    if not rows:
        return []
    places = to_picture(np.array([[row["x_mm"], row["y_mm"]] for row in rows]))
    chosen = session.chosen_mark()
    return [
        {
            "id": f"f{row['id']}",
            "kind": "unsure" if row["kind"] == "unsure" else "fault",
            "x": float(x),
            "y": float(y),
            "title": _named(row),
            "chosen": f"f{row['id']}" == chosen,
        }
        for row, (x, y) in zip(rows, places, strict=True)
        if np.isfinite([x, y]).all()
    ]


def chosen_fault(result: surfscan.CheckResult) -> None:
    """The one whose mark was tapped last."""
    for row in result.details.get("faults", []):
        if f"f{row['id']}" == session.chosen_mark():
            with st.container(border=True):
                _card(result, row)


def _card(result: surfscan.CheckResult, row: dict[str, Any]) -> None:
    """One fault: cut out of each photo, what it is, what to do."""
    own = f"f{row['id']} "
    pieces = {name.removeprefix(own): piece for name, piece in result.pieces.items() if name.startswith(own)}
    if pieces:
        st.image(list(pieces.values()), caption=list(pieces), width=160)
    st.markdown(f"**{looks.escape(_named(row))}**: {looks.escape(row['action'])}")
    if row["photos"]:
        st.caption(looks.escape(f"Seen in {' and '.join(row['photos'])}."))


@session.fragment
def _closer(result: surfscan.CheckResult, digest: str) -> None:
    """One fault picked from a list; a tap draws only this part again."""
    faults = result.details["faults"]
    rows = {row["id"]: row for row in faults[:_MOST]}
    picked = st.selectbox(
        "Show one in the photos",
        list(rows),
        index=None,
        format_func=lambda number: _named(rows[number]),
        placeholder="which one",
        key=f"fault-{digest}",
    )
    if len(faults) > _MOST:
        st.caption(f"The {_MOST} clearest of {len(faults)}; all are in faults.csv.")
    if picked is not None:
        _card(result, rows[picked])


def _named(row: dict[str, Any]) -> str:
    kind = "not named" if row["kind"] == "unsure" else row["kind"]
    return f"f{row['id']}: {kind}, {looks.length(row['length_mm'])}, {looks.place(row['x_mm'], row['y_mm'])}"
