"""A report's folder, written whole or not at all; `verifying` sees later whether it still fits."""

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
from surfscan.papers.sealed import SIGNED, UNSIGNED, Signing, sealed_papers, see_setting
from surfscan.report.output import prepare_output, written_whole
from surfscan.results.edited import told_as_damage
from surfscan.results.stored import StoredResult, load_result

__all__ = ["REPORT_FILES", "make_papers", "write_report"]

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
    signing: Signing = UNSIGNED,
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
    signing : Signing, optional
        For ``seal.sig``, and ``seal.tsq``, which a time stamp service may answer.

    Returns
    -------
    list of Path
        The three files, and those of `signing`.

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
    particulars = signing.named(particulars)
    with told_as_damage(str(folder)):
        pictures = gloss_picture(result)
        if photos is not None:
            pictures[PHOTOS] = lay_photos(result, photos)
        files = {**pictures, **make_papers(result, folder, particulars, paper, pictures, created)}
    signed = signing.files(files["seal.json"])
    files |= signed
    copied = (
        []
        if target.resolve() == folder.resolve()
        else [n for n in _RESULT_FILES if (folder / n).is_file() and n not in MADE]
    )
    old = [name for name in (*MADE, *SIGNED) if name not in files]  # of an earlier report in the same folder
    with written_whole(target, (*copied, *files), gone=old) as hidden:
        for name in copied:
            shutil.copyfile(folder / name, hidden / name)
        for name, data in files.items():
            (hidden / name).write_bytes(data)
    return [target / name for name in (*REPORT_FILES, *signed)]


def make_papers(
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
