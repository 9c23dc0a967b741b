"""A kit: tags for the panel and a board with tags of its own, known by their numbers.

The dictionary is one of 1000 tags; each kit has 16 of them: 8 for the panel, 4 for the board's corners, 4 spare. Kits 0
to 5 are the standard ones, so that their photos need no file; others are described by theirs.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError, model_validator

from surfscan.core.errors import RefusedError, UsageError
from surfscan.job.sheet_base import Length, Size, Table, as_tuples
from surfscan.job.sheet_errors import refuse, retell
from surfscan.job.sheet_writing import write_sheet
from surfscan.job.tag_mirror import mirror_alike
from surfscan.job.tags import cells_across
from surfscan.places.home import home

__all__ = [
    "DICTIONARY",
    "STANDARD",
    "Kit",
    "design_kit",
    "kit_files",
    "kit_of",
    "kit_text",
    "kits",
    "load_kit",
    "measure_kit",
    "number_of",
    "read_kit",
    "save_kit",
    "screen_ids",
]

DICTIONARY = "5x5_1000"
BLOCK, PANEL_TAGS, BOARD_TAGS = 16, 8, 4
_MOST = 60
"""The last kit's number."""
RULER_MM = 200.0

U_RULER_MM = 0.3
"""Standard uncertainty of the check ruler as read off with a steel rule, mm (our choice)."""

U_UNMEASURED = 0.005
"""Of the print's scale as long as nobody has measured the ruler, as a share: office printers stretch by so much (common
practice, no source)."""


class Kit(Table):
    """A kit as it was printed; lengths in mm are those of the drawing, `scale` is the print's.

    Examples
    --------
    >>> from surfscan.places.kit import STANDARD
    >>> kit = STANDARD[0].model_copy(update={"measured_mm": 199.0})
    >>> kit.panel_ids[:4], round(kit.board_tables()["period_mm"], 2)
    ((0, 1, 2, 3), 29.85)
    """

    number: int = Field(ge=0, le=_MOST, description="0 to 60")
    pattern: Literal["crossed", "stripes"] = Field(default="crossed", description="one of crossed, stripes")
    paper: str = Field(default="a4", max_length=20, description="a4, a3 or roll-WIDTH")
    board_mm: Size = Field(description="[width, height] of the board, mm")
    period_mm: Length = Field(description="one dark and one light stripe, mm")
    tag_side_mm: Length = Field(default=40.0, description="side of the panel's tags, mm")
    board_tag_mm: Length = Field(default=84.0, description="side of the board's tags, mm")
    measured_mm: Length | None = Field(
        default=None, description="what the check ruler of 200 mm measures on the print, mm"
    )

    @model_validator(mode="after")
    def _scale_in_reason(self) -> Kit:
        if self.measured_mm is not None and not 0.9 < self.scale < 1.1:
            raise refuse(
                "is not the check ruler",
                key="measured_mm",
                found=f"{self.measured_mm:g} mm",
                allowed=f"about {RULER_MM:g} mm, 180 to 220",
                cure="measure from the first to the last mark of the ruler at a page's left edge",
            )
        return self

    @property
    def scale(self) -> float:
        """Length on the print over length on the drawing."""
        return 1.0 if self.measured_mm is None else self.measured_mm / RULER_MM

    @property
    def u_scale(self) -> float:
        """Its standard uncertainty."""
        return U_UNMEASURED if self.measured_mm is None else U_RULER_MM / RULER_MM

    @property
    def panel_ids(self) -> tuple[int, ...]:
        """Numbers of the panel's tags."""
        return _block(self.number)[:PANEL_TAGS]

    @property
    def board_ids(self) -> tuple[int, ...]:
        """Numbers of the board's: lower left, lower right, upper right, upper left."""
        return _block(self.number)[PANEL_TAGS : PANEL_TAGS + BOARD_TAGS]

    def tags_tables(self) -> dict[str, Any]:
        """`[tags]` of a job sheet: no places, they are surveyed."""
        return {"dictionary": DICTIONARY, "side_mm": self.tag_side_mm * self.scale}

    def board_tables(self) -> dict[str, Any]:
        """`[board]` of a job sheet, without its place."""
        w, h = self.board_mm
        patch = self.board_tag_mm * (1 + 2 / cells_across(DICTIONARY))
        corners = ((-1, -1), (1, -1), (1, 1), (-1, 1))
        centres = {
            str(tag): [i * (w - patch) / 2 * self.scale, j * (h - patch) / 2 * self.scale]
            for tag, (i, j) in zip(self.board_ids, corners, strict=True)
        }
        return {
            "pattern": self.pattern,
            "period_mm": self.period_mm * self.scale,
            "size_mm": [w * self.scale, h * self.scale],
            "tags": {
                "dictionary": DICTIONARY,
                "side_mm": self.board_tag_mm * self.scale,
                "centres_mm": centres,
            },
        }

    def uncertainty_tables(self) -> dict[str, Any]:
        """`[uncertainty]` of a job sheet: the print's scale, and pages pasted together."""
        return {
            "period_rel": self.u_scale,
            "tag_side_mm": self.u_scale * self.tag_side_mm,
            "tag_centre_mm": 0.3 if self.paper.startswith("roll") else 0.5,
        }


PATTERNS: tuple[Literal["crossed", "stripes"], ...] = ("crossed", "stripes")

STANDARD: tuple[Kit, ...] = tuple(
    Kit(number=2 * k + j, pattern=pattern, paper=paper, board_mm=size, period_mm=30.0)
    for k, (paper, size) in enumerate(
        (("a4", (1080.0, 960.0)), ("a3", (1320.0, 1080.0)), ("roll-914", (1320.0, 885.0)))
    )
    for j, pattern in enumerate(PATTERNS)
)
"""The kits that need no file."""


@cache
def _usable() -> tuple[int, ...]:
    """Tags of the dictionary whose reflection does not read as themselves."""
    return tuple(sorted(set(range(1000)) - mirror_alike(DICTIONARY)))


def _block(number: int) -> tuple[int, ...]:
    return _usable()[BLOCK * number : BLOCK * (number + 1)]


def screen_ids() -> tuple[int, ...]:
    """Numbers of the tags that a screen shows at its corners: those after the last kit's."""
    return _block(_MOST + 1)[:BOARD_TAGS]


def number_of(ids: Iterable[int]) -> int | None:
    """The number of the kit that most of these tags belong to; None without any."""
    usable = {tag: k // BLOCK for k, tag in enumerate(_usable())}
    votes = [usable[tag] for tag in ids if tag in usable and usable[tag] <= _MOST]
    return max(sorted(set(votes)), key=votes.count) if votes else None


def _folder() -> Path:
    return home() / "kits"


def kit_files() -> list[Path]:
    """The files of kits on this computer; the standard ones have none until they are measured."""
    return sorted(_folder().glob("*.toml"))


def kits() -> list[Kit]:
    """All kits that this computer knows: the standard ones, as measured, and those with a file."""
    known = {kit.number: kit for kit in STANDARD}
    for path in kit_files():
        kit = read_kit(path)
        known[kit.number] = kit
    return [known[number] for number in sorted(known)]


def load_kit(number: int) -> Kit:
    """A kit by its number.

    Raises
    ------
    RefusedError
        When this computer does not know it.
    """
    path = _folder() / f"{number}.toml"
    if path.is_file():
        return read_kit(path)
    if number < len(STANDARD):
        return STANDARD[number]
    raise RefusedError(
        f"This computer does not know kit {number}",
        found=f"kit {number}",
        allowed="a kit that was printed here, or whose file was added",
        cure=f"add its file: surfscan kit add kit-{number}.toml",
    )


def kit_of(ids: Iterable[int]) -> Kit:
    """The kit that these tags belong to.

    Raises
    ------
    RefusedError
        None, or one that is not known.
    """
    number = number_of(ids)
    if number is None:
        raise RefusedError(
            "The photos show no tags of a kit",
            found=f"no tag of {DICTIONARY}",
            allowed="the kit's tags on the panel, sharp, flat and in the light",
            cure="lay the kit's tags on the panel (surfscan print kit), or check a job folder with its sheet",
        )
    return load_kit(number)


def measure_kit(number: int, measured_mm: float) -> Kit:
    """Type what a kit's check ruler of 200 mm measures on the print; kept on this computer.

    Raises
    ------
    RefusedError
        A kit that is not known, or a length that is not the ruler's.
    """
    kit = load_kit(number)
    try:
        kit = Kit.model_validate({**kit.model_dump(), "measured_mm": measured_mm})
    except ValidationError as error:
        said = retell(error, Kit)
        raise RefusedError(said.what, found=said.found, allowed=said.allowed, cure=said.cure) from None
    save_kit(kit)
    return kit


def read_kit(path: Path) -> Kit:
    """Read and check a kit's file.

    Raises
    ------
    RefusedError
    """
    told = {
        "allowed": "a file as surfscan print kit writes it",
        "cure": "take the file that was printed with the kit",
    }
    try:
        data = path.read_bytes()
        if len(data) > 20_000:
            raise ValueError(f"{len(data)} bytes")
        return Kit.model_validate(as_tuples(tomllib.loads(data.decode("utf-8-sig"))))
    except OSError:
        raise RefusedError(f"There is no kit file {path}", found="no such file", **told) from None
    except ValidationError as error:
        said = retell(error, Kit)
        raise RefusedError(
            f"{path.name}: {said.what}", found=said.found, allowed=said.allowed, cure=said.cure
        ) from None
    except (RecursionError, ValueError) as error:
        raise RefusedError(f"{path.name} is no kit's file", found=str(error)[:80], **told) from None


def kit_text(kit: Kit) -> str:
    """The kit's file."""
    tables = write_sheet({"kit": kit.model_dump()}).split("\n", 1)[1]
    (a, b), (c, d) = ((ids[0], ids[-1]) for ids in (kit.panel_ids, kit.board_ids))
    return f"# A surfscan kit: tags {a} to {b} on the panel, {c} to {d} on the board.\n{tables}"


def save_kit(kit: Kit, folder: Path | None = None) -> Path:
    """Keep a kit on this computer (or write its file into a folder).

    Here a ruler that was measured on an earlier print of the same kit stays until another length is typed.
    """
    from surfscan.report.output import write_file

    if folder is None and kit.measured_mm is None:
        kit = _as_measured(kit)
    path = (_folder() / f"{kit.number}.toml") if folder is None else folder / f"kit-{kit.number}.toml"
    write_file(path, kit_text(kit).encode(), make_folder=True)
    return path


def _as_measured(kit: Kit) -> Kit:
    """With the ruler of an earlier print of the very same kit, where one was measured here."""
    path = _folder() / f"{kit.number}.toml"
    try:
        known = read_kit(path) if path.is_file() else kit
    except RefusedError:  # damaged: it is written anew
        return kit
    return known if known.model_copy(update={"measured_mm": None}) == kit else kit


def design_kit(
    paper: str,
    pattern: str = "crossed",
    *,
    board_mm: tuple[float, float] | None = None,
    period_mm: float = 30.0,
) -> Kit:
    """A kit for a paper: a standard one, or one with a number of its own when its board is another.

    Raises
    ------
    UsageError
        An unknown pattern, or no number left.
    """
    if pattern not in PATTERNS:
        raise UsageError(
            "A kit's board is crossed or stripes",
            found=pattern,
            allowed="crossed, stripes",
            cure="choose one",
        )
    name = paper.strip().lower()
    usual = next((kit for kit in STANDARD if kit.paper == name and kit.pattern == pattern), None)
    if usual is not None and period_mm == usual.period_mm and board_mm in (None, usual.board_mm):
        return usual
    if board_mm is None:
        if usual is None:
            raise UsageError(
                f"There is no standard board for {paper}",
                found="no --size",
                allowed=f"{', '.join(sorted({kit.paper for kit in STANDARD}))}, or a size of your own",
                cure="give the board's size with --size W H",
            )
        board_mm = usual.board_mm
    wanted = {"pattern": pattern, "paper": name, "board_mm": board_mm, "period_mm": period_mm}
    for kit in kits():  # the same again keeps its number
        if all(getattr(kit, key) == value for key, value in wanted.items()):
            return kit.model_copy(update={"measured_mm": None})
    try:
        return Kit.model_validate({"number": _free_number(), **wanted})
    except ValidationError as error:
        said = retell(error, Kit)
        raise UsageError(
            f"The kit can't be printed: {said.what}", found=said.found, allowed=said.allowed, cure=said.cure
        ) from None


def _free_number() -> int:
    taken = {kit.number for kit in kits()}
    free = next((n for n in range(len(STANDARD), _MOST + 1) if n not in taken), None)
    if free is None:
        raise UsageError(
            "All numbers for kits are taken",
            found="61 kits",
            allowed="61",
            cure=f"delete files that are no longer used in {_folder()}",
        )
    return free
