"""Photos in any order made into a job: which is the set-up photo, which way the stripes run, what the sheet says.

Nothing is asked: the tags' numbers tell the kit, the board's own tags the set-up photo, the stripes their direction.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from surfscan.checking.setup import find_mirrored, mirrored_tags, posed_sheet, stand_board, stand_by_mirror
from surfscan.checking.stations import stand
from surfscan.checking.survey import Laid, lay_out
from surfscan.core.errors import NotMeasuredError, RefusedError, UsageError
from surfscan.core.records import Photo
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.job.sheet_writing import write_sheet
from surfscan.job.tags import find_tags
from surfscan.job.uploads import MOST_PHOTOS, name_in_job
from surfscan.look.first_look import look_at
from surfscan.optics.board_mirror import LEAST_SHOTS
from surfscan.places.kit import DICTIONARY, Kit, kit_of
from surfscan.reading.propagation import Inputs

__all__ = ["Arranged", "Panel", "arrange", "kit_tables", "write_job"]

LEAST_BOARD_TAGS = 2
"""Tags of the board that are seen directly in a set-up photo."""


@dataclass(frozen=True, slots=True)
class Panel:
    """What is typed of a panel: a name, its stage, what it is made of; and a lens where the photos' EXIF has none."""

    name: str = ""
    stage: str = "primer"
    substrate: str = "unknown"
    focal_35mm: float | None = None

    def tables(self) -> dict[str, Any]:
        """`[panel]` of a sheet."""
        substrate = {} if self.substrate == "unknown" else {"substrate": self.substrate}
        return {"name": self.name, "stage": self.stage, **substrate}


@dataclass(frozen=True, slots=True)
class Arranged:
    """A job that photos make.

    Attributes
    ----------
    tables : dict
        Of its sheet, as TOML has them.
    files : dict of str to path
        Names in the job folder, and where each file lies now.
    setup : str
        Name of the set-up photo; empty where none is among them.
    """

    tables: dict[str, Any]
    files: dict[str, Path]
    setup: str = ""


@dataclass(frozen=True, slots=True)
class _Look:
    """A photo with the tags in it."""

    name: str
    photo: Photo
    seen: dict[str, dict[int, float]]  # dictionary: tag: area, px^2
    board: dict[int, float] = field(default_factory=dict)
    panel: dict[int, float] = field(default_factory=dict)


def kit_tables(kit: Kit) -> dict[str, Any]:
    """The tables of a sheet that a kit knows: tags, board, how well."""
    return {"tags": kit.tags_tables(), "board": kit.board_tables(), "uncertainty": kit.uncertainty_tables()}


def arrange(
    photos: Sequence[Path],
    panel: Panel,
    *,
    tables: Mapping[str, Any] | None = None,
    files: Mapping[str, Path] | None = None,
) -> Arranged:
    """Make photos into a job.

    Parameters
    ----------
    photos : sequence of path
        In any order; one may be the set-up photo.
    panel : Panel
    tables : mapping, optional
        What is known of the place, as the tables of a sheet: ``tags`` and ``board`` at least. Without them the photos
        must show a kit.
    files : mapping of str to path, optional
        Files that these tables name, such as a lens file.

    Returns
    -------
    Arranged

    Raises
    ------
    RefusedError
        No kit, no set-up photo where one is needed, photos of one direction only, or a photo that can't be read.
    UsageError
        No photo, or too many.
    """
    if not 1 <= len(photos) <= MOST_PHOTOS:
        raise UsageError(
            "The number of photos can't be used",
            found=str(len(photos)),
            allowed=f"1 to {MOST_PHOTOS}",
            cure="name the photos of one panel",
        )
    names = _names(photos)
    known = None if tables is None else dict(tables)
    families = {DICTIONARY} if known is None else {known["tags"]["dictionary"]}
    if known is not None and "tags" in known["board"]:
        families.add(known["board"]["tags"]["dictionary"])
    # Where the tags' places are known a panel's photo is looked at as any job's; set-up photos have small tags.
    quick = known is not None and "centre_mm" in known["board"]
    with ThreadPoolExecutor(2) as pool:
        looks = list(pool.map(lambda name: _look(name, names[name], sorted(families), quick=quick), names))
    if known is None:
        kit = kit_of(tag for look in looks for tag in look.seen[DICTIONARY])
        known = kit_tables(kit)
    _see_lens(looks, known, panel)
    looks = [_sort_tags(look, known) for look in looks]
    setup, shots = _roles(looks, known["board"])
    out = _tables(known, panel, setup, shots)
    moved = {**names, **(files or {})}
    if known["board"].get("pattern", "stripes") == "stripes":
        out["photo"] = _directed(out, moved, setup, shots)
    return Arranged(out, moved, "" if setup is None else setup.name)


def write_job(job: Arranged, folder: Path) -> Path:
    """Write the sheet and copy the photos.

    Raises
    ------
    UsageError
        When the folder holds another job.
    RefusedError
        When it can't be written.
    """
    from surfscan.report.output import unwritable, write_file

    sheet = folder / "panel.toml"
    if sheet.exists():
        raise UsageError(
            f"{folder} holds a job already",
            found="panel.toml",
            allowed="a folder without one",
            cure="choose another folder for the result, or delete that job",
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, source in job.files.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, folder / name)
    except OSError as error:
        raise unwritable(folder, error) from None
    write_file(sheet, write_sheet(job.tables).encode())
    return folder


def _names(photos: Sequence[Path]) -> dict[str, Path]:
    """A name in the job folder for each photo: its own, or a number when two have the same or it can't be used."""
    out: dict[str, Path] = {}
    for k, path in enumerate(photos, 1):
        try:
            name = name_in_job(path.name)
        except RefusedError:
            name = f"photo-{k}{path.suffix.lower()}"
        if name.lower() in {n.lower() for n in out}:
            name = f"photo-{k}-{name}"
        out[name] = path
    return out


def _look(name: str, path: Path, families: list[str], *, quick: bool) -> _Look:
    if not path.is_file():
        raise RefusedError(
            f"There is no photo {path}",
            found="a folder" if path.is_dir() else "no such file",
            allowed="photos of one panel",
            cure="check its name",
        )
    photo = read_photo(path, name)
    seen: dict[str, dict[int, float]] = {}
    for family in families:
        found = find_tags(photo, dictionary=family, thorough=not quick)
        if len(found) < 3 and quick:
            found = find_tags(photo, dictionary=family, thorough=True)
        seen[family] = {t.id: float(abs(cv2.contourArea(t.corners_px.astype(np.float32)))) for t in found}
    return _Look(name, photo, seen)


def _see_lens(looks: list[_Look], known: Mapping[str, Any], panel: Panel) -> None:
    """Refuse photos without a focal length, where nothing else tells it."""
    lacks = [look.name for look in looks if look.photo.focal_px is None]
    if lacks and panel.focal_35mm is None and not known.get("camera"):
        raise RefusedError(
            f"{lacks[0]}: the focal length is not known",
            found="a photo without its EXIF, as messengers and edits leave it",
            allowed="photos as the phone made them, or the lens's focal length as for 35 mm film",
            cure="send the original photos, or give --focal-35mm, which phone makers publish (often 24 to 28)",
        )


def _sort_tags(look: _Look, known: Mapping[str, Any]) -> _Look:
    """Which of the tags are the board's, which the panel's."""
    table = known["board"].get("tags")
    board: dict[int, float] = {}
    if table is not None:
        ids = {int(tag) for tag in table["centres_mm"]}
        board = {tag: area for tag, area in look.seen[table["dictionary"]].items() if tag in ids}
    places = {int(tag) for tag in known["tags"].get("centres_mm", {})}
    same = table is not None and table["dictionary"] == known["tags"]["dictionary"]
    panel = {
        tag: area
        for tag, area in look.seen[known["tags"]["dictionary"]].items()
        if (tag in places if places else not (same and tag in board))
    }
    return _Look(look.name, look.photo, look.seen, board, panel)


def _roles(looks: list[_Look], board: Mapping[str, Any]) -> tuple[_Look | None, list[_Look]]:
    """The set-up photo, and the photos of the panel."""
    posed = "centre_mm" in board
    wanted = 2 if board.get("pattern", "stripes") == "stripes" else 1
    if posed and len(looks) <= wanted:  # all are needed, and a panel's photo may show the board's tags too
        return None, looks
    fit = [look for look in looks if len(look.board) >= LEAST_BOARD_TAGS and len(look.panel) >= 3]
    setup = max(fit, key=lambda look: (len(look.board), sum(look.board.values())), default=None)
    if setup is None and not posed and sum(_mirrors(look, board) for look in looks) < LEAST_SHOTS:
        most = max(looks, key=lambda look: len(look.board))
        raise RefusedError(
            "There is no set-up photo among the photos",
            found=f"at most {len(most.board)} of the board's tags in one photo ({most.name}),"
            f" with {len(most.panel)} on the panel",
            allowed="one photo with at least 3 tags on the panel and 2 of the board, seen from their fronts;"
            " or the board's tags mirrored by the panel in two photos or more",
            cure="step back and to the side until the panel's and the board's tags are in one photo; move nothing",
        )
    shots = [look for look in looks if look is not setup] or looks
    return setup, shots


def _mirrors(look: _Look, board: Mapping[str, Any]) -> bool:
    """Whether the panel mirrors a tag of the board in a photo."""
    table = board.get("tags")
    if table is None:
        return False
    return bool(mirrored_tags(look.photo, table["dictionary"], {int(tag) for tag in table["centres_mm"]}))


def _tables(
    known: Mapping[str, Any], panel: Panel, setup: _Look | None, shots: list[_Look]
) -> dict[str, Any]:
    board = dict(known["board"])
    if "centre_mm" not in board and setup is not None:
        board["setup_photo"] = setup.name
    out: dict[str, Any] = {"panel": {**known.get("panel", {}), **panel.tables()}, "tags": known["tags"]}
    camera = known.get("camera", {})
    if panel.focal_35mm is not None:
        camera = {"focal_35mm": panel.focal_35mm}
    if camera:
        out["camera"] = camera
    out["board"] = board
    striped = board.get("pattern", "stripes") == "stripes"
    out["photo"] = [
        {"file": look.name, **({"varies": ("across", "up")[min(k, 1)]} if striped else {})}
        for k, look in enumerate(shots)
    ]
    for name in ("limits", "measure", "uncertainty"):
        if known.get(name):
            out[name] = known[name]
    return out


def _directed(
    tables: dict[str, Any], files: Mapping[str, Path], setup: _Look | None, shots: list[_Look]
) -> list[dict[str, Any]]:
    """The photos' rows with the way that the stripes run in each, as seen."""
    sheet = _sheet_of(tables, files)
    photos = [look.photo for look in shots]
    laid = lay_out(sheet, [*photos, *([setup.photo] if setup is not None and setup not in shots else [])])
    posed = laid.sheet
    if not (posed.board is not None and posed.board.posed):
        posed = _posed(laid, setup, shots)
    rows = []
    for k, look in enumerate(shots):
        way = _way(posed, look.photo, k)
        if way is None:
            stand(posed, look.photo, posed.photos[k])  # tags that do not fit say so themselves
            raise RefusedError(
                f"{look.name}: which way its stripes run can't be seen",
                found="no stripes of the board's period on the panel",
                allowed="the board's stripes, seen in the panel all over",
                cure="wet or wipe the panel, shade it from other lights, and let the reflection cover it",
            )
        rows.append({"file": look.name, "varies": way})
    if len({row["varies"] for row in rows}) == 1:
        raise RefusedError(
            "All photos show the stripes running one way",
            found=f"varying {rows[0]['varies']} in {' and '.join(str(row['file']) for row in rows[:3])}",
            allowed="at least one photo for each direction",
            cure="turn the board by 90 degrees in its own place and take the other photo",
        )
    return sorted(rows, key=lambda row: str(row["varies"]))


def _posed(laid: Laid, setup: _Look | None, shots: list[_Look]) -> Sheet:
    """The sheet with the board where the set-up photo, or its mirrored tags, put it."""
    sheet = laid.sheet
    if setup is not None:
        fit, _ = stand_board(sheet, setup.photo, inputs=Inputs(), laid=laid)
    else:
        stations = [
            stand(sheet, look.photo, row, tags=laid.tags.get(look.name), camera=laid.cameras.get(look.name))
            for look, row in zip(shots, sheet.photos, strict=True)
        ]
        fit = stand_by_mirror(laid, find_mirrored(sheet, stations), Inputs())
    return posed_sheet(sheet, fit)


def _sheet_of(tables: dict[str, Any], files: Mapping[str, Path]) -> Sheet:
    """The sheet as it will be read; the files lie elsewhere still."""
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        (Path(name) / "panel.toml").write_text(write_sheet(tables), encoding="utf-8")
        lens = tables.get("camera", {}).get("lens_file")
        sheet = load_sheet(name, need_photos=False)
        return sheet if lens is None else sheet.model_copy(update={"folder": files[lens].parent})


def _way(sheet: Sheet, photo: Photo, k: int) -> str | None:
    for way in ("across", "up"):
        rows = tuple(
            row.model_copy(update={"varies": way}) if j == k else row for j, row in enumerate(sheet.photos)
        )
        try:
            found = look_at(photo, sheet=sheet.model_copy(update={"photos": rows}), row=k)
        except (RefusedError, NotMeasuredError):
            return None
        if found.runs_so:
            return way
    return None
