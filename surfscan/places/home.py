"""Where kits and stations are kept: the user's data folder, or SURFSCAN_HOME."""

from __future__ import annotations

import os
import sys
from pathlib import Path

__all__ = ["VARIABLE", "home"]

VARIABLE = "SURFSCAN_HOME"


def home() -> Path:
    """The folder; it may not be there yet.

    `SURFSCAN_HOME` first; else what each system keeps for a user's data: XDG Base Directory (``~/.local/share``),
    ``~/Library/Application Support``, ``%LOCALAPPDATA%``.
    """
    given = os.environ.get(VARIABLE, "").strip()
    if given:
        return Path(given).expanduser()
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "surfscan"
