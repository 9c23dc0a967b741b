"""A result folder to make papers of, without photos: a known surface judged as a map."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from surfscan.checking.from_map import check_map
from surfscan.judge.limits import default_limits
from surfscan.report.export import write_result
from surfscan.results.grid_text import write_grid_text

STEP = 4.0


def result_folder(
    folder: Path, *, lows_mm: tuple[float, ...] = (0.3,), name: str = "door, lower half"
) -> Path:
    """A 480 x 320 mm panel with lows of these depths in a row; its result written into `folder`/result."""
    x, y = (STEP * (np.arange(n) - (n - 1) / 2) for n in (121, 81))
    height = 1e-4 * np.sin(x[None, :] / 9) * np.cos(y[:, None] / 7)
    for k, depth in enumerate(lows_mm):
        centre = (k + 1) * 480 / (len(lows_mm) + 1) - 240
        height = height - depth * np.exp(-((x[None, :] - centre) ** 2 + y[:, None] ** 2) / (2 * 16.0**2))
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "map.csv"
    write_grid_text(path, height, x_mm=x, y_mm=y)
    out = folder / "result"
    out.mkdir()
    write_result(out, check_map(path, limits=default_limits("primer"), stage="primer", u_mm=0.002, name=name))
    return out
