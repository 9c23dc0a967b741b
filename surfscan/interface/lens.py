"""A lens from photos of a board."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from surfscan.job.chart import Chart
from surfscan.job.lens_file import lens_text
from surfscan.look.calibration import calibrate_lens as calibrate
from surfscan.look.calibration import lens_file_of
from surfscan.optics.calibrate import LensSolution
from surfscan.report.output import write_file

__all__ = ["calibrate_lens"]


def calibrate_lens(
    photos: Sequence[Path | str],
    *,
    squares: tuple[int, int],
    square_mm: float,
    chessboard: bool = False,
    out: Path | str | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> LensSolution:
    """Find a phone's lens from photos of a calibration board.

    Parameters
    ----------
    photos : sequence of path
        10 to 15, sharp, tilted by 20 to 45 degrees to each side.
    squares : (int, int)
        Squares across and down of the printed board; of a plain chessboard its inner corners.
    square_mm : float
        Side of a square.
    chessboard : bool
        A plain chessboard, without markers.
    out : path, optional
        A lens file to write, for `camera.lens_file` of a job sheet.
    progress : callable, optional
        Told a stage in words and the share done, 0 to 1.

    Returns
    -------
    LensSolution

    Raises
    ------
    RefusedError
        When the photos can't fix the lens, and what to shoot.

    Examples
    --------
    >>> photos = sorted((fixtures / "chessboard").glob("left*.jpg"))
    >>> lens = surfscan.calibrate_lens(photos, squares=(9, 6), square_mm=25, chessboard=True)
    >>> round(lens.focal_px), lens.rms_px < 0.3
    (532, True)
    """
    chart = Chart(squares, square_mm, plain=chessboard)
    solution = calibrate([Path(photo) for photo in photos], chart, progress=progress)
    if out is not None:
        write_file(Path(out), lens_text(lens_file_of(solution, chart)).encode(), make_folder=True)
    return solution
