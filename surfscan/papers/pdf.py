"""The report as PDF: A4 or Letter, text that can be selected, the same bytes for the same content."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from importlib import resources
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import Color, black, white
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.pdfdoc import XMP
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    Image,
    KeepTogether,
    LongTable,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    TableStyle,
)

from surfscan.papers.blocks import (
    Block,
    Drawing,
    Fields,
    Heading,
    NewPage,
    Picture,
    SignLine,
    Table,
    Text,
    Verdict,
)
from surfscan.papers.labels import place_labels

__all__ = ["PAPER_SIZES", "make_pdf"]

PAPER_SIZES = {"a4": A4, "letter": LETTER}

_PLAIN, _BOLD = "surfscan-plain", "surfscan-bold"
_GREY, _RULE, _STRIP = Color(0.35, 0.35, 0.35), Color(0.7, 0.7, 0.7), Color(0.15, 0.16, 0.18)
_MARGIN = 16 * mm
_CELLS = ("FONTNAME", (0, 0), (-1, -1), _PLAIN)  # a table's own font would be one that is not in the file
_EPOCH = datetime(2000, 1, 1, tzinfo=UTC)


def make_pdf(
    blocks: Sequence[Block], *, title: str, digest: str, paper: str = "a4", created: datetime = _EPOCH
) -> bytes:
    """Lay the blocks out.

    Parameters
    ----------
    blocks : sequence of Block
    title : str
        In the document's properties and at the foot of each page.
    digest : str
        At the foot of each page and in the properties, where `verify` finds it; "" for a paper of no result.
    paper : {"a4", "letter"}
    created : datetime
        With its time zone: the creation date in the document's properties.

    Returns
    -------
    bytes
        The same for the same blocks and moment, whenever they are laid out.
    """
    _register()
    out = io.BytesIO()
    size = PAPER_SIZES[paper]
    width = size[0] - 2 * _MARGIN
    document = BaseDocTemplate(
        out,
        pagesize=size,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=14 * mm,
        bottomMargin=16 * mm,
        title=title,
        author="surfscan",
        subject="Panel check" if digest else "Lesson",
        keywords=f"surfscan-digest:{digest}" if digest else "",
        invariant=1,
        lang="en",
    )
    frame = Frame(_MARGIN, 16 * mm, width, size[1] - 30 * mm, 0, 0, 0, 0)

    def foot(canvas: Any, _: Any) -> None:
        canvas.setFont(_PLAIN, 6.5)
        canvas.setFillColor(_GREY)
        canvas.drawString(_MARGIN, 9 * mm, f"{title}   ·   result {digest[:16]}" if digest else title)
        # how many there are is known only when all are laid out: the total is drawn then, once for all
        here = f"page {canvas.getPageNumber()} of "
        canvas.drawString(
            size[0] - _MARGIN - _total_width() - canvas.stringWidth(here, _PLAIN, 6.5), 9 * mm, here
        )
        canvas.saveState()
        canvas.translate(size[0] - _MARGIN - _total_width(), 9 * mm)
        canvas.doForm(_TOTAL)
        canvas.restoreState()

    document.addPageTemplates([PageTemplate(frames=[frame], onPage=foot)])
    document.build(_flow(blocks, width), canvasmaker=_counting(title, created))
    return out.getvalue()


_TOTAL = "surfscan-page-total"


def _total_width() -> float:
    return float(pdfmetrics.stringWidth("00", _PLAIN, 6.5))


def _counting(title: str, created: datetime) -> Any:
    """A canvas that knows how many pages there were, and when the paper was made."""

    class Counting(Canvas):
        def save(self) -> None:
            self.beginForm(_TOTAL)
            self.setFont(_PLAIN, 6.5)
            self.setFillColor(_GREY)
            self.drawString(0, 0, str(self.getPageNumber() - 1))
            self.endForm()
            super().save()

    def make(*args: Any, **options: Any) -> Any:
        # its own first font would be one that is not in the file
        canvas = Counting(*args, **{**options, "initialFontName": _PLAIN})
        canvas._doc.Catalog.Metadata = XMP(creator=lambda _: _metadata(title, created))
        # the true moment in place of the fixed one that keeps bytes the same: the caller has it, and can give it again
        stamp = canvas._doc._timeStamp
        stamp.t, stamp.lt = created.timestamp(), created.utctimetuple()
        stamp.YMDhms = tuple(stamp.lt)[:6]
        return canvas

    return make


def _metadata(title: str, created: datetime) -> bytes:
    """Title, maker and date as XMP (ISO 16684-1), for archives. It does not say PDF/A: no checker has seen it."""
    return f"""<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmp="http://ns.adobe.com/xap/1.0/">
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{escape(title)}</rdf:li></rdf:Alt></dc:title>
<dc:creator><rdf:Seq><rdf:li>surfscan</rdf:li></rdf:Seq></dc:creator>
<xmp:CreatorTool>surfscan</xmp:CreatorTool><xmp:CreateDate>{created.isoformat()}</xmp:CreateDate>
</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="r"?>""".encode()


def _register() -> None:
    if _PLAIN in pdfmetrics.getRegisteredFontNames():
        return
    folder = resources.files("surfscan") / "data" / "fonts"
    for name, file in ((_PLAIN, "DejaVuSans.ttf"), (_BOLD, "DejaVuSans-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, io.BytesIO((folder / file).read_bytes())))
    pdfmetrics.registerFontFamily(_PLAIN, normal=_PLAIN, bold=_BOLD, italic=_PLAIN, boldItalic=_BOLD)


def _style(size: float, **more: Any) -> ParagraphStyle:
    return ParagraphStyle(
        f"s{size}",
        **{"fontName": _PLAIN, "fontSize": size, "leading": 1.32 * size, "textColor": black, **more},
    )


def _flow(blocks: Sequence[Block], width: float) -> list[Any]:
    flow: list[Any] = []
    for block in blocks:
        flow += _flowables(block, width)
    return flow


def _flowables(block: Block, width: float) -> list[Any]:
    if isinstance(block, Heading):
        if block.level == 1:
            return [Paragraph(_safe(block.text), _style(15, fontName=_BOLD, spaceAfter=5))]
        return [
            Paragraph(
                _safe(block.text), _style(9.5, fontName=_BOLD, spaceBefore=6, spaceAfter=2, keepWithNext=1)
            )
        ]
    if isinstance(block, Text):
        return [Paragraph(_safe(block.text), _style(7 if block.small else 8.5, spaceAfter=2))]
    if isinstance(block, Verdict):
        return [_strip(block, width), Spacer(1, 3 * mm)]
    if isinstance(block, Fields):
        return [_fields(block, width), Spacer(1, 2 * mm)]
    if isinstance(block, Table):
        return _table(block, width)
    if isinstance(block, Picture):
        return _picture(block, width)
    if isinstance(block, Drawing):
        return [
            _Sketch(block, width, block.most_mm * mm),
            Paragraph(_safe(block.caption), _style(7, textColor=_GREY, spaceAfter=2)),
        ]
    if isinstance(block, SignLine):
        return [_signing(block, width)]
    assert isinstance(block, NewPage)  # the last of the kinds
    return [PageBreak()]


def _strip(block: Verdict, width: float) -> Any:
    """White on dark, word and sentence: readable in black and white."""
    word = Paragraph(_safe(block.word), _style(12, fontName=_BOLD, textColor=white))
    sentence = Paragraph(_safe(block.sentence), _style(9.5, textColor=white))
    first = min(0.3, (pdfmetrics.stringWidth(block.word, _BOLD, 12) + 22) / width)
    table = LongTable([[word, sentence]], colWidths=[first * width, (1 - first) * width])
    table.setStyle(
        TableStyle(
            [
                _CELLS,
                ("BACKGROUND", (0, 0), (-1, -1), _STRIP),
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                ("LEFTPADDING", (0, 0), (-1, -1), 8),
                ("TOPPADDING", (0, 0), (-1, -1), 6),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 7),
            ]
        )
    )
    return table


def _fields(block: Fields, width: float) -> Any:
    """Label and value, two pairs a row."""
    label, value = _style(7, textColor=_GREY), _style(8.5)
    cells = [(Paragraph(_safe(a), label), Paragraph(_safe(b), value)) for a, b in block.rows]
    if len(cells) % 2:
        cells.append((Paragraph("", label), Paragraph("", value)))
    rows = [[*cells[k], *cells[k + 1]] for k in range(0, len(cells), 2)]
    table = LongTable(rows, colWidths=[0.11 * width, 0.39 * width, 0.11 * width, 0.39 * width])
    table.setStyle(
        TableStyle(
            [
                _CELLS,
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 1),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
            ]
        )
    )
    return table


def _table(block: Table, width: float) -> list[Any]:
    head, plain = _style(6.8, fontName=_BOLD), _style(7)
    right, head_right = _style(7, alignment=TA_RIGHT), _style(6.8, fontName=_BOLD, alignment=TA_RIGHT)
    rows = [
        [Paragraph(_safe(t), head_right if k in block.right else head) for k, t in enumerate(block.columns)]
    ]
    for row in block.rows:
        rows.append([Paragraph(_safe(t), right if k in block.right else plain) for k, t in enumerate(row)])
    table = LongTable(rows, colWidths=[share * width for share in block.shares], repeatRows=1)
    table.setStyle(
        TableStyle(
            [
                _CELLS,
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
                ("LINEBELOW", (0, 1), (-1, -1), 0.3, _RULE),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 3),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
            ]
        )
    )
    made: list[Any] = [table]
    if block.note:
        made.append(Paragraph(_safe(block.note), _style(6.5, textColor=_GREY, spaceBefore=1, spaceAfter=3)))
    return made


def _picture(block: Picture, width: float) -> list[Any]:
    shown = min(block.share * width, block.most_mm * mm * block.width_px / block.height_px)
    picture = Image(io.BytesIO(block.data), shown, shown * block.height_px / block.width_px)
    picture.hAlign = "CENTER"
    caption = Paragraph(_safe(block.caption), _style(6.5, textColor=_GREY, spaceBefore=1, spaceAfter=4))
    return [KeepTogether([picture, caption])]


def _signing(block: SignLine, width: float) -> Any:
    shares = [0.46, 0.08, 0.46]
    row = [
        Paragraph(_safe(block.labels[0]), _style(7, textColor=_GREY)),
        "",
        Paragraph(_safe(block.labels[1]), _style(7, textColor=_GREY)),
    ]
    table = LongTable([["", "", ""], row], colWidths=[s * width for s in shares], rowHeights=[9 * mm, None])
    table.setStyle(
        TableStyle(
            [
                _CELLS,
                ("LINEABOVE", (0, 1), (0, 1), 0.6, black),
                ("LINEABOVE", (2, 1), (2, 1), 0.6, black),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 1), (-1, 1), 1),
            ]
        )
    )
    return table


class _Sketch(Flowable):
    """Line drawings side by side, all to one scale."""

    def __init__(self, drawing: Drawing, width: float, most: float) -> None:
        super().__init__()
        self._views = drawing.views
        self._cell = width / max(len(drawing.views), 1)
        self._boxes = [_box(shapes) for _, shapes in drawing.views]
        wide = max(x1 - x0 for x0, _, x1, _ in self._boxes)
        tall = max(y1 - y0 for _, y0, _, y1 in self._boxes)
        self._scale = min((self._cell - 14) / max(wide, 1.0), (most - 16) / max(tall, 1.0))
        self.width, self.height = width, tall * self._scale + 20

    def wrap(self, *_: Any) -> tuple[float, float]:
        """Size taken."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw on the canvas that platypus has set."""
        canvas = self.canv
        for k, ((title, shapes), (x0, y0, x1, _)) in enumerate(zip(self._views, self._boxes, strict=True)):
            left = k * self._cell + (self._cell - (x1 - x0) * self._scale) / 2
            canvas.setFillColor(_GREY)
            canvas.setFont(_PLAIN, 6.5)
            canvas.drawString(k * self._cell, self.height - 7, title)
            placed = [
                replace(
                    s,
                    points=tuple(
                        (left + (x - x0) * self._scale, 4 + (y - y0) * self._scale) for x, y in s.points
                    ),
                )
                for s in shapes
            ]
            for shape in placed:
                canvas.setDash(2, 2) if shape.dashed else canvas.setDash()
                canvas.setLineWidth(1.6 if shape.heavy else 0.5)
                ends = shape.points[1:] + (shape.points[:1] if shape.closed else ())
                for a, b in zip(shape.points, ends, strict=False):
                    canvas.line(*a, *b)
            canvas.setFillColor(black)
            labels = [shape.label for shape in placed if shape.label]
            wide = [canvas.stringWidth(label, _PLAIN, 6.5) for label in labels]
            for at, label in zip(
                place_labels(placed, wide=wide, tall=5.0, top=self.height - 9), labels, strict=True
            ):
                canvas.drawString(*at, label)


def _box(shapes: Sequence[Any]) -> tuple[float, float, float, float]:
    x, y = ([p[k] for shape in shapes for p in shape.points] for k in (0, 1))
    return min(x), min(y), max(x), max(y)


def _safe(text: str) -> str:
    """Markup of the layout library escaped, back-quotes off."""
    return escape(text.replace("`", ""))
