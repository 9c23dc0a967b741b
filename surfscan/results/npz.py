"""Archives of arrays (`height.npz`) opened with care: nothing is unpacked before its size is known and allowed."""

from __future__ import annotations

import hashlib
import io
import math
import zipfile
from collections.abc import Mapping

import numpy as np

from surfscan.core.carrier import Array

__all__ = ["MOST_BYTES", "UnreadableError", "maps_digest", "read_arrays"]

MOST_BYTES = 2**29
"""Arrays that unpack to more than this are damaged, or meant to do harm: a check writes a tenth of it at most."""


class UnreadableError(ValueError):
    """What is wrong, in words."""


def read_arrays(data: bytes) -> dict[str, Array]:
    """Read all arrays of an archive.

    Raises
    ------
    UnreadableError
        Damaged, too large, a name twice, or no plain numbers.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            _look(parts)
        with np.load(io.BytesIO(data), allow_pickle=False) as stored:
            arrays = {key: np.asarray(stored[key]) for key in stored.files}
    except UnreadableError:
        raise
    except Exception:  # zip, zlib and NumPy each raise their own kinds on damage
        raise UnreadableError("it cannot be unpacked") from None
    if any(array.dtype.kind not in "fiu" for array in arrays.values()):
        raise UnreadableError("maps that are not numbers")
    return arrays


def _look(parts: zipfile.ZipFile) -> None:
    """Sizes as the archive tells them, and as each array's own head does."""
    rows = parts.infolist()
    if sum(part.file_size for part in rows) > MOST_BYTES:
        raise UnreadableError(f"more than {MOST_BYTES / 1e6:.0f} MB of maps")
    names = [part.filename for part in rows]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise UnreadableError(f"{twice} is in it twice")
    for part in rows:
        with parts.open(part) as file:
            version = np.lib.format.read_magic(file)
            reader = (
                np.lib.format.read_array_header_1_0
                if version == (1, 0)
                else np.lib.format.read_array_header_2_0
            )
            shape, _, dtype = reader(file)
        # An array is made at the size its head names before its numbers are read.
        if math.prod(shape) * dtype.itemsize > part.file_size:
            raise UnreadableError(f"{part.filename} names more numbers than it holds")


def maps_digest(arrays: Mapping[str, Array]) -> str:
    """SHA-256 over names, shapes and values of maps; how they are stored does not count."""
    total = hashlib.sha256()
    for name in sorted(arrays):
        array = arrays[name]
        values = np.ascontiguousarray(array, "<i4" if array.dtype.kind in "iu" else "<f8")
        if values.dtype.kind == "f":
            values = np.where(np.isnan(values), np.nan, values)  # one NaN
        total.update(f"{name} {values.shape}".encode() + values.tobytes())
    return total.hexdigest()
