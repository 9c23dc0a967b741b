"""Standard surface files: x3p (ISO 25178-72) and sdf (ISO 25178-71), written and read.

Both keep metres and no place in the panel frame: what is read back lies with its middle on the origin, as a
panel does. Row 0 is the lower edge in both, as here (y ascends). x3p goes through SurfaceTopography in
writing, sdf in reading: no library of the registry that may be used under any licence writes sdf; x3p is read by
``x3p.py``, which minds the checksums.
"""

from __future__ import annotations

import hashlib
import io
import warnings
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.parts import needing
from surfscan.core.records import Array
from surfscan.results.x3p import LEAST_STEP_M, MOST_BYTES, MOST_CELLS, MOST_STEP_M, read_x3p
from surfscan.version import VERSION

__all__ = ["MOST_CELLS", "read_surface", "surface_doubts", "write_sdf", "write_x3p"]

_CHECKSUM = "md5checksum.hex"
_FARTHEST_M = 1e3  # some writers mark a missing point by the type's least number


def write_x3p(path: Path, height_mm: Array, *, step_mm: float) -> None:
    """Write a height map as x3p, double precision, NaN where not measured.

    Parameters
    ----------
    path : Path
    height_mm : ndarray (H, W)
        Row 0 is the lower edge.
    step_mm : float
        Spacing of rows and columns.
    """
    with _quietly(), needing():
        from SurfaceTopography import Topography
        from SurfaceTopography.IO.X3P import write_x3p as write

    rows, columns = height_mm.shape
    known = np.ma.masked_invalid(np.asarray(height_mm, float).T)
    surface = Topography(known, (columns * step_mm, rows * step_mm), unit="mm")
    made = io.BytesIO()
    write(surface, made, dtype="D", manufacturer="surfscan", model="surfscan", version=VERSION)
    _mend(made, path)


def _mend(made: io.BytesIO, path: Path) -> None:
    """Write the archive with the checksum of its main document, as ISO 25178-72 has it; the library sums the data."""
    with zipfile.ZipFile(made) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            if name != _CHECKSUM:
                new.writestr(name, old.read(name))
        digest = hashlib.md5(old.read("main.xml"), usedforsecurity=False).hexdigest()
        new.writestr(_CHECKSUM, f"{digest} *main.xml\n")


def write_sdf(path: Path, height_mm: Array, *, step_mm: float) -> None:
    """Write a height map as sdf in its text form, with `BAD` where not measured.

    The heights are in mm with `Zscale` 0.001, written with all the digits a double has.

    Parameters
    ----------
    path : Path
    height_mm : ndarray (H, W)
        Row 0 is the lower edge; at most 65535 rows and columns.
    step_mm : float
    """
    rows, columns = height_mm.shape
    if max(rows, columns) > 65535:
        raise RefusedError(
            "The map is too large for an sdf file",
            found=f"{columns} x {rows} cells",
            allowed="65535 each way (ISO 25178-71)",
            cure="write it as x3p",
        )
    now = datetime.now(UTC).strftime("%d%m%Y%H%M")
    head = {
        "ManufacID": "surfscan",
        "CreateDate": now,
        "ModDate": now,
        "NumPoints": columns,
        "NumProfiles": rows,
        "Xscale": repr(step_mm * 1e-3),
        "Yscale": repr(step_mm * 1e-3),
        "Zscale": "0.001",
        "Zresolution": "-1",  # not known
        "Compression": 0,
        "DataType": 7,
        "CheckType": 0,
    }
    lines = ["aISO-1.0", *(f"{key} = {value}" for key, value in head.items()), "*"]
    for row in np.asarray(height_mm, float):
        lines.append(" ".join("BAD" if np.isnan(value) else repr(float(value)) for value in row))
    lines += ["*", f"Software = surfscan {VERSION}", "*", ""]
    path.write_text("\r\n".join(lines), encoding="ascii", newline="")


def read_surface(path: Path) -> tuple[Array, float, float]:
    """Read an x3p or sdf file.

    Parameters
    ----------
    path : Path
        Its name ends with .x3p or .sdf.

    Returns
    -------
    height_mm : ndarray (H, W)
        NaN where not measured; row 0 is the lower edge.
    step_x_mm, step_y_mm : float

    Raises
    ------
    RefusedError
        When the file is damaged, too large, or holds no single surface.
    """
    _see_size(path)
    try:
        with np.errstate(all="ignore"):  # a missing point's mark, scaled
            heights_m, size_m = _open(path)
    except RefusedError:
        raise
    except MemoryError:
        raise _damaged(path, "more data than fits into memory") from None
    except Exception as error:  # the reader's own errors are many, and each means the file
        raise _damaged(path, f"{type(error).__name__}: {error}".splitlines()[0][:200]) from None
    columns, rows = heights_m.shape
    if columns * rows > MOST_CELLS or min(columns, rows) < 2:
        raise RefusedError(
            f"{path.name} has an unusable size",
            found=f"{columns} x {rows} cells",
            allowed=f"2 x 2 to {MOST_CELLS:,} cells",
            cure="thin the map out in the program that made it",
        )
    steps = size_m[0] / columns, size_m[1] / rows
    if not all(LEAST_STEP_M <= step <= MOST_STEP_M for step in steps):
        raise _damaged(path, f"cells {steps[0]:g} x {steps[1]:g} m apart")
    heights_m = np.where(np.abs(heights_m) < _FARTHEST_M, heights_m, np.nan)
    return 1e3 * heights_m.T, 1e3 * size_m[0] / columns, 1e3 * size_m[1] / rows


@contextmanager
def _quietly() -> Iterator[None]:
    """The library warns when it is loaded without MPI, which nobody here needs."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ImportWarning)
        yield


def _open(path: Path) -> tuple[Array, tuple[float, float]]:
    """Heights (columns, rows) and size, in metres."""
    if path.suffix.lower() == ".x3p":
        read = read_x3p(path)
        rows, columns = read.heights_m.shape
        return read.heights_m.T, (read.step_m[0] * columns, read.step_m[1] * rows)
    with _quietly(), needing():
        from SurfaceTopography.IO.SDF import SDFReader
        from SurfaceTopography.Support.UnitConversion import get_unit_conversion_factor

    reader: Any = SDFReader
    with reader(str(path)) as file:
        surface = file.topography()
        factor = float(get_unit_conversion_factor(surface.unit, "m"))
        heights = np.ma.filled(np.ma.asarray(surface.heights(), float), np.nan) * factor
        size = tuple(float(v) * factor for v in surface.physical_sizes)
    return heights, (size[0], size[1])


def _see_size(path: Path) -> None:
    """Refuse what is larger than it may be; what an archive unpacks to is looked at when it is opened."""
    size = path.stat().st_size
    if size > MOST_BYTES:
        raise RefusedError(
            f"{path.name} is too large",
            found=f"{size / 1e9:.1f} GB",
            allowed=f"{MOST_BYTES / 1e9:.0f} GB",
            cure="export the map again",
        )


def _damaged(path: Path, found: str) -> RefusedError:
    kind = "x3p (ISO 25178-72)" if path.suffix.lower() == ".x3p" else "sdf (ISO 25178-71)"
    return RefusedError(
        f"{path.name} can't be read as a surface",
        found=found,
        allowed=f"one surface on an even grid, as {kind}",
        cure="export the map again",
    )


def surface_doubts(path: Path) -> tuple[str, ...]:
    """What of a file could not be checked, in sentences: sums that it does not have.

    Raises
    ------
    RefusedError
        As `read_surface` does.
    """
    return read_x3p(path).doubts if path.suffix.lower() == ".x3p" else ()
