"""What a paper is made of, in reading order, whatever it is laid out in."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

__all__ = [
    "Block",
    "Drawing",
    "Fields",
    "Heading",
    "NewPage",
    "Picture",
    "Shape",
    "SignLine",
    "Table",
    "Text",
    "Verdict",
]


@dataclass(frozen=True, slots=True)
class Heading:
    """A title of level 1 (the paper's) or 2 (a section's)."""

    text: str
    level: Literal[1, 2] = 2


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph; `small` for what is there to be looked up, not read."""

    text: str
    small: bool = False


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict's word and its sentence, in the strip at the top."""

    word: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Fields:
    """Labels and what stands beside them."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Columns, rows, and each column's share of the width; numbers are set to the right."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    shares: tuple[float, ...]
    right: tuple[int, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Picture:
    """JPEG or PNG bytes with what they show in words; `share` of the text's width."""

    data: bytes
    caption: str
    words: str
    width_px: int
    height_px: int
    share: float = 1.0
    most_mm: float = 110.0


@dataclass(frozen=True, slots=True)
class Shape:
    """A polyline (two points and more), or a label at one point; y up, mm of the scene.

    Attributes
    ----------
    fill : str
        Colour of a closed one, #rrggbb; "" for none.
    size : float
        Height of a label's letters, in the scene's unit: it is then centred on its point. 0: small, beside it.
    ink : str
        Colour of a label, #rrggbb; "" for the paper's own.
    """

    points: tuple[tuple[float, float], ...]
    label: str = ""
    heavy: bool = False
    dashed: bool = False
    closed: bool = False
    fill: str = ""
    size: float = 0.0
    ink: str = ""


@dataclass(frozen=True, slots=True)
class Drawing:
    """Line drawings to scale, side by side, each with its title; no taller than `most_mm` on paper."""

    views: tuple[tuple[str, tuple[Shape, ...]], ...]
    caption: str = ""
    most_mm: float = 46.0


@dataclass(frozen=True, slots=True)
class SignLine:
    """Lines to sign on: label under each."""

    labels: tuple[str, ...] = ("Signature", "Date")


@dataclass(frozen=True, slots=True)
class NewPage:
    """The next block starts a page."""

    why: str = field(default="")


Block = Heading | Text | Verdict | Fields | Table | Picture | Drawing | SignLine | NewPage
