"""One paper for a whole car: a cover with its outline, then a page a panel; sealed, and verified later."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from surfscan.car.summary import Car, CarPanel, make_car
from surfscan.core.commit import finish
from surfscan.core.errors import RefusedError
from surfscan.core.units import Units, units_named
from surfscan.judge.cautions import CAUTIONS, SHORT_CAUTION
from surfscan.papers.blocks import Block, Fields, Heading, NewPage, SignLine, Table, Text, Verdict
from surfscan.papers.car_outline import draw_car
from surfscan.papers.content import Pictures, panel_blocks
from surfscan.papers.particulars import Particulars, when_taken
from surfscan.papers.pictures import paper_pictures
from surfscan.papers.seal import PICTURES, Seal, seal_result, what_it_shows
from surfscan.papers.sealed import SIGNED, UNSIGNED, Signing, sealed_papers, see_setting
from surfscan.papers.verifying import Verification, read_seal, verify_sealed
from surfscan.report.car_words import car_headline, car_title, left_lines, stage_word
from surfscan.report.output import prepare_output, written_whole
from surfscan.report.words import VERDICT_WORDS, first_lines, headline_line
from surfscan.results.edited import told_as_damage
from surfscan.results.stored import load_result, once

__all__ = ["CAR_FILES", "compose_car", "holds_car", "read_car", "verify_car", "write_car"]

CAR_FILES = ("car.json", "car.html", "car.pdf", "seal.json")
_PANELS = "panels"
_RESULT_FILES = ("result.json", "height.npz", *PICTURES)
_LINE = "—"
_NOT_CHECKED = "NOT CHECKED"
_MARKS = {"ready": "✓", "rework": "!", "close": "?", "not_measured": "–"}


def holds_car(folder: Path) -> bool:
    """Whether a folder is one that `write_car` wrote."""
    return (folder / "car.json").is_file()


def write_car(
    car: Car,
    sources: dict[str, Path],
    out: Path,
    particulars: Particulars,
    *,
    paper: str = "a4",
    created: datetime | None = None,
    signing: Signing = UNSIGNED,
) -> list[Path]:
    """Write a car's paper with all that it rests on, so that it can be verified.

    Parameters
    ----------
    car : Car
    sources : dict of slug to Path
        Where each panel's result lies; it is copied below ``panels/``, unless it is there already.
    out : Path
    particulars : Particulars
    paper : {"a4", "letter"}
    created : datetime, optional
        With its time zone; now when it is left out.
    signing : Signing, optional
        As in `write_report`.

    Returns
    -------
    list of Path
        ``car.json``, ``car.html``, ``car.pdf``, ``seal.json``, and the files of `signing`.

    Raises
    ------
    RefusedError
        When a result is damaged or the folder can't be written.
    UsageError
        For an unknown paper or unit.
    """
    see_setting(particulars, paper)
    prepare_output(out)
    for slug, source in sources.items():
        _copy(source, out / _PANELS / slug)
    document = (json.dumps(car.document(), indent=2, ensure_ascii=False) + "\n").encode()
    created = created or datetime.now(UTC).replace(microsecond=0)
    particulars = signing.named(particulars)
    with told_as_damage(str(out)):
        files = {"car.json": document, **_make(car, out, document, particulars, paper, created)}
    files |= signing.files(files["seal.json"])
    names = [*CAR_FILES, *(name for name in SIGNED if name in files)]
    old = [name for name in SIGNED if name not in files]  # of an earlier paper in the same folder
    with written_whole(out, names, gone=old) as hidden:
        for name in names:
            (hidden / name).write_bytes(files[name])
    return [out / name for name in names]


def _copy(source: Path, target: Path) -> None:
    if source.resolve() == target.resolve():
        return
    prepare_output(target)
    with written_whole(target) as hidden:
        for name in _RESULT_FILES:
            if (source / name).is_file():
                shutil.copyfile(source / name, hidden / name)


def _make(  # house: what the papers are made from, each once
    car: Car, out: Path, document: bytes, given: Particulars, paper: str, created: datetime
) -> dict[str, bytes]:
    seal = _seal(car, out, document)
    units = units_named(given.units)
    blocks = compose_car(
        car,
        given,
        pictures=[
            Pictures() if p.result is None else paper_pictures(p.result, out / _PANELS / p.slug, units)
            for p in car.panels
        ],
        digest=seal.digest,
    )
    title = f"Car check: {car_title(car)}"
    return sealed_papers(
        blocks, title=title, seal=seal, stem="car", given=given, paper=paper, created=created
    )


def _seal(car: Car, out: Path, document: bytes) -> Seal:
    """Over car.json and every part of every panel's result, each by its panel's folder."""
    parts = {"car.json": hashlib.sha256(document).hexdigest()}
    for panel in car.panels:
        if panel.result is not None:
            folder = out / _PANELS / panel.slug
            parts |= {
                f"{panel.slug}, {name}": value
                for name, value in seal_result(panel.result, folder).parts.items()
            }
    return Seal(parts)


def compose_car(car: Car, given: Particulars, *, pictures: Sequence[Pictures], digest: str) -> list[Block]:
    """Put the paper together.

    Parameters
    ----------
    car : Car
    given : Particulars
    pictures : sequence of Pictures
        Of each panel, in the car's order.
    digest : str
        Of the whole car.

    Returns
    -------
    list of Block
    """
    units = units_named(given.units)
    blocks: list[Block] = [
        Heading(f"Car check: {car_title(car)}", 1),
        Verdict(VERDICT_WORDS[car.verdict], car_headline(car)),
        _fields(car, given),
        draw_car(car),
        _list_of_panels(car, units),
        *_left(car, units),
        SignLine(),
        Text(SHORT_CAUTION, small=True),
    ]
    for number, (panel, shown) in enumerate(zip(car.panels, pictures, strict=True), 1):
        if panel.result is not None:
            blocks += _page(number, panel, shown, units)
    signed = f" Signed with the key {given.key}." if given.key else ""
    return [
        *blocks,
        Heading("Cautions"),
        Text(" ".join(CAUTIONS), small=True),
        Heading("Seal"),
        Text(
            f"Digest of the car: {digest}, over every panel's result. `surfscan verify` on this paper's folder tells"
            f" what differs.{signed} {what_it_shows(signed=bool(given.key))}",
            small=True,
        ),
    ]


def _fields(car: Car, given: Particulars) -> Fields:
    rows = [
        ("Shop", given.shop),
        ("Vehicle", given.vehicle),
        ("Date", given.date),
        ("Job number", car.job_number or given.job_number or _LINE),
        ("Shot by", given.shot_by or _LINE),
        ("Checked by", given.checked_by or _LINE),
    ]
    return Fields(tuple(row for row in rows if row[1]))


def _list_of_panels(car: Car, units: Units) -> Table:
    rows = []
    for number, panel in enumerate(car.panels, 1):
        if panel.result is None:
            rows.append((str(number), panel.title, "-", _NOT_CHECKED, panel.why or "not checked yet"))
            continue
        word = f"{_MARKS[panel.verdict]} {VERDICT_WORDS[panel.verdict]}"
        rows.append(
            (str(number), panel.title, stage_word(panel.stage), word, headline_line(panel.result, units))
        )
    note = (
        ""
        if all(panel.place for panel in car.panels)
        else "A panel without a known place is not on the drawing."
    )
    columns = ("No.", "Panel", "Stage", "Verdict", "In short")
    return Table(columns, tuple(rows), (0.05, 0.22, 0.12, 0.17, 0.44), right=(0,), note=note)


def _left(car: Car, units: Units) -> list[Block]:
    lines = left_lines(car, units)
    if not lines:
        return [Text("Nothing is left to do at these stages: every panel is fair.")]
    return [Heading("Left to do, in order"), *(Text(f"{k}. {line}") for k, line in enumerate(lines, 1))]


def _page(number: int, panel: CarPanel, shown: Pictures, units: Units) -> list[Block]:
    """A panel's own page: what its own paper has on page one."""
    result = panel.result
    assert result is not None  # for the type checker
    size = " × ".join(units.length(v) for v in result.panel["size_mm"])
    rows = (
        ("Stage", stage_word(panel.stage)),
        ("Measured", f"{100 * result.coverage:.0f} % of {size}"),
        ("Photos taken", when_taken(result)),
        ("Checked", str(result.run.get("started", "-"))),
    )
    shown = (
        shown if shown.overlay is not None or not result.spots else replace(shown, overlay=shown.panel_map)
    )
    if shown.overlay is not None and result.spots:  # a table of spots, and all of it on one page
        shown = replace(shown, overlay=replace(shown.overlay, most_mm=70.0))
    return [
        NewPage(),
        Heading(f"{number}. {panel.title[:1].upper()}{panel.title[1:]}", 1),
        Verdict(VERDICT_WORDS[result.verdict], headline_line(result, units)),
        *map(Text, first_lines(result, units)),
        Fields(rows),
        *panel_blocks(result, shown, units),
    ]


def read_car(folder: Path, *, bound: bool = True) -> Car:
    """Read a car back from what `write_car` wrote.

    Parameters
    ----------
    folder : Path
    bound : bool
        As in `load_result`.

    Raises
    ------
    RefusedError
        When there is none, or it is damaged.
    """
    try:
        data: dict[str, Any] = json.loads((folder / "car.json").read_bytes(), object_pairs_hook=once)
        panels = []
        for row in data["panels"]:
            slug = "" if row["folder"] is None else str(row["folder"]).removeprefix(f"{_PANELS}/")
            if set(slug) - set("abcdefghijklmnopqrstuvwxyz0123456789-"):
                raise ValueError(slug)
            result = load_result(folder / _PANELS / slug, bound=bound) if slug else None
            panels.append(CarPanel(str(row["place"]), str(row["name"]), slug, result, str(row["why"])))
        return make_car(panels, name=str(data["car"]["name"]), job_number=str(data["car"]["job_number"]))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise RefusedError(
            f"{folder} holds no car's paper",
            found="no car.json" if isinstance(error, OSError) else "car.json is damaged",
            allowed="a folder written by surfscan car",
            cure="make it again with surfscan car",
        ) from None


def verify_car(
    folder: Path, *, printed: str = "", key: Ed25519PublicKey | None = None, authority: Path | None = None
) -> Verification:
    """Hold a car's paper against its seal and every panel's result; as `verify_report`."""
    with suppress(OSError):  # told when the car is read
        finish(folder)
    document = read_seal(folder, "car")
    car = read_car(folder, bound=False)
    plain = (folder / "car.json").read_bytes()

    def again(given: Particulars, paper: str, created: datetime) -> dict[str, bytes]:
        return _make(car, folder, plain, given, paper, created)

    seal = _seal(car, folder, plain)
    return verify_sealed(
        folder, document, seal, stem="car", again=again, printed=printed, key=key, authority=authority
    )
