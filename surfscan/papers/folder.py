"""A report's folder, written whole or not at all; `verifying` sees later whether it still fits."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from PIL import Image

from surfscan.core.errors import UsageError
from surfscan.core.units import units_named
from surfscan.gloss.preview import preview_gloss
from surfscan.gloss.sheet import draw_gloss_pair
from surfscan.gloss.viewing import Viewpoint
from surfscan.papers.blocks import Block
from surfscan.papers.content import Pictures, compose
from surfscan.papers.html import make_html
from surfscan.papers.particulars import Particulars
from surfscan.papers.pdf import PAPER_SIZES, make_pdf
from surfscan.papers.pictures import in_units, map_in_units, paper_picture
from surfscan.papers.plain_photos import lay_photos
from surfscan.papers.seal import GLOSS, MADE, PHOTOS, PICTURES, seal_result, whole_sum
from surfscan.papers.signing import SIGNATURE, key_name, sign
from surfscan.papers.stamping import ANSWER, REQUEST, make_request
from surfscan.report.output import prepare_output, written_whole
from surfscan.report.units import UNIT_NAMES
from surfscan.report.words import headline_line
from surfscan.results.edited import told_as_damage
from surfscan.results.stored import StoredResult, load_result
from surfscan.version import VERSION

__all__ = ["REPORT_FILES", "Signing", "make_papers", "write_report"]

REPORT_FILES = ("report.html", "report.pdf", "seal.json")
_RESULT_FILES = ("result.json", "height.npz", *PICTURES)
_SIGNED = (SIGNATURE, REQUEST, ANSWER)


@dataclass(frozen=True, slots=True)
class Signing:
    """How a seal is signed: with which key, and whether a request for a time stamp is laid beside it."""

    key: Ed25519PrivateKey | None = None
    stamp: bool = False


def write_report(
    folder: Path | str,
    particulars: Particulars,
    *,
    out: Path | None = None,
    paper: str = "a4",
    created: datetime | None = None,
    photos: Path | None = None,
    signing: Signing | None = None,
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
    signing = signing or Signing()
    if signing.key is not None:
        particulars = replace(particulars, key=key_name(signing.key.public_key()))
    with told_as_damage(str(folder)):
        pictures = _gloss_picture(result)
        if photos is not None:
            pictures[PHOTOS] = lay_photos(result, photos)
        files = {**pictures, **make_papers(result, folder, particulars, paper, pictures, created)}
    signed = _signed(signing, files["seal.json"])
    files |= signed
    copied = (
        []
        if target.resolve() == folder.resolve()
        else [n for n in _RESULT_FILES if (folder / n).is_file() and n not in MADE]
    )
    old = [name for name in (*MADE, *_SIGNED) if name not in files]  # of an earlier report in the same folder
    with written_whole(target, (*copied, *files), gone=old) as hidden:
        for name in copied:
            shutil.copyfile(folder / name, hidden / name)
        for name, data in files.items():
            (hidden / name).write_bytes(data)
    return [target / name for name in (*REPORT_FILES, *signed)]


def _signed(signing: Signing, seal: bytes) -> dict[str, bytes]:
    """The signature of a seal, and the request for a time stamp: over the signature where there is one."""
    signed = {} if signing.key is None else {SIGNATURE: sign(signing.key, seal)}
    if signing.stamp:
        signed[REQUEST] = make_request(signed.get(SIGNATURE, seal))
    return signed


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
    overlay = paper_picture(
        in_units(folder / "overlay.png", result, units),
        "The panel with its highs and lows: ▼ in a solid outline is a low, ▲ in a dashed one a high;"
        " hatched is not measured.",
        f"Photo of the panel with {len(result.spots)} numbered spots."
        f" {headline_line(result, units_named(particulars.units))}",
        most_mm=80.0,
    )
    panel_map = paper_picture(
        map_in_units(folder / "map.png", result, units),
        f"Deviation from the fair form, seen from straight in front; x to the right and y up in {units.word}.",
        f"Height map of the panel with a scale in {units.word}.",
        most_mm=68.0,
    )
    in_gloss = paper_picture(
        folder / GLOSS if made is None else io.BytesIO(made.get(GLOSS, b"")),
        "In gloss: stripes mirrored in clear coat, seen from below at 35 degrees, faults at true size; the ring marks"
        " where the reflection is bent most.",
        "Two pictures of stripes mirrored in the panel: as it is, and made fair.",
        most_mm=36.0,
    )
    plain = paper_picture(
        folder / PHOTOS if made is None else io.BytesIO(made.get(PHOTOS, b"")),
        f"The photos without marks: {', '.join(str(row.get('file', '')) for row in result.photos)}.",
        "The photos as they were measured, side by side.",
        most_mm=34.0,
    )
    pictures = Pictures(overlay, panel_map, in_gloss, plain)
    return compose(result, particulars, pictures=pictures, digest=digest)
