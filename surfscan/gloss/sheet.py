"""The preview on paper and on a screen: single pictures, one sheet with all of them, and a walk round the panel."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from surfscan.core.units import MM, Units
from surfscan.gloss.preview import GlossPicture, GlossPreview
from surfscan.report.marks import wrap, write
from surfscan.report.output import prepare_output, write_files

__all__ = ["draw_gloss_pair", "draw_sheet", "write_gloss"]

Array = NDArray[Any]

_INK, _PAPER, _GAP = (24, 24, 24), (247, 247, 244), 10
_FRAME_MS = 1200  # slow enough that nothing flashes (under 3 changes a second, WCAG 2.2, 2.3.1)
_NAMES = {"stripes": "stripes", "strip": "strip light", "grid": "grid"}


def draw_gloss_pair(picture: GlossPicture, *, exaggeration: float, sentence: str = "") -> Array:
    """As it is and made fair, side by side, with the worst place ringed.

    Parameters
    ----------
    picture : GlossPicture
    exaggeration : float
        Stated over the picture.
    sentence : str
        Below, when given.

    Returns
    -------
    ndarray (H, W, 3), uint8
    """
    left, right = _ringed(picture.panel, picture.worst_px), picture.fair.copy()
    size = max(round(left.shape[1] / 30), 11)
    head = round(1.9 * size)
    width = left.shape[1] + right.shape[1] + _GAP
    lines = wrap(sentence, size, width - size) if sentence else []
    canvas = np.full((head + left.shape[0] + round(1.4 * size) * len(lines), width, 3), _PAPER, np.uint8)
    canvas[head : head + left.shape[0], : left.shape[1]] = left
    canvas[head : head + left.shape[0], left.shape[1] + _GAP :] = right
    times = "true size" if exaggeration == 1 else f"faults {exaggeration:g} times"
    write(
        canvas,
        [
            ((size / 2, head / 2), f"as it is, {times}", size, _INK, "lm"),
            ((left.shape[1] + _GAP + size / 2, head / 2), "made fair", size, _INK, "lm"),
            *(
                ((size / 2, head + left.shape[0] + (k + 0.6) * 1.4 * size), line, size, _INK, "lm")
                for k, line in enumerate(lines)
            ),
        ],
    )
    return canvas


def _ringed(picture: Array, place: tuple[float, float]) -> Array:
    canvas = picture.copy()
    at = (round(place[0] * 16), round(place[1] * 16))
    radius = round(picture.shape[1] / 15 * 16)  # the bent part stays to be seen inside
    for colour, thick in (((255, 255, 255), 3), ((190, 60, 0), 1)):
        cv2.circle(canvas, at, radius, colour, thick, cv2.LINE_AA, 4)
    return canvas


def draw_sheet(preview: GlossPreview, *, title: str = "", small_px: int = 264, units: Units = MM) -> Array:
    """All pictures on one sheet: a row for each viewpoint, a pair of columns for each light.

    Returns
    -------
    ndarray (H, W, 3), uint8
    """
    kinds = list(dict.fromkeys(p.light.kind for p in preview.pictures))
    rows = [preview.pictures[k : k + len(kinds)] for k in range(0, len(preview.pictures), len(kinds))]
    cell_w = small_px + _GAP
    cells_h = [_GAP + round(small_px * row[0].panel.shape[0] / row[0].panel.shape[1]) for row in rows]
    side, size = 96, 15
    width = side + 2 * len(kinds) * cell_w + _GAP
    times = "true size" if preview.exaggeration == 1 else f"faults drawn {preview.exaggeration:g} times"
    said = wrap(preview.told.say(units), size, width - 2 * _GAP)
    head = 38 + 22 * len(said) + 50
    canvas = np.full((head + sum(cells_h) + _GAP, width, 3), _PAPER, np.uint8)
    texts: list[tuple[tuple[float, float], str, int, Any, str]] = [
        ((_GAP, 20), f"{title or 'The panel'} in gloss, {times}", 20, _INK, "lm")
    ]
    texts += [((_GAP, 46 + 22 * k), line, size, _INK, "lm") for k, line in enumerate(said)]
    for k, kind in enumerate(kinds):
        x = side + 2 * k * cell_w
        texts.append(((x, head - 34), _NAMES[kind], size, _INK, "lm"))
        texts += [
            ((x + j * cell_w, head - 12), t, 13, _INK, "lm") for j, t in enumerate(("as it is", "made fair"))
        ]
    y = head
    for row, tall in zip(rows, cells_h, strict=True):
        view = row[0].view
        texts.append(((_GAP, y + tall / 2 - 9), f"from {view.azimuth_deg:.0f}°", size, _INK, "lm"))
        texts.append(((_GAP, y + tall / 2 + 11), f"{view.elevation_deg:.0f}° up", 13, _INK, "lm"))
        for k, picture in enumerate(row):
            for j, one in enumerate((picture.panel, picture.fair)):
                small = cv2.resize(one, (small_px, tall - _GAP), interpolation=cv2.INTER_AREA)
                scale = small_px / one.shape[1]
                if j == 0:
                    small = _ringed(small, (picture.worst_px[0] * scale, picture.worst_px[1] * scale))
                x = side + (2 * k + j) * cell_w
                canvas[y : y + tall - _GAP, x : x + small_px] = small
        y += tall
    write(canvas, texts)
    return canvas


def write_gloss(preview: GlossPreview, out: Path, *, title: str = "", units: Units = MM) -> list[Path]:
    """Write the sheet, the walk round, one picture for each light and view, and `gloss.json`.

    Parameters
    ----------
    preview : GlossPreview
    out : Path
        Folder; made when it is not there.
    title : str
        The panel's name.
    units : Units
        Of the words on the sheet.

    Returns
    -------
    list of Path
        The sheet first.

    Raises
    ------
    RefusedError
        When the folder can't be written; nothing is changed then.
    """
    prepare_output(out)
    files: dict[str, bytes] = {"gloss-sheet.png": _png(draw_sheet(preview, title=title, units=units))}
    single = []
    for picture in preview.pictures:
        name = f"gloss-{picture.light.kind}-{picture.view.azimuth_deg:03.0f}.png"
        files[name] = _png(draw_gloss_pair(picture, exaggeration=preview.exaggeration))
        single.append(
            {
                "file": name,
                "light": picture.light.kind,
                "azimuth_deg": picture.view.azimuth_deg,
                "elevation_deg": picture.view.elevation_deg,
            }
        )
    files["gloss-walk.gif"] = _gif(preview)
    worst = preview.worst
    document = {
        "schema": 1,
        "sentence": preview.sentence,
        "worst": {
            "x_mm": worst.x_mm,
            "y_mm": worst.y_mm,
            "slope_mrad": worst.slope_mrad,
            "shift_mm": worst.shift_mm if np.isfinite(worst.shift_mm) else None,
        },
        "settings": preview.settings,
        "pictures": single,
    }
    files["gloss.json"] = (json.dumps(document, indent=2) + "\n").encode()
    return write_files(out, files)


def _png(picture: Array) -> bytes:
    code = io.BytesIO()
    Image.fromarray(picture).save(code, "PNG", optimize=False)
    return code.getvalue()


def _gif(preview: GlossPreview) -> bytes:
    """The first light from all round, one picture after the other."""
    first = preview.pictures[0].light.kind
    pairs = [
        draw_gloss_pair(p, exaggeration=preview.exaggeration)
        for p in preview.pictures
        if p.light.kind == first
    ]
    tall, wide = (max(p.shape[k] for p in pairs) for k in (0, 1))
    frames = []
    for pair in pairs:
        frame = np.full((tall, wide, 3), _PAPER, np.uint8)
        top = (tall - pair.shape[0]) // 2
        frame[top : top + pair.shape[0], : pair.shape[1]] = pair
        frames.append(Image.fromarray(frame).quantize(32, dither=Image.Dither.NONE))
    code = io.BytesIO()
    frames[0].save(code, "GIF", save_all=True, append_images=frames[1:], duration=_FRAME_MS, loop=0)
    return code.getvalue()
