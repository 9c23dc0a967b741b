"""Every page of some papers side by side: in colour, in grey, and as a deuteranope and a protanope see them.

    python tests/bench/paper_gallery.py OUT.jpg FOLDER...

FOLDER holds report.pdf or before-after.pdf. To be looked at: can every mark still be told from the others?
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pypdfium2
from PIL import Image

# Machado, Oliveira and Fernandes 2009, IEEE TVCG 15(6), severity 1.0, in linear RGB (from memory)
DEUTAN = np.array(
    [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.01182, 0.04294, 0.968881]]
)
PROTAN = np.array(
    [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
)
GREY = np.tile([0.2126, 0.7152, 0.0722], (3, 1))  # ITU-R BT.709
WIDE = 250


def seen(page: np.ndarray, by: np.ndarray | None) -> np.ndarray:
    """The page through a matrix in linear light."""
    if by is None:
        return page
    linear = np.where(page <= 10, page / 255 / 12.92, ((page / 255 + 0.055) / 1.055) ** 2.4)
    mixed = np.clip(linear @ by.T, 0, 1)
    return (255 * np.where(mixed <= 0.0031308, 12.92 * mixed, 1.055 * mixed ** (1 / 2.4) - 0.055)).astype(
        np.uint8
    )


def main() -> None:
    out, folders = Path(sys.argv[1]), [Path(name) for name in sys.argv[2:]]
    pages = []
    for folder in folders:
        path = next(folder / name for name in ("report.pdf", "before-after.pdf") if (folder / name).is_file())
        with pypdfium2.PdfDocument(path) as document:
            for page in document:
                picture = page.render(scale=2).to_pil().convert("RGB")
                tall = round(picture.height * WIDE / picture.width)
                pages.append(np.asarray(picture.resize((WIDE, tall), Image.Resampling.LANCZOS)))
    tall = max(page.shape[0] for page in pages)
    pages = [np.pad(p, ((0, tall - p.shape[0]), (0, 6), (0, 0)), constant_values=210) for p in pages]
    rows = [np.hstack([seen(page, by) for page in pages]) for by in (None, GREY, DEUTAN, PROTAN)]
    Image.fromarray(np.vstack(rows)).save(out, quality=70, optimize=True)
    print(f"{out}: {len(pages)} pages, {out.stat().st_size // 1024} KB")


if __name__ == "__main__":
    main()
