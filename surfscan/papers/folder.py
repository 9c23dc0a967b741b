"""A report's folder: written whole or not at all, and verified later."""

from __future__ import annotations

import hashlib
import io
import json
import re
import shutil
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, UnidentifiedImageError

from surfscan.core.errors import RefusedError, UsageError
from surfscan.core.units import Units, units_named
from surfscan.gloss.preview import preview_gloss
from surfscan.gloss.sheet import draw_gloss_pair
from surfscan.gloss.viewing import Viewpoint
from surfscan.papers.blocks import Block, Picture
from surfscan.papers.content import Pictures, compose
from surfscan.papers.html import make_html
from surfscan.papers.particulars import Particulars
from surfscan.papers.pdf import PAPER_SIZES, make_pdf
from surfscan.papers.plain_photos import lay_photos
from surfscan.papers.seal import GLOSS, MADE, PHOTOS, PICTURES, differences, seal_result, whole_sum
from surfscan.report.figures import STRIP, draw_map, end_of_scale
from surfscan.report.legend import draw_legend, legend_rows
from surfscan.report.output import prepare_output, written_whole
from surfscan.report.units import UNIT_NAMES
from surfscan.report.words import headline_line
from surfscan.results.edited import told_as_damage
from surfscan.results.stored import StoredResult, load_result, once
from surfscan.version import VERSION

__all__ = ["REPORT_FILES", "Verification", "verify_report", "write_report"]

REPORT_FILES = ("report.html", "report.pdf", "seal.json")
_RESULT_FILES = ("result.json", "height.npz", *PICTURES)
_WIDE = 1500  # pixels of a picture on paper: 200 a printed inch over the text's width
_MARK = re.compile(rb"surfscan-digest:([0-9a-f]{64})")
_MARK_HTML = re.compile(rb'name="surfscan-digest" content="([0-9a-f]{64})"')


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
    if paper not in PAPER_SIZES:
        raise UsageError(
            "The paper size is not known",
            found=paper,
            allowed=", ".join(PAPER_SIZES),
            cure="choose one of these",
        )
    if particulars.units not in UNIT_NAMES:
        raise UsageError(
            "The unit is not known",
            found=particulars.units,
            allowed=", ".join(UNIT_NAMES),
            cure="choose one of these",
        )
    folder = Path(folder)
    result = load_result(folder)
    target = folder if out is None else out
    if out is not None:
        prepare_output(out)
    created = created or datetime.now(UTC).replace(microsecond=0)
    with told_as_damage(str(folder)):
        pictures = _gloss_picture(result)
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


def _gloss_picture(result: StoredResult) -> dict[str, bytes]:
    """The panel as it will look in gloss; sealed with the rest: another machine need not draw the same bytes."""
    height = result.height
    if result.verdict == "not_measured" or not np.isfinite(height.height_mm).any():
        return {}
    reach = 0.5 * float(np.hypot(np.ptp(height.grid.x_mm), np.ptp(height.grid.y_mm)))
    far = max(1500.0, 2 * reach)
    preview = preview_gloss(
        height, lights=("stripes",), views=(Viewpoint(0.0, 35.0, far),), wall_mm=far, width_px=440
    )
    pair = draw_gloss_pair(preview.pictures[0], exaggeration=preview.exaggeration)
    code = io.BytesIO()
    Image.fromarray(pair).save(code, "PNG")
    return {GLOSS: code.getvalue()}


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
    blocks = _blocks(result, folder, particulars, seal.digest, made)
    document = {
        "schema": 1,
        "surfscan": VERSION,
        "digest": seal.digest,
        "parts": seal.parts,
        "report": {**asdict(particulars), "paper": paper, "created": created.isoformat()},
    }
    files = {
        "report.html": make_html(blocks, title=title, digest=seal.digest).encode(),
        "report.pdf": make_pdf(blocks, title=title, digest=seal.digest, paper=paper, created=created),
    }
    document["papers"] = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    document["seal"] = whole_sum(document)
    return {
        **files,
        "seal.json": (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode(),
    }


def _blocks(
    result: StoredResult, folder: Path, particulars: Particulars, digest: str, made: dict[str, bytes] | None
) -> list[Block]:
    units = units_named(particulars.units)
    overlay = _picture(
        _in_units(folder / "overlay.png", result, units),
        "The panel with its highs and lows: ▼ in a solid outline is a low, ▲ in a dashed one a high;"
        " hatched is not measured.",
        f"Photo of the panel with {len(result.spots)} numbered spots."
        f" {headline_line(result, units_named(particulars.units))}",
        most_mm=80.0,
    )
    panel_map = _picture(
        _map_in_units(folder / "map.png", result, units),
        f"Deviation from the fair form, seen from straight in front; x to the right and y up in {units.word}.",
        f"Height map of the panel with a scale in {units.word}.",
        most_mm=68.0,
    )
    in_gloss = _picture(
        folder / GLOSS if made is None else io.BytesIO(made.get(GLOSS, b"")),
        "In gloss: stripes mirrored in clear coat, seen from below at 35 degrees, faults at true size; the ring marks"
        " where the reflection is bent most.",
        "Two pictures of stripes mirrored in the panel: as it is, and made fair.",
        most_mm=36.0,
    )
    plain = _picture(
        folder / PHOTOS if made is None else io.BytesIO(made.get(PHOTOS, b"")),
        f"The photos without marks: {', '.join(str(row.get('file', '')) for row in result.photos)}.",
        "The photos as they were measured, side by side.",
        most_mm=34.0,
    )
    pictures = Pictures(overlay, panel_map, in_gloss, plain)
    return compose(result, particulars, pictures=pictures, digest=digest)


def _in_units(path: Path, result: StoredResult, units: Units) -> Path | io.BytesIO:
    """The picture with its legend in the paper's units: nobody wrote down which ones the check was asked for."""
    try:
        with Image.open(path) as opened:
            picture = np.asarray(opened.convert("RGB"))
    except (OSError, Image.DecompressionBombError):
        return path
    rows = legend_rows(picture.shape[1])
    if picture.shape[0] <= rows:
        return path
    end_mm = end_of_scale(result.height, result.spots, result.limits)
    legend = draw_legend(picture.shape[1], result.limits, end_mm, units)
    return _as_png(np.vstack([picture[:-rows], legend]))


def _map_in_units(path: Path, result: StoredResult, units: Units) -> Path | io.BytesIO:
    """The map drawn again, its axes and legend in the paper's units; nothing where the result has none."""
    if not path.is_file():
        return path
    return _as_png(
        draw_map(
            result.height,
            result.spots,
            limits=result.limits,
            verdict=result.verdict,
            sentence="",
            units=units,
        )
    )


def _as_png(picture: np.ndarray[Any, Any]) -> io.BytesIO:
    code = io.BytesIO()
    Image.fromarray(picture).save(code, "PNG", compress_level=1)
    code.seek(0)
    return code


def _picture(path: Path | io.BytesIO, caption: str, words: str, *, most_mm: float) -> Picture | None:
    """The picture small enough for paper, as JPEG; None when it is not there."""
    if isinstance(path, Path) and not path.is_file():
        return None
    try:
        with Image.open(path) as opened:
            picture = _without_strip(opened.convert("RGB"))
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError):
        return None
    if picture.width > _WIDE:
        picture = picture.resize(
            (_WIDE, round(picture.height * _WIDE / picture.width)), Image.Resampling.LANCZOS
        )
    code = io.BytesIO()
    picture.save(code, "JPEG", quality=86, optimize=True)
    return Picture(code.getvalue(), caption, words, picture.width, picture.height, most_mm=most_mm)


def _without_strip(picture: Image.Image) -> Image.Image:
    """Without the strip on top: the paper says the verdict itself, in its own units."""
    edge = np.asarray(picture)[:, 0]
    below = np.flatnonzero((edge != STRIP).any(axis=-1))
    top = int(below[0]) if below.size else 0
    return picture.crop((0, top, picture.width, picture.height))


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
    document = _read_seal(folder / "seal.json")
    result = load_result(folder, bound=False)  # what was changed is told below
    seal = seal_result(result, folder)
    said = differences(document["parts"], seal.parts)
    if not said and document["digest"] != seal.digest:
        said.append("seal.json: its digest is not that of its parts")
    if document["seal"] != whole_sum(document):
        said.append("seal.json was changed: its particulars, version or sums are not those that were sealed")
    notes: list[str] = []
    for name, mark in (("report.pdf", _MARK), ("report.html", _MARK_HTML)):
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
        said += _retold(result, folder, document["report"])
    return Verification(seal.digest, document["digest"], tuple(said), tuple(notes))


def _retold(result: StoredResult, folder: Path, report: dict[str, Any]) -> list[str]:
    """Which papers are not what the result gives, when it is told again with the same particulars."""
    known = [field.name for field in fields(Particulars) if field.name in report]
    particulars = Particulars(**{name: report[name] for name in known})
    created = datetime.fromisoformat(report["created"])
    again = _make(result, folder, particulars, report["paper"], None, created)
    return [
        f"{name} was changed after it was made, though it carries the right digest"
        for name in ("report.pdf", "report.html")
        if _bytes_of(folder / name) != again[name]
    ]


def _read_seal(path: Path) -> dict[str, Any]:
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
            and all(isinstance(document["papers"][name], str) for name in ("report.pdf", "report.html"))
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
            allowed="seal.json as surfscan report wrote it",
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
