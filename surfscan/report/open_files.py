"""A result's map and spots as files for other programs."""

from __future__ import annotations

import json
from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from surfscan.core.records import Array
from surfscan.report.output import output_folder, written_whole
from surfscan.results.grid_text import write_grid_text
from surfscan.results.shapes import write_mesh, write_png16
from surfscan.results.stored import StoredResult
from surfscan.results.surfaces import write_sdf, write_x3p

__all__ = ["export_result", "spots_document", "spots_schema"]


def spots_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of the spots file."""
    text = (resources.files("surfscan") / "data" / "spots.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def spots_document(result: StoredResult) -> dict[str, Any]:
    """The spots as JSON by `spots_schema`: panel, limits, verdict, and one object a spot."""
    document = result.document
    return {
        "schema": 1,
        "unit": "mm",
        "panel": document["panel"],
        "limits": {k: document["limits"].get(k) for k in ("low_mm", "high_mm", "filler_depth_mm")},
        "verdict": document["verdict"],
        "spots": document["spots"],
    }


def export_result(
    result: StoredResult, out: Path, *, kinds: Sequence[str], whole: bool = False, taller: float = 1.0
) -> list[Path]:
    """Write a result's map and spots in open forms: all files or none.

    Parameters
    ----------
    result : StoredResult
    out : Path
        Made when it is not there; other files in it stay.
    kinds : sequence of str
        Of "x3p", "sdf", "csv", "ply", "stl", "png", "spots".
    whole : bool
        The height above the tags' plane in place of the deviation from the fair form.
    taller : float
        Factor on the heights of the meshes; named in their file names when it is not 1.

    Returns
    -------
    list of Path

    Raises
    ------
    RefusedError
        When the folder can't be written.
    """
    grid = result.height.grid
    height: Array = result.height.height_mm + (result.height.form_mm if whole else 0.0)
    stem = "surface" if whole else "deviation"
    times = "" if taller == 1.0 else f"-{taller:g}-times-taller"
    with output_folder(out), written_whole(out) as hidden:
        for kind in kinds:
            if kind == "x3p":
                write_x3p(hidden / f"{stem}.x3p", height, step_mm=grid.step_mm)
            elif kind == "sdf":
                write_sdf(hidden / f"{stem}.sdf", height, step_mm=grid.step_mm)
            elif kind == "csv":
                write_grid_text(hidden / f"{stem}.csv", height, x_mm=grid.x_mm, y_mm=grid.y_mm)
            elif kind in ("ply", "stl"):
                path = hidden / f"{stem}{times}.{kind}"
                write_mesh(path, height, x_mm=grid.x_mm, y_mm=grid.y_mm, taller=taller)
            elif kind == "png":
                scale = write_png16(hidden / f"{stem}-16bit.png", height, step_mm=grid.step_mm)
                _write_json(hidden / f"{stem}-16bit.json", {**scale, "not_measured": 0, "unit": "mm"})
            else:
                _write_json(hidden / "spots.json", spots_document(result))
                _write_json(hidden / "spots.schema.json", spots_schema())
        names = sorted(path.name for path in hidden.iterdir())
    return [out / name for name in names]


def _write_json(path: Path, document: dict[str, Any]) -> None:
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")
