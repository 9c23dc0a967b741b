"""The scale of screens that were measured once, kept on this computer; a screen is known by a name of its own."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path

from surfscan.job.sheet_writing import write_sheet
from surfscan.places.home import home
from surfscan.report.output import write_file
from surfscan.screen.set_board import Scale

__all__ = ["keep_scale", "scale_kept"]


def _path(name: str) -> Path:
    """The name is a secret of the set's: its digest names the file."""
    return home() / "screens" / f"{hashlib.sha256(name.encode()).hexdigest()[:24]}.toml"


def keep_scale(name: str, glass_px: tuple[int, int], scale: Scale) -> None:
    """Remember the scale of a screen that says its glass has so many pixels.

    Raises
    ------
    RefusedError
        When it can't be written.
    """
    row = {"glass_px": list(glass_px), "pixel_mm": scale.pixel_mm, "u_rel": scale.u_rel}
    write_file(_path(name), write_sheet({"screen": row}).encode(), make_folder=True)


def scale_kept(name: str, glass_px: tuple[int, int]) -> Scale | None:
    """What was remembered; None for a glass of other pixels, or a file that is none."""
    try:
        row = tomllib.loads(_path(name).read_bytes()[:2000].decode())["screen"]
        scale = Scale(float(row["pixel_mm"]), float(row["u_rel"]))
        same = tuple(row["glass_px"]) == glass_px
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return scale if same and 0.005 < scale.pixel_mm < 20 and 0 < scale.u_rel < 0.2 else None
