"""How the page looks and how it speaks: style, verdict strip, marks, errors as sentences."""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

import surfscan
from surfscan.report.units import format_area, format_depth, format_filler, format_length
from surfscan.report.words import ResultText
from surfscan.ui import session

if TYPE_CHECKING:
    from surfscan.papers.blocks import Shape

__all__ = [
    "WORDS",
    "area",
    "depth",
    "drawing",
    "dress",
    "fault",
    "filler",
    "in_words",
    "legend",
    "length",
    "mark",
    "refusal",
    "verdict_strip",
    "words",
]

WORDS = {
    "ready": ("Fair", "✓"),
    "rework": ("Rework", "!"),
    "close": ("Too close to call", "?"),
    "not_measured": ("Not measured", "–"),
}
_STYLE = (Path(__file__).parent / "page.css").read_text(encoding="utf-8")


def dress() -> None:
    """Put the page's style in place."""
    st.html(f"<style>{_STYLE}</style>")


def words(result: surfscan.CheckResult) -> ResultText:
    """A result's sentences in the units of the session."""
    return ResultText(result, session.units())


def depth(mm: float) -> str:
    """A height or depth in the units of the session."""
    return format_depth(mm, session.units())


def filler(mm: float) -> str:
    """A filler depth."""
    return format_filler(mm, session.units())


def length(mm: float) -> str:
    """A size or a place."""
    return format_length(mm, session.units())


def area(cm2: float) -> str:
    """An area."""
    return format_area(cm2, session.units())


def place(x_mm: float, y_mm: float) -> str:
    """Where something lies on the panel."""
    right, up = "right" if x_mm >= 0 else "left", "up" if y_mm >= 0 else "down"
    return f"{length(abs(x_mm))} {right}, {length(abs(y_mm))} {up} from the middle"


def verdict_strip(verdict: str, sentence: str, *, name: str = "") -> None:
    """The verdict, large, with the sentence that decided it."""
    word, sign = WORDS.get(verdict, (verdict, "–"))
    sentence = sentence.removeprefix(f"{word}: ")  # the heading says it already
    sentence = sentence[:1].upper() + sentence[1:]
    title = f'<span class="panel-name">{html.escape(name)}</span>' if name else ""
    st.html(
        f'<section class="verdict verdict-{verdict}" role="status" aria-label="Verdict">'
        f'<span class="sign" aria-hidden="true">{sign}</span><div><h2>{word}</h2>{title}'
        f"<p>{html.escape(sentence)}</p></div></section>"
    )


def mark(spot: surfscan.Spot) -> str:
    """A spot's mark: a triangle pointing down for a low, up for a high, and its number, ringed as on the picture."""
    sign = "▼" if spot.kind == "low" else "▲"
    return (
        f'<span class="mark mark-{spot.kind}" role="img" aria-label="{spot.kind} {spot.id}">'
        f'<span class="triangle">{sign}</span><span class="number">{spot.id}</span></span>'
    )


def legend(
    kind: str, low_text: str = "", high_text: str = "", *, folds: bool = False, small: bool = False
) -> None:
    """What the colours of a picture mean, in words beside the colours."""
    if kind == "deviation":
        rows = [
            ("low", f"low, over {low_text}: darker is deeper"),
            ("high", f"high, over {high_text}: darker is taller"),
            ("fair", "fair"),
        ]
    elif kind == "size":
        rows = [("size", f"light is 0, dark is {high_text}")]
    else:
        rows = [("stripes", "straight, even stripes: fair; bent or pinched: not")]
    rows += [("hatch", "not measured"), ("none", "not judged")]
    rows += [("fold", "folds over: too hollow to read from here")] if folds else []
    rows += [("small", "small fault; dashed: not named")] if small else []
    items = "".join(
        f'<li><span class="swatch swatch-{c}"></span>{html.escape(text)}</li>' for c, text in rows
    )
    st.html(f'<ul class="legend">{items}</ul>')


def drawing(shapes: Sequence[Shape], words: str, *, width_px: int, least_px: int = 0) -> None:
    """A line drawing of the papers, on white as there; `words` say what it shows. A phone scrolls under `least_px`."""
    from surfscan.papers.html import draw_svg  # late: a first picture of the page does not wait for it

    code = base64.b64encode(draw_svg("", shapes, words=words, width_px=width_px).encode()).decode()
    alt = html.escape(words, quote=True)
    style = f' style="min-width: {least_px}px"' if least_px else ""
    picture = (
        f'<img class="drawn" width="{width_px}" alt="{alt}"{style} src="data:image/svg+xml;base64,{code}">'
    )
    st.html(f'<div class="tablewrap">{picture}</div>')


@lru_cache(maxsize=1)
def _titles() -> dict[str, str]:
    from surfscan.guide.sheet_keys import sheet_keys  # late: most pages show no refusal

    titles = {key.name: key.meaning for key in sheet_keys() if key.meaning}
    short = {name.rpartition(".")[2]: told for name, told in titles.items() if "_" in name.rpartition(".")[2]}
    return {**short, **titles, **_PLAIN}


_PLAIN = {
    "camera.focal_35mm": "the lens's length as for 35 mm film, under Where",
    "focal_35mm": "the lens's length as for 35 mm film",
    "camera.focal_px": "the lens's length in pixels",
    "focal_px": "the lens's length in pixels",
    "camera.lens_file": "a lens file",
    "lens_file": "a lens file",
    "tags.centres_mm": "the tags' places",
    "tags.side_mm": "the tags' side",
    "tags.dictionary": "the kind of tag",
    "board.centre_mm": "the board's place",
    "board.across": "the board's direction across",
    "board.up": "the board's direction up",
    "board.period_mm": "the stripes' width",
    "panel.size_mm": "the size to judge",
    "panel.region_mm": "the part to judge",
    "the sheet": "the job",
}


def in_words(text: str) -> str:
    """A sentence with the names of sheet keys put into the form's own words: nobody here types keys."""
    return re.sub(
        r"\b[a-z]+(?:_[a-z0-9]+)*(?:\.[a-z][a-z0-9_]*)?\b", lambda m: _titles().get(m[0], m[0]), text
    )


def refusal(error: surfscan.SurfscanError, *, of_sheet: bool = False) -> None:
    """A refusal: what, found, allowed, and the cure on its own line; keys by name only to who brought a sheet."""
    word = str if of_sheet else in_words
    parts = [error.what.rstrip(".")]
    if error.found:
        parts.append(f"found {error.found.rstrip('.')}")
    if error.allowed:
        parts.append(f"allowed: {error.allowed.rstrip('.')}")
    text = word("; ".join(parts) + ".")
    if error.cure:
        cure = word(error.cure.rstrip("."))
        text += f"\n\n**What to do:** {escape(cure[0].upper() + cure[1:])}."
    st.error(escape_head(text))


def fault(kind: str) -> None:
    """A fault of ours, in a sentence."""
    st.error(
        f"That is a fault of ours, not of your photos ({escape(kind)}).\n\n**What to do:** try once more; if it stays, "
        "save the job folder under Papers and report it with that folder."
    )


def escape(text: Any) -> str:
    """Text safe inside Markdown: names and found values come from outside."""
    special = "\\`*_{}[]<>#|~$:"
    return "".join(f"\\{c}" if c in special else c for c in str(text))


def escape_head(text: str) -> str:
    """Escape the first part of a refusal; the cure was escaped when it was put on."""
    head, _, cure = text.partition("\n\n**What to do:** ")
    return escape(head) + (f"\n\n**What to do:** {cure}" if cure else "")
