"""The report's HTML twin: one file, pictures inside it, nothing fetched, the same words as the PDF."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape

from surfscan.papers.blocks import (
    Block,
    Drawing,
    Fields,
    Heading,
    NewPage,
    Picture,
    Shape,
    SignLine,
    Table,
    Text,
    Verdict,
)
from surfscan.papers.labels import place_labels

__all__ = ["make_html"]

_LOOKS = """
:root { color-scheme: light dark; --ink: #1b1c1f; --paper: #fbfbf9; --soft: #55585e; --rule: #c9cac6; }
@media (prefers-color-scheme: dark) { :root { --ink: #ececea; --paper: #1b1c1f; --soft: #b4b7bd; --rule: #4a4d53; } }
body { font: 16px/1.45 system-ui, sans-serif; color: var(--ink); background: var(--paper); margin: 0 auto;
  max-width: 60rem; padding: 1rem; font-variant-numeric: tabular-nums; overflow-wrap: anywhere; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.1rem; margin: 1.6rem 0 .4rem; }
.verdict { background: #26282c; color: #fff; padding: .8rem 1rem; border-radius: .3rem; }
.verdict b { margin-right: 1rem; } .small { font-size: .85rem; } .soft { color: var(--soft); }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .2rem 1rem; }
dt { color: var(--soft); } dd { margin: 0; }
.wide { overflow-x: auto; } table { border-collapse: collapse; width: 100%; font-size: .9rem; }
th, td { text-align: left; vertical-align: top; padding: .3rem .5rem; border-bottom: 1px solid var(--rule); }
.right { text-align: right; } figure { margin: 1rem 0; } img, svg { max-width: 100%; height: auto; }
td, th { overflow-wrap: break-word; } .right { white-space: nowrap; }
@media screen and (max-width: 640px) { thead { display: none; } tr { display: block; padding: .5rem 0; }
  td { display: flex; gap: .8rem; border: 0; padding: .1rem 0; overflow-wrap: anywhere; }
  td.right { text-align: left; }
  td::before { content: attr(data-label); color: var(--soft); flex: 0 0 7rem; }
  tr { border-bottom: 1px solid var(--rule); } }
.sign { display: flex; gap: 3rem; margin-top: 3rem; } .sign span { flex: 1; border-top: 1px solid var(--ink); }
@media print { h2 { break-after: avoid; } .page { break-before: page; } body { font-size: 10pt; } }
"""


def make_html(blocks: Sequence[Block], *, title: str, digest: str) -> str:
    """Lay the blocks out as one HTML document.

    Parameters
    ----------
    blocks : sequence of Block
    title : str
    digest : str
        In a meta element, where `verify` finds it.

    Returns
    -------
    str
    """
    body = "\n".join(_element(block) for block in blocks)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta name="surfscan-digest" content="{escape(digest)}">\n'
        f"<title>{escape(title)}</title>\n<style>{_LOOKS}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _element(block: Block) -> str:
    if isinstance(block, Heading):
        return f"<h{block.level}>{escape(block.text)}</h{block.level}>"
    if isinstance(block, Text):
        return f'<p class="{"small" if block.small else ""}">{escape(block.text.replace("`", ""))}</p>'
    if isinstance(block, Verdict):
        return f'<p class="verdict"><b>{escape(block.word)}</b> {escape(block.sentence)}</p>'
    if isinstance(block, Fields):
        return "<dl>" + "".join(f"<dt>{escape(a)}</dt><dd>{escape(b)}</dd>" for a, b in block.rows) + "</dl>"
    if isinstance(block, Table):
        return _table(block)
    if isinstance(block, Picture):
        kind = "png" if block.data.startswith(b"\x89PNG") else "jpeg"
        code = base64.b64encode(block.data).decode()
        return (
            f'<figure><img alt="{escape(block.words, quote=True)}" src="data:image/{kind};base64,{code}">'
            f'<figcaption class="small soft">{escape(block.caption)}</figcaption></figure>'
        )
    if isinstance(block, Drawing):
        views = "".join(_svg(title, shapes) for title, shapes in block.views)
        return f'<figure>{views}<figcaption class="small soft">{escape(block.caption)}</figcaption></figure>'
    if isinstance(block, SignLine):
        return (
            '<p class="sign">'
            + "".join(f'<span class="small soft">{escape(t)}</span>' for t in block.labels)
            + "</p>"
        )
    assert isinstance(block, NewPage)  # the last of the kinds
    return '<div class="page"></div>'


def _table(block: Table) -> str:
    def cell(column: int, text: str) -> str:
        label = escape(block.columns[column], quote=True)
        return f'<td data-label="{label}"{_side(column, block)}><span>{escape(text)}</span></td>'

    head = "".join(
        f'<th scope="col"{_side(k, block)}>{escape(text)}</th>' for k, text in enumerate(block.columns)
    )
    rows = "".join(f"<tr>{''.join(cell(k, text) for k, text in enumerate(row))}</tr>" for row in block.rows)
    note = f'<p class="small soft">{escape(block.note)}</p>' if block.note else ""
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>{note}'


def _side(column: int, block: Table) -> str:
    return ' class="right"' if column in block.right else ""


def _svg(title: str, shapes: Sequence[Shape]) -> str:
    x, y = ([p[k] for shape in shapes for p in shape.points] for k in (0, 1))
    wide, tall = max(x) - min(x), max(y) - min(y)
    edge, top = 0.06 * max(wide, tall), max(y)
    parts = []
    for shape in shapes:
        if len(shape.points) > 1:
            tag = "polygon" if shape.closed else "polyline"
            text = " ".join(f"{px - min(x):.1f},{top - py:.1f}" for px, py in shape.points)
            thick = (0.008 if shape.heavy else 0.003) * max(wide, tall)
            dash = f' stroke-dasharray="{edge / 4:.1f}"' if shape.dashed else ""
            parts.append(
                f'<{tag} points="{text}" fill="none" stroke="currentColor" stroke-width="{thick:.2f}"{dash}/>'
            )
    size = edge * 0.6
    labels = [shape.label for shape in shapes if shape.label]
    places = place_labels(
        shapes, wide=[0.55 * size * len(label) for label in labels], tall=0.75 * size, top=top + edge
    )
    parts += [
        f'<text x="{px - min(x):.1f}" y="{top - py:.1f}" font-size="{size:.1f}" fill="currentColor">'
        f"{escape(label)}</text>"
        for (px, py), label in zip(places, labels, strict=True)
    ]
    box = f"{-4 * edge:.1f} {-edge:.1f} {wide + 8 * edge:.1f} {tall + 2 * edge:.1f}"
    return (
        f'<p class="small soft">{escape(title)}</p><svg role="img" aria-label="{escape(title, quote=True)}"'
        f' viewBox="{box}" width="560">{"".join(parts)}</svg>'
    )
