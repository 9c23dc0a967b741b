"""Bundles of many panels: a station or the kits packed up, and a bundle checked wherever it is.

What is packed is unpacked beside the result, in a process of the job's own: `surfscan.fleet` calls it there by name.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from surfscan.core.commit import HIDDEN
from surfscan.fleet.bundles import JOB_KEPT, Packed
from surfscan.fleet.marks import clear
from surfscan.fleet.rows import Row
from surfscan.fleet.work import result_into
from surfscan.job.file_kinds import photos_among
from surfscan.places.arrange import Panel
from surfscan.places.check import check_photos
from surfscan.places.home import VARIABLE, home
from surfscan.places.kit import kit_files
from surfscan.places.stations import load_station
from surfscan.report.output import prepare_output

__all__ = ["check_into", "packed_kits", "packed_station"]

_CALL = "surfscan.places.bundle:check_into"
Progress = Callable[..., Any]


def packed_station(name: str, *, progress: Progress | None = None) -> Packed:
    """A station of this computer, packed up.

    Raises
    ------
    RefusedError
        When there is none of this name.
    """
    station = load_station(name)
    files = {
        path.relative_to(home()).as_posix(): path.read_bytes()
        for path in sorted(station.folder.iterdir())
        if path.is_file() and not path.name.startswith(".")
    }
    return Packed(_CALL, station.name, tuple(files.items()))


def packed_kits(*, progress: Progress | None = None) -> Packed:
    """All kits of this computer that have a file, packed up; the standard ones need none."""
    files = tuple((path.relative_to(home()).as_posix(), path.read_bytes()) for path in kit_files())
    return Packed(_CALL, "", files)


def check_into(
    folder: str, out: str, known: Row, packed: Packed, panel: str, *, progress: Callable[[str, float], None]
) -> tuple[Row, bool]:
    """Check a folder of photos into its result folder, which keeps the job that they make; as `fleet.work.check_into`.

    For a process of its own: stations and kits are those of `packed` while it lasts.
    """
    here = Path(out)
    prepare_output(here)
    clear(here, results=True)
    photos = [Path(folder) / name for name in photos_among(os.listdir(folder))]
    shown = Panel(panel, packed.stage, packed.substrate, packed.focal_35mm)
    with _unpacked(packed, here):
        return result_into(
            lambda: check_photos(
                photos, here / JOB_KEPT, shown, station=packed.station or None, progress=progress
            ),
            here,
            known,
            progress=progress,
        )


@contextmanager
def _unpacked(packed: Packed, beside: Path) -> Iterator[None]:
    """What is packed is where stations and kits are kept, for a block; a killed run's is swept away with the result."""
    made = Path(tempfile.mkdtemp(prefix=HIDDEN, dir=beside))
    before = os.environ.get(VARIABLE)
    try:
        for name, data in packed.files:
            (made / name).parent.mkdir(parents=True, exist_ok=True)
            (made / name).write_bytes(data)
        os.environ[VARIABLE] = str(made)
        yield
    finally:
        if before is None:
            os.environ.pop(VARIABLE, None)
        else:
            os.environ[VARIABLE] = before
        shutil.rmtree(made, ignore_errors=True)
