"""A shot before a television, photo by photo: what the screen shows, the photo, its judgement, and on."""

from __future__ import annotations

import streamlit as st

import surfscan
from surfscan.screen.set_board import Scale
from surfscan.ui import limits, looks, running, session, shots
from surfscan.ui.parts.lengths import parse_number
from surfscan.ui.parts.photo_tiles import small_picture
from surfscan.ui.sets import SETS, SetSeen
from surfscan.ui.uploads import let_go

__all__ = ["PATTERN_WORDS", "pattern", "screen_size", "show", "use_screen"]

PATTERN_WORDS = {
    "crossed": "Stripes both ways at once: 2 photos",
    "stripes": "Stripes one way, then the other: 3 photos",
    "stepped": "Stepped stripes, the finest: 9 photos, phone on a stand",
}
_TROUBLE, _TAKEN, _PATTERN = "screen-trouble", "screen-taken", "screen-pattern"


def pattern() -> str:
    """The stripes that were chosen last in this browser."""
    chosen = st.session_state.get(session.kept(_PATTERN))
    return chosen if chosen in PATTERN_WORDS else "crossed"


def screen_size(seen: SetSeen, scale: Scale) -> str:
    """How large its picture is, in words."""
    width, height = (side * scale.pixel_mm for side in seen.size)
    return f"{looks.length(width)} x {looks.length(height)}"


def use_screen(seen: SetSeen, scale: Scale) -> None:
    """Shoot before this screen, and go on to the panel."""
    shots.start(seen, scale, pattern())
    st.session_state.pop(_TROUBLE, None)
    session.go_to("What")


def show() -> None:
    """The photo that is wanted now, and those that are there."""
    seen = shots.chosen()
    if not _ready(seen):
        return
    assert seen is not None  # else it was not ready
    shots.show_on_set(seen)
    found, made = shots.shot(), shots.board()
    k = found.wanted
    if k is not None:
        st.subheader(f"Photo {k + 1} of {made.count}: {made.words(k)}", anchor=False)
        _follow(seen.number, k)
        _told(found.said)
        key = f"screen-photo-{st.session_state.get(_TAKEN, 0)}-{session.round_of_form()}"
        st.file_uploader(
            "Take the photo",
            type=limits.PHOTO_TYPES,
            key=key,
            on_change=_take,
            args=(key,),
            max_upload_size=limits.MOST_FILE_MB,
        )
        if shots.lens_wanted():
            _lens()
        if found.again is not None:
            st.button(
                "Keep the one that is there",
                key="screen-keep",
                on_click=shots.retake,
                args=(None,),
                width="stretch",
            )
        elif k == 1 and made.pattern == "stepped":
            st.caption("From here on the phone stays on its stand: nothing may move between the steps.")
        elif k:
            st.caption("Screen, panel and tags stay where they are; the phone may move.")
    else:
        st.success("All photos are there and good.")
    for j in sorted(found.good):
        _one(j, again=found.again is None)


def _ready(seen: SetSeen | None) -> bool:
    """Whether the screen is there and this job's; else what to do is said here."""
    if seen is None:
        st.error(
            "The screen has gone: its page was closed for long, or this server was started anew.\n\n"
            "**What to do:** open its page again, and type the code that it shows."
        )
    elif seen.owner not in ("", session.job_id()):
        st.warning("Another phone, or another job, uses this screen now.")
        st.button("Take it back", key="screen-back", on_click=SETS.take, args=(seen.number, session.job_id()))
    elif not shots.fits(seen):
        shots.restart("its picture has another size than before: take the set-up photo again")
        if seen.size != (0, 0):
            return True
        st.info("Waiting for the screen to say how large its picture is.")
    else:
        return True
    st.button("Choose the screen", key="screen-choose", on_click=session.go_to, args=("Television",))
    return False


@st.fragment(run_every=1.0)
def _follow(number: int, k: int) -> None:
    """Whether the screen shows it by now; the rest of the view is drawn again when something else has changed."""
    seen = SETS.seen(number)
    if seen is None or seen.owner not in ("", session.job_id()) or not shots.fits(seen):
        st.rerun()
    if not seen.awake:
        st.warning(
            "The screen does not answer: wake it, and see that its page is open. It goes on by itself."
        )
    elif not seen.shows:
        st.info("The screen is changing its picture. One moment.")
    else:
        st.info(f"The screen shows photo {k + 1}. Take it now.")


def _told(said: str) -> None:
    """What was wrong with the last photo."""
    number, error = st.session_state.get(_TROUBLE, ("", None))
    if error is not None and number == session.job_id() and said:
        looks.refusal(error)
    elif said:
        st.error(f"**What to do:** {looks.escape(said[0].upper() + said[1:])}.")


def _lens() -> None:
    """Ask for what a photo did not say."""
    key = f"screen-lens-{session.round_of_form()}"
    now = (session.job().get("camera") or {}).get("focal_35mm")
    typed = st.text_input(
        "Focal length of the lens as for 35 mm film, which phone makers publish (often 24 to 28)",
        value="" if now is None else f"{now:g}",
        key=key,
        max_chars=8,
    ).strip()
    if not typed:
        return
    try:
        focal = parse_number(typed)
    except ValueError as error:
        st.error(f"{str(error)[:1].upper()}{str(error)[1:]}.")
        return
    if not 5 <= focal <= 2000:
        st.error("That is out of range; allowed: 5 to 2000.")
        return
    shots.tell_lens(focal)
    st.caption("Bring the photo once more.")


def _take(key: str) -> None:
    """Take up the photo, and empty the button for the next."""
    upload = st.session_state.get(key)
    if upload is None:
        return
    st.session_state[_TAKEN] = st.session_state.get(_TAKEN, 0) + 1
    st.session_state.pop(_TROUBLE, None)
    try:
        with st.spinner("Looking at the photo …"):
            shots.take(upload.getvalue(), upload.name)
    except surfscan.SurfscanError as error:
        st.session_state[_TROUBLE] = session.job_id(), error
    finally:
        let_go([upload])


def _one(k: int, *, again: bool) -> None:
    """A photo that is there."""
    photo = session.extras()[0] if k == 0 else session.photos()[k - 1]
    with st.container(border=True):
        left, right = st.columns([1, 2], vertical_alignment="center")
        left.image(small_picture(running.look(photo, "", 0)), alt=f"Photo {k + 1}", width="stretch")
        right.markdown(f"**Photo {k + 1}: good.** {looks.escape(shots.told(k))}")
        if again:
            right.button(
                "Take it again", key=f"screen-again-{k}", on_click=shots.retake, args=(k,), width="stretch"
            )
