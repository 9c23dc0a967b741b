"""Write a result: all files or none.

Everything is made in a hidden folder inside the output folder, then moved over in one go, `result.json`
last. A full disk or Ctrl-C leaves what was there before; other files in the folder are never touched.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import shutil
import signal
import tempfile
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.errors import RefusedError
from surfscan.records import CheckResult, HeightMap, Spot
from surfscan.report.figures import draw_map, draw_overlay
from surfscan.report.relative_picture import draw_relative_map, draw_relative_overlay

__all__ = [
    "OUTPUT_FILES",
    "SCHEMA",
    "document",
    "no_interrupt",
    "plain",
    "prepare_output",
    "to_json",
    "unwritable",
    "write_files",
    "write_png",
    "write_result",
]

SCHEMA = 1
OUTPUT_FILES = ("height.npz", "overlay.png", "map.png", "spots.csv", "result.json")
_HIDDEN = ".surfscan-"
_CURE = "choose another folder with --out, or free some room"


def prepare_output(out: Path) -> bool:
    """Make the output folder and see that it can be written, before anything is computed.

    Parameters
    ----------
    out : Path

    Returns
    -------
    bool
        True when the folder was made here (so that a run that fails can take it away again).

    Raises
    ------
    RefusedError
        When it is a file, can't be made or can't be written.
    """
    if out.exists() and not out.is_dir():
        raise RefusedError(f"The output folder {out} is a file", allowed="a folder", cure=_CURE)
    made = not out.exists()
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=out):
            pass
    except OSError as error:
        raise unwritable(out, error) from None
    return made


def document(result: CheckResult) -> dict[str, Any]:
    """Return `result.json` as plain lists, numbers and text; NaN and infinity are None."""
    ready = plain(
        {
            "schema": SCHEMA,
            "panel": result.panel,
            "limits": result.limits,
            "verdict": result.verdict,
            "sentence": result.sentence,
            "reasons": list(result.reasons),
            "coverage": result.coverage,
            "form": result.height.form_name,
            "measures": result.measures,
            "spots": [asdict(spot) for spot in result.spots],
            "photos": list(result.photos),
            **result.details,
            "run": result.run,
        }
    )
    assert isinstance(ready, dict)  # for the type checker
    return ready


def to_json(result: CheckResult) -> str:
    """Return the text of `result.json`."""
    return json.dumps(document(result), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_result(out: Path, result: CheckResult) -> list[Path]:
    """Write all output files into `out`, replacing those of an earlier run and nothing else.

    Parameters
    ----------
    out : Path
        An existing folder (see `prepare_output`).
    result : CheckResult

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    RefusedError
        When the folder can't be written or the disk is full; nothing is changed then.
    """
    try:
        hidden = Path(tempfile.mkdtemp(prefix=_HIDDEN, dir=out))
        try:
            _write_height(hidden / "height.npz", result.height, result.maps)
            _write_pictures(hidden, result)
            (hidden / "spots.csv").write_text(_spots_csv(result.spots), encoding="utf-8", newline="")
            (hidden / "result.json").write_text(to_json(result), encoding="utf-8")
            with no_interrupt():
                for name in OUTPUT_FILES:
                    os.replace(hidden / name, out / name)
        finally:
            shutil.rmtree(hidden, ignore_errors=True)
    except OSError as error:
        raise unwritable(out, error) from None
    return [out / name for name in OUTPUT_FILES]


def write_files(out: Path, files: dict[str, bytes]) -> list[Path]:
    """Write ready bytes under their names into an existing folder, all or none.

    Parameters
    ----------
    out : Path
    files : dict of name to bytes

    Returns
    -------
    list of Path

    Raises
    ------
    RefusedError
        When the folder can't be written; nothing is changed then.
    """
    try:
        hidden = Path(tempfile.mkdtemp(prefix=_HIDDEN, dir=out))
        try:
            for name, data in files.items():
                (hidden / name).write_bytes(data)
            with no_interrupt():
                for name in files:
                    os.replace(hidden / name, out / name)
        finally:
            shutil.rmtree(hidden, ignore_errors=True)
    except OSError as error:
        raise unwritable(out, error) from None
    return [out / name for name in files]


@contextmanager
def no_interrupt() -> Iterator[None]:
    """Hold Ctrl-C back while the files are moved, which takes microseconds."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    pressed: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: pressed.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if pressed:
        raise KeyboardInterrupt


def _write_height(path: Path, height: HeightMap, maps: dict[str, Any]) -> None:
    # float32 keeps a 20 mm form to 2 nm and halves the file; packing would cost more than it saves.
    np.savez(
        path,
        x_mm=height.grid.x_mm,
        y_mm=height.grid.y_mm,
        height_mm=height.height_mm.astype(np.float32),
        form_mm=height.form_mm.astype(np.float32),
        sigma_mm=height.sigma_mm.astype(np.float32),
        flags=height.flags,
        **{name: array.astype(np.float32) for name, array in maps.items()},
    )


def _write_pictures(folder: Path, result: CheckResult) -> None:
    stage = str(result.panel.get("stage", ""))
    title = ", ".join(part for part in (str(result.panel.get("name") or ""), stage) if part)
    shared: dict[str, Any] = {
        "limits": result.limits,
        "verdict": result.verdict,
        "sentence": result.sentence,
        "title": title,
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
    names = [field.name for field in fields(Spot)]
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(names)
    for spot in spots:
        row = {**asdict(spot), "flags": ";".join(spot.flags)}
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


def unwritable(out: Path, error: OSError) -> RefusedError:
    """What to say when the output folder can't be written."""
    return RefusedError(
        f"The output folder {out} cannot be written", found=error.strerror or str(error), cure=_CURE
    )
