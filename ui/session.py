"""What a session of the page keeps: its sheet, photos, check, and what the user chose.

It is held in memory and nowhere else: here, and in the `store`, where a reload or another tab finds it again. What
comes in and goes out as files is in `job_files`, what takes long in `running`.
"""

from __future__ import annotations

import copy
import hashlib
import secrets
from collections.abc import Callable
from functools import wraps
from typing import Any, NoReturn

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

import surfscan
from surfscan.ui.blank_job import empty_job
from surfscan.ui.desk import PhotoFile, Work
from surfscan.ui.store import COOKIE, STORE, JobNote, KeptJob, token_in

__all__ = [
    "SETUP",
    "begin",
    "choose_mark",
    "chosen_mark",
    "chosen_spot",
    "confirm",
    "confirmed",
    "empty_job",
    "extras",
    "forget",
    "forget_result",
    "fragment",
    "go_to",
    "job",
    "job_id",
    "jobs",
    "keep_extras",
    "keep_photos",
    "keep_setup",
    "keep_work",
    "kept",
    "last_setup",
    "more",
    "open_kept",
    "photos",
    "photos_gone",
    "redraw",
    "rename_result",
    "renew_form",
    "replace_sheet",
    "result",
    "results",
    "round_of_form",
    "save",
    "shown_name",
    "start_over",
    "station",
    "units",
    "use_setup",
    "wanted_view",
    "work",
]

_JOB, _PHOTOS, _EXTRAS, _WORK, _SPOT, _ROUND = "job", "photos", "extras", "work", "spot", "round"
SETUP = ("tags", "camera", "board", "uncertainty")
"""The tables of a sheet that say where things stand."""
_ID, _STAMP, _GONE, _MORE, _VALUES, _KEPT, _GO, _UNITS = (  # the last is its widget's own
    "job-id", "job-stamp", "photos-gone", "job-more", "kept-values", "kept-keys", "go-to", "units",
)  # fmt: skip


def job() -> dict[str, Any]:
    """The session's sheet, as tables; changed in place by the form."""
    if _JOB not in st.session_state:
        st.session_state[_JOB] = empty_job()
    tables: dict[str, Any] = st.session_state[_JOB]
    return tables


def round_of_form() -> str:
    """Changes with the job and with what another tab made of it; part of every form key, so that values show anew."""
    return str(st.session_state.get(_ROUND, ""))


def _new_round() -> None:
    old = round_of_form()
    if old:  # fields of a form that is gone are not kept
        for held in (st.session_state.get(_KEPT, {}), st.session_state.get(_VALUES, {})):
            for name in [name for name in held if f"-{old}" in name]:
                del held[name]
    st.session_state[_ROUND] = secrets.token_hex(4)


def photos() -> list[PhotoFile]:
    """The session's photos, in the sheet's order."""
    kept: list[PhotoFile] = st.session_state.get(_PHOTOS, [])
    return kept


def extras() -> list[PhotoFile]:
    """Further files that an opened sheet names: set-up photo, reference photos, lens file."""
    kept: list[PhotoFile] = st.session_state.get(_EXTRAS, [])
    return kept


def keep_extras(files: dict[str, bytes]) -> None:
    """Put files that the sheet's tables name beside the photos, in place of those there were."""
    st.session_state[_EXTRAS] = [
        PhotoFile(name, name, hashlib.sha256(data).hexdigest(), data) for name, data in files.items()
    ]


def units() -> Any:
    """ "mm" or "inch"."""
    return st.session_state.get(_UNITS) or "mm"


def begin() -> None:
    """Start a run: what this browser had is taken up, and what another of its tabs has changed since."""
    token, asked = _token(), st.query_params.get("job", "")
    if _ID not in st.session_state:
        st.session_state[_VALUES] = STORE.values(token) if token else {}
        _take_up(STORE.latest(token, asked) if token else None)
        if st.session_state[_VALUES].get(_UNITS) in ("mm", "inch"):
            st.session_state[_UNITS] = st.session_state[_VALUES][_UNITS]
    elif token:
        kept = STORE.job(token, st.session_state[_ID])
        if kept is not None and kept.stamp != st.session_state[_STAMP]:
            _take_up(kept)
        elif kept is None and STORE.forgotten(token, st.session_state[_ID]):
            _take_up(None)


def _token() -> str:
    return token_in(f"{COOKIE}={st.context.cookies.get(COOKIE, '')}")


def _take_up(kept: KeptJob | None) -> None:
    """The session's job is this one now, or a new one."""
    fresh = kept or KeptJob(secrets.token_urlsafe(9), empty_job())
    st.session_state[_ID], st.session_state[_STAMP] = fresh.id, fresh.stamp
    st.session_state[_JOB], st.session_state[_PHOTOS], st.session_state[_EXTRAS] = (
        fresh.tables,
        fresh.photos,
        fresh.extras,
    )
    st.session_state[_GONE], st.session_state[_MORE] = fresh.photos_gone, fresh.more
    _new_round()
    for name, value in ((_WORK, fresh.work), (_SPOT, fresh.spot)):
        st.session_state.pop(name, None)
        if value is not None:
            st.session_state[name] = value


def save() -> None:
    """Keep what the run left; nothing is kept of a browser that carries no cookie of ours, nor of an empty job."""
    if _ID not in st.session_state:
        return
    values: dict[str, Any] = st.session_state[_VALUES]
    for name in st.session_state.get(_KEPT, ()):
        if name in st.session_state:
            values[name] = st.session_state[name]
    values[_UNITS] = units()
    token = _token()
    if not token:
        return
    kept = KeptJob(
        st.session_state[_ID],
        job(),
        photos(),
        extras(),
        work(),
        st.session_state.get(_SPOT),
        more(),
        photos_gone=bool(st.session_state.get(_GONE)) and not photos(),
    )
    st.session_state[_STAMP] = kept.stamp
    begun = bool(photos() or st.session_state.get(_GONE) or more() or job() != empty_job())
    STORE.keep(token, kept if begun else None, values)


def kept(key: str) -> str:
    """A widget's key whose value stays when its view is left, and comes back after a reload."""
    st.session_state.setdefault(_KEPT, {})[key] = None
    values = st.session_state.setdefault(_VALUES, {})
    if key not in st.session_state and key in values:
        st.session_state[key] = values[key]
    return key


def more() -> dict[str, Any]:
    """What else belongs to the job: plain values by name, such as who confirmed what."""
    held: dict[str, Any] = st.session_state.setdefault(_MORE, {})
    return held


def confirmed() -> str:
    """Who said that the set-up is as the sheet has it: "sheet", "station", "form", "screen", "last"; "" for nobody."""
    return str(more().get("confirmed") or "")


def station() -> str:
    """Name of the station whose set-up the job has; "" for none, or once somebody has said otherwise."""
    return str(more().get("station") or "") if confirmed() in ("station", "sheet") else ""


def confirm(by: str) -> None:
    """Somebody says so, or takes it back with ""."""
    if by != confirmed():
        forget_result()
    more()["confirmed"] = by


def last_setup() -> dict[str, Any] | None:
    """The set-up of the last check of this browser that had a scale: its tables by name."""
    found: dict[str, Any] | None = st.session_state.get(_VALUES, {}).get("last-setup")
    return copy.deepcopy(found)


def keep_setup() -> None:
    """Remember the set-up that a check was started with, for the next panel."""
    if confirmed() and "setup_photo" not in (job().get("board") or {}):  # a photo is of its own job
        st.session_state.setdefault(_VALUES, {})["last-setup"] = {
            name: copy.deepcopy(job()[name]) for name in SETUP if name in job()
        } | {"stage": job()["panel"].get("stage"), "size_mm": job()["panel"].get("size_mm")}


def use_setup(tables: dict[str, Any], by: str) -> None:
    """Take over tags, camera and board from elsewhere; the panel's size and stage where they are given."""
    for name in SETUP:
        job().pop(name, None)
        if name in tables:
            job()[name] = copy.deepcopy(tables[name])
    job().setdefault("camera", {})
    for name in ("stage", "size_mm"):
        if tables.get(name) is not None:
            job()["panel"][name] = copy.deepcopy(tables[name])
    confirm(by)
    renew_form()


def job_id() -> str:
    """The job's name in an address; it opens nothing without its browser's cookie."""
    return str(st.session_state.get(_ID, ""))


def photos_gone() -> bool:
    """Whether the job's photos were kept too long and are no longer here."""
    return bool(st.session_state.get(_GONE)) and not photos()


def jobs() -> list[JobNote]:
    """This browser's last jobs, the latest first."""
    token = _token()
    return STORE.notes(token) if token else []


def results() -> list[tuple[JobNote, Work]]:
    """This browser's finished checks, the latest first; the open one among them."""
    token = _token()
    found = STORE.results(token) if token else []
    current = work()
    if current is not None and current.result is not None and job_id() not in {note.id for note, _ in found}:
        panel = job()["panel"]
        name, stage = str(panel.get("name") or ""), str(panel.get("stage") or "")
        found.insert(0, (JobNote(job_id(), name, stage, str(current.result.verdict), len(photos())), current))
    return found


def open_kept(number: str) -> None:
    """Go on with one of the last jobs."""
    found = STORE.job(_token(), number)
    if found is not None:
        save()
        _take_up(found)


def forget(number: str = "") -> None:
    """Forget one of the last jobs, or all that the server keeps of this browser."""
    token = _token()
    if token:
        STORE.forget(token, number)
    if not number or number == job_id():
        if not number:
            units_now = units()
            for name in list(st.session_state):
                del st.session_state[name]
            st.session_state[_UNITS], st.session_state[_VALUES] = units_now, {}
        _take_up(None)


def go_to(name: str, spot: int | None = None) -> None:
    """Open another view, for a spot when one is given; to be called from a button's callback."""
    st.session_state[_GO] = name
    if spot is not None:
        choose_mark(spot)


def wanted_view() -> str:
    """The view that a button asked for, once."""
    return str(st.session_state.pop(_GO, ""))


def work() -> Work | None:
    """The session's check, running or done."""
    kept: Work | None = st.session_state.get(_WORK)
    return kept


def result() -> surfscan.CheckResult | None:
    """The session's finished result, if there is one."""
    current = work()
    return None if current is None else current.result


def chosen_mark() -> int | str | None:
    """The mark that was tapped last: a spot's number, or "f3" of a small fault; the result may be another by now."""
    mark: int | str | None = st.session_state.get(_SPOT)
    return mark


def chosen_spot() -> int | None:
    """The spot that was tapped last, if the result still has it."""
    found, mark = result(), chosen_mark()
    return None if found is None else next((spot.id for spot in found.spots if spot.id == mark), None)


def choose_mark(mark: int | str | None) -> None:
    """Remember a tapped mark."""
    st.session_state[_SPOT] = mark


def forget_result() -> None:
    """Drop the result: the job it came from has changed."""
    st.session_state.pop(_WORK, None)
    st.session_state.pop(_SPOT, None)


def keep_photos(taken: list[PhotoFile], more: list[PhotoFile] | None = None) -> None:
    """These are the session's photos now, and with `more` its further files."""
    st.session_state[_PHOTOS] = taken
    if more is not None:
        st.session_state[_EXTRAS] = more


def keep_work(started: Work) -> None:
    """This is the session's check now; no spot of it was tapped yet."""
    st.session_state[_WORK] = started
    st.session_state.pop(_SPOT, None)


def redraw() -> NoReturn:
    """Draw again what a tap changed: the part alone where only that was drawn, else all."""
    context = get_script_run_ctx()
    st.rerun(scope="fragment" if context is not None and context.fragment_ids_this_run else "app")


def rename_result(named: Work) -> None:
    """The same result under another name: the spot that was tapped stays."""
    st.session_state[_WORK] = named


def shown_name() -> str:
    """The panel's name as it is typed now."""
    return str(job()["panel"].get("name") or "")


def fragment(part: Callable[..., None]) -> Callable[..., None]:
    """A part of a view that a tap draws again by itself; what the tap changed is kept as after a whole run."""

    @wraps(part)
    def kept_part(*given: Any, **named: Any) -> None:
        try:
            part(*given, **named)
        finally:
            save()

    return st.fragment(kept_part)


def start_over(tables: dict[str, Any] | None = None) -> None:
    """A new job; the form shows its values. The one before stays among the last ones."""
    save()
    _take_up(KeptJob(secrets.token_urlsafe(9), tables or empty_job()))


def renew_form() -> None:
    """Make the form show the sheet's values anew; the result no longer belongs to them."""
    forget_result()
    _new_round()


def replace_sheet(tables: dict[str, Any]) -> None:
    """Another sheet for the same photos."""
    st.session_state[_JOB] = tables
    renew_form()
