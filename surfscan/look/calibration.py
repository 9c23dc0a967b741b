"""From photos of a calibration board to a lens file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from surfscan.core.errors import RefusedError
from surfscan.job.chart import Chart, find_corners
from surfscan.job.lens_file import LensFile, LensFit, LensSpread
from surfscan.job.photos import read_photo
from surfscan.optics.calibrate import LensSolution, Sighting, fit_lens
from surfscan.version import VERSION

__all__ = ["calibrate_lens", "lens_file_of"]


def calibrate_lens(
    photos: list[Path], chart: Chart, *, progress: Callable[[str, float], None] | None = None
) -> LensSolution:
    """Find a lens from photos of a board.

    Parameters
    ----------
    photos : list of path
    chart : Chart
    progress : callable, optional
        Told a stage in words and the share done.

    Returns
    -------
    LensSolution

    Raises
    ------
    RefusedError
        When the photos can't fix the lens, and what to shoot.
    """
    tell = progress or (lambda stage, share: None)
    rejected: list[tuple[str, str]] = []
    seen: dict[str, str] = {}
    found: list[tuple[Sighting, tuple[int, int]]] = []

    def look(path: Path) -> tuple[str, Sighting | None, tuple[int, int], str]:
        try:
            photo = read_photo(path, path.name)
        except RefusedError as error:
            return "", None, (0, 0), str(error).removeprefix(f"{path.name} ").rstrip(".")
        points, places = find_corners(photo, chart)
        return (
            photo.sha256,
            Sighting(path.name, points, places),
            (photo.image.shape[1], photo.image.shape[0]),
            "",
        )

    with ThreadPoolExecutor(2) as pool:
        for k, (path, (digest, one, size, why)) in enumerate(
            zip(photos, pool.map(look, photos), strict=True)
        ):
            tell("finding the board", 0.8 * (k + 1) / len(photos))
            if one is None:
                rejected.append((path.name, why))
            elif digest in seen:
                rejected.append((path.name, f"the same photo as {seen[digest]}"))
            else:
                seen[digest] = path.name
                found.append((one, size))
    if not found:
        raise RefusedError(
            "no photo could be read",
            found="; ".join(f"{file}: {why}" for file, why in rejected[:6]) or "no photos",
            cure="give photos of the board as the camera made them",
            allowed="photos of the board in which its tags or squares can be read",
        )
    most = Counter(size for one, size in found if len(one.points_mm)) or Counter(size for _, size in found)
    usual = most.most_common(1)[0][0]
    for one, size in found:
        if size != usual:
            rejected.append(
                (one.file, f"{size[0]} x {size[1]} pixels, where most have {usual[0]} x {usual[1]}")
            )
    tell("fitting the lens", 0.85)
    return fit_lens([one for one, size in found if size == usual], usual, rejected=tuple(rejected))


def lens_file_of(solution: LensSolution, chart: Chart) -> LensFile:
    """The lens file of a calibration."""
    return LensFile(
        schema=1,
        image_size_px=solution.size_px,
        focal_px=solution.focal_px,
        centre_px=solution.centre_px,
        distortion=solution.distortion,
        sd=LensSpread(
            focal_px=solution.focal_sd_px,
            centre_px=solution.centre_sd_px,
            distortion=solution.distortion_sd,
        ),
        fit=LensFit(
            rms_px=solution.rms_px,
            photos=len(solution.used),
            corners=len(solution.errors_px),
            date=datetime.now(UTC).date().isoformat(),
            board=chart.words,
            versions=f"surfscan {VERSION}, opencv {version('opencv-python-headless')}",
        ),
    )
