"""The guide's folder: drawings, pictures, and the text that goes with them as a page and as Markdown."""

from __future__ import annotations

import html
import io
from importlib import resources
from pathlib import Path

import numpy as np
from PIL import Image

from surfscan.guide.drawings import DRAWINGS, draw
from surfscan.guide.faults import FAULTS, photograph_fault
from surfscan.guide.sheet_keys import keys_html, keys_markdown
from surfscan.report.output import prepare_output, write_files

__all__ = ["CHAPTERS", "WETTING", "guide_files", "write_guide"]

_LEVELS = 8  # grey levels of a picture are multiples of this: a third of the size, nothing to be seen of it

WETTING: tuple[str, ...] = (
    "Common practice, no source. A dull surface mirrors when a film lies on it, for half a minute to two minutes.",
    "First wipe the dust off with a clean, damp, lint-free cloth: grit under it scratches, and dust breaks the film.",
    "Then wet the panel evenly with clean water from a spray bottle or a soft cloth. A drop of washing-up liquid in the"
    " water keeps the film whole; or use a panel cleaner as its label says, with the air moving.",
    "Wet primer and paint only. Body filler and glazing putty soak water up, and bare steel rusts: look at those with a"
    " lamp, or when they are primed.",
    "Shoot when the film has run level and before it opens. Wet it again for the next photo.",
    "Water and lamps, screens, leads and sanders do not go together: keep them apart, and mind the wet floor. Solvent"
    " near a hot lamp or a spark is a fire. Gloves, eyes and breathing as the safety sheet says.",
    "Let it dry through before the next coat; wipe off soap with clean water first.",
)


CHAPTERS = {
    "more-ways.md": "More ways to shoot: set-up photo, reference, lens, other lights, several views",
    "television.md": "A television as the board, in step with the phone: one code, one bar, photo by photo",
    "many-panels.md": "Many panels: a shop's or a fleet's jobs in one go, one table of all, a cluster",
    "panel-story.md": "The panel's story: passes compared, a record, the other side, papers and files",
    "the-shop.md": "The shop: a car, photos as they arrive, what the shop learns, a service for other programs",
    "who-gets-in.md": "Who gets in, and what a file can do: what is guarded, how, and what is not promised",
}
"""Chapters written by hand, by file name (`data/guide/`)."""


def guide_files() -> dict[str, bytes]:
    """Everything the guide is made of, by file name.

    Returns
    -------
    dict of str to bytes
        ``guide.md``, ``guide.html``, the keys of the job sheet, chapters, the drawings as SVG and the pictures as PNG.
    """
    files = {"guide.md": _markdown().encode(), "guide.html": _page().encode()}
    files["sheet-keys.md"] = keys_markdown().encode()
    for name in CHAPTERS:
        files[name] = (resources.files("surfscan") / "data" / "guide" / name).read_bytes()
    for name, *_ in DRAWINGS:
        files[f"{name}.svg"] = draw(name).encode()
    for fault in FAULTS:
        grey = photograph_fault(fault).astype(int)
        even = np.clip((grey + _LEVELS // 2) // _LEVELS * _LEVELS, 0, 255).astype(np.uint8)
        code = io.BytesIO()
        Image.fromarray(even).save(code, "PNG", optimize=True)
        files[f"{fault.name}.png"] = code.getvalue()
    return files


def write_guide(out: Path) -> list[Path]:
    """Write the guide.

    Parameters
    ----------
    out : Path
        Folder; made when it is not there.

    Returns
    -------
    list of Path
        The page first.

    Raises
    ------
    RefusedError
        When the folder can't be written; nothing is changed then.
    """
    prepare_output(out)
    files = guide_files()
    write_files(out, files)
    return [out / name for name in sorted(files, key=lambda name: (name != "guide.html", name))]


def _markdown() -> str:
    lines = [
        "# The shot in six drawings",
        "",
        "Made by `surfscan guide --out DIR`, from the program's own optics.",
        "",
    ]
    for name, title, told, _ in DRAWINGS:
        lines += [f"## {name[0]}. {title}", "", told, "", f"![{title}]({name}.svg)", ""]
    lines += ["# What goes wrong, and how it looks", ""]
    lines += ["One primed panel with a low at the upper left and a high at the lower right, simulated.", ""]
    for fault in FAULTS:
        cure = f" **{fault.cure}**" if fault.cure else ""
        lines += [
            f"## {fault.title}",
            "",
            f"![{fault.title}]({fault.name}.png)",
            "",
            f"{fault.looks}{cure}",
            "",
        ]
    lines += ["# Wetting a surface, safely", "", *(f"- {line}" for line in WETTING), ""]
    lines += ["# More", "", "- [The keys of the job sheet](sheet-keys.md)"]
    lines += [f"- [{title}]({name})" for name, title in CHAPTERS.items()] + [""]
    return "\n".join(lines)


def _page() -> str:
    parts = ["<h1>The shot in six drawings</h1><div class='all'>"]
    for name, title, told, _ in DRAWINGS:
        parts.append(_figure(f"{name}.svg", f"{name[0]}. {title}", told, ""))
    parts.append("</div><h1>What goes wrong, and how it looks</h1>")
    parts.append(
        "<p>One primed panel with a low at the upper left and a high at the lower right, simulated.</p>"
    )
    parts.append("<div class='all'>")
    parts += [_figure(f"{f.name}.png", f.title, f.looks, f.cure) for f in FAULTS]
    parts.append("</div><h1>Wetting a surface, safely</h1><ul>")
    parts += [f"<li>{html.escape(line)}</li>" for line in WETTING]
    parts.append(
        f"</ul><h1>The keys of the job sheet</h1><div class='wide'>{keys_html()}</div><h1>More</h1><ul>"
    )
    parts += [f'<li><a href="{name}">{html.escape(title)}</a></li>' for name, title in CHAPTERS.items()]
    body = "\n".join(parts) + "</ul>"
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>surfscan: the shot</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><style>
:root {{ color-scheme: light }}
body {{ font: 17px/1.5 sans-serif; background: #f7f7f4; color: #181818; max-width: 76em; margin: 0 auto; padding: 1em }}
.all {{ display: grid; grid-template-columns: repeat(auto-fill, minmax(min(20em, 100%), 1fr)); gap: 1.2em }}
.wide {{ overflow-x: auto }} td, th {{ text-align: left; vertical-align: top; padding: .2em .6em .2em 0 }}
figure {{ margin: 0 }} img {{ width: 100%; height: auto; border: 1px solid #d0d0cb }}
</style></head><body>
{body}
</body></html>
"""


def _figure(file: str, title: str, told: str, cure: str) -> str:
    more = f" <strong>{html.escape(cure)}</strong>" if cure else ""
    return (
        f'<figure><img src="{file}" alt="{html.escape(title)}"><figcaption><h2>{html.escape(title)}</h2>'
        f"<p>{html.escape(told.replace('`', ''))}{more}</p></figcaption></figure>"
    )
