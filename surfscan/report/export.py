"""Write a result: `height.npz`, the pictures, the table and `result.json`; all or none (`report.output`)."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.message import Message
from surfscan.core.reading import SmallFault
from surfscan.core.records import CheckResult, HeightMap, Spot
from surfscan.core.units import MM, Units
from surfscan.report.figures import draw_map, draw_overlay
from surfscan.report.output import FAULTS_FILE, OUTPUT_FILES, output_folder, written_whole
from surfscan.report.relative_picture import draw_relative_map, draw_relative_overlay
from surfscan.report.words import headline_line
from surfscan.results.npz import maps_digest
from surfscan.results.stored import StoredResult, parse_result

__all__ = [
    "OUTPUT_FILES",
    "SCHEMA",
    "document",
    "map_bytes",
    "plain",
    "stored_of",
    "to_json",
    "write_png",
    "write_result",
]

SCHEMA = 1


def document(result: CheckResult) -> dict[str, Any]:
    """Return `result.json` as plain lists, numbers and text; NaN and infinity are None."""
    ready = plain(
        {
            "schema": SCHEMA,
            "panel": result.panel,
            "limits": result.limits,
            "verdict": result.verdict,
            "sentence": result.sentence,
            "headline": _row(result.headline),
            "reasons": list(result.reasons),
            "findings": [one.row() for one in result.findings],
            "coverage": result.coverage,
            "form": result.height.form_name,
            "measures": result.measures,
            "spots": [_spot_row(spot) for spot in result.spots],
            "photos": list(result.photos),
            **result.details,
            "run": result.run,
        }
    )
    assert isinstance(ready, dict)  # for the type checker
    return ready


def _spot_row(spot: Spot) -> dict[str, Any]:
    return {**asdict(replace(spot, advice=Message(""))), "advice": _row(spot.advice)}


def _row(message: Message) -> dict[str, Any]:
    return {"code": message.code, "numbers": dict(message.numbers)}


def to_json(result: CheckResult) -> str:
    """Return the text of `result.json`."""
    bound = {**document(result), "maps_sha256": maps_digest(_arrays(result.height, result.maps))}
    return json.dumps(bound, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_result(out: Path, result: CheckResult, units: Units = MM) -> list[Path]:
    """Write all output files into `out`, replacing those of an earlier run and nothing else.

    Parameters
    ----------
    out : path
        A folder; made when it is not there.
    result : CheckResult
    units : Units
        Of the pictures; the files of numbers are in mm.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    RefusedError
        When the folder can't be written or the disk is full; nothing is changed then.

    Examples
    --------
    >>> [path.name for path in surfscan.write_result(out, result)]
    ['height.npz', 'overlay.png', 'map.png', 'spots.csv', 'result.json']
    """
    out = Path(out)
    faults = result.details.get("faults")
    names = OUTPUT_FILES if faults is None else (*OUTPUT_FILES[:-1], FAULTS_FILE, OUTPUT_FILES[-1])
    gone = (FAULTS_FILE,) if faults is None else ()
    with output_folder(out), written_whole(out, names, gone=gone) as hidden:
        _write_height(hidden / "height.npz", result.height, result.maps)
        _write_pictures(hidden, result, units)
        (hidden / "spots.csv").write_text(_spots_csv(result.spots), encoding="utf-8", newline="")
        if faults is not None:
            (hidden / FAULTS_FILE).write_text(_faults_csv(faults), encoding="utf-8", newline="")
        (hidden / "result.json").write_text(to_json(result), encoding="utf-8")
    return [out / name for name in names]


def map_bytes(result: CheckResult) -> bytes:
    """Return the bytes of `height.npz`."""
    data = io.BytesIO()
    _write_height(data, result.height, result.maps)
    return data.getvalue()


def stored_of(result: CheckResult, *, name: str = "") -> StoredResult:
    """A result as its written folder would be read back: what joins and comparisons work on."""
    named = name or str(result.panel.get("name") or "this result")
    return parse_result(to_json(result).encode(), map_bytes(result), name=named)


def _write_height(path: Path | io.BytesIO, height: HeightMap, maps: Mapping[str, Any]) -> None:
    arrays: dict[str, Any] = _arrays(height, maps)
    np.savez(path, **arrays)


def _arrays(height: HeightMap, maps: Mapping[str, Any]) -> dict[str, NDArray[Any]]:
    # float32 keeps a 20 mm form to 2 nm and halves the file; packing would cost more than it saves.
    return {
        "x_mm": height.grid.x_mm,
        "y_mm": height.grid.y_mm,
        "height_mm": height.height_mm.astype(np.float32),
        "form_mm": height.form_mm.astype(np.float32),
        "sigma_mm": height.sigma_mm.astype(np.float32),
        "flags": height.flags,
        **{name: array.astype(np.float32) for name, array in maps.items()},
    }


def _write_pictures(folder: Path, result: CheckResult, units: Units) -> None:
    stage = str(result.panel.get("stage", ""))
    title = ", ".join(part for part in (str(result.panel.get("name") or ""), stage) if part)
    shared: dict[str, Any] = {
        "limits": result.limits,
        "verdict": result.verdict,
        "sentence": headline_line(result, units),
        "title": title,
        "units": units,
        "small": result.details.get("faults", ()),
    }

    if "relative" in result.details:
        write_png(folder / "overlay.png", draw_relative_overlay(result))
        write_png(folder / "map.png", draw_relative_map(result))
        return

    def overlay() -> None:
        photo, project = result.overlay_photo, result.project
        picture = draw_overlay(photo, result.height, result.spots, project=project, **shared)
        write_png(folder / "overlay.png", picture)

    def panel_map() -> None:
        write_png(folder / "map.png", draw_map(result.height, result.spots, **shared))

    # The two pictures share nothing they change, so each has a core to itself.
    with ThreadPoolExecutor(2) as pool:
        for done in [pool.submit(overlay), pool.submit(panel_map)]:
            done.result()


def write_png(path: Path, picture: NDArray[np.uint8]) -> None:
    swapped = cv2.cvtColor(picture, cv2.COLOR_RGB2BGR)
    good, code = cv2.imencode(".png", swapped, [cv2.IMWRITE_PNG_COMPRESSION, 1])  # twice as fast as 6
    if not good:
        raise OSError(f"{path.name} could not be encoded")
    path.write_bytes(code.tobytes())


def _spots_csv(spots: tuple[Spot, ...]) -> str:
    names = [field.name for field in fields(Spot) if field.name != "advice"]  # its words are the action
    return _csv(names, [{**_spot_row(spot), "flags": ";".join(spot.flags)} for spot in spots])


FAULT_COLUMNS = ("id", *(field.name for field in fields(SmallFault)), "verdict", "action")
"""Of `faults.csv`: the keys of a fault in `result.json`."""


def _faults_csv(faults: Sequence[Mapping[str, Any]]) -> str:
    return _csv(FAULT_COLUMNS, [{**fault, "photos": ";".join(fault["photos"])} for fault in faults])


def _csv(names: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> str:
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(names)
    for row in rows:
        cells = (plain(row[name]) for name in names)
        table.writerow(["" if cell is None else cell for cell in cells])
    return text.getvalue()


def plain(value: Any) -> Any:
    """JSON-ready: NumPy numbers and arrays unwrapped, NaN and infinity as None."""
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, (str, int)):
        return value
    return str(value)
