"""Check a panel: one scroll from the panel over the photos to the verdict."""

from __future__ import annotations

import html
from typing import Any

import streamlit as st

import surfscan
from surfscan.judge.cautions import CAUTIONS
from surfscan.ui import job_files, looks, running, session
from surfscan.ui.parts.drawing import region_drawing
from surfscan.ui.parts.lengths import refused
from surfscan.ui.parts.photo_tiles import bring_photos, photo_tiles
from surfscan.ui.parts.sheet_form import panel_form, setup_form, setup_words, sheet_editor
from surfscan.ui.parts.spot_cards import spot_cards, spot_marks
from surfscan.ui.picture import show_picture

__all__ = ["show"]

_CLOSER = "Look closer"
_TROUBLE = "job-trouble"


def show() -> None:
    """The whole scroll."""
    st.title("Is the panel fair?")
    _open_folder()
    st.header("1 · The panel")
    panel_form()
    st.header("2 · The set-up")
    with st.expander(f"Set-up: {setup_words()}"):
        setup_form()
    st.header("3 · The photos")
    bring_photos()
    sheet, text = _sheet()
    found = photo_tiles(sheet, text)
    if session.photos():
        with st.expander("Judge only a part, or leave parts out"):
            region_drawing(found)
        with st.expander("The sheet itself (panel.toml)"):
            sheet_editor()
    st.header("4 · The result")
    if running.drop_stale_result():
        st.info("The job has changed since it was checked. Check it again.")
    _check_button(sheet, found)
    _outcome()


def _open_folder() -> None:
    with st.expander("Open a job folder, or try the example"):
        st.file_uploader(
            "A job folder: panel.toml with its photos",
            accept_multiple_files="directory",
            key=f"folder-{session.round_of_form()}",
            on_change=_take_folder,
        )
        st.file_uploader(
            "Or its files, where the browser can't choose a folder",
            accept_multiple_files=True,
            key=f"files-{session.round_of_form()}",
            on_change=_take_files,
        )
        columns = st.columns(2)
        columns[0].button("Try the example", on_click=_take_demo, width="stretch")
        columns[1].button("Start a new job", on_click=session.start_over, width="stretch")
    trouble = st.session_state.get(_TROUBLE)
    if trouble is not None:
        looks.refusal(trouble)


def _take(files: list[tuple[str, bytes]]) -> None:
    st.session_state.pop(_TROUBLE, None)
    if not files:
        return
    try:
        job_files.open_job(files)
    except surfscan.SurfscanError as error:
        st.session_state[_TROUBLE] = error


def _take_folder() -> None:
    uploads = st.session_state.get(f"folder-{session.round_of_form()}") or []
    _take([(upload.name, upload.getvalue()) for upload in uploads])


def _take_files() -> None:
    uploads = st.session_state.get(f"files-{session.round_of_form()}") or []
    _take([(upload.name, upload.getvalue()) for upload in uploads])


def _take_demo() -> None:
    _take(job_files.demo_files())


def _sheet() -> tuple[Any, str]:
    """The form's sheet where it can be used, and its text; what is wrong with it is said here."""
    text = job_files.sheet_text()
    if not session.photos() or refused():
        return None, text
    try:
        return job_files.checked_sheet(text), text
    except surfscan.SurfscanError as error:
        looks.refusal(error)
        return None, text


def _check_button(sheet: Any, found: list[Any]) -> None:
    current = session.work()
    busy = current is not None and not current.done
    ready = sheet is not None and bool(found) and all(found) and not busy
    if st.button("Check the panel", type="primary", disabled=not ready, width="stretch", key="check"):
        running.start_check()
    if not session.photos():
        st.caption("Bring the photos first: two for stripes.")
    elif not ready and not busy:
        st.caption("Mend what is said above, then check.")


def _outcome() -> None:
    current = session.work()
    if current is None:
        return
    if not current.done:
        _watch()
    elif current.error is not None:
        looks.verdict_strip("not_measured", "Nothing was measured: see what to do.")
        looks.refusal(current.error)
    elif current.fault:
        looks.fault(current.fault)
    elif current.result is not None:
        show_result(current.result, current.digest)


@st.fragment(run_every=0.4)
def _watch() -> None:
    current = session.work()
    if current is None or current.done:
        st.rerun()
    st.progress(min(current.share, 1.0), text=f"{current.stage[:1].upper()}{current.stage[1:]} …")


def show_result(result: surfscan.CheckResult, digest: str) -> None:
    """Verdict, picture, cards."""
    said = looks.words(result)
    looks.verdict_strip(result.verdict, said.headline(), name=str(result.panel.get("name") or ""))
    for text in said.first():
        st.warning(looks.escape(text))
    if "relative" in result.details:
        _show_relative(result, digest)
        st.caption(looks.escape(said.not_looked_for()))
        _why(result)
        return
    from surfscan.report.panes import draw_photo_pair  # late: the page's first picture does not wait for it

    pair = running.cached_object(f"{digest}-pair", lambda: draw_photo_pair(result))
    urls = running.cached(
        f"{digest}-pair-urls", lambda: [running.as_url(p) for p in (pair.plain, pair.painted)]
    )
    picked = show_picture(
        "pair",
        urls[0],
        (pair.plain.shape[1], pair.plain.shape[0]),
        top=urls[1],
        alt="The photo with the highs and lows on it",
        names=("photo", "map"),
        marks=spot_marks(result, pair.to_picture),
    ).spot
    looks.legend(
        "deviation",
        looks.depth(result.limits["low_mm"]),
        looks.depth(result.limits["high_mm"]),
    )
    st.caption(f"{100 * result.coverage:.0f} % of the judged region was measured. Tap a spot for its card.")
    if picked is not None:
        session.choose_spot(int(picked))
        st.rerun()
    chosen = session.chosen_spot()
    if chosen is not None:
        spot = next(s for s in result.spots if s.id == chosen)
        with st.container(border=True):
            st.markdown(f"**Spot {spot.id}**: {looks.escape(said.action(spot))}")
            st.button(
                f"Look closer at spot {spot.id} now", on_click=session.go_to, args=(_CLOSER, spot.id), key="closer-now",
                type="primary", width="stretch",
            )  # fmt: skip
    spot_cards(result, _CLOSER)
    _work_order(result)
    st.caption(looks.escape(said.not_looked_for()))
    _why(result)
    with st.expander("Safety, and what this figure is not"):
        st.html("<ul>" + "".join(f"<li>{html.escape(line)}</li>" for line in CAUTIONS) + "</ul>")


def _work_order(result: surfscan.CheckResult) -> None:
    """What to do in which order, one line a step."""
    steps = looks.words(result).work()
    if steps:
        st.subheader("Work order")
        st.html("<ol>" + "".join(f"<li>{html.escape(step)}</li>" for step in steps) + "</ol>")


def _why(result: surfscan.CheckResult) -> None:
    said = looks.words(result)
    above = {said.headline(), *said.first()}
    told = [text for text in said.reasons() if text not in above]
    doubted = any(one.weight == "doubt" for one in result.findings)
    if told:
        with st.expander("Why", expanded=doubted or result.verdict in ("close", "not_measured")):
            st.html("<ul>" + "".join(f"<li>{html.escape(reason)}</li>" for reason in told) + "</ul>")


def _show_relative(result: surfscan.CheckResult, digest: str) -> None:
    """A job without a scale: the picture of highs and lows in shares of the deepest, and no millimetre."""
    look = result.details["relative"]
    files = running.result_files(digest, result)
    st.image(
        files["overlay.png"], width="stretch", alt="The photo with the highs and lows on it, without a scale"
    )
    rows = [
        f"<li><b>{row['kind'].capitalize()} {row['id']}</b>: {abs(row['relative_depth']):.2f} of the deepest or "
        f"tallest, {row['length_stripes']:.1f} by {row['width_stripes']:.1f} stripes</li>"
        for row in look["spots"]
    ]
    st.html(f"<ul>{''.join(rows)}</ul>")
    st.caption(looks.escape(f"There is no scale, so there are no depths. {look['assumed']}"))
