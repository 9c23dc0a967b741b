"""Papers with their seal: made together, and held against each other later, whatever they are about."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import Any

from surfscan.core.errors import RefusedError, UsageError
from surfscan.papers.blocks import Block
from surfscan.papers.html import make_html
from surfscan.papers.particulars import Particulars
from surfscan.papers.pdf import PAPER_SIZES, make_pdf
from surfscan.papers.seal import Seal, differences, whole_sum
from surfscan.report.units import UNIT_NAMES
from surfscan.results.stored import once
from surfscan.version import VERSION

__all__ = ["Again", "Verification", "read_seal", "sealed_papers", "see_setting", "verify_sealed"]

_MARKS = {
    ".pdf": re.compile(rb"surfscan-digest:([0-9a-f]{64})"),
    ".html": re.compile(rb'name="surfscan-digest" content="([0-9a-f]{64})"'),
}

Again = Callable[[Particulars, str, datetime], dict[str, bytes]]
"""Makes the papers once more: with the particulars, the paper size and the moment that the seal has."""


@dataclass(frozen=True, slots=True)
class Verification:
    """What `verify_report` found.

    Attributes
    ----------
    digest : str
        Of the result as it is now.
    sealed : str
        As the seal has it.
    differences : tuple of str
        Sentences; empty when nothing differs.
    notes : tuple of str
        What could not be compared, and why.
    """

    digest: str
    sealed: str
    differences: tuple[str, ...]
    notes: tuple[str, ...] = ()


def see_setting(particulars: Particulars, paper: str) -> None:
    """Refuse a paper size or a unit that is not known (UsageError)."""
    if paper not in PAPER_SIZES:
        raise UsageError("The paper size is not known", found=paper, allowed=", ".join(PAPER_SIZES))
    if particulars.units not in UNIT_NAMES:
        raise UsageError("The unit is not known", found=particulars.units, allowed=", ".join(UNIT_NAMES))


def sealed_papers(  # house: what a paper is set from, each once
    blocks: Sequence[Block],
    *,
    title: str,
    seal: Seal,
    stem: str,
    given: Particulars,
    paper: str,
    created: datetime,
) -> dict[str, bytes]:
    """Lay the blocks out and seal them.

    Parameters
    ----------
    blocks : sequence of Block
    title : str
    seal : Seal
        Of what the papers are about.
    stem : str
        Name of the files without their ending.
    given : Particulars
    paper : {"a4", "letter"}
    created : datetime
        With its time zone.

    Returns
    -------
    dict of name to bytes
        The HTML, the PDF and ``seal.json``.
    """
    document: dict[str, Any] = {
        "schema": 1,
        "surfscan": VERSION,
        "digest": seal.digest,
        "parts": seal.parts,
        "report": {**asdict(given), "paper": paper, "created": created.isoformat()},
    }
    files = {
        f"{stem}.html": make_html(blocks, title=title, digest=seal.digest).encode(),
        f"{stem}.pdf": make_pdf(blocks, title=title, digest=seal.digest, paper=paper, created=created),
    }
    document["papers"] = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    document["seal"] = whole_sum(document)
    return {
        **files,
        "seal.json": (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode(),
    }


def verify_sealed(
    folder: Path, document: dict[str, Any], seal: Seal, *, printed: str, stem: str, again: Again
) -> Verification:
    """Hold papers against their seal, and both against what they are about.

    Parameters
    ----------
    folder : Path
    document : dict
        From `read_seal`.
    seal : Seal
        Of what the papers are about, as it is now.
    printed : str
        The digest on the paper, or its first digits; "" for none.
    stem : str
    again : callable
        Makes the papers anew, which shows changes in their text.

    Returns
    -------
    Verification
    """
    said = differences(document["parts"], seal.parts)
    if not said and document["digest"] != seal.digest:
        said.append("seal.json: its digest is not that of its parts")
    if document["seal"] != whole_sum(document):
        said.append("seal.json was changed: its particulars, version or sums are not those that were sealed")
    notes: list[str] = []
    for name, mark in ((stem + ending, mark) for ending, mark in _MARKS.items()):
        data = _bytes_of(folder / name)
        if data is None:
            said.append(f"{name} is missing")
            continue
        if hashlib.sha256(data).hexdigest() != document["papers"][name]:
            said.append(f"{name} was changed after it was made")
            continue
        found = mark.search(data)
        if found is None:
            said.append(f"{name} carries no digest")
        elif found[1].decode() != seal.digest:
            said.append(f"{name} was made for another result: its digest is {found[1].decode()[:16]}…")
    wanted = printed.strip().lower()
    if wanted and not seal.digest.startswith(wanted):
        said.append(f"the printed digest {wanted[:16]}… is not that of this result, {seal.digest[:16]}…")
    if document["surfscan"] != VERSION:
        notes.append(
            f"The report was made by surfscan {document['surfscan']}, this is {VERSION}: its text was not compared"
        )
    elif not said:
        said += _retold(folder, document["report"], again, stem)
    return Verification(seal.digest, document["digest"], tuple(said), tuple(notes))


def _retold(folder: Path, report: dict[str, Any], again: Again, stem: str) -> list[str]:
    """Which papers are not what the result gives, when it is told again with the same particulars."""
    known = [field.name for field in fields(Particulars) if field.name in report]
    particulars = Particulars(**{name: report[name] for name in known})
    made = again(particulars, report["paper"], datetime.fromisoformat(report["created"]))
    return [
        f"{stem}{ending} was changed after it was made, though it carries the right digest"
        for ending in _MARKS
        if _bytes_of(folder / (stem + ending)) != made[stem + ending]
    ]


def read_seal(folder: Path, stem: str) -> dict[str, Any]:
    """A folder's ``seal.json``, checked (RefusedError where there is none, or it is damaged)."""
    path = folder / "seal.json"
    data = _bytes_of(path)
    if data is None:
        raise RefusedError(
            f"{path.parent} holds no report",
            found="no seal.json",
            allowed="a folder written by surfscan report",
            cure="make the report first",
        )
    try:
        document = json.loads(data, object_pairs_hook=once)
        parts, report = document["parts"], document["report"]
        whole = (
            isinstance(document["digest"], str)
            and isinstance(document["seal"], str)
            and all(isinstance(document["papers"][stem + ending], str) for ending in _MARKS)
            and isinstance(document["surfscan"], str)
            and all(isinstance(k, str) and isinstance(v, str) for k, v in parts.items())
            and all(
                isinstance(report[k], str)
                for k in ("date", "checked_by", "job_number", "units", "paper", "created")
            )
            and datetime.fromisoformat(report["created"]).tzinfo is not None
            and report["units"] in UNIT_NAMES
            and report["paper"] in PAPER_SIZES
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        whole = False
    if not whole:
        raise RefusedError(
            f"{path} is damaged",
            found="not what surfscan report writes",
            cure="make the report again",
        )
    return dict(document)


def _bytes_of(path: Path) -> bytes | None:
    try:
        return path.read_bytes() if path.is_file() else None
    except OSError as error:
        raise RefusedError(f"{path} cannot be read", found=error.strerror or str(error)) from None
