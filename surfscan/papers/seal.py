"""The seal: a digest of a result that shows whether anything in it was changed later.

Each part has its own SHA-256, so that a change can be named. Values are digested, not layout: a `result.json` that is
only indented otherwise keeps its seal.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.results.stored import StoredResult

__all__ = [
    "GLOSS",
    "MADE",
    "PHOTOS",
    "PICTURES",
    "Seal",
    "differences",
    "seal_result",
    "what_it_shows",
    "whole_sum",
]

GLOSS = "gloss.png"
"""The picture in gloss, made with the report."""

PHOTOS = "photos.jpg"
"""The photos without marks, put in with the report where it was given them."""

MADE = (GLOSS, PHOTOS)
"""Pictures made with the report."""

PICTURES = ("overlay.png", "map.png", *MADE, "spots.csv")
"""Files of a result that are sealed as they are, where they exist."""


@dataclass(frozen=True, slots=True)
class Seal:
    """Digests of a result's parts.

    Attributes
    ----------
    parts : dict of str to str
        SHA-256 in hex by name: ``result.json: verdict``, ``height.npz: height_mm``, ``overlay.png``.
    digest : str
        SHA-256 over all of them, 64 hex digits.
    """

    parts: dict[str, str]

    @property
    def digest(self) -> str:
        return hashlib.sha256(_canonical(self.parts)).hexdigest()


def seal_result(result: StoredResult, folder: Path, *, made: dict[str, bytes] | None = None) -> Seal:
    """Digest a result and the pictures beside it.

    Parameters
    ----------
    result : StoredResult
    folder : Path
        Its folder.
    made : dict of name to bytes, optional
        What is about to be written, of `MADE`: none of these is then looked for in the folder.

    Returns
    -------
    Seal
    """
    parts = {f"result.json: {key}": _sum(_canonical(value)) for key, value in result.document.items()}
    height = result.height
    arrays = {
        "x_mm": height.grid.x_mm,
        "y_mm": height.grid.y_mm,
        "height_mm": height.height_mm,
        "form_mm": height.form_mm,
        "sigma_mm": height.sigma_mm,
        "flags": height.flags,
        **result.maps,
    }
    for name, array in arrays.items():
        plain = np.ascontiguousarray(array, "<i4" if array.dtype.kind in "iu" else "<f8")
        plain = np.where(np.isnan(plain), np.nan, plain) if plain.dtype.kind == "f" else plain  # one NaN
        parts[f"height.npz: {name}"] = _sum(repr(plain.shape).encode() + plain.tobytes())
    for name in PICTURES:
        path = folder / name
        if made is not None and name in MADE:
            if name in made:
                parts[name] = _sum(made[name])
        elif path.is_file():
            try:
                parts[name] = _sum(path.read_bytes())
            except OSError as error:
                raise RefusedError(
                    f"{path} cannot be read",
                    found=error.strerror or str(error),
                    allowed="a file that you may read",
                    cure="check its rights, and that the drive is there",
                ) from None
    return Seal(parts)


def differences(before: dict[str, str], now: dict[str, str]) -> list[str]:
    """Say which parts were changed, taken away or added, one sentence each."""
    said = [f"{name} was changed" for name in before if name in now and now[name] != before[name]]
    said += [f"{name} is missing" for name in before if name not in now]
    said += [f"{name} was added" for name in now if name not in before]
    return said


def what_it_shows(*, signed: bool) -> str:
    """What a seal proves and what it does not, in one sentence."""
    if signed:
        return (
            "The signed seal shows that whoever held the named key sealed this result, its pictures and these papers as"
            " they are now; it does not show who that was, when it was, or that the photos are of this panel."
        )
    return (
        "The seal shows a later change by hand; it does not show a seal made anew, who sealed this or when, or what the"
        " photos are of."
    )


def whole_sum(document: dict[str, Any]) -> str:
    """SHA-256 over a seal file less this sum itself: parts, particulars, version and the papers' own sums.

    It shows a change by hand; who knows how it is made can make it again, as with every sum without a key.
    """
    return _sum(_canonical({key: value for key, value in document.items() if key != "seal"}))


def _canonical(value: Any) -> bytes:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def _sum(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
