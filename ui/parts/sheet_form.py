"""The job sheet as a form: the panel, its limits, the set-up in three questions, and the text itself."""

from __future__ import annotations

import math
from typing import Any

import streamlit as st

import surfscan
from surfscan.core.trade_names import STAGES, SUBSTRATES, UNKNOWN_SUBSTRATE
from surfscan.job.sheet_writing import board_facing_panel
from surfscan.judge.trade_table import words as trade_words
from surfscan.ui import job_files, looks, session
from surfscan.ui import limits as fence
from surfscan.ui.desk import digest_of
from surfscan.ui.parts.lengths import ask_length, ask_number
from surfscan.ui.typed import typed

__all__ = ["limits_form", "panel_form", "setup_form", "setup_words", "sheet_editor", "size_form", "what_form"]

_LIMITS = {
    "low_mm": "A low deeper than",
    "high_mm": "A high taller than",
    "filler_depth_mm": "Filler never deeper than",
}
_FILM_MOST_MM = 3.0  # as the sheet allows
_STAGE_WORDS = trade_words("names")
_TAGS, _CORNERS = "Printed tags lie on the panel", "No tags: I tap the panel's corners"
_FOCAL = {"exif": "The photo says it", "focal_35mm": "As for 35 mm film", "focal_px": "In pixels"}


def _key(name: str) -> str:
    return f"{name}-{session.round_of_form()}"


def panel_form() -> None:
    """Name, stage, size and limits."""
    what_form()
    size_form()
    limits_form()


def what_form() -> None:
    """Name, stage and substrate."""
    panel = session.job()["panel"]
    name = typed("name").text_input(
        "Name of the panel",
        panel.get("name", ""),
        max_chars=200,
        key=_key("name"),
        placeholder="left front door",
    )
    panel["name"] = "".join(letter for letter in name if letter.isprintable())
    stage = st.segmented_control(
        "Stage",
        list(STAGES),
        default=panel["stage"],
        format_func=lambda s: _STAGE_WORDS.get(s, s),
        key=_key("stage"),
        required=True,
    )
    panel["stage"] = stage or panel["stage"]
    made_of = st.segmented_control(
        "Made of",
        list(SUBSTRATES),
        default=panel.get("substrate", UNKNOWN_SUBSTRATE),
        key=_key("substrate"),
        required=True,
        help="What is done about a spot depends on it; unknown gives words that are safe for all.",
    )
    panel.pop("substrate", None)
    if made_of not in (None, UNKNOWN_SUBSTRATE):
        panel["substrate"] = made_of


def size_form() -> None:
    """The size to judge, and the paint's thickness."""
    panel = session.job()["panel"]
    film = ask_length(
        "All the paint together, by a film gauge (0: not measured)",
        panel.get("film_mm") or 0.0,
        _key("film"),
        most=_FILM_MOST_MM,
        fine=True,
    )
    panel.pop("film_mm", None)
    if film > 0:
        panel["film_mm"] = film
    if "size_mm" in panel:
        left, right = st.columns(2)
        with left:
            width = ask_length("Width to judge", panel["size_mm"][0], _key("width"), least=20)
        with right:
            height = ask_length("Height to judge", panel["size_mm"][1], _key("height"), least=20)
        panel["size_mm"] = [width, height]
    else:
        st.caption("Judged is what lies between the tags' middles.")


def limits_form() -> None:
    """The stage's limits, or the user's own."""
    given = session.job().setdefault("limits", {})
    stage = session.job()["panel"]["stage"]
    usual = {name: getattr(surfscan.default_limits(stage), name) for name in _LIMITS}
    words = _STAGE_WORDS.get(stage, stage)
    _ask_small_faults(given)
    own = st.toggle(
        "Set my own limits", value=any(given.get(k) is not None for k in _LIMITS), key=_key("own")
    )
    if not own:
        for name in _LIMITS:
            given.pop(name, None)
        st.caption(
            f"For {words}: low {looks.depth(usual['low_mm'])}, high {looks.depth(usual['high_mm'])}, "
            f"filler up to {looks.filler(usual['filler_depth_mm'])}."
        )
        return
    for column, (name, label) in zip(st.columns(3), _LIMITS.items(), strict=True):
        with column:
            given[name] = ask_length(
                label,
                given.get(name) or usual[name],
                _key(f"limit-{name}-{stage}"),
                least=0.001,
                most=100,
                fine=True,
            )


def _ask_small_faults(given: dict[str, Any]) -> None:
    looked = st.toggle(
        "Look for small faults too: pits, nibs, runs, scratches (stripes in both directions)",
        value=given.get("fault_mm") is not None,
        key=_key("small-faults"),
    )
    if not looked:
        given.pop("fault_mm", None)
    elif given.get("fault_mm") is None:
        given["fault_mm"] = 0.0  # all that is found counts


def setup_form() -> None:
    """Tags, board and camera; or the set-up of an earlier job."""
    tables = session.job()
    st.file_uploader(
        "Use the set-up of an earlier job (its panel.toml)",
        type=[".toml"],
        key=_key("setup-file"),
        on_change=_take_setup,
        max_upload_size=1,
    )
    trouble = st.session_state.pop("setup-trouble", None)
    if trouble is not None:
        looks.refusal(trouble, of_sheet=True)
    st.markdown("**1. How does the photo know where the panel is?**")
    _tags_form(tables)
    st.markdown("**2. Where does the striped board stand?**")
    _board_form(tables)
    st.markdown("**3. What is the camera's focal length?**")
    _camera_form(tables)


def setup_words(given: dict[str, Any] | None = None) -> str:
    """The session's set-up, or another, in one line."""
    tables = {"photo": [], **given} if given is not None else session.job()
    board, tags = tables.get("board"), tables.get("tags")
    laid = (tags or {}).get("centres_mm")
    surveyed = "tags surveyed from the photos" if tags else "corners tapped on the photo"
    where = f"{len(laid)} tags" if laid else surveyed
    if not board:
        return f"{where}; lamp on a matt surface" if _has_lamp(tables) else where
    if board.get("centre_mm") is None:
        of = "a set-up photo" if board.get("setup_photo") else "its own tags in the panel's mirror"
        return f"{where}; the board's place comes from {of}"
    far = looks.length(math.hypot(*board["centre_mm"]))
    return (
        f"{where}; {board.get('pattern', 'stripes')} of {looks.length(board['period_mm'])}, board {far} away"
    )


def _has_lamp(tables: dict[str, Any]) -> bool:
    return any(row.get("lamp_mm") is not None for row in tables["photo"])


def _take_setup() -> None:
    upload = st.session_state.get(_key("setup-file"))
    if upload is None:
        return
    try:
        sheet = job_files.checked_sheet(upload.getvalue()[:1_000_000].decode("utf-8", "replace"))
    except surfscan.SurfscanError as error:
        st.session_state["setup-trouble"] = error
        return
    session.use_setup(job_files.tables_of(sheet), "sheet")


def _tags_form(tables: dict[str, Any]) -> None:
    had = tables.get("tags")
    way = st.radio(
        "Where the panel is",
        [_TAGS, _CORNERS],
        index=0 if had else 1,
        key=_key("tags"),
        label_visibility="collapsed",
    )
    if way == _CORNERS:
        if had:
            tables["tags_before"] = tables.pop("tags")
            session.forget_result()
        st.caption(
            "You tap the four corners on each photo below. Tags are more exact. With neither, there is a picture of "
            "highs and lows but no depth."
        )
        return
    if not had:
        tables["tags"] = tables.pop("tags_before", None) or session.empty_job()["tags"]
        for row in tables["photo"]:
            row.pop("corners_px", None)
    tags = tables["tags"]
    surveyed = not tags.get("centres_mm")
    place = None if surveyed else _symmetric(tags["centres_mm"])
    columns = st.columns(3)
    with columns[0]:
        tags["side_mm"] = ask_length(
            "Side of a tag's black square", tags["side_mm"], _key("tag-side"), least=5, most=500
        )
    if surveyed:
        st.caption("The tags' places are found from the photos; nothing is measured.")
        return
    if place is None:
        st.caption(
            f"{len(tags['centres_mm'])} tags, placed as the sheet lists them. Change them in the sheet, below."
        )
        return
    with columns[1]:
        x = ask_length("Tag middles, sideways from the panel's middle", place[0], _key("tag-x"), least=5)
    with columns[2]:
        y = ask_length("Tag middles, up and down from it", place[1], _key("tag-y"), least=5)
    tags["centres_mm"] = {"0": [-x, -y], "1": [x, -y], "2": [x, y], "3": [-x, y]}
    st.caption("Tag 0 lower left, 1 lower right, 2 upper right, 3 upper left, all upright.")


def _symmetric(centres: dict[str, Any]) -> tuple[float, float] | None:
    """Half the spacings when the four tags lie as the form has them."""
    if sorted(centres) != ["0", "1", "2", "3"]:
        return None
    x, y = centres["2"]
    same = centres == {"0": [-x, -y], "1": [x, -y], "2": [x, y], "3": [-x, y]}
    return (x, y) if same and x > 0 and y > 0 else None


def _board_form(tables: dict[str, Any]) -> None:
    board = tables.get("board")
    if board is None or board.get("pattern", "stripes") != "stripes" or board.get("centre_mm") is None:
        st.caption(
            f"{setup_words()}. This kind of set-up is kept as the sheet has it; change it in the sheet, below."
        )
        return
    columns = st.columns(3)
    x, y, z = board["centre_mm"]
    with columns[0]:
        y = ask_length("Board's middle: beyond the panel's middle", y, _key("board-y"), least=-10_000)
    with columns[1]:
        z = ask_length("Board's middle: above the panel", z, _key("board-z"), least=1)
    with columns[2]:
        x = ask_length("Board's middle: to the right", x, _key("board-x"), least=-10_000)
    board["centre_mm"] = [x, y, z]
    columns = st.columns(3)
    with columns[0]:
        board["period_mm"] = ask_length(
            "One dark and one light stripe together", board["period_mm"], _key("period"), least=1, most=1000
        )
    with columns[1]:
        width = ask_length("Board's width", board["size_mm"][0], _key("board-w"), least=50)
    with columns[2]:
        height = ask_length("Board's height", board["size_mm"][1], _key("board-h"), least=50)
    board["size_mm"] = [width, height]
    _board_facing(board)


def _board_facing(board: dict[str, Any]) -> None:
    """Most boards are leant so that they face the panel; others keep the sheet's directions."""
    if math.hypot(*board["centre_mm"][:2]) < 1e-3 * math.hypot(*board["centre_mm"]):
        st.caption("A board straight above the panel has its directions in the sheet, below.")
        return
    across, up = board_facing_panel(tuple(board["centre_mm"]))
    off = max(abs(a - b) for a, b in zip((*across, *up), (*board["across"], *board["up"]), strict=True))
    facing = st.toggle(
        "The board faces the panel's middle squarely",
        value=off < 0.01,
        key=_key("facing"),
    )
    if facing and off > 1e-4:
        board["across"], board["up"] = [round(v, 6) for v in across], [round(v, 6) for v in up]


def _camera_form(tables: dict[str, Any]) -> None:
    camera = tables.setdefault("camera", {})
    if camera.get("lens_file"):
        st.caption("The sheet names a lens file; it is kept.")
        return
    now = next((k for k in ("focal_px", "focal_35mm") if camera.get(k) is not None), "exif")
    way = st.segmented_control(
        "Focal length",
        list(_FOCAL),
        default=now,
        format_func=lambda k: _FOCAL[k],
        key=_key("focal"),
        label_visibility="collapsed",
        required=True,
    )
    for name in ("focal_px", "focal_35mm"):
        if name != way:
            camera.pop(name, None)
    if way == "focal_35mm":
        camera["focal_35mm"] = ask_number(
            "Focal length as for 35 mm film, mm (phones: 24 to 28)",
            camera.get("focal_35mm") or 26.0, _key("f35"), least=5, most=2000,
        )  # fmt: skip
    elif way == "focal_px":
        camera["focal_px"] = ask_number(
            "Focal length, pixels, from a calibration",
            camera.get("focal_px") or 3000.0, _key("fpx"), least=1, most=1e6,
        )  # fmt: skip
    else:
        st.caption("Taken from what the phone wrote into the photo. Send the photo as the phone made it.")


def sheet_editor() -> None:
    """The text of the sheet, to read, to copy and to change."""
    text = job_files.sheet_text()
    changed = st.text_area(
        "panel.toml", text, height=360, key=f"sheet-{digest_of(text)[:12]}-{session.round_of_form()}"
    )
    if st.button("Use this text", key=_key("use-text"), disabled=changed == text):
        tables = job_files.tables_of(job_files.checked_sheet(changed))
        rows, kept = tables.get("photo", []), session.photos()
        if len(rows) != len(kept):
            raise surfscan.RefusedError(
                "The sheet's photos are not those above",
                found=f"{len(rows)} in the sheet",
                allowed=f"{len(kept)}, as many as there are photos",
                cure="keep one [[photo]] for each photo, in their order; open a whole job folder to bring others",
            )
        for row, photo in zip(rows, kept, strict=True):
            row["file"] = photo.file
        session.confirm("sheet")
        session.replace_sheet(tables)
        st.rerun()
    st.download_button(
        "Save panel.toml", text, "panel.toml", "application/toml", key=_key("save-sheet"), on_click="ignore"
    )
    st.caption(
        f"Up to {fence.MOST_PHOTOS} photos a job, {fence.MOST_FILE_MB} MB and {fence.MOST_MEGAPIXELS} megapixels each."
    )
