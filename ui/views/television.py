"""A television as the board: which one, how large it is, and which stripes it shows."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

import surfscan
from surfscan.core.units import parse_length
from surfscan.screen.page import CAUTION
from surfscan.screen.set_board import Scale, bar_of, scale_of_bar, scale_of_diagonal
from surfscan.ui import looks, session, shots
from surfscan.ui.parts import steps
from surfscan.ui.parts.lengths import parse_number, unit_word
from surfscan.ui.parts.place import only_here
from surfscan.ui.parts.screen_shot import PATTERN_WORDS, screen_size, use_screen
from surfscan.ui.sets import CODE_DIGITS, PATH, SETS, SetSeen

__all__ = ["show"]

_TROUBLE, _ANEW, _TYPED = "set-trouble", "set-measure-anew", "set-typed"


def show() -> None:
    """One question after the other: which screen, its size, the stripes."""
    steps.head("Where", "A television or tablet as the board")
    seen = shots.chosen()
    if seen is not None and seen.owner not in ("", session.job_id()):
        seen = None
    if seen is None:
        _join()
        return
    scale = shots.measured(seen)
    if seen.size == (0, 0) or scale is None or st.session_state.get(_ANEW):
        _measure(seen)
    else:
        _stripes(seen, scale)
    st.button("Another screen", key="set-other", on_click=_other, width="stretch")
    _watch(seen.number, seen.size)


def _join() -> None:
    for one in SETS.joined():
        told = "" if one.awake else ", asleep"
        told += "; another phone or job uses it" if one.taken(session.job_id()) else ""
        st.button(
            f"Screen {one.number} of {one.size[0]} x {one.size[1]} pixels{told}",
            key=f"set-{one.number}",
            on_click=_choose,
            args=(one.number,),
            width="stretch",
        )
    st.warning(CAUTION)
    st.markdown(f"1. Open this address in the screen's own browser: **{looks.escape(_address())}**")
    if only_here():
        st.caption(
            "Only this computer is let in now: a second screen of it can be the board. For a television start the page "
            "with surfscan page --lan."
        )
    st.markdown(f"2. It shows {CODE_DIGITS} digits. Type them here:")
    key = f"set-code-{st.session_state.get(_TYPED, 0)}"
    st.text_input("The screen's code", key=key, max_chars=12)
    st.button("Join", key="set-join", on_click=_try, args=(key,), type="primary", width="stretch")
    _trouble()


def _address() -> str:
    url = str(st.context.url or "")
    place = f"{url.split('://')[0]}://{url.split('://')[-1].split('/')[0]}" if url else "this page's address"
    return f"{place}{PATH}"


def _try(key: str) -> None:
    st.session_state.pop(_TROUBLE, None)
    wait = SETS.wait_s(session.job_id())
    number = SETS.join(str(st.session_state.get(key) or ""), session.job_id())
    if number is not None:
        _choose(number)
    elif wait > 0:
        st.session_state[_TROUBLE] = (
            f"Too many wrong codes. Wait {wait:.0f} seconds, then type what the screen shows."
        )
    else:
        st.session_state[_TROUBLE] = (
            f"No screen shows this code. Type the {CODE_DIGITS} digits that it shows now."
        )


def _choose(number: int) -> None:
    st.session_state[_TYPED] = st.session_state.get(_TYPED, 0) + 1
    st.session_state.pop(_ANEW, None)
    shots.choose(number)


def _other() -> None:
    seen = shots.chosen()
    if seen is not None:
        SETS.leave(seen.number, session.job_id())
    session.more().pop("screen", None)
    st.session_state.pop(_ANEW, None)


def _trouble() -> None:
    said = st.session_state.get(_TROUBLE)
    if isinstance(said, surfscan.SurfscanError):
        looks.refusal(said)
    elif said:
        st.error(said)


def _measure(seen: SetSeen) -> None:
    if seen.size == (0, 0):
        st.info("Waiting for the screen to say how large its picture is.")
        return
    frame = {"pattern": "bar", "bar": bar_of(seen.size[0]), "tags": []}
    SETS.show(
        seen.number,
        session.job_id(),
        frame,
        seen.size,
        "Measure the white bar, and type its length on the phone.",
    )
    st.subheader("How long is the white bar on the screen?", anchor=False)
    st.caption("From its left end to its right end, to half a millimetre. It is asked once for each screen.")
    st.text_input(f"Length of the bar, {unit_word()}", key="set-bar", max_chars=20)
    st.button(
        "Keep this length", key="set-keep", on_click=_keep_bar, args=(seen,), type="primary", width="stretch"
    )
    with st.expander("No tape: the diagonal that its maker tells"):
        st.caption(
            "Half an inch of it is unsure, so that depths are told less surely. Only with the whole screen in use."
        )
        st.text_input("Diagonal, inches", key="set-diagonal", max_chars=10)
        st.button(
            "Keep this diagonal",
            key="set-keep-diagonal",
            on_click=_keep_diagonal,
            args=(seen,),
            width="stretch",
        )
    _trouble()


def _keep_bar(seen: SetSeen) -> None:
    typed = str(st.session_state.get("set-bar") or "")
    _keep(
        seen,
        lambda: scale_of_bar(parse_length(typed, session.units()), seen.size[0]),
        typed,
        "a length, such as 972 or 38 1/4 in",
    )


def _keep_diagonal(seen: SetSeen) -> None:
    typed = str(st.session_state.get("set-diagonal") or "").strip().strip('"')
    _keep(seen, lambda: scale_of_diagonal(parse_number(typed), seen.glass), typed, "inches, such as 55")


def _keep(seen: SetSeen, make: Callable[[], Scale], typed: str, allowed: str) -> None:
    st.session_state.pop(_TROUBLE, None)
    try:
        shots.remember(seen, make())
    except ValueError:
        st.session_state[_TROUBLE] = surfscan.RefusedError(
            "That is no length",
            found=typed or "nothing",
            allowed=allowed,
            cure="measure it, and type the number",
        )
    except surfscan.SurfscanError as error:
        st.session_state[_TROUBLE] = error
    else:
        st.session_state.pop(_ANEW, None)


def _stripes(seen: SetSeen, scale: Scale) -> None:
    SETS.show(seen.number, session.job_id(), None, (0, 0), "Choose the stripes on the phone.")
    st.success(
        f"Screen {seen.number}: its picture is {screen_size(seen, scale)}, known to {100 * scale.u_rel:.1g} %."
    )
    st.radio(
        "What it shows",
        list(PATTERN_WORDS),
        format_func=PATTERN_WORDS.get,
        key=session.kept("screen-pattern"),
    )
    st.caption(
        "Lay four tags of a printed kit round the place to be judged; stand the screen so that the panel mirrors it "
        "between them. Picture mode: the plainest, no sharpening, no dimming; brightness the same for all photos."
    )
    st.button(
        "Next", key="set-next", on_click=use_screen, args=(seen, scale), type="primary", width="stretch"
    )
    st.button("Measure the screen anew", key="set-anew", on_click=_anew, width="stretch")


def _anew() -> None:
    st.session_state[_ANEW] = True


@st.fragment(run_every=1.0)
def _watch(number: int, size: tuple[int, int]) -> None:
    """Draw the view again when the screen has gone, or has another size; say when it sleeps."""
    seen = SETS.seen(number)
    if seen is None or seen.size != size or seen.owner not in ("", session.job_id()):
        st.rerun()
    if not seen.awake:
        st.warning("The screen does not answer: wake it, and see that its page is open.")
