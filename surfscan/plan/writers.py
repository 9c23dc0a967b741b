"""Pages to PDF, SVG and PNG at true size."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import lru_cache
from importlib import resources
from typing import Any
from xml.sax.saxutils import escape

from surfscan.core.errors import UsageError
from surfscan.plan.ink import Disc, Line, Mark, Page, Polygon, Rect, Words

__all__ = ["MOST_PIXELS", "PDF_MOST_MM", "draw_on_pdf", "page_to_png", "page_to_svg", "pages_to_pdf"]

PDF_MOST_MM = 5080.0
"""A PDF page is at most 14400 units of 1/72 inch (ISO 32000-1, annex C, from memory)."""

MOST_PIXELS = 400_000_000
_POINT = 72 / 25.4
_PLAIN, _BOLD = "surfscan-plain", "surfscan-bold"
_FILES = {False: "DejaVuSans.ttf", True: "DejaVuSans-Bold.ttf"}


def pages_to_pdf(pages: Sequence[Page], *, title: str) -> bytes:
    """Write pages as one vector PDF; the same bytes for the same pages."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.pdfgen.canvas import Canvas

    for name, bold in ((_PLAIN, False), (_BOLD, True)):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, io.BytesIO(_font_bytes(bold))))
    out = io.BytesIO()
    canvas = Canvas(out, pageCompression=1, invariant=1)
    canvas.setTitle(title)
    canvas.setAuthor("surfscan")
    # No "fit to page": the viewer is asked to print at true size (ISO 32000-1, 12.2).
    canvas.setViewerPreference("PrintScaling", "None")
    for page in pages:
        canvas.setPageSize((page.size_mm[0] * _POINT, page.size_mm[1] * _POINT))
        x, y, w, h = page.window
        canvas.saveState()
        path = canvas.beginPath()
        path.rect(x * _POINT, y * _POINT, w * _POINT, h * _POINT)
        canvas.clipPath(path, stroke=0, fill=0)
        for mark in page.art:
            draw_on_pdf(canvas, mark)
        canvas.restoreState()
        for mark in page.marks:
            draw_on_pdf(canvas, mark)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def draw_on_pdf(canvas: Any, mark: Mark) -> None:
    """Draw one mark at its place in mm on a canvas that counts in points."""
    canvas.setFillGray(mark.grey)
    if isinstance(mark, Rect):
        canvas.rect(
            mark.x * _POINT, mark.y * _POINT, mark.width * _POINT, mark.height * _POINT, stroke=0, fill=1
        )
    elif isinstance(mark, Disc):
        canvas.circle(mark.x * _POINT, mark.y * _POINT, mark.radius * _POINT, stroke=0, fill=1)
    elif isinstance(mark, Words):
        canvas.setFont(_BOLD if mark.bold else _PLAIN, mark.size * _POINT)
        draw = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}
        canvas.saveState()
        canvas.translate(mark.x * _POINT, mark.y * _POINT)
        if mark.turned:
            canvas.rotate(90)
        draw[mark.anchor](0, 0, mark.text)
        canvas.restoreState()
    else:
        path = canvas.beginPath()
        for k, (x, y) in enumerate(mark.points):
            (path.lineTo if k else path.moveTo)(x * _POINT, y * _POINT)
        if isinstance(mark, Polygon):
            path.close()
            canvas.drawPath(path, stroke=0, fill=1)
            return
        canvas.setStrokeGray(mark.grey)
        canvas.setLineWidth(mark.width * _POINT)
        dash = mark.dash * _POINT
        canvas.setDash([dash, dash] if dash else [])
        canvas.drawPath(path, stroke=1, fill=0)


def page_to_svg(page: Page) -> str:
    """Write one page as SVG 1.1 whose user unit is the millimetre."""
    w, h = page.size_mm
    x, y, cw, ch = page.window
    rows = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w:.4f}mm" height="{h:.4f}mm" viewBox="0 0 {w:.4f} {h:.4f}">',
        f"<title>{escape(page.name)}</title>",
        f'<clipPath id="window"><rect x="{x:.4f}" y="{h - y - ch:.4f}" width="{cw:.4f}" height="{ch:.4f}"/></clipPath>',
        f'<rect width="{w:.4f}" height="{h:.4f}" fill="#ffffff"/>',
        '<g clip-path="url(#window)">',
        *(_svg(mark, h) for mark in page.art),
        "</g>",
        *(_svg(mark, h) for mark in page.marks),
        "</svg>",
    ]
    return "\n".join(rows) + "\n"


def _svg(mark: Mark, h: float) -> str:
    level = round(255 * mark.grey)
    colour = f"#{level:02x}{level:02x}{level:02x}"
    if isinstance(mark, Rect):
        top = h - mark.y - mark.height
        size = f'width="{mark.width:.4f}" height="{mark.height:.4f}"'
        return f'<rect x="{mark.x:.4f}" y="{top:.4f}" {size} fill="{colour}"/>'
    if isinstance(mark, Disc):
        return f'<circle cx="{mark.x:.4f}" cy="{h - mark.y:.4f}" r="{mark.radius:.4f}" fill="{colour}"/>'
    if isinstance(mark, Words):
        turn = f' transform="rotate(-90 {mark.x:.4f} {h - mark.y:.4f})"' if mark.turned else ""
        weight = ' font-weight="bold"' if mark.bold else ""
        return (
            f'<text x="{mark.x:.4f}" y="{h - mark.y:.4f}" font-family="DejaVu Sans"'
            f' font-size="{mark.size:.3f}"'
            f' text-anchor="{mark.anchor}" fill="{colour}"{weight}{turn}>{escape(mark.text)}</text>'
        )
    points = " ".join(f"{x:.4f},{h - y:.4f}" for x, y in mark.points)
    if isinstance(mark, Polygon):
        return f'<polygon points="{points}" fill="{colour}"/>'
    dash = f' stroke-dasharray="{mark.dash:.3f}"' if mark.dash else ""
    return (
        f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="{mark.width:.3f}"{dash}/>'
    )


def page_to_png(page: Page, *, dpi: float) -> bytes:
    """Write one page as PNG with its resolution in the file; edges lie on the nearest pixel.

    Raises
    ------
    UsageError
        When it would be too large a picture.
    """
    import numpy as np
    from PIL import Image, ImageDraw

    scale = dpi / 25.4
    w, h = (max(1, round(side * scale)) for side in page.size_mm)
    if w * h > MOST_PIXELS:
        most = dpi * (MOST_PIXELS / (w * h)) ** 0.5
        raise UsageError(
            f"A page of {page.size_mm[0]:.0f} x {page.size_mm[1]:.0f} mm is too large for a PNG of {dpi:g} dpi",
            found=f"{w} x {h} pixels",
            allowed=f"{MOST_PIXELS / 1e6:.0f} million pixels",
            cure=f"use --dpi {int(most)}, or SVG or PDF, which have no pixels",
        )
    image = Image.new("L", (w, h), 255)
    art = Image.new("L", (w, h), 255)
    _paint(ImageDraw.Draw(art), page.art, page.size_mm[1], scale)
    x, y, cw, ch = page.window
    left, top, right, low = (
        round(v * scale) for v in (x, page.size_mm[1] - y - ch, x + cw, page.size_mm[1] - y)
    )
    image.paste(art.crop((left, top, right, low)), (left, top))
    draw = ImageDraw.Draw(image)
    for mark in page.marks:
        if isinstance(mark, Words) and mark.turned:
            _turned_words(image, mark, page.size_mm[1], scale)
        else:
            _paint(draw, [mark], page.size_mm[1], scale)
    out = io.BytesIO()
    bare = Image.fromarray(np.asarray(image))
    bare.save(out, "PNG", dpi=(dpi, dpi))
    return out.getvalue()


def _paint(draw: Any, marks: Sequence[Mark], h: float, scale: float) -> None:
    for mark in marks:
        level = round(255 * mark.grey)
        if isinstance(mark, Rect):
            # Pixels whose middle is inside: from round(edge) up to, not with, round(other edge).
            left, right = round(mark.x * scale), round((mark.x + mark.width) * scale)
            top, low = round((h - mark.y - mark.height) * scale), round((h - mark.y) * scale)
            if right > left and low > top:
                draw.rectangle((left, top, right - 1, low - 1), fill=level)
        elif isinstance(mark, Disc):
            cx, cy, r = mark.x * scale - 0.5, (h - mark.y) * scale - 0.5, mark.radius * scale
            draw.ellipse((cx - r, cy - r, cx + r, cy + r), fill=level)
        elif isinstance(mark, Words):
            font = _font(mark.bold, mark.size * scale)
            anchor = {"start": "ls", "middle": "ms", "end": "rs"}[mark.anchor]
            draw.text((mark.x * scale, (h - mark.y) * scale), mark.text, font=font, fill=level, anchor=anchor)
        elif isinstance(mark, Polygon):
            draw.polygon([(x * scale - 0.5, (h - y) * scale - 0.5) for x, y in mark.points], fill=level)
        else:
            _stroke(draw, mark, h, scale, level)


def _stroke(draw: Any, mark: Line, h: float, scale: float, level: int) -> None:
    width = max(1, round(mark.width * scale))
    for (x0, y0), (x1, y1) in zip(mark.points, mark.points[1:], strict=False):
        a, b = (x0 * scale, (h - y0) * scale), (x1 * scale, (h - y1) * scale)
        if not mark.dash:
            draw.line((*a, *b), fill=level, width=width)
            continue
        length = ((b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2) ** 0.5
        count = max(1, int(length / (2 * mark.dash * scale)))
        for k in range(count):
            s, e = k / count, (k + 0.5) / count
            draw.line(
                (
                    a[0] + s * (b[0] - a[0]),
                    a[1] + s * (b[1] - a[1]),
                    a[0] + e * (b[0] - a[0]),
                    a[1] + e * (b[1] - a[1]),
                ),
                fill=level,
                width=width,
            )


def _turned_words(image: Any, mark: Words, h: float, scale: float) -> None:
    from PIL import Image, ImageDraw

    font = _font(mark.bold, mark.size * scale)
    box = font.getbbox(mark.text, anchor="ls")
    wide, rise, drop = int(box[2]) + 4, int(-box[1]) + 2, int(box[3]) + 2
    strip = Image.new("L", (wide, rise + drop), 0)
    ImageDraw.Draw(strip).text((0, rise), mark.text, font=font, fill=255, anchor="ls")
    strip = strip.transpose(Image.Transpose.ROTATE_90)
    shift = {"start": 0, "middle": wide // 2, "end": wide}[mark.anchor]
    x, y = round(mark.x * scale) - rise, round((h - mark.y) * scale) - wide + shift
    image.paste(Image.new("L", strip.size, round(255 * mark.grey)), (x, y), strip)


@lru_cache(maxsize=32)
def _font(bold: bool, size: float) -> Any:
    from PIL import ImageFont

    return ImageFont.truetype(io.BytesIO(_font_bytes(bold)), max(size, 4.0))


@lru_cache(maxsize=2)
def _font_bytes(bold: bool) -> bytes:
    return (resources.files("surfscan") / "data" / "fonts" / _FILES[bold]).read_bytes()
