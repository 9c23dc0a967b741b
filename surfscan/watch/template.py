"""Set-ups that arrived photos are put under: job sheets, stations, kits; several, where their tags tell them apart."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from surfscan.core.errors import UsageError
from surfscan.fleet.bundles import Packed
from surfscan.fleet.identity import SHEET, sheet_names
from surfscan.job.sheet import load_sheet
from surfscan.job.sheet_text import read_toml
from surfscan.job.sheet_writing import write_sheet

__all__ = ["PlaceTemplate", "SheetTemplate", "Template", "choose", "load_templates", "see_apart"]


class Template(Protocol):
    """What a watch asks of a set-up.

    Attributes
    ----------
    name : str
        What users know it by.
    dictionary : str
        Of its tags; "" where it has none.
    tags : frozenset of int
        Ids; any where it names none.
    photos : int
        That a job has.
    ways : list of str or None
        Which way the stripes vary in each photo, where the order of photos counts.
    packed : Packed or None
        The station or kits, where a job is its photos alone.
    """

    @property
    def name(self) -> str: ...
    @property
    def dictionary(self) -> str: ...
    @property
    def tags(self) -> frozenset[int]: ...
    @property
    def photos(self) -> int: ...
    @property
    def ways(self) -> list[str] | None: ...
    @property
    def packed(self) -> Packed | None: ...

    def write_job(self, folder: Path, photos: Sequence[Path], *, panel: str) -> None:
        """Write a job folder of photos in their order."""


@dataclass(frozen=True, slots=True)
class PlaceTemplate:
    """A station or a kit for a watched folder: its jobs are photos, which are put in order when they are checked."""

    name: str
    dictionary: str
    tags: frozenset[int]
    photos: int
    packed: Packed
    ways: None = field(default=None, init=False)

    def write_job(self, folder: Path, photos: Sequence[Path], *, panel: str) -> None:
        """Copy the photos into a folder."""
        folder.mkdir(parents=True, exist_ok=True)
        for k, path in enumerate(photos, 1):
            shutil.copyfile(path, folder / f"photo-{k}{path.suffix.lower()}")


@dataclass(frozen=True, slots=True)
class SheetTemplate:
    """A job sheet for a watched folder; `tables` as TOML has them."""

    path: Path
    tables: dict[str, Any]
    dictionary: str
    tags: frozenset[int]
    photos: int
    packed: None = field(default=None, init=False)

    @property
    def name(self) -> str:
        return str(self.path)

    @property
    def ways(self) -> list[str] | None:
        return [row.get("varies") for row in self.tables["photo"]] if self.photos == 2 else None

    def write_job(self, folder: Path, photos: Sequence[Path], *, panel: str) -> None:
        """Write a job folder: the sheet with the panel's name, photos in the order of its rows, what else it has."""
        rows = [
            {**row, "file": f"photo-{k}{path.suffix.lower()}"}
            for k, (row, path) in enumerate(zip(self.tables["photo"], photos, strict=True), 1)
        ]
        own = {str(row["file"]) for row in self.tables["photo"]}
        folder.mkdir(parents=True, exist_ok=True)
        for name in sheet_names_of(self.path) - own:
            source = self.path.parent / name
            if source.is_file():  # a lens file, a set-up photo, reference photos
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(source, folder / name)
        for row, source in zip(rows, photos, strict=True):
            shutil.copyfile(source, folder / str(row["file"]))
        named = {**self.tables["panel"], **({"name": panel} if panel else {})}
        text = write_sheet({**self.tables, "panel": named, "photo": rows})
        (folder / SHEET).write_text(text, encoding="utf-8")


def sheet_names_of(path: Path) -> set[str]:
    """Texts in a template that may name files beside it."""
    with tempfile.TemporaryDirectory() as folder:
        shutil.copyfile(path, Path(folder) / SHEET)
        return sheet_names(Path(folder))


def load_templates(paths: Sequence[Path]) -> list[Template]:
    """Read and check job sheets.

    Raises
    ------
    RefusedError
        When a sheet is refused.
    UsageError
        When two could be meant by the same tags.
    """
    found: list[Template] = []
    for path in paths:
        tables = read_toml(path.parent, path.name)
        with tempfile.TemporaryDirectory() as folder:  # checked as the job sheet that it will be
            shutil.copyfile(path, Path(folder) / SHEET)
            for name in sheet_names(Path(folder)):
                if (path.parent / name).is_file():
                    (Path(folder) / name).parent.mkdir(parents=True, exist_ok=True)
                    shutil.copyfile(path.parent / name, Path(folder) / name)
            sheet = load_sheet(folder, need_photos=False)
        tags = sheet.tags
        ids = frozenset(() if tags is None else tags.centres_mm)
        found.append(
            SheetTemplate(path, tables, "" if tags is None else tags.dictionary, ids, len(sheet.photos))
        )
    see_apart(found)
    return found


def see_apart(templates: Sequence[Template]) -> None:
    """Refuse two set-ups that could be meant by the same tags (UsageError)."""
    for k, one in enumerate(templates):
        for other in templates[:k]:
            if other.dictionary == one.dictionary and (
                not one.tags or not other.tags or one.tags & other.tags
            ):
                raise UsageError(
                    "Two set-ups could be meant by the same tags",
                    found=f"{other.name} and {one.name}",
                    allowed="set-ups with tags of different numbers, none in two of them",
                    cure="print other tags for one of them, or watch two folders",
                )


def choose(templates: Sequence[Template], seen: dict[str, list[int]]) -> Template | None:
    """The template whose tags a photo shows, the most of them; None when it shows none of any."""
    if len(templates) == 1 and not templates[0].dictionary:
        return templates[0]

    def count(one: Template) -> int:
        ids = set(seen.get(one.dictionary, ()))
        return len(ids & one.tags) if one.tags else len(ids)

    best = max(templates, key=count)
    return best if count(best) else None
