"""The job sheet: `panel.toml` read, checked and frozen, with every refusal in words.

Attribute names are the keys of the sheet (``sheet.panel.size_mm``), except that the list ``[[photo]]`` is
``sheet.photos``. Lengths are mm, angles degrees, pixels column first.
"""

from __future__ import annotations

import math
from pathlib import Path, PurePosixPath
from typing import Annotated

from pydantic import ConfigDict, Field, ValidationError, model_validator

from surfscan.core.errors import RefusedError
from surfscan.job.lens_file import read_lens
from surfscan.job.proof_file import read_proof
from surfscan.job.sheet_base import Table, as_tuples
from surfscan.job.sheet_board import BoardSheet, TagsSheet
from surfscan.job.sheet_errors import refuse, retell
from surfscan.job.sheet_lamp import BallSheet, LampSheet
from surfscan.job.sheet_measure import MeasureSheet
from surfscan.job.sheet_tables import (
    CameraSheet,
    LimitsSheet,
    PanelSheet,
    PhotoSheet,
    ReferenceSheet,
)
from surfscan.job.sheet_text import read_toml
from surfscan.job.sheet_uncertainty import UncertaintySheet
from surfscan.job.video_file import is_video

__all__ = ["Sheet", "load_sheet"]


class Sheet(Table):
    """A whole job sheet, checked. `folder` is where it lies; photo names are relative to it."""

    model_config = ConfigDict(populate_by_name=True)

    folder: Path = Path()
    panel: PanelSheet = Field(description="a table [panel]")
    tags: TagsSheet | None = Field(default=None, description="a table [tags]")
    camera: CameraSheet = Field(default_factory=CameraSheet, description="a table [camera]")
    board: BoardSheet | None = Field(default=None, description="a table [board]")
    photos: Annotated[tuple[PhotoSheet, ...], Field(min_length=1, max_length=200)] = Field(
        alias="photo", description="one [[photo]] for each photo, 1 to 200"
    )
    reference: ReferenceSheet | None = Field(default=None, description="a table [reference]")
    lamp: LampSheet | None = Field(default=None, description="a table [lamp]")
    balls: tuple[BallSheet, ...] = Field(
        default=(), alias="ball", description="one [[ball]] for each shiny ball"
    )
    limits: LimitsSheet = Field(default_factory=LimitsSheet, description="a table [limits]")
    measure: MeasureSheet = Field(default_factory=MeasureSheet, description="a table [measure]")
    uncertainty: UncertaintySheet = Field(
        default_factory=UncertaintySheet, description="a table [uncertainty]"
    )

    @property
    def by_lamp(self) -> bool:
        """Whether the panel is read by a lamp's shading, not by reflected light."""
        return bool(self.balls) or self.lamp is not None or any(p.lamp_mm is not None for p in self.photos)

    @model_validator(mode="after")
    def _hangs_together(self) -> Sheet:
        self._check_files()
        self._check_light()
        self._check_videos()
        self._check_places()
        self._check_board_tags()
        self._check_reference()
        return self

    def _check_files(self) -> None:
        seen: dict[str, int] = {}
        for k, photo in enumerate(self.photos, 1):
            name = str(PurePosixPath(photo.file))
            if name in seen:
                raise refuse(
                    "names the same file twice",
                    key=f"photo[{k}].file",
                    found=f"{name} as photo {seen[name]} and photo {k}",
                    allowed="each file once",
                )
            seen[name] = k

    def _check_light(self) -> None:
        if self.by_lamp:
            self._check_lamps([photo.lamp_mm is not None for photo in self.photos])
            return
        pattern = "stripes" if self.board is None else self.board.pattern
        for k, photo in enumerate(self.photos, 1):
            key = f"photo[{k}]"
            wanted = {"stripes": ["varies"], "stepped": ["varies", "phase_deg"], "dots": [], "crossed": []}[
                pattern
            ]
            for name in wanted:
                if self.board is not None and getattr(photo, name) is None:
                    raise refuse(
                        "is missing",
                        key=f"{key}.{name}",
                        allowed=str(PhotoSheet.model_fields[name].description),
                        cure=f'pattern "{pattern}" needs it for {photo.file}',
                    )
            barred = {
                "stripes": ["period_mm", "phase_deg"],
                "stepped": [],
                "dots": ["varies", "period_mm", "phase_deg"],
                "crossed": ["varies", "period_mm", "phase_deg"],
            }
            for name in barred[pattern]:
                if getattr(photo, name) is not None:
                    raise refuse(
                        f'does not belong to pattern "{pattern}"',
                        key=f"{key}.{name}",
                        found=repr(getattr(photo, name)),
                        allowed="leave it out, or change board.pattern",
                    )
        if pattern in ("stripes", "crossed", "dots") and self.board is not None:
            self._check_directions(crossed=pattern != "stripes")

    def _check_videos(self) -> None:
        """A video is many photos from many places, so it needs a still board of stripes, and tags."""
        for k, photo in enumerate(self.photos, 1):
            if not is_video(photo.file):
                continue
            board = self.board
            if (
                self.by_lamp
                or board is None
                or board.pattern not in ("stripes", "crossed")
                or self.tags is None
            ):
                raise refuse(
                    "is a video, which this light or set-up can't be read from",
                    key=f"photo[{k}].file",
                    found="a lamp"
                    if self.by_lamp
                    else "no [tags]"
                    if self.tags is None
                    else "no [board]"
                    if board is None
                    else f'pattern "{board.pattern}"',
                    allowed="a video of crossed stripes or stripes, with [tags] and [board]",
                    cure="take photos instead, or film a board of crossed stripes",
                )
            if photo.reference is not None:
                raise refuse(
                    "does not go with a video",
                    key=f"photo[{k}].reference",
                    allowed="photos of panel and glass",
                )

    def _check_lamps(self, lamps: list[bool]) -> None:
        if self.board is not None:
            raise refuse(
                "mixes a lamp with a board", key="photo.lamp_mm", found="[board] too", allowed="one of them"
            )
        for k, (photo, lamp) in enumerate(zip(self.photos, lamps, strict=True), 1):
            if not lamp and not (len(self.balls) > 1 or (self.balls and self._distance_known)):
                raise refuse(
                    "is missing",
                    key=f"photo[{k}].lamp_mm",
                    allowed="a lamp place for every photo, or two shiny balls, or one and lamp.distance_mm",
                    cure="measure where the lamp was, from the panel's middle",
                )
            if photo.lamp_axis is not None and math.hypot(*photo.lamp_axis) < 1e-6:
                raise refuse("has no length", key=f"photo[{k}].lamp_axis", allowed="a direction [x, y, z]")
            for name in ("varies", "period_mm", "phase_deg"):
                if getattr(photo, name) is not None:
                    raise refuse(
                        "does not belong to a lamp job", key=f"photo[{k}].{name}", allowed="leave it out"
                    )

    @property
    def _distance_known(self) -> bool:
        return self.lamp is not None and self.lamp.distance_mm is not None

    def _check_directions(self, *, crossed: bool) -> None:
        assert self.board is not None  # for the type checker
        for direction, side in (("across", 0), ("up", 1)):
            photos = [k for k, photo in enumerate(self.photos, 1) if crossed or photo.varies == direction]
            if not crossed and len(photos) > 1 and len(photos) == len(self.photos):
                raise refuse(
                    "gives one stripe direction twice",
                    key=f"photo[{photos[1]}].varies",
                    found=f'"{direction}" in photo {photos[0]} and photo {photos[1]}, and no other direction',
                    allowed="at least one photo for each direction",
                )
            size, period = self.board.size_mm, self.board.period_mm
            if photos and size is not None and period is not None and size[side] < 3 * period:
                raise refuse(
                    "holds fewer than three " + ("dots" if self.board.pattern == "dots" else "stripes"),
                    key="board.size_mm",
                    found=f"{size[side]:g} mm at {period:g} mm each",
                    allowed="at least three periods",
                    cure="use narrower stripes",
                )

    def _check_places(self) -> None:
        corners = [photo.corners_px is not None for photo in self.photos]
        if self.tags is not None and any(corners):
            raise refuse(
                "is given beside [tags]",
                key=f"photo[{corners.index(True) + 1}].corners_px",
                allowed="tags or corners, not both",
            )
        if any(corners) and not all(corners):
            raise refuse(
                "is missing",
                key=f"photo[{corners.index(False) + 1}].corners_px",
                allowed="corners for every photo or for none",
            )
        if self.tags is None and self.panel.size_mm is None:
            raise refuse(
                "is missing",
                key="panel.size_mm",
                allowed=str(PanelSheet.model_fields["size_mm"].description),
                cure="without tags nothing else says what is to be judged",
            )
        if self.tags is not None and self.panel.size_mm is not None:
            reach = 2 * math.hypot(*self.panel.size_mm)
            for tag, centre in sorted(self.tags.centres_mm.items()):
                if math.hypot(*centre) > reach:
                    raise refuse(
                        f"puts tag {tag} out of reach of the panel",
                        key="tags.centres_mm",
                        found=f"[{centre[0]:g}, {centre[1]:g}]",
                        allowed=f"within {reach:.0f} mm of the middle",
                        cure="count from the middle of the panel, in mm",
                    )

    def _check_reference(self) -> None:
        """References for all photos or none, each its own file, with both directions and a board."""
        given = [photo.reference for photo in self.photos]
        if not any(given):
            if self.reference is not None:
                raise refuse(
                    "is given without photos of it",
                    key="reference",
                    found="[reference] alone",
                    allowed="photo.reference for every photo",
                    cure="name the photo of the glass beside each photo of the panel, or take [reference] out",
                )
            return
        if self.board is None or self.tags is None:
            raise refuse(
                "needs a board and tags",
                key=f"photo[{next(k for k, g in enumerate(given, 1) if g)}].reference",
                allowed="stripes, stepped stripes or dots, with [tags]",
            )
        if self.board.pattern == "stripes" and len(self.photos) < 2:
            raise refuse(
                "needs both stripe directions",
                key="photo[1].reference",
                found="one photo",
                allowed="two photos",
            )
        if self.tags.surveyed:
            raise refuse(
                "needs tags whose places are known",
                key=f"photo[{next(k for k, g in enumerate(given, 1) if g)}].reference",
                found="no tags.centres_mm",
                allowed="tags.centres_mm beside reference photos",
                cure="measure the tags' middles, or leave the reference photos out",
            )
        if not all(given):
            raise refuse(
                "is missing",
                key=f"photo[{given.index(None) + 1}].reference",
                allowed="a reference for every photo or for none",
            )
        names = [photo.file for photo in self.photos] + [str(name) for name in given]
        twice = next((k for k, name in enumerate(names) if name in names[:k]), None)
        if twice is not None:  # photos of the panel were compared before, so it is a reference
            raise refuse(
                "names a file twice",
                key=f"photo[{twice - len(given) + 1}].reference",
                found=names[twice],
                allowed="a photo of its own for each reference",
            )
        if self.reference is None:
            raise refuse(
                "is missing",
                key="reference.thickness_mm",
                allowed=str(ReferenceSheet.model_fields["thickness_mm"].description),
                cure="add [reference] with thickness_mm",
            )

    def _check_board_tags(self) -> None:
        """The board's tags must be told from the panel's; dictionaries of one size share their first codes."""
        if self.board is None or self.board.tags is None:
            return
        if self.tags is None:
            if self.board.setup_photo is None:
                return
            raise refuse(
                "needs tags on the panel too",
                key="board.setup_photo",
                found="no [tags]",
                allowed="at least three tags on the panel",
                cure="lay tags on the panel: they tell where the camera was",
            )
        both = sorted(set(self.tags.centres_mm) & set(self.board.tags.centres_mm))
        mine, other = self.tags.dictionary, self.board.tags.dictionary
        if both and mine.split("_")[0] == other.split("_")[0]:
            raise refuse(
                "uses numbers of the panel's tags",
                key="board.tags.centres_mm",
                found=f"tag {both[0]} on the board and on the panel"
                + ("" if mine == other else f" ({other} and {mine} share their codes)"),
                allowed="other numbers, or a dictionary with another count of cells",
                cure=f"print the board's tags with numbers from {max(self.tags.centres_mm) + 1} on",
            )


def load_sheet(folder: Path | str, *, need_photos: bool = True) -> Sheet:
    """Read and check a job folder's `panel.toml`.

    Parameters
    ----------
    folder : path
        The job folder (or its `panel.toml`).
    need_photos : bool, optional
        Refuse when a named photo is not there.

    Returns
    -------
    Sheet
        Frozen; unit vectors normalised, polygons without a repeated last corner.

    Raises
    ------
    RefusedError
        With the key, what was found, what is allowed and what to do.

    Examples
    --------
    >>> sheet = surfscan.load_sheet(jobs / "flat")
    >>> sheet.panel.stage, len(sheet.photos)
    ('primer', 2)
    """
    folder = Path(folder)
    if folder.name == "panel.toml" and folder.is_file():
        folder = folder.parent
    raw = read_toml(folder)
    if "folder" in raw:  # an attribute of ours, no key of the sheet
        raw["folder_"] = raw.pop("folder")
    try:
        sheet = Sheet.model_validate({**as_tuples(raw), "folder": folder})
    except ValidationError as error:
        raise retell(error, Sheet) from None
    if need_photos and sheet.camera.lens_file is not None:
        read_lens(folder / sheet.camera.lens_file)
    if need_photos and sheet.board is not None and sheet.board.proof is not None:
        read_proof(folder / sheet.board.proof)
    if need_photos:
        names = [(f"photo[{k}].file", photo.file) for k, photo in enumerate(sheet.photos, 1)]
        for k, photo in enumerate(sheet.photos, 1):
            if photo.reference is not None:
                names.append((f"photo[{k}].reference", photo.reference))
        if sheet.lamp is not None and sheet.lamp.ambient_photo is not None:
            names.append(("lamp.ambient_photo", sheet.lamp.ambient_photo))
        if sheet.board is not None and sheet.board.setup_photo is not None:
            names.append(("board.setup_photo", sheet.board.setup_photo))
        for key, name in names:
            if not (folder / name).is_file():
                raise RefusedError(
                    f"{key} names a photo that is not there",
                    found=f"no file {name} in {folder}",
                    allowed="a photo in the job folder",
                    cure="copy the photo there, or correct its name (capitals count)",
                )
    return sheet
