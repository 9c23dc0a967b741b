"""The result: verdict first, then the picture, the spots in order, and why."""

from __future__ import annotations

import html

import numpy as np
import streamlit as st

import surfscan
from surfscan.core.flags import bit
from surfscan.core.units import units_named
from surfscan.judge.cautions import CAUTIONS
from surfscan.report.sweeps import unseen_lines
from surfscan.ui import looks, running, session
from surfscan.ui.parts.checking import not_confirmed
from surfscan.ui.parts.fault_cards import chosen_fault, fault_cards, fault_marks
from surfscan.ui.parts.maps import colour_scale, fold_outlines, length_bar
from surfscan.ui.parts.spot_cards import spot_cards, spot_marks
from surfscan.ui.picture import show_picture

__all__ = ["show", "show_outcome", "show_result"]

_CLOSER = "Look closer"


def show() -> None:
    """The verdict at the top of the screen."""
    stale = running.drop_stale_result()
    if session.work() is None:
        st.title("Result")
        st.info(
            "The job has changed since it was checked. Check it again."
            if stale
            else "There is no result yet."
        )
        to = "Photos" if session.photos() else "Where"
        st.button(
            "Check it again" if stale else "Check a panel", on_click=session.go_to, args=(to,), type="primary",
            key="result-again", width="stretch",
        )  # fmt: skip
        return
    show_outcome()
    current = session.work()
    if current is None or not current.done:
        return
    if current.result is not None and "relative" in current.result.details:
        not_confirmed()
    st.text_input(
        "Name of the panel, to correct it", session.shown_name(), max_chars=200, key=f"rename-{current.digest}",
        on_change=_rename, args=(f"rename-{current.digest}",),
    )  # fmt: skip
    left, right = st.columns(2)
    left.button("Papers", on_click=session.go_to, args=("Papers",), key="to-papers", width="stretch")
    right.button("Next panel", on_click=_next_panel, key="next-panel", width="stretch")


def _rename(key: str) -> None:
    typed = "".join(c for c in str(st.session_state.get(key) or "") if c.isprintable())
    session.job()["panel"]["name"] = typed
    running.drop_stale_result()


def _next_panel() -> None:
    session.start_over()
    session.go_to("Where")


def show_outcome() -> None:
    """What became of the check, or how far it is."""
    current = session.work()
    if current is None:
        return
    if not current.done:
        _watch()
    elif current.error is not None:
        looks.verdict_strip("not_measured", "Nothing was measured: see what to do.")
        looks.refusal(current.error)
        st.button("Back to the photos", on_click=session.go_to, args=("Photos",), key="back-to-photos")
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
    folded = (
        bool(np.any(np.asarray(result.height.flags) & bit("fold")))
        if "relative" not in result.details
        else False
    )
    headline = said.headline()
    if folded:  # a low that can't be read is worse than those that can: it stands in the sentence
        headline += " A part folds over: too hollow to read from here. Move the board closer."
    looks.verdict_strip(result.verdict, headline, name=str(result.panel.get("name") or ""))
    for text in said.first():
        st.warning(looks.escape(text))
    if "relative" in result.details:
        _show_relative(result, digest)
        st.caption(looks.escape(said.not_looked_for()))
        _why(result)
        return
    _picture(result, digest)
    _next_photos(result, digest)
    spot_cards(result, _CLOSER)
    fault_cards(result, digest)
    _work_order(result)
    st.caption(looks.escape(said.not_looked_for()))
    _why(result)
    with st.expander("Safety, and what this figure is not"):
        st.html("<ul>" + "".join(f"<li>{html.escape(line)}</li>" for line in CAUTIONS) + "</ul>")


@session.fragment
def _picture(result: surfscan.CheckResult, digest: str) -> None:
    """Photo and map with the spots; a tap draws only this part again."""
    from surfscan.report.panes import draw_map_pane, draw_photo_pair  # late: the first picture does not wait

    said, has_photo = looks.words(result), running.has_photo(result)
    low, high = result.limits["low_mm"], result.limits["high_mm"]
    if has_photo:
        pair = running.cached_object(f"{digest}-pair", lambda: draw_photo_pair(result))
        base, top = (running.as_url(p, key=f"{digest}-{k}") for k, p in enumerate((pair.plain, pair.painted)))
        size, place, end = (pair.plain.shape[1], pair.plain.shape[0]), pair.to_picture, pair.end_mm
    else:
        pane = running.cached_object(
            f"{digest}-plain-pane",
            lambda: draw_map_pane(
                result.height, result.height.height_mm, scale="deviation", low=low, high=high
            ),
        )
        base, top = running.as_url(pane.picture, key=f"{digest}-plain-pane"), ""
        size, place, end = (pane.picture.shape[1], pane.picture.shape[0]), pane.to_picture, pane.end
    small = fault_marks(result, place)
    folds = fold_outlines(result.height, place)
    picked = show_picture(
        "pair",
        base,
        size,
        top=top,
        alt="The photo with the highs and lows on it" if has_photo else "The map of highs and lows",
        names=("photo", "map"),
        marks=[*small, *spot_marks(result, place)],  # spots lie above
        shapes=folds,
        length_bar=length_bar(place, float(result.panel["size_mm"][0])),
    ).spot
    looks.legend("deviation", looks.depth(low), looks.depth(high), folds=bool(folds), small=bool(small))
    colour_scale("deviation", end, low=low, high=high)
    st.caption(f"{100 * result.coverage:.0f} % of the judged region was measured. Tap a mark for its card.")
    if picked is not None and picked != session.chosen_mark():
        session.choose_mark(picked)
        session.redraw()
    chosen_fault(result)
    chosen = session.chosen_spot()
    if chosen is not None:
        spot = next(s for s in result.spots if s.id == chosen)
        with st.container(border=True):
            st.markdown(f"**Spot {spot.id}**: {looks.escape(said.action(spot))}")
            if st.button(
                f"Look closer at spot {spot.id} now", key="closer-now", type="primary", width="stretch"
            ):
                session.go_to(_CLOSER, spot.id)
                st.rerun()


def _next_photos(result: surfscan.CheckResult, digest: str) -> None:
    """What no photo shows yet, and from where the next ones would."""
    lines = unseen_lines(result.details, units_named(session.units()))
    if not lines:
        return
    row = result.details["unseen"]
    st.subheader("Not seen yet")
    for line in lines:
        st.markdown(looks.escape(line.removeprefix("Not seen yet: ")))
    if row["photos"]:
        from surfscan.plan.sweep_picture import draw_places  # late: most results have nothing to draw

        size = tuple(result.panel["size_mm"])
        places = [photo["camera_mm"] for photo in row["photos"]]
        drawing = running.cached_object(
            f"{digest}-places", lambda: draw_places(row["board_mm"], size, places)
        )
        st.image(drawing, caption="Where to stand next, to scale")
        st.button("Add photos", on_click=session.go_to, args=("Photos",), key="more-photos", width="stretch")


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
