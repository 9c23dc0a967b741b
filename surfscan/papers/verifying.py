"""Whether papers still fit their result: digests, the papers made again, the signature, the time stamp."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from surfscan.core.commit import finish
from surfscan.core.errors import RefusedError
from surfscan.papers.folder import make_papers
from surfscan.papers.particulars import Particulars
from surfscan.papers.pdf import PAPER_SIZES
from surfscan.papers.seal import Seal, differences, seal_result, whole_sum
from surfscan.papers.signing import SIGNATURE, key_name, signature_holds
from surfscan.papers.stamping import ANSWER, REQUEST, read_stamp
from surfscan.report.units import UNIT_NAMES
from surfscan.results.stored import load_result, once
from surfscan.version import VERSION

__all__ = ["Again", "Verification", "read_seal", "verify_report", "verify_sealed"]

_MARKS = {
    ".pdf": re.compile(rb"surfscan-digest:([0-9a-f]{64})"),
    ".html": re.compile(rb'name="surfscan-digest" content="([0-9a-f]{64})"'),
}

Again = Callable[[Particulars, str, datetime], dict[str, bytes]]
"""Makes the papers once more: with the particulars, the paper size and the moment that the seal has."""


@dataclass(frozen=True, slots=True)
class Verification:
    """What was found when papers were held against their seal.

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
    signed_by : str
        The key that was given, where the signature is its own; empty otherwise.
    stamped : str
        The time in a time stamp, ISO 8601; empty where there is none that fits.
    """

    digest: str
    sealed: str
    differences: tuple[str, ...]
    notes: tuple[str, ...] = ()
    signed_by: str = ""
    stamped: str = ""


def verify_report(
    folder: Path | str,
    *,
    printed: str = "",
    key: Ed25519PublicKey | None = None,
    authority: Path | None = None,
) -> Verification:
    """Compute a report's digest again and compare it with the seal, the PDF, the HTML and the printed paper.

    The PDF and the HTML are also made again from the result, which shows changes in their text.

    Parameters
    ----------
    folder : path
        It holds ``seal.json`` and the result's files.
    printed : str
        The digest on the paper, or its first digits (at least 8).
    key : Ed25519PublicKey, optional
        The shop's, got by another way than the folder: the seal must then be signed with it.
    authority : Path, optional
        Root certificate (PEM) of the time stamp service: the stamp must then be signed under it.

    Returns
    -------
    Verification

    Raises
    ------
    RefusedError
        When there is no seal, or it or the result is damaged.
    """
    folder = Path(folder)
    with suppress(OSError):  # told when the result is loaded
        finish(folder)
    document = read_seal(folder, "report")
    result = load_result(folder, bound=False)  # what was changed is told below

    def again(given: Particulars, paper: str, created: datetime) -> dict[str, bytes]:
        return make_papers(result, folder, given, paper, None, created)

    seal = seal_result(result, folder)
    return verify_sealed(
        folder, document, seal, stem="report", again=again, printed=printed, key=key, authority=authority
    )


def verify_sealed(  # house: papers, what they are about, and what each is held against
    folder: Path,
    document: dict[str, Any],
    seal: Seal,
    *,
    stem: str,
    again: Again,
    printed: str = "",
    key: Ed25519PublicKey | None = None,
    authority: Path | None = None,
) -> Verification:
    """Hold papers against their seal, and both against what they are about.

    Parameters
    ----------
    folder : Path
    document : dict
        From `read_seal`.
    seal : Seal
        Of what the papers are about, as it is now.
    stem : str
        Name of the papers without their ending.
    again : callable
        Makes the papers anew, which shows changes in their text.
    printed, key, authority
        As in `verify_report`.

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
    by = _see_signature(folder, key, document, said, notes)
    stamped = _see_stamp(folder, authority, said, notes)
    return Verification(seal.digest, document["digest"], tuple(said), tuple(notes), by, stamped)


def _see_signature(
    folder: Path, key: Ed25519PublicKey | None, document: dict[str, Any], said: list[str], notes: list[str]
) -> str:
    """Hold the signature against the key; what is wrong goes into `said`, what is open into `notes`."""
    signature, named = _bytes_of(folder / SIGNATURE), str(document["report"].get("key", ""))
    if key is None:
        if signature is not None or named:
            notes.append(
                f"The signature was not checked: give --key, the key {named or 'of the shop'} got elsewhere"
            )
        return ""
    if signature is None:
        said.append(f"{SIGNATURE} is missing: the seal is not signed")
    elif not signature_holds(key, signature, _bytes_of(folder / "seal.json") or b""):
        said.append(f"{SIGNATURE} is no signature of this seal by the key {key_name(key)[:16]}…")
    elif named != key_name(key):
        said.append(f"the papers name another key than the one that signed them, {named[:16] or 'none'}")
    else:
        return key_name(key)
    return ""


def _see_stamp(folder: Path, authority: Path | None, said: list[str], notes: list[str]) -> str:
    """The time in the time stamp, where it is one of this seal."""
    answer = _bytes_of(folder / ANSWER)
    if answer is None:
        if authority is not None:
            said.append(f"{ANSWER} is missing: there is no time stamp")
        elif _bytes_of(folder / REQUEST) is not None:
            notes.append(f"{REQUEST} has no answer yet: a time stamp service's goes beside it as {ANSWER}")
        return ""
    over = _bytes_of(folder / SIGNATURE) or _bytes_of(folder / "seal.json") or b""
    stamp = read_stamp(answer, over, authority=authority)
    if stamp.wrong:
        said.append(stamp.wrong)
        return ""
    if not stamp.checked:
        notes.append(
            "Who signed the time stamp was not checked: give --authority, the service's root certificate"
        )
    return stamp.time


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
            allowed=f"a folder written by surfscan {stem}",
            cure=f"make the report first, with surfscan {stem}",
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
            found=f"not what surfscan {stem} writes",
            cure=f"make it again, with surfscan {stem}",
            allowed=f"seal.json as surfscan {stem} wrote it",
        )
    return dict(document)


def _bytes_of(path: Path) -> bytes | None:
    try:
        return path.read_bytes() if path.is_file() else None
    except OSError as error:
        raise RefusedError(
            f"{path} cannot be read",
            found=error.strerror or str(error),
            allowed="a file that you may read",
            cure="check its rights, and that the drive is there",
        ) from None
