"""A car from the record: its outline, its panels, what is left to do, and its sealed paper."""

from __future__ import annotations

import html
import tempfile
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st

from surfscan.ui import job_files, looks, running, session
from surfscan.ui.parts.place import ask_place

if TYPE_CHECKING:
    from surfscan.car.summary import Car

__all__ = ["show"]


def show() -> None:
    """The car of a job number."""
    where = ask_place("The record", variable="SURFSCAN_RECORD", key="record-place", option="--record PATH")
    if not where:
        return
    from surfscan.interface.car import gather_recorded_car, job_numbers
    from surfscan.results.record import open_record

    with open_record(where) as record:
        known = job_numbers(record)
        if not known:
            st.info(
                "The record has no pass with a job number. surfscan check --record PATH --job-number N adds one."
            )
            return
        panels = dict(known)
        number = st.selectbox(
            "Job number", list(panels), key=session.kept("car-number"),
            format_func=lambda n: f"{n}: {panels[n]} panel{'s' * (panels[n] != 1)}",
        )  # fmt: skip
        rows = record.history(job=number)
        key = f"car {where} {number} {[row.id for row in rows]}"
        car, numbers = running.cached_object(key, lambda: gather_recorded_car(record, number))
    _show(car)
    left, right = st.columns(2)
    shop = left.text_input("Shop", max_chars=100, key=session.kept("car-shop"))
    who = right.text_input("Checked by", max_chars=100, key=session.kept("car-who"))
    typed = tuple("".join(c for c in text if c.isprintable()) for text in (shop, who))
    units = session.units()
    st.download_button(
        "The car's paper, with its results and seal",
        lambda: _paper(where, car, numbers, typed, units),
        f"car-{number.replace('/', '-')}.zip",
        "application/zip",
        key="car-paper",
        on_click="ignore",
        type="primary",
    )
    st.caption(
        "A cover with the outline, then a page a panel. surfscan verify says later whether it still belongs."
    )


def _show(car: Car) -> None:
    from surfscan.core.units import units_named
    from surfscan.papers.car_outline import draw_car, outline_words
    from surfscan.report.car_words import car_headline, left_lines, stage_word

    looks.verdict_strip(str(car.verdict), car_headline(car), name=f"job {car.job_number}")
    drawing = draw_car(car, front="up")
    left, right = st.columns([2, 3])
    with left:
        looks.drawing(drawing.views[0][1], outline_words(car), width_px=380)
        st.caption(drawing.caption)
    with right:
        rows = []
        for k, panel in enumerate(car.panels, 1):
            word, sign = looks.WORDS[panel.verdict] if panel.result is not None else ("Not checked", "–")
            told = html.escape(f"{panel.title}, {stage_word(panel.stage)}")
            rows.append(
                f'<li>{k}. <strong><span aria-hidden="true">{sign}</span> {word}</strong>: {told}</li>'
            )
        st.html(f'<ul class="checks-plain">{"".join(rows)}</ul>')
        lines = left_lines(car, units_named(session.units()))
        st.subheader("Left to do, in order")
        if lines:
            st.html("<ol>" + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ol>")
        else:
            st.markdown("Nothing at these stages: every panel is fair.")


def _paper(where: str, car: Car, numbers: dict[str, int], typed: tuple[str, ...], units: str) -> bytes:
    """The paper's folder, packed."""
    from surfscan.interface.car import keep_recorded
    from surfscan.papers.car import write_car
    from surfscan.papers.particulars import Particulars
    from surfscan.results.record import open_record

    given = Particulars(
        date=date.today().isoformat(),
        shop=typed[0],
        checked_by=typed[1],
        units="inch" if units == "inch" else "mm",
    )
    with tempfile.TemporaryDirectory(prefix="surfscan-page-") as folder:
        out = Path(folder) / "car"
        with open_record(where) as record:
            sources = keep_recorded(record, car, numbers, out)
        write_car(car, sources, out, given)
        return job_files.packed_folder(out)
