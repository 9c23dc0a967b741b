"""A station proved from photos alone: a mirror tile lying flat, then on a feeler gauge."""

from __future__ import annotations

import datetime
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from surfscan.checking.proof import Gauge, prove
from surfscan.core.errors import RefusedError
from surfscan.job.proof_file import ProofFile
from surfscan.places.arrange import Panel, write_job
from surfscan.places.check import station_job
from surfscan.places.stations import Station, keep_proof, load_station

__all__ = ["proof_job", "prove_station"]


def prove_station(
    name: str,
    flat: Sequence[Path],
    tilted: Sequence[Path],
    *,
    gauge_mm: float,
    over_mm: float,
    tile_mm: Sequence[tuple[float, float]],
    today: datetime.date | None = None,
) -> ProofFile:
    """Measure a known tilt at a station with a frame, and keep the certificate with it.

    Parameters
    ----------
    name : str
    flat, tilted : sequence of path
        Photos of the tile lying flat and on the gauge.
    gauge_mm, over_mm : float
        Thickness of the gauge, and from it to the edge that the tile stands on.
    tile_mm : sequence of (x, y)
        The tile's corners from the middle of the frame's tags, mm.
    today : date, optional

    Returns
    -------
    ProofFile

    Raises
    ------
    RefusedError, NotMeasuredError, UsageError
        As `surfscan.checking.proof.prove` does; a station without a frame.
    """
    station = load_station(name)
    if not station.frame:
        raise RefusedError(
            f"Station {station.name} has no frame: its board's place is found anew for each panel",
            found="tags on each panel",
            allowed="a station with a frame of tags that stays with the board",
            cure=f"survey it with its frame: surfscan station new {station.name} PHOTO... --frame --replace",
        )
    gauge = Gauge(gauge_mm, over_mm)
    with tempfile.TemporaryDirectory() as there:
        jobs = [
            proof_job(station, photos, tile_mm, Path(there) / word)
            for word, photos in (("flat", flat), ("tilted", tilted))
        ]
        proof = prove(jobs[0], jobs[1], gauge, today=today or datetime.date.today())
    keep_proof(station.name, proof)
    return proof


def proof_job(
    station: Station, photos: Sequence[Path], tile_mm: Sequence[tuple[float, float]], folder: Path
) -> Path:
    """Write the job of one shot of the tile; an earlier proof says nothing of it."""
    job = station_job(replace(station, proof=None), photos, Panel("mirror tile", "primer"))
    panel = {**job.tables["panel"], "region_mm": [list(corner) for corner in tile_mm]}
    return write_job(replace(job, tables={**job.tables, "panel": panel}), folder)
