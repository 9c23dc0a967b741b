"""The photos without marks, for the paper: only those whose bytes are the ones that were measured."""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from surfscan.core.errors import RefusedError
from surfscan.job.photos import read_picture
from surfscan.job.videos import digest, read_frame
from surfscan.results.stored import StoredResult

__all__ = ["lay_photos"]

_WIDE, _GAP = 1500, 12
_IN_A_ROW = 3


def lay_photos(result: StoredResult, folder: Path | str) -> bytes:
    """Lay a result's photos side by side, as they are.

    Parameters
    ----------
    result : StoredResult
    folder : path
        The job folder.

    Returns
    -------
    bytes
        A JPEG, three photos a row, in the result's order.

    Raises
    ------
    RefusedError
        When a photo is not there, or is not the one that was measured (by its SHA-256).
    """
    if not result.photos:
        raise RefusedError(
            "The result was made from no photos",
            found="a map measured elsewhere",
            allowed="a result of photos",
            cure="leave the photos out",
        )
    known = _by_digest(path for path in Path(folder).rglob("*") if path.is_file())
    each = []
    frames = {name: k for film in result.details.get("videos", []) for name, k in film["numbers"].items()}
    for row in result.photos:
        path = known.get(str(row.get("sha256")))
        if path is None:
            raise RefusedError(
                f"The photo {row.get('file')} of the result is not in {folder}",
                found="no file with the bytes that were measured",
                allowed=f"SHA-256 {str(row.get('sha256'))[:16]}...",
                cure="name the job folder that the result was made from",
            )
        each.append(_picture(path, str(row.get("file")), frames))
    count = min(len(each), _IN_A_ROW)
    wide = (_WIDE - (count - 1) * _GAP) // count
    small = [
        cv2.resize(p, (wide, round(p.shape[0] * wide / p.shape[1])), interpolation=cv2.INTER_AREA)
        for p in each
    ]
    tall = max(p.shape[0] for p in small)
    rows = []
    for k in range(0, len(small), count):
        page = np.full((tall + _GAP, count * (wide + _GAP), 3), 255, np.uint8)
        for n, photo in enumerate(small[k : k + count]):
            at = n * (wide + _GAP)
            page[: photo.shape[0], at : at + wide] = photo
        rows.append(page)
    code = io.BytesIO()
    Image.fromarray(np.vstack(rows)[:-_GAP, :-_GAP]).save(code, "JPEG", quality=86, optimize=True)
    return code.getvalue()


def _picture(path: Path, name: str, frames: dict[str, int]) -> NDArray[np.uint8]:
    """A photo, or the frame of a video that a result calls so, to be looked at."""
    return read_frame(path, path.name, frames[name]) if name in frames else read_picture(path, path.name)


def _by_digest(paths: Iterable[Path]) -> dict[str, Path]:
    try:
        return {digest(path): path for path in paths}
    except OSError as error:
        raise RefusedError(
            f"{error.filename or 'A photo'} cannot be read",
            found=error.strerror or str(error),
            allowed="a file that this computer may read",
            cure="check its rights, and that the drive is there",
        ) from None
