"""Before and after on one paper: what was added and taken off, what closed, who signs. Made from a comparison."""

from __future__ import annotations

import hashlib
import io
import json
import math
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from surfscan.core.commit import finish
from surfscan.core.errors import RefusedError
from surfscan.core.units import Units, units_named
from surfscan.judge.cautions import SHORT_CAUTION
from surfscan.judge.fault_words import without_faults
from surfscan.judge.reasons import read_reasons, sentences_of
from surfscan.judge.trade_table import words
from surfscan.papers.blocks import Block, Fields, Heading, Picture, SignLine, Table, Text, Verdict
from surfscan.papers.html import make_html
from surfscan.papers.particulars import Particulars
from surfscan.papers.pdf import make_pdf
from surfscan.papers.pictures import open_picture
from surfscan.report.difference_picture import SCALE_ROWS, STRIP, draw_scale
from surfscan.report.difference_table import fault_change_lines
from surfscan.report.output import written_whole

__all__ = ["BEFORE_AFTER_FILES", "compose_comparison", "holds_comparison", "write_before_after"]

BEFORE_AFTER_FILES = ("before-after.pdf", "before-after.html")
_WIDE = 1500
_MOST_PATCHES = 8
_LINE = "—"
# the verdict of a comparison is about what was added, never about the panel
_BUILD_WORDS = {
    "ready": "BUILD WITHIN THE LIMIT",
    "rework": "BUILD OVER THE LIMIT",
    "close": "TOO CLOSE TO CALL",
    "not_measured": "NOT MEASURED",
}


def holds_comparison(folder: Path) -> bool:
    """Whether a folder is one that `surfscan compare` wrote."""
    with suppress(OSError):  # who reads it tells
        finish(folder)
    return (folder / "compare.json").is_file() and not (folder / "result.json").is_file()


def write_before_after(
    folder: Path, particulars: Particulars, *, paper: str = "a4", created: datetime | None = None
) -> list[Path]:
    """Write the paper of a comparison into its folder, as PDF and as HTML.

    Parameters
    ----------
    folder : Path
        An output folder of `compare`.
    particulars : Particulars
    paper : {"a4", "letter"}
    created : datetime, optional
        With its time zone; now when it is left out.

    Returns
    -------
    list of Path

    Raises
    ------
    RefusedError
        When the comparison is damaged or the folder can't be written.
    """
    finish(folder)
    data = (folder / "compare.json").read_bytes()
    try:
        document = json.loads(data)
        picture = _picture(folder / "difference.png", document, units_named(particulars.units))
        blocks = compose_comparison(document, particulars, picture=picture)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise RefusedError(
            f"{folder / 'compare.json'} is damaged",
            found=f"{type(error).__name__}",
            allowed="what surfscan compare writes",
            cure="compare the passes again",
        ) from None
    digest = hashlib.sha256(data).hexdigest()
    title = f"Before and after: {document['passes'][-1]['panel'] or 'panel'}"
    made = created or datetime.now(UTC).replace(microsecond=0)
    with written_whole(folder, BEFORE_AFTER_FILES) as hidden:
        pdf = make_pdf(blocks, title=title, digest=digest, paper=paper, created=made)
        (hidden / BEFORE_AFTER_FILES[0]).write_bytes(pdf)
        page = make_html(blocks, title=title, digest=digest)
        (hidden / BEFORE_AFTER_FILES[1]).write_text(page, encoding="utf-8")
    return [folder / name for name in BEFORE_AFTER_FILES]


def compose_comparison(
    document: Mapping[str, Any], particulars: Particulars, *, picture: Picture | None
) -> list[Block]:
    """Put the paper together from `compare.json`.

    Parameters
    ----------
    document : mapping
    particulars : Particulars
    picture : Picture, optional
        Of the difference.

    Returns
    -------
    list of Block
    """
    units = units_named(particulars.units)
    before, after = document["passes"][0], document["passes"][-1]
    said = str(document["sentence_inch" if units.name == "inch" else "sentence"])
    reasons = sentences_of(read_reasons(document["findings"]), units, stored=document["reasons"])
    blocks: list[Block] = [
        Heading(f"Before and after: {after['panel'] or 'panel without a name'}", 1),
        Verdict(_BUILD_WORDS[document["verdict"]], said),
        _fields(document, before, after, particulars),
    ]
    if picture is not None:
        blocks.append(picture)
    blocks += _spots(document["spots"], units)
    faults = document.get("faults")
    blocks += [] if faults is None else [Text(text) for text in fault_change_lines(faults)]
    blocks += [*_build("Added", document["build"], units), *_build("Taken off", document["cut"], units)]
    blocks += [Text(text) for text in reasons if text != said]
    stage = str(after["stage"])
    group = words("not_looked_for")
    listed = [*group.get(stage, group["primer"]), *group["always"]]
    listed = listed if faults is None else without_faults(listed)
    blocks += [
        Text(f"Not looked for: {', '.join(listed)}."),
        SignLine(),
        SignLine(("Signature of who did the work", "Date")),
        Text(_laid(document, units), small=True),
        Text(SHORT_CAUTION, small=True),
    ]
    return blocks


def _fields(
    document: Mapping[str, Any], before: Mapping[str, Any], after: Mapping[str, Any], given: Particulars
) -> Fields:
    def told(one: Mapping[str, Any]) -> str:
        stage = str(one["stage"])
        return ", ".join(
            filter(None, (str(words("names").get(stage, stage)), f"checked {one['started'] or 'not stated'}"))
        )

    rows = [
        ("Shop", given.shop),
        ("Vehicle, part", given.vehicle),
        ("Before", told(before)),
        ("After", told(after)),
        ("Compared", f"{100 * float(document['common']):.0f} % of the panel was seen in both"),
        ("Date", given.date),
        ("Job number", given.job_number or _LINE),
        ("Checked by", given.checked_by or _LINE),
    ]
    return Fields(tuple(row for row in rows if row[1]))


def _spots(rows: list[Mapping[str, Any]], units: Units) -> list[Block]:
    if not rows:
        return [Text("No high and no low was reported before or after.")]
    marks = {"low": "▼ low", "high": "▲ high"}
    table = tuple(
        (
            marks.get(row["kind"], row["kind"]),
            _number(row["before"]),
            _number(row["after"]),
            str(row["change"]).replace("_", " "),
            f"{units.bare(units.length(row['x_mm']))}, {units.bare(units.length(row['y_mm']))}",
            _depth(row["before_mm"], units),
            _depth(row["after_mm"], units),
            _depth(row["u95_mm"], units),
        )
        for row in rows
    )
    columns = ("Kind", "No. before", "No. after", "What became of it", f"x, y, {units.word}")
    figures = (f"Before, {units.word}", f"After, {units.word}", "± of the change")
    return [
        Heading("What became of each spot"),
        Table((*columns, *figures), table, (0.1, 0.1, 0.1, 0.18, 0.14, 0.13, 0.13, 0.12), right=(5, 6, 7)),
    ]


def _build(name: str, build: Mapping[str, Any], units: Units) -> list[Block]:
    patches = build["patches"]
    if not patches:
        return [Text(f"{name}: nothing that stands out of the uncertainty.")]
    rows = tuple(
        (
            units.depth(patch["max_mm"]),
            units.depth(patch["u95_mm"]),
            f"{units.bare(units.length(patch['x_mm']))}, {units.length(patch['y_mm'])}",
            units.area(patch["area_cm2"]),
            units.volume(patch["volume_ml"]),
        )
        for patch in patches[:_MOST_PATCHES]
    )
    limit = f" Limit {units.given(build['limit_mm'])}." if build.get("limit_mm") else ""
    more = len(patches) - len(rows)
    note = f"Together {units.volume(build['volume_ml'])} on {units.area(build['area_cm2'])}.{limit}"
    note += f" And {more} smaller ones." if more > 0 else ""
    columns = ("Thickest", "±", "At x, y", "Area", "Volume")
    return [Heading(name), Table(columns, rows, (0.2, 0.15, 0.25, 0.2, 0.2), note=note)]


def _laid(document: Mapping[str, Any], units: Units) -> str:
    """How both were laid over each other, and what that is good to."""
    place = document["registration"]
    moved = "the tags were laid again in between" if place["tags_moved"] else "the tags stayed in between"
    typical = units.depth(document["typical_u95_mm"])
    return (
        f"Laid over each other by {place['by']}; {moved}. Typical ± of the difference: {typical}, which holds the true"
        f" difference 95 times in 100. Made with surfscan {document['run']['surfscan']}."
    )


def _number(number: int | None) -> str:
    return "-" if number is None else str(number)


def _depth(mm: float | None, units: Units) -> str:
    return "-" if mm is None or not math.isfinite(mm) else units.bare(units.depth(mm))


def _picture(path: Path, document: Mapping[str, Any], units: Units) -> Picture | None:
    """The picture without its strip, which the paper says itself, and with its scale in the paper's units."""
    drawn = open_picture(path)
    if drawn is None:
        return None
    below = np.flatnonzero((drawn[:, 0] != STRIP).any(axis=-1))
    top = int(below[0]) if below.size else 0
    shade, end = (float(mm) for mm in document["scale_mm"])
    scale = draw_scale((shade, end), float(document["build"]["limit_mm"]), units)
    if drawn.shape[1] == scale.shape[1] and drawn.shape[0] > top + SCALE_ROWS:
        drawn = np.vstack([drawn[top:-SCALE_ROWS], scale])
    picture = Image.fromarray(drawn)
    if picture.width > _WIDE:
        size = (_WIDE, round(picture.height * _WIDE / picture.width))
        picture = picture.resize(size, Image.Resampling.LANCZOS)
    code = io.BytesIO()
    picture.save(code, "JPEG", quality=86, optimize=True)
    return Picture(
        code.getvalue(),
        "After less before: what was added is positive, what was taken off negative; x to the right and y up.",
        "Map of the difference between both passes.",
        picture.width,
        picture.height,
        most_mm=84.0,
    )
