"""What the shop learns, as on its paper: shares, passes, filler, spots that come back, drift, uncertainty."""

from __future__ import annotations

import html
import tempfile
from collections.abc import Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st

from surfscan.ui import looks, running, session
from surfscan.ui.parts.place import ask_place

if TYPE_CHECKING:
    from surfscan.papers.blocks import Drawing
    from surfscan.shop.figures import ShopFigures

__all__ = ["show"]


def show() -> None:
    """The figures of the record."""
    where = ask_place("The record", variable="SURFSCAN_RECORD", key="record-place", option="--record PATH")
    if not where:
        return
    from surfscan.papers.shop import told_of_record
    from surfscan.results.proofs import list_proofs
    from surfscan.results.record import open_record
    from surfscan.shop.figures import learn

    with open_record(where) as record:
        ids = [row.id for row in record.history()]
    key = f"shop {where} {hash(tuple(ids))} {len(list_proofs(where))}"
    figures: ShopFigures = running.cached_object(key, lambda: learn(where))
    st.caption(looks.escape(told_of_record(figures)))
    _show(figures)
    left, right = st.columns(2)
    for column, name, label, kind in (
        (left, "shop.pdf", "Two pages (PDF)", "application/pdf"),
        (right, "shop.csv", "The table (CSV)", "text/csv"),
    ):
        make = partial(_file, figures, name, session.units())
        column.download_button(
            label, make, name, kind, key=f"save-{name}", on_click="ignore", width="stretch"
        )


def _show(figures: ShopFigures) -> None:
    from surfscan.core.units import units_named
    from surfscan.papers.shop import (
        drift_charts,
        drift_words,
        filler_rows,
        ready_chart,
        share_words,
        u95_chart,
    )
    from surfscan.report.car_words import stage_word

    units = units_named(session.units())
    st.header("Ready at first look")
    _chart(ready_chart(figures), "Nothing to tell yet: passes need their job number.")
    _table(
        ("Stage", "Ready"),
        [(stage_word(s.stage), share_words(s)) for s in figures.first_looks if not s.group],
    )
    if figures.counts:
        st.header("Passes until a panel was ready")
        rows = [
            (stage_word(c.stage), ", ".join(f"{n} after {k}" for k, n in c.ready) or "none yet", str(c.open))
            for c in figures.counts
        ]
        _table(("Stage", "Panels ready", "Not ready yet"), rows)
    filler = filler_rows(figures, units)
    if filler:
        st.header("Filler")
        _table(("Filler", "Panels", "Together", "Panel in the middle", "Thickest"), filler)
    st.header("Spots that come back")
    _table(
        ("Stage worked at", "Kind", "There again at the next check"),
        [(stage_word(s.stage), s.group, share_words(s)) for s in figures.back],
    )
    st.header("Do the stations drift?")
    if not figures.drifts:
        st.caption("Too few proofs and checks yet: a chart needs eight of a station.")
    for drift in figures.drifts:
        st.markdown(looks.escape(drift_words(drift)))
        for chart in drift_charts(drift):
            _chart(chart, "")
    st.header("Uncertainty over time")
    _chart(u95_chart(figures, units), "No check told its uncertainty.")


def _chart(drawing: Drawing | None, otherwise: str) -> None:
    if drawing is None:
        st.caption(otherwise)
        return
    looks.drawing(drawing.views[0][1], drawing.caption, width_px=640, least_px=520)
    st.caption(looks.escape(drawing.caption))


def _table(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    if not rows:
        st.caption("Nothing yet.")
        return
    head = "".join(f'<th scope="col">{html.escape(name)}</th>' for name in columns)
    body = "".join(
        "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    table = f'<table class="plain"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'
    st.html(f'<div class="tablewrap">{table}</div>')


def _file(figures: ShopFigures, name: str, units: str) -> bytes:
    from surfscan.papers.particulars import Particulars
    from surfscan.papers.shop import write_shop

    given = Particulars(date=date.today().isoformat(), units="inch" if units == "inch" else "mm")
    with tempfile.TemporaryDirectory(prefix="surfscan-page-") as folder:
        write_shop(figures, Path(folder), given)
        return (Path(folder) / name).read_bytes()
