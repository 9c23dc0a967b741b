"""Height maps of other programs, parsed in a process of their own: what swells or hangs takes only that along."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from surfscan.core.aside import Answer, run_aside
from surfscan.core.errors import RefusedError
from surfscan.core.records import Array
from surfscan.results.grid_text import read_grid_text
from surfscan.results.surfaces import read_surface, surface_doubts

__all__ = ["TEXT_KINDS", "MapFile", "parse", "read_map_file"]

TEXT_KINDS = (".csv", ".txt")


@dataclass(frozen=True, slots=True)
class MapFile:
    """What a file of heights holds.

    Attributes
    ----------
    x_mm, y_mm : ndarray (W,), (H,)
        Ascending; the middle at 0 unless the file says where it lies.
    height_mm : ndarray (H, W)
        NaN where not measured.
    doubts : tuple of str
        What could not be checked, in sentences.
    """

    x_mm: Array
    y_mm: Array
    height_mm: Array
    doubts: tuple[str, ...]


def read_map_file(path: Path, *, unit_mm: float = 1.0, step_mm: float | None = None) -> MapFile:
    """Read an x3p, sdf, CSV or text file, the decoder's time and memory bounded (`surfscan.core.aside`).

    Parameters
    ----------
    path : Path
    unit_mm : float
        Millimetres in the unit of a table's heights.
    step_mm : float, optional
        Spacing of a table without places along its edges.

    Raises
    ------
    RefusedError
        As the readers do; and when the file can't be read in the time and memory allowed.
    """
    words = {"file": path.name, "path": str(path.absolute()), "unit_mm": unit_mm, "step_mm": step_mm}
    try:
        size = path.stat().st_size
    except OSError as error:
        raise _unreadable(path, error) from None
    told, (x, y, height) = run_aside("surfscan.results.map_files:parse", words, on_disk=size)
    return MapFile(x, y, height, tuple(told["doubts"]))


def parse(words: dict[str, Any], data: bytes) -> Answer:
    """The decoder's part: ``path``, ``unit_mm`` and ``step_mm`` as of `read_map_file`; x, y and heights."""
    path = Path(words["path"])
    try:
        if path.suffix.lower() in TEXT_KINDS:
            axes = read_grid_text(path, step_mm=words["step_mm"], unit_mm=words["unit_mm"])
            return {"doubts": []}, list(axes)
        height, *steps = read_surface(path)
        doubts = surface_doubts(path)
    except OSError as error:
        raise _unreadable(path, error) from None
    x, y = ((np.arange(n) - (n - 1) / 2) * step for n, step in zip(height.shape[::-1], steps, strict=True))
    return {"doubts": list(doubts)}, [x, y, height]


def _unreadable(path: Path, error: OSError) -> RefusedError:
    return RefusedError(
        f"{path.name} cannot be read",
        found=error.strerror or str(error),
        allowed="a file that this computer may read",
        cure="check its rights, and that the drive is there",
    )
