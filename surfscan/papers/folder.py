"""A report's folder: written whole or not at all, and verified later."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

from surfscan.core.units import units_named
from surfscan.papers.content import compose
from surfscan.papers.particulars import Particulars
from surfscan.papers.pictures import gloss_picture, paper_pictures
from surfscan.papers.plain_photos import lay_photos
from surfscan.papers.seal import MADE, PHOTOS, PICTURES, seal_result
from surfscan.papers.sealed import Verification, read_seal, sealed_papers, see_setting, verify_sealed
from surfscan.report.output import prepare_output, written_whole
from surfscan.results.edited import told_as_damage
from surfscan.results.stored import StoredResult, load_result

__all__ = ["REPORT_FILES", "Verification", "verify_report", "write_report"]

REPORT_FILES = ("report.html", "report.pdf", "seal.json")
_RESULT_FILES = ("result.json", "height.npz", *PICTURES)


def write_report(
    folder: Path | str,
    particulars: Particulars,
    *,
    out: Path | None = None,
    paper: str = "a4",
    created: datetime | None = None,
    photos: Path | None = None,
) -> list[Path]:
    """Write ``report.pdf``, ``report.html`` and ``seal.json`` for a result, and its picture in gloss, ``gloss.png``.

    Parameters
    ----------
    folder : path
        An output folder of `check`.
    particulars : Particulars
    out : Path, optional
        Another folder for the report; the result's files are copied there too, so that it can be verified.
    paper : {"a4", "letter"}
    created : datetime, optional
        With its time zone: the papers' creation date, now when it is left out. It is in the seal, so that
        the same papers can be made again.
    photos : Path, optional
        The job folder, for the photos without marks.

    Returns
    -------
    list of Path
        The three files.

    Raises
    ------
    RefusedError
        When the result is damaged or the folder can't be written.
    UsageError
        For an unknown paper or unit.
    """
    see_setting(particulars, paper)
    folder = Path(folder)
    result = load_result(folder)
    target = folder if out is None else out
    if out is not None:
        prepare_output(out)
    created = created or datetime.now(UTC).replace(microsecond=0)
    with told_as_damage(str(folder)):
        pictures = gloss_picture(result)
        if photos is not None:
            pictures[PHOTOS] = lay_photos(result, photos)
        files = {**pictures, **_make(result, folder, particulars, paper, pictures, created)}
    copied = (
        []
        if target.resolve() == folder.resolve()
        else [n for n in _RESULT_FILES if (folder / n).is_file() and n not in MADE]
    )
    with written_whole(target, (*copied, *files)) as hidden:
        for name in copied:
            shutil.copyfile(folder / name, hidden / name)
        for name, data in files.items():
            (hidden / name).write_bytes(data)
    for name in MADE:
        if name not in files:  # of an earlier report in the same folder
            (target / name).unlink(missing_ok=True)
    return [target / name for name in REPORT_FILES]


def _make(
    result: StoredResult,
    folder: Path,
    particulars: Particulars,
    paper: str,
    made: dict[str, bytes] | None,
    created: datetime,
) -> dict[str, bytes]:
    """The papers; `made` holds the picture in gloss, None when the folder does."""
    seal = seal_result(result, folder, made=made)
    title = f"Panel check: {result.panel.get('name') or 'panel'}"
    pictures = paper_pictures(result, folder, units_named(particulars.units), made=made)
    blocks = compose(result, particulars, pictures=pictures, digest=seal.digest)
    return sealed_papers(
        blocks, title=title, seal=seal, stem="report", given=particulars, paper=paper, created=created
    )


def verify_report(folder: Path | str, *, printed: str = "") -> Verification:
    """Compute a report's digest again and compare it with the seal, the PDF, the HTML and the printed paper.

    The PDF and the HTML are also made again from the result, which shows changes in their text.

    Parameters
    ----------
    folder : path
        It holds ``seal.json`` and the result's files.
    printed : str
        The digest on the paper, or its first digits (at least 8).

    Returns
    -------
    Verification

    Raises
    ------
    RefusedError
        When there is no seal, or it or the result is damaged.
    """
    folder = Path(folder)
    document = read_seal(folder, "report")
    result = load_result(folder, bound=False)  # what was changed is told below

    def again(given: Particulars, paper: str, created: datetime) -> dict[str, bytes]:
        return _make(result, folder, given, paper, None, created)

    return verify_sealed(
        folder, document, seal_result(result, folder), printed=printed, stem="report", again=again
    )
