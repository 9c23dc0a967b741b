"""The page as a writer whose disk fails: an open result is put into the record, and what the page then says."""

from __future__ import annotations

from pathlib import Path

import pytest
from faulted_jobs import Job, make_jobs, result_of
from page_runs import go, open_page

import surfscan.guide.sheet_keys
import surfscan.results.record  # noqa: F401
from surfscan.core.errors import RefusedError

from surfscan.ui import session, store  # isort: skip  (found by page_runs)
from surfscan.ui.desk import Work

__all__ = ["page_job"]


def page_job(folder: Path, patch: pytest.MonkeyPatch) -> Job:
    """Put "new" into a record that holds "old", by the page's own button.

    Who presses it gets a refusal where the page shows one, and a fault where it says that it is ours.
    """
    of_record = make_jobs(folder)["record"]
    patch.setenv("SURFSCAN_RECORD", str(of_record.at / "r.sqlite"))
    kept = store.Store()
    patch.setattr(session, "STORE", kept)
    patch.setattr(session, "_token", lambda: "kim")
    tables = session.empty_job()
    tables["panel"]["name"] = "new"
    files = {path.name: path.read_bytes() for path in (folder / "new-result").iterdir()}
    work = Work("d1.x", result=result_of("new", -0.5), files=files)
    kept.keep("kim", store.KeptJob("job-1", tables, work=work), {})
    of_record.reset()
    page = go(open_page("result"), "the-record")

    def press() -> None:
        page.button(key="record-add").click().run()
        assert not page.exception, page.exception[0].value
        if page.error:
            said = page.error[0].value
            assert "fault of ours" not in said, said
            assert "What to do" in said, said
            raise RefusedError(said, found="the page's words", allowed="a refusal", cure="none")
        assert page.success, "neither done nor refused"

    return Job("page", of_record.before, of_record.at, press, of_record.see)
