"""Bundles: folders of photos without a sheet, each of one panel, taken at a station or with a printed kit.

What is known of the place travels with the job, so that a worker elsewhere needs no station of its own.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass
from typing import Any

from surfscan.core.trade_names import JOB_NUMBER

__all__ = ["JOB_KEPT", "Packed", "job_number_in", "panel_in"]

JOB_KEPT = "job-kept"
"""Folder in a bundle's result: the job that its photos made. No job's own name: what was kept goes with the result."""

_CAMERAS_OWN = re.compile(
    r"\d*(dcim|camera|photos?|pictures?|images?|uploads?|inbox|incoming|\d{3}[a-z_]+)", re.IGNORECASE
)
"""Folders that cameras and sync programs make: they name no panel."""


@dataclass(frozen=True, slots=True)
class Packed:
    """A station, or the printed kits, packed up for wherever photos are checked.

    Attributes
    ----------
    call : str
        ``module:name`` of what checks photos into a result folder.
    station : str
        Its name; "" for kits.
    files : tuple of (str, bytes)
        What is known of the place, by its name where stations and kits are kept.
    stage, substrate : str
        Of the panels.
    focal_35mm : float or None
        Of the lens, where the photos' EXIF does not tell it.
    """

    call: str
    station: str
    files: tuple[tuple[str, bytes], ...]
    stage: str = "primer"
    substrate: str = "unknown"
    focal_35mm: float | None = None

    @property
    def digest(self) -> str:
        """SHA-256 over the files, in hexadecimal."""
        whole = {name: hashlib.sha256(data).hexdigest() for name, data in self.files}
        return hashlib.sha256(json.dumps([self.station, whole], sort_keys=True).encode()).hexdigest()

    def typed(self, panel: str) -> dict[str, Any]:
        """What stands for a sheet's digest in the identity of a bundle."""
        return {
            "panel": panel,
            "stage": self.stage,
            "substrate": self.substrate,
            "focal_35mm": self.focal_35mm,
        }


def panel_in(folder: str) -> str:
    """The panel's name from its folder: "1042/left front door" is "left front door"; "" for a camera's own folder."""
    last = folder.rpartition("/")[2]
    if not last or JOB_NUMBER.fullmatch(last) or _CAMERAS_OWN.fullmatch(last):
        return ""
    return last.replace("_", " ").strip()[:100]


def job_number_in(folder: str) -> str:
    """The job number from a folder on the way, the innermost; "" without one."""
    return next((part for part in reversed(folder.split("/")) if JOB_NUMBER.fullmatch(part)), "")
